"""What holds the record to a head that it once had: releases, signatures, time-stamp tokens.

Each names a head and how many lines stood up to it. A record that was shortened, or
computed anew, no longer has that head at that place. What a command does by the record
(a factor that is approved, a release) is done only where none of them contradicts.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.writing import write_whole
from reconcile.intake.workspace import Workspace
from reconcile.releases import record, release

SIGNATURES = "signatures"  # folder of detached signatures, under the output
SHEETS = "sheets"  # folder of result sheets, under the output
TOKENS = "tokens"  # folder of time-stamp tokens, under the output


@dataclass(frozen=True, slots=True)
class Anchor:
    """A head that the record had when something was made."""

    subject: str  # its file, relative to the output
    lines: int
    head: str


@dataclass(frozen=True, slots=True)
class Held:
    """Whether a head stands in the record."""

    head: str
    lines: int | None  # lines up to it; None where it is not there
    since: int  # lines that were added after it
    custody_of: str  # the release whose custody chain has this head; "" where none


def anchors(workspace: Workspace) -> Iterator[Anchor]:
    """Every head that a release, a result sheet or a detached signature holds.

    What can't be read is passed over: 'verify' tells it where it looks at the file itself.
    """
    output = workspace.output
    kept = [
        *sorted((output / "releases").glob(f"*/r*/{release.MANIFEST}")),
        *sorted((output / SHEETS).glob(f"*/r*/{release.MANIFEST}")),
        *sorted((output / SIGNATURES).glob("*.json")),
    ]
    for path in kept:
        try:
            content = json.loads(path.read_text(encoding="utf-8"))
            found = Anchor(
                path.relative_to(output).as_posix(),
                int(content["record_lines"]), str(content["record_head"]),
            )  # fmt: skip
        except (OSError, ValueError, KeyError, TypeError):
            continue  # also releases of before heads were kept
        yield found


def contradictions(
    workspace: Workspace, there: Sequence[Anchor], reading: record.Reading
) -> tuple[Finding, ...]:
    """Each of the anchors ``there`` that the record contradicts.

    They are gathered before the record is read: what another process adds meanwhile
    contradicts nothing.
    """
    path = workspace.output / record.RECORD
    places = {entry.hash: entry.number for entry in reading.entries} | {record.START: 0}
    findings = [
        Finding(
            "record", "serious", anchor.subject,
            f"It was made when line {anchor.lines} of the record had the hash {anchor.head}; now "
            "the record does not: it was shortened, or written anew.",
            advice=_RESTORE,
            code=FindingCode.RECORD_SHORTENED,
        )
        for anchor in there
        if places.get(anchor.head) != anchor.lines
    ]  # fmt: skip
    if there and not reading.marked:
        findings.append(
            Finding(
                "record", "serious", record.MARK, "The mark of the record's end is missing.",
                advice=_RESTORE,
                code=FindingCode.MARK_MISSING,
            )
        )  # fmt: skip
    if not path.exists() and any((workspace.output / "releases").glob(f"*/r*/{release.MANIFEST}")):
        findings.append(
            Finding(
                "record", "serious", record.RECORD, "The record is missing beside its releases.",
                advice=_RESTORE,
                code=FindingCode.RECORD_MISSING,
            )
        )  # fmt: skip
    return tuple(findings)


_RESTORE = "Restore the record and its mark from a copy, and find out who had access."


def whole_record(workspace: Workspace) -> record.Reading:
    """The record, where nothing says that it was altered or shortened.

    Raises ReconcileError else: nothing may be decided, corrected or released by it.
    """
    path = workspace.output / record.RECORD
    there = tuple(anchors(workspace))
    reading = record.read(path)
    found = record.trouble(path, reading)
    told = [f"{path}: {found.text}"] if found else []
    told += [f"{f.subject}: {f.text}" for f in contradictions(workspace, there, reading)]
    if told:
        raise ReconcileError(
            "The record can't be relied on.\n" + "\n".join(f"  - {text}" for text in told),
            "Run 'reconcile verify', and restore the record and its mark from a copy. Nothing was "
            "written.",
        )
    return reading


def held(reading: record.Reading, head: str) -> Held:
    """Look for a head that was kept elsewhere; blanks and capitals do not matter.

    Raises ReconcileError where the text is no head.
    """
    wanted = "".join(head.split()).casefold()
    if len(wanted) != len(record.START) or not set(wanted) <= set("0123456789abcdef"):
        raise ReconcileError(
            f"'{head}' is no head of a record.",
            "Give the 64 characters (0-9, a-f) as they were printed.",
        )
    lines = reading.lines_up_to(wanted)
    custody_of = next(
        (
            str(e.content["release_id"])
            for e in reading.entries
            if e.kind == "release" and e.content.get("custody_head") == wanted
        ),
        "",
    )
    since = len(reading.entries) - lines if lines is not None else 0
    return Held(wanted, lines, since, custody_of)


def save_new(folder: Path, name: str, content: bytes) -> Path:
    """Keep a file under a name of its own; one of the same bytes may be there already."""
    path = folder / name
    if path.exists() and path.read_bytes() != content:
        raise ReconcileError(f"{path} is there with other content.", "Nothing was changed.")
    if not path.exists():
        write_whole(path, content)
    return path
