"""Evidence: photos and documents of a sample, each known by its SHA-256.

Files come from ``[[table]] kind = "evidence"``. A CSV among them is an index: its columns
file, sample_id, spot, certificate, time, note and sha256 say what a file shows; only file, and
sample_id or certificate, must be there. A document of a certificate is evidence for every
sample that it answers for; a photo of a spot for the readings of that spot. ``file`` names a file
as it lies relative to the index; it is compared with the names of the files that were found and
is never opened as a path. Nothing in a file is run, and no metadata is kept in a thumbnail but
the turn of the picture.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import posixpath
import warnings
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import pyarrow as pa
from PIL import Image, ImageOps

from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.regular import open_regular
from reconcile.intake import workspace as ws
from reconcile.intake.times import parse_times
from reconcile.intake.workspace import FoundFile, Workspace
from reconcile.releases.release import MANIFEST, revision_of
from reconcile.samples.identity import comparison_form

KIND = "evidence"  # of the tables that name these files
MOST_INDEX_BYTES = 16 << 20
MOST_PICTURE_BYTES = 60 << 20
MOST_PIXELS = 60_000_000
THUMBNAIL_PIXELS = 420
_HEADINGS = {
    "file": "file", "file name": "file", "filename": "file", "photo": "file",
    "sample_id": "sample_id", "sample id": "sample_id", "sample": "sample_id",
    "spot": "spot", "spot no": "spot", "spot number": "spot", "reading": "spot",
    "certificate": "certificate", "certificate no": "certificate",
    "certificate number": "certificate", "report no": "certificate",
    "x": "x", "x %": "x", "across": "x", "across %": "x",
    "y": "y", "y %": "y", "down": "y", "down %": "y",
    "time": "time", "at": "time", "date": "time", "date time": "time", "taken": "time",
    "note": "note", "notes": "note", "comment": "note", "what": "note",
    "sha256": "sha256", "sha-256": "sha256",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of an index."""

    index: str  # the index as shown
    row: int  # line of the index
    file: str  # as written
    shown: str  # relative to the workspace, forward slashes
    samples: tuple[str, ...]
    at: str  # ISO time in UTC, or ""
    note: str
    sha256: str  # as written by the person who kept it, or ""
    spots: tuple[str, ...] = ()
    certificates: tuple[str, ...] = ()
    x: float = math.nan  # of the spot on the picture, % of its width from the left
    y: float = math.nan  # and of its height from above


@dataclass(frozen=True)
class Evidence:
    """All evidence files of a workspace and what the indexes say of them."""

    files: tuple[FoundFile, ...]
    entries: tuple[Entry, ...]
    findings: tuple[Finding, ...]  # what is wrong with an index itself

    @cached_property
    def by_name(self) -> dict[str, FoundFile]:
        """Files by their name relative to the workspace."""
        return {file.shown: file for file in self.files}


@dataclass(frozen=True, slots=True)
class Exhibit:
    """One file that is evidence for a sample."""

    file: str
    at: str
    note: str
    sha256: str  # of the file as it is now; "" where it is missing
    picture: Image.Image | None
    remark: str  # why there is no picture, or what is wrong; plain words


def find(workspace: Workspace, found: Iterable[FoundFile] | None = None) -> Evidence:
    """Evidence files and the entries of their indexes: those ``found``, else of every month."""
    files, entries, findings = [], [], []
    seen: set[str] = set()
    if found is None:
        found = ws.files_of_every_month(workspace, "evidence")
    for file in found:
        if file.shown in seen:
            continue
        seen.add(file.shown)
        if file.path.suffix.lower() != ".csv":
            files.append(file)
            continue
        try:
            read = _read_index(file, workspace.settings.workspace.time_zone)
        except ReconcileError as error:
            findings.append(
                Finding(
                    "evidence",
                    "serious",
                    file.shown,
                    error.message,
                    advice=error.advice,
                    code=FindingCode.INDEX_UNREADABLE,
                )
            )
            continue
        entries += read[0]
        findings += read[1]
    return Evidence(tuple(files), tuple(entries), tuple(findings))


