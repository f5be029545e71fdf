"""Verify that nothing was altered: the record, archived inputs, evidence, every release."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reconcile import evidence, record
from reconcile import workspace as ws
from reconcile.model import Finding
from reconcile.release import MANIFEST

PROVES = (
    "This proves whether stored bytes were altered since they were recorded. It does not prove "
    "that what was recorded is true."
)


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """What was compared and what did not fit."""

    events: int
    inputs: int
    releases: int
    files: int  # files of releases
    head: str
    findings: tuple[Finding, ...]


def verify(folder: Path) -> VerifyReport:
    """Recompute every digest of a workspace's output."""
    workspace = ws.load_workspace(folder)
    path = workspace.output / record.RECORD
    reading = record.read(path)
    findings = list(record.check(path))
    recorded = {
        (e.content["period"], int(e.content["revision"])): str(e.content["manifest_sha256"])
        for e in reading.entries
        if e.kind == "release"
    }
    inputs, found = _check_archive(workspace.archive)
    findings += found
    # A file that no index ties to a sample is no sign of alteration.
    findings += [f for f in evidence.check(workspace) if f.severity != "note"]
    releases, files = 0, 0
    root = workspace.output / "releases"
    there = set()
    for manifest in sorted(root.glob(f"*/r*/{MANIFEST}")) if root.is_dir() else []:
        releases += 1
        period, revision = manifest.parent.parent.name, int(manifest.parent.name[1:])
        there.add((period, revision))
        count, found = _check_release(
            workspace, manifest, recorded.get((period, revision)), bool(reading.altered)
        )
        files += count
        findings += found
    findings += [
        _serious(f"releases/{period}/r{revision}", "The release is recorded but not there.")
        for period, revision in sorted(set(recorded) - there)
    ]
    events = sum(1 for e in reading.entries if e.kind == "custody event")
    return VerifyReport(events, inputs, releases, files, reading.head, tuple(findings))


def _serious(subject: str, text: str) -> Finding:
    return Finding(
        "record", "serious", subject, text,
        advice="Restore it from a copy that is known to be good, and find out who had access.",
    )  # fmt: skip


def _check_archive(folder: Path) -> tuple[int, list[Finding]]:
    findings, count = [], 0
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        if path.name.startswith(".unfinished-"):
            continue  # what a crash left; the next run writes over it
        count += 1
        if ws.sha256_of(path) != path.name.split(".")[0]:
            findings.append(
                _serious(f"archive/{path.name}", "The archived input is not what was read.")
            )
    return count, findings


def _check_release(
    workspace: ws.Workspace, path: Path, recorded: str | None, record_broken: bool
) -> tuple[int, list[Finding]]:
    name = path.parent.relative_to(workspace.output).as_posix()
    findings: list[Finding] = []
    if recorded is None:
        if not record_broken:
            findings.append(_serious(name, "The release is not in the record."))
    elif ws.sha256_of(path) != recorded:
        return 0, [_serious(f"{name}/{MANIFEST}", "The manifest is not what was recorded.")]
    try:
        manifest: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        outputs, inputs = manifest["outputs"], manifest["inputs"]
        listed = {str(entry["name"]): str(entry["sha256"]) for entry in outputs}
        digests = {str(entry["path"]): str(entry["sha256"]) for entry in inputs}
    except (ValueError, KeyError, TypeError):
        return 0, [*findings, _serious(f"{name}/{MANIFEST}", "The manifest can't be read.")]
    for file, digest in sorted(listed.items()):
        target = path.parent / file
        if not target.is_file():
            findings.append(_serious(f"{name}/{file}", "The file is missing."))
        elif ws.sha256_of(target) != digest:
            findings.append(_serious(f"{name}/{file}", "The file is not what was released."))
    findings += [
        _serious(f"{name}/{extra.name}", "The file was not part of the release.")
        for extra in sorted(path.parent.iterdir())
        if extra.name != MANIFEST and extra.name not in listed
    ]
    findings += [
        _serious(f"{name}, input {shown}", "Its archived copy is missing.")
        for shown, digest in sorted(digests.items())
        if digest and not any(workspace.archive.glob(f"{digest}*"))
    ]
    return len(listed), findings
