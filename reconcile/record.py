"""The record: an append-only file of events, each line chained by SHA-256.

Custody events, releases and the life of correction factors stand in it; it lies beside
the releases as ``record.jsonl``. A line is appended whole; a line that a crash left
unfinished is taken away before the next one is written. Whoever holds the file can
rebuild it, so its head, and the custody head printed in every release, belong in
another's hands too: the chain proves alteration, not truth.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reconcile.errors import ReconcileError
from reconcile.model import Finding
from reconcile.writing import one_at_a_time, sync_folder

RECORD = "record.jsonl"
_START = "0" * 64


@dataclass(frozen=True, slots=True)
class Entry:
    """One line: what it says and its place in the chain."""

    number: int
    kind: str  # custody event | factor event | release
    content: dict[str, Any]
    hash: str


@dataclass(frozen=True, slots=True)
class Reading:
    """The record as it lies there."""

    entries: tuple[Entry, ...]
    whole: int  # bytes up to the end of the last whole line
    unfinished: bool  # something follows that is no whole line
    altered: int  # number of the first line that is not what was written; 0: none

    @property
    def head(self) -> str:
        """Hash of the last line."""
        return self.entries[-1].hash if self.entries else _START


def _line(number: int, kind: str, content: dict[str, Any], previous: str) -> tuple[bytes, str]:
    body = json.dumps(
        [number, kind, content, previous],
        sort_keys=True, ensure_ascii=False, separators=(",", ":"),
    )  # fmt: skip
    digest = hashlib.sha256(body.encode("utf-8", "surrogatepass")).hexdigest()
    return f'{{"hash":"{digest}","line":{body}}}\n'.encode("utf-8", "surrogatepass"), digest


def read(path: Path) -> Reading:
    """Read and check every line; the first one that does not fit is named."""
    data = path.read_bytes() if path.exists() else b""
    entries: list[Entry] = []
    previous, place = _START, 0
    while place < len(data):
        end = data.find(b"\n", place)
        if end < 0:
            return Reading(tuple(entries), place, True, 0)
        raw = data[place : end + 1]
        number = len(entries) + 1
        try:
            line = json.loads(raw)["line"]
            expected, digest = _line(number, line[1], line[2], previous)
        except (ValueError, KeyError, IndexError, TypeError):
            return Reading(tuple(entries), place, False, number)
        if expected != raw:
            return Reading(tuple(entries), place, False, number)
        entries.append(Entry(number, line[1], line[2], digest))
        previous, place = digest, end + 1
    return Reading(tuple(entries), place, False, 0)


def extend(path: Path, additions: Sequence[tuple[str, dict[str, Any]]]) -> str:
    """Append what is not there yet, in order, one process at a time; returns the head.

    Raises ReconcileError where an earlier line was altered: nothing is added to a broken
    chain.
    """
    with one_at_a_time(path):
        return _extend(path, additions)


def _extend(path: Path, additions: Sequence[tuple[str, dict[str, Any]]]) -> str:
    reading = read(path)
    if reading.altered:
        raise ReconcileError(
            f"Line {reading.altered} of {path} is not what was written.",
            "Restore the record from a copy, then run again; nothing was added to it.",
        )
    there = {_identity(entry.kind, entry.content) for entry in reading.entries}
    new: list[bytes] = []
    number, previous = len(reading.entries), reading.head
    for kind, content in additions:
        if (mark := _identity(kind, content)) in there:
            continue
        there.add(mark)
        number += 1
        raw, previous = _line(number, kind, content, previous)
        new.append(raw)
    if new or reading.unfinished:
        with path.open("r+b" if path.exists() else "w+b") as stream:
            stream.truncate(reading.whole)
            stream.seek(reading.whole)
            try:
                stream.write(b"".join(new))
                stream.flush()
                os.fsync(stream.fileno())
            except OSError:  # a full disk: all of the lines or none, an act is not half told
                with suppress(OSError):
                    os.ftruncate(stream.fileno(), reading.whole)
                raise
        sync_folder(path.parent)
    return previous


def _identity(kind: str, content: dict[str, Any]) -> str:
    return json.dumps([kind, content], sort_keys=True, ensure_ascii=False)


def check(path: Path) -> tuple[Finding, ...]:
    """What is wrong with the record itself."""
    reading = read(path)
    if reading.altered:
        return (
            Finding(
                "record", "serious", path.name,
                f"Line {reading.altered} is not what was written; lines from there on can't be "
                "relied on.",
                advice="Compare with the copy that was sent out, and restore it.",
            ),
        )  # fmt: skip
    if reading.unfinished:
        return (
            Finding(
                "record", "warning", path.name,
                "The last line is not whole: a run was cut off, or its end was altered.",
                advice="The next run takes the unfinished line away and writes it again.",
            ),
        )  # fmt: skip
    return ()