def _read_index(file: FoundFile, zone: str) -> tuple[list[Entry], list[Finding]]:
    rows = _rows(file)
    keys = [_HEADINGS.get(" ".join(cell.split()).casefold(), "") for cell in rows[0][1]]
    ties = keys.count("sample_id") + keys.count("certificate")
    for needed, there in (("file", keys.count("file") == 1), ("sample_id", ties in (1, 2))):
        if not there or keys.count("sample_id") > 1:
            raise ReconcileError(
                f"{file.shown} has no single column '{needed}' (found: {', '.join(rows[0][1])}).",
                "An index of evidence has the columns file, sample_id, time, note.",
            )
    cells = [
        (number, {key: cell.strip() for key, cell in zip(keys, row, strict=False) if key})
        for number, row in rows[1:]
        if any(cell.strip() for cell in row)
    ]
    texts = [row.get("time") or None for _, row in cells]
    times = parse_times(pa.array(texts, pa.string()), zone, None, file.shown)
    moments = times.values.to_pylist()
    base = posixpath.dirname(file.shown)
    entries, findings = [], []
    for place, (number, row) in enumerate(cells):
        if place in times.bad:
            findings.append(
                Finding(
                    "evidence", "warning", file.shown,
                    f"Row {number}: {times.bad[place]}.", f"{file.shown}, row {number}",
                    "Write the time as 2026-10-05T14:30+02:00.",
                    code=FindingCode.INDEX_TIME_UNREADABLE,
                )
            )  # fmt: skip
        moment = moments[place]
        written = row.get("file", "")
        samples, spots, certificates = (
            tuple(s.strip() for s in row.get(key, "").split(";") if s.strip())
            for key in ("sample_id", "spot", "certificate")
        )
        if not written or not (samples or certificates):
            findings.append(
                Finding(
                    "evidence", "warning", file.shown,
                    f"Row {number} names no {'sample' if written else 'file'}.",
                    f"{file.shown}, row {number}", "Fill in file and sample_id.",
                    code=FindingCode.INDEX_INCOMPLETE,
                )
            )  # fmt: skip
            continue
        entries.append(
            Entry(
                file.shown,
                number,
                written,
                posixpath.normpath(posixpath.join(base, written.replace("\\", "/"))),
                samples,
                "" if moment is None else f"{moment:%Y-%m-%d %H:%M}",
                row.get("note", ""),
                row.get("sha256", "").casefold(),
                spots,
                certificates,
                *(_share(row.get(name, "")) for name in ("x", "y")),
            )
        )
    return entries, findings


def _share(text: str) -> float:
    """A place on a picture, 0 to 100 %; NaN where none can be read."""
    try:
        value = float(text.removesuffix("%").strip().replace(",", "."))
    except ValueError:
        return math.nan
    return value if 0 <= value <= 100 else math.nan


def _rows(file: FoundFile) -> list[tuple[int, list[str]]]:
    try:
        with open_regular(file.path) as stream:
            content = stream.read(MOST_INDEX_BYTES + 1)
        if len(content) > MOST_INDEX_BYTES:
            raise ReconcileError(f"{file.shown} is too large for an index of evidence.")
        text = content.decode("utf-8-sig")
        first = text.partition("\n")[0]
        mark = max(",;\t", key=first.count)
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
        rows = [(reader.line_num, row) for row in reader]
    except OSError as error:
        raise ReconcileError(
            f"{file.shown} can't be read: {error.strerror or error}.", "Check that it is a file."
        ) from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise ReconcileError(
            f"{file.shown} can't be read as CSV in UTF-8: {error}.", "Save it again as CSV, UTF-8."
        ) from error
    if not rows:
        raise ReconcileError(f"{file.shown} is empty.", "Write the headings file,sample_id.")
    return rows


