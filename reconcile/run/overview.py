"""The page over all releases, written anew by every run beside them."""

from __future__ import annotations

from reconcile.base.errors import ReconcileError
from reconcile.base.writing import write_whole
from reconcile.intake.workspace import Workspace
from reconcile.judgement import factor_life
from reconcile.releases import overview

PAGE = "index.html"


def write(workspace: Workspace) -> bool:
    """Write it from manifests and the record; False where that was not possible.

    It says nothing that releases and record do not hold, so that no run fails for it.
    """
    from reconcile.reporting.document.overview import page

    try:
        months, unread = overview.months(workspace.output / "releases")
        lives = factor_life.of_workspace(workspace).values()
        settings = workspace.settings
        content = page(settings.workspace.title, settings.report.language, months, unread, lives)
        write_whole(workspace.output / PAGE, content)
    except (OSError, ReconcileError):
        return False
    return True
