"""Inputs that lie on storage are brought before a run looks at any."""

from __future__ import annotations

from reconcile.base.errors import UnreachableError
from reconcile.intake.workspace import Workspace
from reconcile.releases import unfinished


def stage(workspace: Workspace, period: str) -> None:
    """Bring them; where the storage can't be reached, the month's note says so.

    Raises what ``intake.storage.fetch`` raises. Nothing happens where the settings name none.
    """
    if not workspace.settings.workspace.inputs:
        return
    from reconcile.intake import storage  # which loads much

    try:
        storage.fetch(workspace)
    except UnreachableError as error:
        unfinished.write(workspace.output, period, error.message)
        raise
