"""What ``verify`` compares of the store, the ledger and the archive.

The store is compared with the ledger, and the ledger with what the archived files give when
they are read again. Together: what a run would take from the store is what the archived
files hold. Readings by another version of the program can't be repeated by this one; of
these only store and ledger are compared, and no run uses them.
"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb

from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.intake import workspace as ws
from reconcile.intake.workspace import Workspace
from reconcile.run import rereading
from reconcile.store import contents, ledger
from reconcile.store.database import Store
from reconcile.store.ledger import Ledger
from reconcile.store.opened import UnfitStore, left_as, tables_of_files
from reconcile.store.statements import quoted, sql

_HEX = frozenset("0123456789abcdef")


@dataclass(frozen=True, slots=True)
class Holdings:
    """What was compared, what did not fit, and what each archived file gives now."""

    inputs: int  # archived files
    kept: frozenset[str]  # their digests, as their names say
    readings: int  # readings of files that the store holds
    read_again: int
    gives: dict[tuple[str, str], frozenset[str]]  # by path and SHA-256: contents of readings
    findings: tuple[Finding, ...]


def check(workspace: Workspace) -> Holdings:
    """Compare archive, ledger and store; nothing is changed."""
    kept, sound, findings = _archive(workspace)
    book = ledger.read(workspace.ledger_file)
    name = workspace.ledger_file.name
    findings += [
        serious(name, f"Line {number} is not what was written.", _AGAIN) for number in book.damaged
    ]
    readings, found = _store(workspace, book)
    findings += found
    gives: dict[tuple[str, str], frozenset[str]] = {}
    count = 0
    for reading in book.readings.values():
        if reading.sha256 not in sound or not rereading.can_be_repeated(reading):
            continue
        try:
            now = rereading.contents_again(workspace, reading, book)
        except ReconcileError as error:
            findings.append(serious(f"{name}, {reading.path}", error.message, _AGAIN))
            continue
        count += 1
        file = (reading.path, reading.sha256)
        gives[file] = gives.get(file, frozenset()) | {now}
        if now != reading.contents:
            text = "The ledger holds other contents than the archived copy gives."
            findings.append(serious(f"{name}, {reading.path}", text, _SET_ASIDE))
    return Holdings(len(kept), kept, readings, count, gives, tuple(findings))


_AGAIN = "The next run reads the file again. Find out who had access, or whether the disk fails."
_SET_ASIDE = (
    "Move the store and the ledger out of the output folder: the next run reads every archived "
    "file again. Find out who had access."
)
_RESTORE = "Restore it from a copy that is known to be good, and find out who had access."


def serious(subject: str, text: str, advice: str = _RESTORE) -> Finding:
    """Something that is not what was written."""
    return Finding(
        "record", "serious", subject, text, advice=advice, code=FindingCode.HOLDINGS_ALTERED
    )


def foreign(subject: str) -> Finding:
    """Something that the program did not put there."""
    return Finding(
        "record", "warning", subject, "It is none of the program's; it was passed over.",
        advice="Move it out of the output folder.",
        code=FindingCode.FOREIGN_FILE,
    )  # fmt: skip


def _archive(workspace: Workspace) -> tuple[frozenset[str], frozenset[str], list[Finding]]:
    """Digests that stand in the archive by name, those whose bytes fit, and what does not."""
    findings, kept, sound = [], set(), set()
    folder = workspace.archive
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        if path.name.startswith(".unfinished-"):
            continue  # what a crash left; the next run writes over it
        digest = path.name.split(".")[0]
        shown = f"archive/{path.name}"
        if len(digest) != 64 or not set(digest) <= _HEX or path.is_symlink() or not path.is_file():
            findings.append(foreign(shown))
            continue
        kept.add(digest)
        try:
            altered = ws.sha256_of(path) != digest
        except OSError as error:
            findings.append(serious(shown, f"It can't be read: {error.strerror or error}."))
            continue
        if altered:
            findings.append(serious(shown, "The archived input is not what was read."))
        else:
            sound.add(digest)
    return frozenset(kept), frozenset(sound), findings


def _store(workspace: Workspace, book: Ledger) -> tuple[int, list[Finding]]:
    """How many readings the store holds, and those that are not what the ledger says."""
    path = workspace.store_file
    name = path.relative_to(workspace.output).as_posix()
    if not path.exists():
        if not book.readings:
            return 0, []
        text = "The store is not there; the next run reads the archived files again."
        return 0, [Finding("record", "note", name, text, code=FindingCode.STORE_MISSING)]
    findings: list[Finding] = []
    try:
        with Store(path, only_look=True, engine=workspace.engine) as store:
            held = store.rows(sql("holdings.files"))
            for file_id, *reading in held:
                shown, sha256, key = reading
                expected = book.contents_of((shown, sha256, key))
                if contents.digest_of(store, file_id) != expected:
                    text = (
                        "The store holds other values than were read from the file."
                        if expected
                        else "The store holds values of which the ledger knows nothing."
                    )
                    findings.append(serious(f"{name}, {shown}", text, _AGAIN))
            for table in tables_of_files():
                if store.rows(sql("holdings.of_no_file", rows=quoted(table))):
                    text = f"The store holds rows of no file ({table}); no run uses them."
                    findings.append(serious(name, text, _AGAIN))
    except UnfitStore as error:
        return 0, [
            Finding(
                "record",
                "warning",
                name,
                error.message,
                advice=error.advice,
                code=FindingCode.STORE_UNFIT,
            )
        ]
    except duckdb.Error as error:
        text = f"The store is damaged ({str(error).splitlines()[0]})."
        return 0, [serious(name, text, _AGAIN)]
    return len(held), findings or _unused_bytes(workspace, name)


def _unused_bytes(workspace: Workspace, name: str) -> list[Finding]:
    """Whether the file differs although all that it holds is what was read."""
    left = left_as(workspace.store_file)
    try:
        as_left = left.read_bytes()
    except OSError:
        return []
    if as_left == f"{ws.sha256_of(workspace.store_file)}\n".encode():
        return []
    text = (
        "Harmless: the store, or the digest of its file, differs in bytes that hold no data. All "
        "that the store holds is what the ledger says."
    )
    return [Finding("record", "note", name, text, code=FindingCode.STORE_UNUSED_BYTES)]
