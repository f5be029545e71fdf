"""Custody files that a release rests on must still be there.

A receipt that is gone can bring excluded pairs back. So every custody file that some
release used is looked for; ``custody/received.csv`` must also begin with every line that
it held then, for lines there are only added.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.intake import workspace as ws
from reconcile.intake.workspace import Workspace
from reconcile.releases import release

RECEIVED = "custody/received.csv"
GONE, LINES_GONE = "file gone", "lines gone"


@dataclass(frozen=True, slots=True)
class Lost:
    """A custody file that is gone, or has lost lines."""

    path: str  # relative to the workspace
    what: str  # GONE or LINES_GONE
    release_id: str  # the first release that used it so
    sha256: str  # as it was then

    def finding(self) -> Finding:
        """What the report says of it."""
        what = {
            GONE: "The file is gone",
            LINES_GONE: "Lines of the file are gone or changed",
        }[self.what]
        return Finding(
            "custody", "serious", self.path,
            f"{what}: release {self.release_id} rests on it. Without it samples can pass whose "
            "chain of custody is broken.",
            advice="Put it back as it was; the archive holds it as "
            f"{self.sha256}{Path(self.path).suffix.lower()}.",
            code=FindingCode.CUSTODY_FILE_GONE,
        )  # fmt: skip


def lost(workspace: Workspace) -> tuple[Lost, ...]:
    """Custody files that some release of any month used, and that the settings find no more.

    A file that was renamed or moved to where another pattern finds it is not lost.
    """
    used = _used(workspace)
    if not used:
        return ()
    present = {f.shown: f.path for f in ws.files_of_every_month(workspace, "custody")}
    digests = {ws.sha256_of(path) for path in present.values() if path.is_file()}
    found: dict[tuple[str, str], Lost] = {}
    for path, digest, release_id in used:
        if digest in digests:
            continue
        if path not in present:
            found.setdefault((path, GONE), Lost(path, GONE, release_id, digest))
        elif path == RECEIVED and not _begins_with(present[path], workspace, digest):
            found.setdefault((path, LINES_GONE), Lost(path, LINES_GONE, release_id, digest))
    return tuple(found[key] for key in sorted(found))


def _used(workspace: Workspace) -> list[tuple[str, str, str]]:
    """Path, SHA-256 and release of every custody file that a release names, oldest first."""
    found: dict[tuple[str, str], str] = {}
    root = workspace.output / "releases"
    for manifest in sorted(root.glob(f"*/r*/{release.MANIFEST}"), key=_in_order):
        try:
            content = json.loads(manifest.read_text(encoding="utf-8"))
            inputs = [(str(f["path"]), str(f["sha256"]), str(f["kind"])) for f in content["inputs"]]
            release_id = str(content["release_id"])
        except (OSError, ValueError, KeyError, TypeError):
            continue  # 'verify' tells it
        for path, digest, kind in inputs:
            if kind == "custody" and digest:
                found.setdefault((path, digest), release_id)
    return [(path, digest, release_id) for (path, digest), release_id in found.items()]


def _in_order(manifest: Path) -> tuple[str, int, str]:
    name = manifest.parent.name
    return manifest.parent.parent.name, len(name), name  # r2 before r10


def _begins_with(path: Path, workspace: Workspace, digest: str) -> bool:
    """Whether a file still begins with the lines that its archived copy holds."""
    copy = workspace.archive / f"{digest}{path.suffix.lower()}"
    if not copy.is_file():
        return True  # 'verify' tells that the copy is missing
    before, now = (p.read_bytes().removeprefix(b"\xef\xbb\xbf").splitlines() for p in (copy, path))
    return now[: len(before)] == before
