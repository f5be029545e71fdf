"""Documents of a release drawn again from its own value; they lie beside it, never in it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from reconcile.base import provenance
from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.release import Reconciliation, SignOff
from reconcile.base.writing import write_whole
from reconcile.intake.workspace import Workspace
from reconcile.releases import kept_value, record, release, sign_off
from reconcile.reporting import files

#: Name of the folder beside a release's own.
BESIDE = "drawn-r{revision}"
_BESIDE = re.compile(r"drawn-r[1-9][0-9]{0,8}")


@dataclass(frozen=True, slots=True)
class Drawn:
    """One document that was drawn."""

    path: Path
    release_id: str
    same: bool | None  # as the bytes that the release holds; None where it holds none of it


def draw(workspace: Workspace, period: str, document: str) -> Drawn:
    """Draw one of ``files.DRAWN`` of the latest release of a period.

    Raises ReconcileError where there is no release, or its value was altered or can't be read.
    """
    found = release.latest(workspace.releases(period))
    if found is None:
        raise ReconcileError(
            f"There is no release of {period}.", f"'reconcile run {period}' makes one."
        )
    if kept_value.NAME in release.altered_files(found):
        raise ReconcileError(
            f"{found.folder / kept_value.NAME} is not as it was released.",
            "Restore it from the copy that was sent out; nothing was drawn.",
        )
    name, make = files.DRAWN[document]
    value = kept_value.read(found.folder)
    reading = record.read(workspace.output / record.RECORD)
    acts = [s.act for s in sign_off.of_release(reading, value.release_id)]
    content = make(sign_off.with_acts(value, acts))
    folder = found.folder.with_name(BESIDE.format(revision=found.revision))
    folder.mkdir(exist_ok=True)
    write_whole(folder / name, content)
    held = {entry["name"]: entry["sha256"] for entry in found.manifest["outputs"]}
    same = None if name not in held else held[name] == hashlib.sha256(content).hexdigest()
    return Drawn(folder / name, str(found.manifest["release_id"]), same)


def lies_beside(folder: Path) -> bool:
    """True for the folder of documents that were drawn beside a release."""
    return _BESIDE.fullmatch(folder.name) is not None and folder.is_dir()


def foreign(folder: Path) -> list[Path]:
    """What lies among drawn documents and is none."""
    names = {name for name, _ in files.DRAWN.values()}
    return sorted(p for p in folder.iterdir() if p.name not in names or not p.is_file())


def check(folder: Path, manifest: dict[str, object], acts: Sequence[SignOff] = ()) -> list[Finding]:
    """What is wrong with the documents beside the release in ``folder``.

    ``acts``: what persons said of it by now; a document may have been drawn before the last of
    them. A document is drawn again and compared where this program and these libraries made the
    release; else a note says that it can't be.
    """
    revision = release.revision_of(folder)
    beside = folder.with_name(BESIDE.format(revision=revision))
    there = {name: make for name, make in files.DRAWN.values() if (beside / name).is_file()}
    findings = []
    same_program = (
        manifest.get("code_version") == provenance.code_version()
        and manifest.get("made_with") == provenance.made_with()
    )
    value: Reconciliation | None = None
    if there and same_program:
        try:
            value = kept_value.read(folder)
        except ReconcileError:
            value = None
    for name, make in there.items():
        shown = f"{beside.parent.name}/{beside.name}/{name}"
        if value is None:
            findings.append(
                Finding(
                    "release", "note", shown,
                    "It was drawn from a release of another version of the program, so that it "
                    "can't be drawn again and compared.",
                    code=FindingCode.DRAWN_NOT_COMPARED,
                )
            )  # fmt: skip
        elif _differs(beside / name, make, value, acts):
            findings.append(
                Finding(
                    "release", "serious", shown,
                    "It is not what the release's own value gives.",
                    advice="Draw it again with 'reconcile run --only'; find out who altered it.",
                    code=FindingCode.DRAWN_DIFFERS,
                )
            )  # fmt: skip
    return findings


def _differs(
    path: Path, make: Callable[[Reconciliation], bytes], value: Reconciliation,
    acts: Sequence[SignOff],
) -> bool:  # fmt: skip
    there = path.read_bytes()
    return all(
        there != make(sign_off.with_acts(value, acts[:count])) for count in range(len(acts), -1, -1)
    )
