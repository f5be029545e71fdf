"""The acceptance dossier of a release, written for one client."""

from __future__ import annotations

from pathlib import Path

from reconcile.base.errors import ReconcileError
from reconcile.base.writing import write_whole
from reconcile.intake import workspace as ws
from reconcile.judgement import dossier_content
from reconcile.reporting import words
from reconcile.reporting.document import dossier as pages


def write_dossier(
    folder: Path,
    period: str,
    revision: int = 0,
    client: str = "",
    elements: tuple[str, ...] = (),
    to: Path | None = None,
    despite_later: bool = False,
) -> Path:
    """Write the dossier as PDF; equal releases give equal bytes.

    Its first page tells of strata that later releases judge otherwise. Without ``to`` it lies
    under ``out/dossiers`` of the workspace, named by the release; an existing file with other
    content is not overwritten. Raises ReconcileError where later releases take back what it
    accepts, or its factor was withdrawn, unless ``despite_later`` is set.
    """
    if to is not None and to.suffix.lower() != ".pdf":
        raise ReconcileError(f"{to} is no PDF by its ending.", "Name a file that ends in .pdf.")
    made = dossier_content.read(folder, period, revision, client, elements)
    if not despite_later and (lost := [x for x in made.since if x.contradicts]):
        told = "; ".join(
            words.ACCEPT_IN.format(label=x.label, here=x.here, now=x.now, source=x.source)
            if x.now
            else words.ACCEPT_ITS_FACTOR_WAS.format(
                label=x.label, factor_state=x.factor_state, source=x.source
            )
            for x in lost
        )
        raise ReconcileError(
            f"What release {made.release_id} accepts was taken back since. {told}.",
            "Write the dossier of the later release; or add --despite-later: the first page of "
            "this one then says what was found since.",
        )
    workspace = ws.load_workspace(folder)
    target = to or workspace.output / "dossiers" / f"{made.release_id}.pdf"
    content = pages.pdf(made)
    if target.exists() and target.read_bytes() != content:
        raise ReconcileError(
            f"{target} exists already, with other content.", "Name a new file with --to."
        )
    write_whole(target, content)
    return target
