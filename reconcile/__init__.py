"""Reconcile: how far field LIBS and portable XRF results can be trusted against the laboratory's.

Public names, loaded when first used:

- ``run_period(folder, period) -> RunOutcome``: reconcile one month of a workspace.
- ``load_workspace(folder) -> Workspace``: read and check ``reconcile.toml``.
- ``check(folder, period) -> CheckReport``: read the inputs only.
- ``story_of(folder, sample_id) -> Story``: one sample's whole story.
- ``Reconciliation``: the value that holds all of one period.
- ``ReconcileError``: the exception with a message and advice for the analyst.

``reconcile.statistics`` stands alone: plain numpy in, frozen dataclasses out.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from reconcile.base.errors import ReconcileError

if TYPE_CHECKING:
    from reconcile.base.model import Reconciliation
    from reconcile.commands.checking import CheckReport, check
    from reconcile.commands.storytelling import Story, story_of
    from reconcile.intake.workspace import Workspace, load_workspace
    from reconcile.run.pipeline import RunOutcome, run_period

__all__ = [
    "CheckReport",
    "ReconcileError",
    "Reconciliation",
    "RunOutcome",
    "Story",
    "Workspace",
    "check",
    "load_workspace",
    "run_period",
    "story_of",
]

_HOMES = {
    "CheckReport": "commands.checking",
    "check": "commands.checking",
    "Reconciliation": "base.model",
    "RunOutcome": "run.pipeline",
    "run_period": "run.pipeline",
    "Story": "commands.storytelling",
    "story_of": "commands.storytelling",
    "Workspace": "intake.workspace",
    "load_workspace": "intake.workspace",
}


def __getattr__(name: str) -> Any:
    """Load a public name's module when it is first asked for, so that --help stays quick."""
    if name in _HOMES:
        return getattr(import_module(f"reconcile.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'reconcile' has no attribute {name!r}")
