"""The record: an append-only file of events, each line chained by SHA-256.

Custody events, releases and the life of correction factors stand in it; it lies beside
the releases as ``record.jsonl``. A line is appended whole; a line that a crash left
unfinished is taken away before the next one is written.

The chain shows a line that was changed, moved or taken out of the middle. Lines dropped
from its end leave a whole chain: the mark beside it (``record_head.json``: how many lines,
and the last one's hash) contradicts that, and so do releases, signatures and tokens that
hold a later head (``anchors.py``). Whoever can rewrite all of these is found out only by a
head that was kept elsewhere.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.writing import one_at_a_time, sync_folder, write_whole

RECORD = "record.jsonl"
MARK = "record_head.json"
START = "0" * 64  # head of a record without a line


@dataclass(frozen=True, slots=True)
class Entry:
    """One line: what it says and its place in the chain."""

    number: int
    kind: str  # custody event | factor event | release | signature | time-stamp token
    content: dict[str, Any]
    hash: str


@dataclass(frozen=True, slots=True)
class Mark:
    """How long the record was when a line was last added, and its head then."""

    lines: int
    head: str

    def as_bytes(self) -> bytes:
        """The one form in which it is written."""
        return (json.dumps({"lines": self.lines, "head": self.head}, indent=1) + "\n").encode()


@dataclass(frozen=True, slots=True)
class Reading:
    """The record as it lies there."""

    entries: tuple[Entry, ...]
    whole: int  # bytes up to the end of the last whole line
    unfinished: bool  # something follows that is no whole line
    altered: int  # number of the first line that is not what was written; 0: none
    mark: Mark | None = None  # as it stood before the lines were read: never ahead of them
    marked: bool = False  # whether there is a file for it at all

    @property
    def head(self) -> str:
        """Hash of the last line."""
        return self.entries[-1].hash if self.entries else START

    def lines_up_to(self, head: str) -> int | None:
        """How many lines stand up to and with the one of this hash; None where it has none."""
        if head == START:
            return 0
        return next((e.number for e in self.entries if e.hash == head), None)


def _line(number: int, kind: str, content: dict[str, Any], previous: str) -> tuple[bytes, str]:
    body = json.dumps(
        [number, kind, content, previous],
        sort_keys=True, ensure_ascii=False, separators=(",", ":"),
    )  # fmt: skip
    digest = hashlib.sha256(body.encode("utf-8", "surrogatepass")).hexdigest()
    return f'{{"hash":"{digest}","line":{body}}}\n'.encode("utf-8", "surrogatepass"), digest


def read(path: Path) -> Reading:
    """Read and check every line; the first one that does not fit is named."""
    # The mark is written after the lines: read first, it never counts lines not yet read.
    marked, mark = _mark_of(path).exists(), read_mark(path)
    return replace(_read_lines(path), mark=mark, marked=marked)


def _read_lines(path: Path) -> Reading:
    data = path.read_bytes() if path.exists() else b""
    entries: list[Entry] = []
    previous, place = START, 0
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


def _mark_of(path: Path) -> Path:
    return path.with_name(MARK)


def _write_mark(path: Path, mark: Mark) -> None:
    target, content = _mark_of(path), mark.as_bytes()
    if not target.exists() or target.read_bytes() != content:
        write_whole(target, content)


def read_mark(path: Path) -> Mark | None:
    """The mark beside the record; None where there is none, or none that was written so."""
    try:
        content = _mark_of(path).read_bytes()
        values = json.loads(content)
        mark = Mark(int(values["lines"]), str(values["head"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return mark if mark.as_bytes() == content else None


def extend(path: Path, additions: Sequence[tuple[str, dict[str, Any]]]) -> str:
    """Append what is not there yet, in order, and mark the end; returns the head.

    With nothing to append, an empty record and its mark are made where there are none: a
    release is never written before, so releases without a record beside them have lost it.
    Raises ReconcileError where an earlier line was altered or lines are gone: nothing is
    added to a broken chain.
    """
    with one_at_a_time(path):
        return _extend(path, additions)


def _extend(path: Path, additions: Sequence[tuple[str, dict[str, Any]]]) -> str:
    reading = read(path)
    if found := trouble(path, reading):
        raise ReconcileError(
            f"{path}: {found.text}", "Restore the record from a copy; nothing was added to it."
        )
    there = {_identity(entry.kind, entry.content) for entry in reading.entries}
    new: list[bytes] = []
    number, previous = len(reading.entries), reading.head
    for kind, content in additions:
        if (identity := _identity(kind, content)) in there:
            continue
        there.add(identity)
        number += 1
        raw, previous = _line(number, kind, content, previous)
        new.append(raw)
    mark = Mark(number, previous)
    if new or reading.unfinished or not path.exists():
        with path.open("r+b" if path.exists() else "w+b") as stream:
            stream.truncate(reading.whole)
            stream.seek(reading.whole)
            try:
                stream.write(b"".join(new))
                stream.flush()
                os.fsync(stream.fileno())
                _write_mark(path, mark)
            except (OSError, ReconcileError):  # a full disk: all of the lines or none
                with suppress(OSError):
                    os.ftruncate(stream.fileno(), reading.whole)
                raise
        sync_folder(path.parent)
    else:
        _write_mark(path, mark)
    return previous


def _identity(kind: str, content: dict[str, Any]) -> str:
    return json.dumps([kind, content], sort_keys=True, ensure_ascii=False)


@dataclass(frozen=True, slots=True)
class Trouble:
    """What is wrong with the record by itself or by its mark."""

    file: str  # RECORD or MARK
    text: str


def trouble(path: Path, reading: Reading) -> Trouble | None:
    """What is wrong with the record; None where it is what its mark says."""
    if reading.altered:
        text = f"Line {reading.altered} is not what was written; "
        return Trouble(RECORD, f"{text}lines from there on can't be relied on.")
    mark = reading.mark
    if mark is None:
        found = f"The mark of the record's end ({MARK}) is not what was written."
        return Trouble(MARK, found) if reading.marked else None
    if mark.lines > len(reading.entries):
        gone = mark.lines - len(reading.entries)
        lines = "The last line is" if gone == 1 else f"The last {gone} lines are"
        found = lines if path.exists() else "The record is missing: all its lines are"
        return Trouble(RECORD, f"{found} gone; the mark of its end ({MARK}) counts {mark.lines}.")
    if reading.lines_up_to(mark.head) != mark.lines:
        return Trouble(RECORD, f"It is not the record that its mark ({MARK}) was taken of.")
    return None


def check(path: Path) -> tuple[Finding, ...]:
    """What is wrong with the record itself."""
    reading = read(path)
    if found := trouble(path, reading):
        advice = "Compare with the copy that was sent out, and restore it."
        return (
            Finding(
                "record",
                "serious",
                found.file,
                found.text,
                advice=advice,
                code=FindingCode.RECORD_ALTERED,
            ),
        )
    if reading.unfinished:
        return (
            Finding(
                "record", "warning", path.name,
                "The last line is not whole: a run was cut off, or its end was altered.",
                advice="The next run takes the unfinished line away and writes it again.",
                code=FindingCode.RECORD_CUT_OFF,
            ),
        )  # fmt: skip
    return ()
