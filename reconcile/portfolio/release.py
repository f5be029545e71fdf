"""Portfolio releases: immutable, a folder for each month and revision, made of site releases."""

from __future__ import annotations

import hashlib
import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reconcile.base import provenance
from reconcile.base.between import BetweenSites
from reconcile.base.errors import ReconcileError
from reconcile.base.writing import one_at_a_time, sync_files, sync_folder
from reconcile.intake.workspace import sha256_of
from reconcile.portfolio import comparison
from reconcile.portfolio.comparison import Taken
from reconcile.portfolio.listed import Portfolio
from reconcile.releases import release
from reconcile.reporting.document import between_sites

#: Sites without which nothing is compared.
FEWEST = 2


@dataclass(frozen=True, slots=True)
class Made:
    """A portfolio release that stands."""

    folder: Path
    value: BetweenSites
    new: bool


def make(portfolio: Portfolio, period: str) -> Made:
    """The release of a month: a new revision, or the one before where nothing changed.

    Raises ReconcileError where fewer than FEWEST sites have a release of that month, or the last
    portfolio release was altered.
    """
    found: list[Taken] = []
    without: list[tuple[str, str]] = []
    for site in portfolio.sites:
        try:
            if site.workspace is None:
                raise site.fault or ReconcileError("It can't be read.")
            found.append(comparison.taken(site.workspace, period))
        except ReconcileError as error:
            without.append((site.name, error.message))
    if len(found) < FEWEST:
        raise ReconcileError(
            f"{len(found)} of {len(portfolio.sites)} sites have a release of {period}; to compare, "
            f"{FEWEST} are needed.",
            f"'reconcile portfolio run {period}' runs the sites.",
        )
    folder = portfolio.releases / period
    with one_at_a_time(folder / "making"):
        return _made(portfolio, period, folder, found, tuple(without))


def _made(
    portfolio: Portfolio, period: str, folder: Path, found: list[Taken],
    without: tuple[tuple[str, str], ...],
) -> Made:  # fmt: skip
    s = portfolio.settings
    mark = _mark(portfolio, period, found, without)
    before = release.latest(folder)
    if before is not None and (altered := release.altered_files(before)):
        raise ReconcileError(
            f"{before.folder} was altered after it was made: {', '.join(altered)}.",
            "Restore the files from the copy that was sent out; nothing was written.",
        )
    same = before is not None and before.manifest["fingerprint"] == mark
    revision = before.revision + (not same) if before else 1
    biases = [bias for taken in found for bias in taken.biases]
    lines = [line for taken in found for line in taken.by_operator]
    value = BetweenSites(
        s.title, period, revision, f"portfolio-{period}-r{revision}-{mark[:8]}",
        str(before.manifest["supersedes" if same else "release_id"]) if before else "",
        s.level, s.false_discoveries, s.largest_difference, provenance.code_version(),
        tuple(taken.release for taken in found), without,
        comparison.compare(biases, s.level),
        comparison.suspected(biases, s.false_discoveries, s.level),
        comparison.suspected_operators(lines, s.false_discoveries, s.level) if lines else (),
    )  # fmt: skip
    if same and before is not None:
        return Made(before.folder, value, False)
    return Made(_write(folder, value, mark), value, True)


def _mark(
    portfolio: Portfolio, period: str, found: list[Taken], without: tuple[tuple[str, str], ...]
) -> str:
    s = portfolio.settings
    content: list[Any] = [
        period, provenance.code_version(), sorted(provenance.made_with().items()),
        [s.title, s.level, s.false_discoveries, s.largest_difference],
        sorted((t.release.site, t.release.release_id, t.release.manifest_sha256) for t in found),
        sorted(without),
    ]  # fmt: skip
    return hashlib.sha256(json.dumps(content, ensure_ascii=False).encode()).hexdigest()


def _write(folder: Path, value: BetweenSites, mark: str) -> Path:
    target = folder / f"r{value.revision}"
    working = folder / f".unfinished-{target.name}"
    if working.exists():
        shutil.rmtree(working)
    working.mkdir(parents=True)
    names = []
    for name, content in between_sites.files(value).items():
        (working / name).write_bytes(content)
        names.append(name)
    manifest = {
        "release_id": value.release_id,
        "period": value.period,
        "revision": value.revision,
        "supersedes": value.supersedes,
        "fingerprint": mark,
        "code_version": value.code_version,
        "made_with": provenance.made_with(),
        "sites": [
            {"site": r.site, "release_id": r.release_id, "manifest_sha256": r.manifest_sha256}
            for r in value.releases
        ],
        "without": [{"site": site, "why": why} for site, why in value.without],
        "outputs": [
            {
                "name": name,
                "sha256": sha256_of(working / name),
                "size": (working / name).stat().st_size,
            }
            for name in sorted(names)
        ],
    }
    text = json.dumps(manifest, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    (working / release.MANIFEST).write_text(text, encoding="utf-8", newline="\n")
    sync_files(working)
    working.replace(target)
    sync_folder(folder)
    return target
