"""What all releases of a workspace say in brief, from their manifests alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reconcile.base.errors import ReconcileError
from reconcile.releases import release


@dataclass(frozen=True, slots=True)
class Then:
    """What a release says of one stratum."""

    place: int  # among its strata, from 1
    label: str
    verdict: str
    used: int


@dataclass(frozen=True, slots=True)
class Open:
    """A finding that asked for a person."""

    severity: str
    subject: str
    text: str


@dataclass(frozen=True, slots=True)
class Month:
    """The latest release of one period."""

    period: str
    revision: int
    release_id: str
    needs_a_person: bool
    strata: Mapping[str, Then]  # by Stratum.key, in the order of the release
    open: tuple[Open, ...] | None  # None: the release was made before it kept them
    files: tuple[str, ...]
    drawn: tuple[str, ...]  # documents beside it
    earlier: tuple[int, ...]  # revisions before it


def months(releases: Path) -> tuple[tuple[Month, ...], tuple[str, ...]]:
    """The latest release of each period in order of names, and periods that can't be read."""
    found, unread = [], []
    folders = sorted(p for p in releases.iterdir() if p.is_dir()) if releases.is_dir() else []
    for folder in folders:
        try:
            latest = release.latest(folder)
            if latest is not None:
                found.append(_month(folder, latest))
        except (ReconcileError, KeyError, TypeError, ValueError, AttributeError):
            unread.append(folder.name)
    return tuple(found), tuple(unread)


def _month(folder: Path, latest: release.Earlier) -> Month:
    manifest: dict[str, Any] = latest.manifest
    strata = {
        key: Then(place, str(s.get("label", key)), str(s["verdict"]), int(s["used"]))
        for place, (key, s) in enumerate(manifest["strata"].items(), start=1)
    }
    kept = manifest.get("open")
    found = None
    if kept is not None:
        found = tuple(Open(str(o["severity"]), str(o["subject"]), str(o["text"])) for o in kept)
    revisions = sorted(n for p in folder.iterdir() if (n := release.revision_of(p)) is not None)
    beside = folder / f"drawn-r{latest.revision}"
    drawn = sorted(p.name for p in beside.iterdir() if p.is_file()) if beside.is_dir() else []
    return Month(
        folder.name, latest.revision, str(manifest["release_id"]),
        bool(manifest.get("needs_a_person")), strata, found,
        tuple(str(o["name"]) for o in manifest["outputs"]), tuple(drawn),
        tuple(n for n in revisions if n != latest.revision),
    )  # fmt: skip