def check(workspace: Workspace) -> tuple[Finding, ...]:
    """Evidence that is missing, altered, or tied to no sample.

    A file is altered where its digest is not the one that its index gives, or not the one
    that the latest release of some month lists. Replacing a file openly means running that
    month again: the next revision then says so.
    """
    evidence = find(workspace)
    findings = list(evidence.findings)
    digests: dict[str, str] = {}
    for name, file in evidence.by_name.items():
        try:
            digests[name] = ws.sha256_of(file.path)
        except OSError as error:
            text = f"The file can't be read: {error.strerror or error}."
            findings.append(_serious(name, text, ""))
    for entry in evidence.entries:
        where = f"{entry.index}, row {entry.row}"
        if entry.shown not in evidence.by_name:
            findings.append(_serious(entry.file, "The file is missing.", where))
        elif entry.sha256 and digests.get(entry.shown, entry.sha256) != entry.sha256:
            findings.append(_serious(entry.file, "The file is not what the index lists.", where))
    for name, listed in sorted(_released(workspace).items()):
        if name.lower().endswith(".csv"):
            continue  # an index may grow
        for digest, release_id in listed:
            if name in digests and digests[name] != digest:
                text = f"The file was altered after release {release_id}."
                findings.append(_serious(name, text, release_id))
            elif name not in evidence.by_name:
                kept = any(workspace.archive.glob(f"{digest}*"))
                text = f"The file is missing; release {release_id} lists it" + (
                    ", and its archived copy stands." if kept else "."
                )
                findings.append(_serious(name, text, release_id))
    tied = {entry.shown for entry in evidence.entries}
    findings += [
        Finding(
            "evidence", "note", name, "No index says which sample the file belongs to.",
            advice="Add a line with file and sample_id to a CSV of kind evidence.",
            code=FindingCode.DOCUMENT_WITHOUT_SAMPLE,
        )
        for name in sorted(set(evidence.by_name) - tied)
    ]  # fmt: skip
    return tuple(dict.fromkeys(findings))


def _serious(subject: str, text: str, where: str) -> Finding:
    return Finding(
        "evidence", "serious", subject, text, where,
        "Restore it from the archive or from the camera's own copy, and find out who had access.",
        code=FindingCode.DOCUMENT_ALTERED,
    )  # fmt: skip


def _released(workspace: Workspace) -> dict[str, list[tuple[str, str]]]:
    """Per evidence file, the digest and release of the latest revision of each month."""
    latest: dict[str, tuple[int, Path]] = {}
    root = workspace.output / "releases"
    for path in sorted(root.glob(f"*/r*/{MANIFEST}")) if root.is_dir() else []:
        number = revision_of(path.parent)
        if number is not None:
            period = path.parent.parent.name
            latest[period] = max(latest.get(period, (0, path)), (number, path))
    listed: dict[str, list[tuple[str, str]]] = {}
    for _, path in latest.values():
        try:
            manifest = json.loads(path.read_text(encoding="utf-8"))
            for entry in manifest["inputs"]:
                if entry["kind"] == "evidence":
                    listed.setdefault(str(entry["path"]), []).append(
                        (str(entry["sha256"]), str(manifest["release_id"]))
                    )
        except (OSError, ValueError, KeyError, TypeError):
            continue  # a manifest that can't be read is told of by 'verify'
    return listed


def exhibits_of(
    workspace: Workspace,
    names: set[str],
    spots: Collection[str] = (),
    certificates: Collection[str] = (),
) -> tuple[Exhibit, ...]:
    """What is evidence for a sample under any of its ``names``, oldest first.

    ``certificates``: those that answer for it; ``spots``: the numbers of its readings' spots.
    """
    wanted = {comparison_form(name) for name in names}
    numbers = {comparison_form(name) for name in certificates} - {""}
    evidence = find(workspace)
    chosen = [
        e
        for e in evidence.entries
        if wanted & {comparison_form(s) for s in e.samples}
        or (not e.samples and numbers & {comparison_form(c) for c in e.certificates})
    ]
    chosen.sort(key=lambda e: (e.at == "", e.at, e.file, e.row))
    known = {comparison_form(spot) for spot in spots}
    return tuple(_tied(_exhibit(e, evidence.by_name.get(e.shown)), e, known) for e in chosen)


