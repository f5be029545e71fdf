"""Whether every file of every result sheet is what was issued and signed off."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.writing import UNFINISHED
from reconcile.intake.workspace import Workspace, sha256_of
from reconcile.judgement import sheet_life
from reconcile.judgement.sheet_life import SheetLife
from reconcile.releases import record
from reconcile.releases.release import MANIFEST


@dataclass(frozen=True, slots=True)
class Checked:
    """What was compared, and what did not fit."""

    sheets: int  # revisions
    files: int
    findings: tuple[Finding, ...]


def check(workspace: Workspace, reading: record.Reading) -> Checked:
    """Compare every file under the folder of sheets with the record."""
    lives = sheet_life.lives(reading)
    root = workspace.output / sheet_life.FOLDER
    findings: list[Finding] = []
    known: set[Path] = set()
    files = 0
    for life in lives.values():
        folder = sheet_life.folder_of(workspace, life.number, life.revision)
        found, listed = _check_revision(workspace, life, folder)
        findings += found
        known |= listed
        files += len(listed)
        for path, digest in _signed(workspace, life):
            known.add(path)
            files += 1
            findings += _compared(workspace, path, digest)
    there = (p for p in sorted(root.rglob("*")) if p.is_symlink() or not p.is_dir())
    for path in there if root.is_dir() else ():
        unfinished = any(UNFINISHED in part for part in path.relative_to(root).parts)
        if path not in known and not unfinished:
            text = "The file is of no sheet that the record holds."
            findings.append(_serious(_shown(workspace, path), text))
    return Checked(len(lives), files, tuple(findings))


def _check_revision(
    workspace: Workspace, life: SheetLife, folder: Path
) -> tuple[list[Finding], set[Path]]:
    path = folder / MANIFEST
    if path.is_symlink() or not path.is_file():
        waiting = folder.with_name(f"{UNFINISHED}{folder.name}") / MANIFEST
        if waiting.is_file() and sha256_of(waiting) == life.manifest_sha256:
            return [], set()  # the next command that changes a sheet moves it to its place
        return [_serious(_shown(workspace, path), "The manifest is missing.")], {path}
    if sha256_of(path) != life.manifest_sha256:
        listed = {p for p in folder.iterdir() if p.is_file()}
        text = "The manifest is not what was recorded."
        return [_serious(_shown(workspace, path), text)], listed
    outputs = json.loads(path.read_bytes())["outputs"]
    known = {path, *(folder / str(entry["name"]) for entry in outputs)}
    found = [
        finding
        for entry in outputs
        for finding in _compared(workspace, folder / str(entry["name"]), str(entry["sha256"]))
    ]
    return found, known


def _signed(workspace: Workspace, life: SheetLife) -> list[tuple[Path, str]]:
    folder = workspace.output / sheet_life.FOLDER / life.number / sheet_life.SIGNED
    return [(folder / Path(a.pdf).name, a.pdf_sha256) for a in life.acts if a.pdf]


def _compared(workspace: Workspace, path: Path, digest: str) -> list[Finding]:
    if path.is_symlink() or not path.is_file():
        return [_serious(_shown(workspace, path), "The file is missing.")]
    if sha256_of(path) != digest:
        return [_serious(_shown(workspace, path), "The file is not what was issued.")]
    return []


def _shown(workspace: Workspace, path: Path) -> str:
    return path.relative_to(workspace.output).as_posix()


def _serious(subject: str, text: str) -> Finding:
    return Finding(
        "record", "serious", subject, text,
        advice="Restore it from a copy that is known to be good, and find out who had access.",
        code=FindingCode.SHEET_ALTERED,
    )  # fmt: skip
