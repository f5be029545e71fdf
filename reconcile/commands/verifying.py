"""Verify that nothing was altered: record, archive, store, evidence, every release."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reconcile.base import provenance
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.evidence import documents
from reconcile.intake import workspace as ws
from reconcile.judgement.sheet_check import check as checked_sheets
from reconcile.releases import anchors, kept_custody, record, release, sign_off, signing, stamping
from reconcile.releases.anchors import Held
from reconcile.releases.release import MANIFEST
from reconcile.reporting import words
from reconcile.run import drawing, holdings
from reconcile.run.holdings import Holdings

PROVES = words.VERIFY_ARCHIVED_FILES_WERE


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """What was compared and what did not fit."""

    events: int
    inputs: int
    releases: int
    files: int  # files of releases
    readings: int  # readings of files that the store holds
    read_again: int  # archived inputs that were read again
    head: str
    findings: tuple[Finding, ...]
    lines: int = 0  # of the record
    held: tuple[Held, ...] = ()  # the heads that were asked for
    signed_heads: int = 0
    tokens: int = 0
    acts: int = 0  # decisions of persons
    acts_signed: int = 0
    sheets: int = 0  # result sheets, every revision
    sheet_files: int = 0


def verify(folder: Path, heads: Sequence[str] = ()) -> VerifyReport:
    """Recompute every digest of a workspace's output; look for ``heads`` that were kept.

    Raises ReconcileError where one of ``heads`` can be none.
    """
    workspace = ws.load_workspace(folder)
    path = workspace.output / record.RECORD
    there_before = tuple(anchors.anchors(workspace))
    reading = record.read(path)
    asked = tuple(anchors.held(reading, head) for head in heads)
    findings = [_not_held(one) for one in asked if one.lines is None]
    findings += record.check(path)
    findings += anchors.contradictions(workspace, there_before, reading)
    signatures = signing.check(workspace, reading)
    tokens, wrong_tokens = stamping.check(workspace, reading)
    findings += [*signatures.findings, *wrong_tokens]
    findings += [lost.finding() for lost in kept_custody.lost(workspace)]
    recorded = {
        (e.content["period"], int(e.content["revision"])): str(e.content["manifest_sha256"])
        for e in reading.entries
        if e.kind == "release"
    }
    holding = holdings.check(workspace)
    findings += holding.findings
    # A file that no index ties to a sample is no sign of alteration.
    findings += [f for f in documents.check(workspace) if f.severity != "note"]
    releases, files = 0, 0
    there = set()
    folders, found = _release_folders(workspace)
    findings += found
    for period, revision, folder in folders:
        releases += 1
        there.add((period, revision))
        count, found = _check_release(
            workspace, folder / MANIFEST, recorded.get((period, revision)),
            reading, holding,
        )  # fmt: skip
        files += count
        findings += found
    findings += [
        _serious(f"releases/{period}/r{revision}", words.VERIFY_RELEASE_RECORDED_BUT)
        for period, revision in sorted(set(recorded) - there)
    ]
    sheets = checked_sheets(workspace, reading)
    findings += sheets.findings
    events = sum(1 for e in reading.entries if e.kind == words.VERIFY_CUSTODY_EVENT)
    return VerifyReport(
        events, holding.inputs, releases, files, holding.readings, holding.read_again,
        reading.head, tuple(dict.fromkeys(findings)), len(reading.entries), asked,
        signatures.heads, tokens, signatures.acts, signatures.acts_signed, sheets.sheets,
        sheets.files,
    )  # fmt: skip


def _not_held(held: Held) -> Finding:
    if held.custody_of:
        return Finding(
            "record", "warning", held.head,
            words.VERIFY_THIS_HEAD_CUSTODY.format(custody_of=held.custody_of),
            advice=words.VERIFY_COMPARE_HEAD_RECORD,
            code=FindingCode.CUSTODY_HEAD_FOR_RECORD,
        )  # fmt: skip
    return _serious(
        held.head, words.VERIFY_RECORD_DOES_NOT,
    )  # fmt: skip


def _serious(subject: str, text: str) -> Finding:
    return Finding(
        "record", "serious", subject, text,
        advice=words.VERIFY_RESTORE_IT_FROM,
        code=FindingCode.KEPT_FILE_ALTERED,
    )  # fmt: skip


def _release_folders(
    workspace: ws.Workspace,
) -> tuple[list[tuple[str, int, Path]], list[Finding]]:
    """Period, revision and folder of every release; what else lies there is named."""
    found: list[tuple[str, int, Path]] = []
    others: list[Path] = []
    root = workspace.output / "releases"
    for period in sorted(root.iterdir()) if root.is_dir() else []:
        if period.is_symlink() or not period.is_dir() or not ws.may_name_a_period(period.name):
            others.append(period)
            continue
        for folder in sorted(period.iterdir()):
            number = release.revision_of(folder)
            if number is not None:
                found.append((period.name, number, folder))
            elif sign_off.lies_beside(folder):
                continue  # compared with its release
            elif drawing.lies_beside(folder):
                others += drawing.foreign(folder)
            elif not folder.name.startswith(".unfinished-"):
                others.append(folder)
    shown = [path.relative_to(workspace.output).as_posix() for path in others]
    return found, [holdings.foreign(name) for name in shown]


def _check_release(
    workspace: ws.Workspace,
    path: Path,
    recorded: str | None,
    reading: record.Reading,
    held: Holdings,
) -> tuple[int, list[Finding]]:
    name = path.parent.relative_to(workspace.output).as_posix()
    findings: list[Finding] = []
    if path.is_symlink() or not path.is_file():
        return 0, [_serious(f"{name}/{MANIFEST}", words.VERIFY_MANIFEST_MISSING)]
    if recorded is None:
        if not reading.altered:
            findings.append(_serious(name, words.VERIFY_RELEASE_NOT_RECORD))
    elif ws.sha256_of(path) != recorded:
        return 0, [_serious(f"{name}/{MANIFEST}", words.VERIFY_MANIFEST_NOT_WHAT)]
    try:
        manifest: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        outputs, inputs = manifest["outputs"], manifest["inputs"]
        listed = {str(entry["name"]): str(entry["sha256"]) for entry in outputs}
        digests = {str(entry["path"]): str(entry["sha256"]) for entry in inputs}
        if any(Path(file).name != file for file in listed):
            raise ValueError("a file of another folder")
        findings += _not_as_archived(name, manifest, held)
    except (ValueError, KeyError, TypeError, RecursionError):
        return 0, [*findings, _serious(f"{name}/{MANIFEST}", words.VERIFY_MANIFEST_CAN_BE)]
    for file, digest in sorted(listed.items()):
        target = path.parent / file
        if target.is_symlink() or not target.is_file():
            findings.append(_serious(f"{name}/{file}", words.VERIFY_FILE_MISSING))
        elif ws.sha256_of(target) != digest:
            findings.append(_serious(f"{name}/{file}", words.VERIFY_FILE_NOT_WHAT))
    name_of_it = str(manifest.get("release_id", ""))
    findings += sign_off.check(workspace, reading, path.parent, name_of_it)
    acts = [s.act for s in sign_off.of_release(reading, name_of_it)]
    findings += drawing.check(path.parent, manifest, acts)
    findings += [
        _serious(f"{name}/{extra.name}", words.VERIFY_FILE_WAS_NOT)
        for extra in sorted(path.parent.iterdir())
        if extra.name != MANIFEST and extra.name not in listed
    ]
    findings += [
        _serious(
            words.VERIFY_INPUT_GONE.format(name=name, path=shown), words.VERIFY_ITS_ARCHIVED_COPY
        )
        for shown, digest in sorted(digests.items())
        if digest and digest not in held.kept
    ]
    return len(listed), findings


def _not_as_archived(name: str, manifest: dict[str, Any], held: Holdings) -> list[Finding]:
    """Inputs of a release from which other values went in than their archived copies give.

    A release that another version of the program read can't be compared so.
    """
    if manifest.get("reading_version") != provenance.reading_version():
        return []
    return [
        _serious(
            words.VERIFY_INPUT_OTHER.format(name=name, path=entry["path"]),
            words.VERIFY_RELEASE_WAS_MADE,
        )
        for entry in manifest["inputs"]
        if (gives := held.gives.get((str(entry["path"]), str(entry["sha256"]))))
        and entry.get("contents", "") not in gives
    ]
