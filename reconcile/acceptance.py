"""The acceptance dossier of a release, written for one client."""

from __future__ import annotations

from pathlib import Path

from reconcile import dossier
from reconcile import workspace as ws
from reconcile.errors import ReconcileError
from reconcile.reporting import dossier as pages
from reconcile.writing import write_whole


def write_dossier(
    folder: Path,
    period: str,
    revision: int = 0,
    client: str = "",
    elements: tuple[str, ...] = (),
    to: Path | None = None,
) -> Path:
    """Write the dossier as PDF; equal releases give equal bytes.

    Without ``to`` it lies under ``out/dossiers`` of the workspace, named by the release. An
    existing file with other content is not overwritten.
    """
    if to is not None and to.suffix.lower() != ".pdf":
        raise ReconcileError(f"{to} is no PDF by its ending.", "Name a file that ends in .pdf.")
    made = dossier.read(folder, period, revision, client, elements)
    workspace = ws.load_workspace(folder)
    target = to or workspace.output / "dossiers" / f"{made.release_id}.pdf"
    content = pages.pdf(made)
    if target.exists() and target.read_bytes() != content:
        raise ReconcileError(
            f"{target} exists already, with other content.", "Name a new file with --to."
        )
    write_whole(target, content)
    return target
