"""A run in which nothing changed: its release answers, from digests, and nothing is computed.

After every run a note beside the store says by which digests it ran. It holds all that a run
reads: settings, program, libraries, every input and its archived copy, the store as it was left,
the record and what holds it, the register of people, every release. Where one of them is
another, or can't be read, the run is done in full, which finds out and tells what it means.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from reconcile.base import provenance
from reconcile.base.errors import ReconcileError
from reconcile.base.writing import write_whole
from reconcile.intake import workspace as ws
from reconcile.intake.workspace import SETTINGS_FILE, Workspace
from reconcile.releases import anchors, release, unfinished
from reconcile.run import standing
from reconcile.run.standing import Standing

if TYPE_CHECKING:
    from reconcile.run.state import RunOutcome

_NOTE = "unchanged_{period}.json"
#: Files of the output folder that say nothing of what a run gives.
_NOT_READ = ("last_failure_", ".", "index.html")


@dataclass(frozen=True, slots=True)
class Stands:
    """The release that stands for a period in which nothing changed."""

    folder: Path
    standing: Standing
    record_lines: int
    record_head: str


def stands(workspace: Workspace, period: str) -> Stands | None:
    """The release that stands, where all is as the last run left it; else None.

    Raises ReconcileError, as a run does, where the record can't be relied on.
    """
    note = _note(workspace, period)
    try:
        noted = json.loads(note.read_text(encoding="utf-8"))
        kept = standing.read(noted["standing"])
        mark = _mark(workspace, period, kept)
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if mark is None or noted["mark"] != mark:
        return None
    reading = anchors.whole_record(workspace)
    found = release.latest(workspace.releases(period))
    if found is None or unfinished.note_of(workspace.output, period).exists():
        return None
    return Stands(found.folder, kept, len(reading.entries), reading.head)


def whole(found: Stands) -> RunOutcome | None:
    """What the run that gave this release gave; None where its value can't be read."""
    from reconcile.releases import kept_value
    from reconcile.run.state import RunOutcome

    try:
        value = kept_value.read(found.folder)
    except ReconcileError:
        return None
    return RunOutcome(
        found.folder, value, False,
        record_lines=found.record_lines, record_head=found.record_head,
    )  # fmt: skip


def answered(workspace: Workspace, period: str) -> RunOutcome | None:
    """``whole`` of what ``stands``; None where either is not to be had."""
    found = stands(workspace, period)
    return None if found is None else whole(found)


def note(workspace: Workspace, outcome: RunOutcome) -> None:
    """Keep by which digests this run went, where the same run would say the same again."""
    period = outcome.reconciliation.period
    path = _note(workspace, period)
    try:
        path.unlink(missing_ok=True)
        if outcome.told or outcome.differing:
            return
        kept = standing.of(outcome.reconciliation)
        mark = _mark(workspace, period, kept)
        if mark is not None:
            noted = {"mark": mark, "standing": standing.plain(kept)}
            write_whole(path, (json.dumps(noted) + "\n").encode())
    except (OSError, ReconcileError):
        return  # the next run is done in full


def _note(workspace: Workspace, period: str) -> Path:
    return workspace.store_file.with_name(_NOTE.format(period=period))


def _mark(workspace: Workspace, period: str, kept: Standing) -> str | None:
    """Digest of all that a run reads, and of what it says in brief; None where something is not
    as it was left.

    Raises OSError where a file can't be read.
    """
    store = workspace.store_file
    left = store.with_name(store.name + ".sha256")
    if left.read_text(encoding="utf-8").strip() != ws.sha256_of(store):
        return None
    found, missing = ws.find_files(workspace, period)
    content: list[object] = [
        period, standing.plain(kept),
        provenance.source_digest(), sorted(provenance.made_with().items()),
        ws.settings_hash(workspace.settings), ws.sha256_of(workspace.folder / SETTINGS_FILE),
        [m.pattern for m in missing],
    ]  # fmt: skip
    archived = {path.stem: path for path in workspace.archive.iterdir()}
    for file in found:
        digest = ws.sha256_of(file.path)
        copy = archived.get(digest)
        if copy is None or ws.sha256_of(copy) != digest:
            return None
        content.append([file.shown, file.table_index, digest])
    for file in ws.files_of_every_month(workspace, "custody"):
        content.append([file.shown, ws.sha256_of(file.path)])
    people = workspace.folder / workspace.settings.people.file
    content.append(ws.sha256_of(people) if people.exists() else "")
    for path in _of_output(workspace.output):
        content.append([path.relative_to(workspace.output).as_posix(), ws.sha256_of(path)])
    for folder in sorted(p for p in (workspace.output / "releases").iterdir() if p.is_dir()):
        try:
            latest = release.latest(folder)
        except ReconcileError:
            return None
        if latest is not None and release.altered_files(latest):
            return None
    return hashlib.sha256(json.dumps(content, ensure_ascii=True).encode()).hexdigest()


def _of_output(output: Path) -> Iterator[Path]:
    """The record and what stands beside it, what holds its heads, and every manifest."""
    yield from sorted(
        path for path in output.iterdir() if path.is_file() and not path.name.startswith(_NOT_READ)
    )
    for name in (anchors.SIGNATURES, anchors.TOKENS):
        yield from sorted(path for path in (output / name).glob("*") if path.is_file())
    yield from sorted((output / "releases").glob(f"*/r*/{release.MANIFEST}"))