@dataclass(frozen=True, slots=True)
class Photo:
    """A picture of a part, and the spots that its index marks on it: name, x and y in %."""

    file: str
    sha256: str  # of the file that the picture was made small from
    note: str
    marks: tuple[tuple[str, float, float], ...]
    picture: Image.Image


def photo_of(workspace: Workspace, names: set[str]) -> Photo | None:
    """The picture of a sample that marks most spots, the oldest of several; None without one."""
    wanted = {comparison_form(name) for name in names}
    evidence = find(workspace)
    by_file: dict[str, list[Entry]] = {}
    for entry in sorted(evidence.entries, key=lambda e: (e.at == "", e.at, e.file, e.row)):
        if wanted & {comparison_form(s) for s in entry.samples}:
            by_file.setdefault(entry.shown, []).append(entry)
    found: list[Photo] = []
    for shown, entries in by_file.items():
        shows = _exhibit(entries[0], evidence.by_name.get(shown))
        if shows.picture is None:
            continue
        marks = tuple(
            (", ".join(e.spots), e.x, e.y)
            for e in entries
            if e.spots and math.isfinite(e.x) and math.isfinite(e.y)
        )
        found.append(Photo(shown, shows.sha256, shows.note, marks, shows.picture))
    return max(found, key=lambda p: len(p.marks), default=None)


def _tied(exhibit: Exhibit, entry: Entry, known: set[str]) -> Exhibit:
    """The exhibit with the spots and certificates that its index names."""
    said = [
        f"{what} {', '.join(of)}"
        for what, of in (("spot", entry.spots), ("certificate", entry.certificates))
        if of
    ]
    strange = [spot for spot in entry.spots if comparison_form(spot) not in known]
    remark = exhibit.remark
    if strange:
        told = f"no reading of this sample has spot {', '.join(strange)}"
        remark = f"{told}; {remark}" if remark else told
    note = ": ".join(part for part in (", ".join(said), exhibit.note) if part)
    return replace(exhibit, note=note, remark=remark)


def _exhibit(entry: Entry, file: FoundFile | None) -> Exhibit:
    if file is None:
        return Exhibit(entry.file, entry.at, entry.note, "", None, "the file is missing")
    try:
        with open_regular(file.path) as stream:
            content = stream.read(MOST_PICTURE_BYTES + 1)
        if len(content) > MOST_PICTURE_BYTES:
            digest, picture, remark = ws.sha256_of(file.path), None, "too large to be shown"
        else:  # digest and picture of the very same bytes
            digest = hashlib.sha256(content).hexdigest()
            picture, remark = thumbnail(content)
    except OSError as error:
        return Exhibit(
            entry.file, entry.at, entry.note, "", None, f"can't be read: {error.strerror or error}"
        )
    if entry.sha256 and entry.sha256 != digest:
        remark = "NOT what the index lists" + (f"; {remark}" if remark else "")
    return Exhibit(entry.file, entry.at, entry.note, digest, picture, remark)


def thumbnail(content: bytes) -> tuple[Image.Image | None, str]:
    """A small RGB picture of a JPEG or PNG, or None with the reason in plain words."""
    if not content.startswith((b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n")):
        return None, "a document, not shown"
    try:
        with (
            warnings.catch_warnings(action="error", category=Image.DecompressionBombWarning),
            Image.open(io.BytesIO(content), formats=("JPEG", "PNG")) as image,
        ):
            if image.width * image.height > MOST_PIXELS:
                return None, f"refused: {image.width} x {image.height} pixels are too many"
            image.draft("RGB", (THUMBNAIL_PIXELS * 2, THUMBNAIL_PIXELS * 2))
            image.thumbnail((THUMBNAIL_PIXELS, THUMBNAIL_PIXELS))
            turned = ImageOps.exif_transpose(image) or image
            flat = Image.new("RGB", turned.size, "white")
            rgba = turned.convert("RGBA")
            flat.paste(rgba, mask=rgba.getchannel("A"))
            return flat, ""
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        return None, "refused: more pixels than any camera takes"
    except Exception as error:  # a decoder fed hostile bytes may raise anything
        return None, f"refused: a damaged image ({type(error).__name__})"
