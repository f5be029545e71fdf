"""Reconcile: how far field LIBS and portable XRF results can be trusted against the laboratory's.

In a notebook::

    import reconcile

    workspace = reconcile.load_workspace("my_site")     # or a Path
    month = reconcile.run_period("my_site", "2026-10")  # makes the release, as the command does
    reconcile.verdict_frame(month)                      # a pandas frame
    reconcile.element_figure(month, "Cu")               # shows itself as SVG

Public names, loaded when first used:

- ``load_workspace(folder) -> Workspace``: read and check ``reconcile.toml``.
- ``check(folder, period) -> CheckReport``: read the inputs only.
- ``run_period(folder, period) -> RunOutcome``: reconcile one month of a workspace.
- ``pair_frame``, ``statistic_frame``, ``verdict_frame``, ``factor_frame``: tables of a month.
- ``element_figure(month, element) -> Figure``: field against laboratory, differences, months.
- ``story_of(folder, sample_id) -> Story``: one sample's whole story.
- ``Reconciliation``: the value that holds all of one period.
- ``ReconcileError``: the exception with a message and advice for the analyst.

``reconcile.statistics`` stands alone: plain numpy in, frozen dataclasses out.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reconcile.base.errors import ReconcileError

if TYPE_CHECKING:
    from reconcile.base.model.release import Reconciliation
    from reconcile.commands.checking import CheckReport, check
    from reconcile.commands.frames import (
        Figure,
        element_figure,
        factor_frame,
        pair_frame,
        statistic_frame,
        verdict_frame,
    )
    from reconcile.commands.storytelling import Story, story_of
    from reconcile.intake.workspace import Workspace, load_workspace
    from reconcile.run.pipeline import RunOutcome, run_period

    __version__: str

__all__ = [
    "CheckReport",
    "Figure",
    "ReconcileError",
    "Reconciliation",
    "RunOutcome",
    "Story",
    "Workspace",
    "__version__",
    "check",
    "element_figure",
    "factor_frame",
    "load_workspace",
    "pair_frame",
    "run_period",
    "statistic_frame",
    "story_of",
    "verdict_frame",
]

# In the repository flows/ and schemas/ lie beside this package, in a wheel inside of it: either
# way they are ours, whatever else is called so where the program runs.
_here = Path(__file__).parent
if not (_here / "schemas").is_dir():
    __path__.append(str(_here.parent))

_HOMES = {
    "CheckReport": "commands.checking",
    "check": "commands.checking",
    "Figure": "commands.frames",
    "element_figure": "commands.frames",
    "factor_frame": "commands.frames",
    "pair_frame": "commands.frames",
    "statistic_frame": "commands.frames",
    "verdict_frame": "commands.frames",
    "Reconciliation": "base.model.release",
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
    if name == "__version__":
        from importlib.metadata import version

        return version("reconcile-field-lab")
    raise AttributeError(f"module 'reconcile' has no attribute {name!r}")


def __dir__() -> list[str]:
    """The public names, also those that are not loaded yet: a notebook completes them."""
    return sorted({*globals(), *__all__})
