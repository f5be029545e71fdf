"""The one sequence of steps: from files to a release.

``STEPS`` is an ordered tuple of named functions from ``Run`` to ``Run``. The command
line walks it plainly; the flow runs the same tuple as tasks. Every step is one
transaction or none, and may be repeated.
"""

from __future__ import annotations

import os
from collections.abc import Callable

from reconcile.intake import workspace as ws
from reconcile.intake.workspace import Workspace
from reconcile.releases import unfinished
from reconcile.run import overview, unchanged
from reconcile.run.gathering import gather_evidence
from reconcile.run.judging import (
    compute_statistics,
    give_verdicts,
    judge_conformity,
    judge_controls,
)
from reconcile.run.looking_back import look_at_sheets
from reconcile.run.pairing_step import make_pairs
from reconcile.run.reading import find_files, read_found, read_tables
from reconcile.run.releasing import quarantine_of, write_the_release
from reconcile.run.settling import settle_identities
from reconcile.run.staging import stage
from reconcile.run.state import Run, RunOutcome, Tell, silent
from reconcile.run.unread import reading_key
from reconcile.store.database import Store

__all__ = [
    "CHECK_STEPS",
    "STEPS",
    "Run",
    "RunOutcome",
    "begin",
    "find_files",
    "quarantine_of",
    "read_found",
    "reading_key",
    "run_period",
    "run_workspace",
    "settle_identities",
]

STEPS: tuple[tuple[str, Callable[[Run], Run]], ...] = (
    ("find files", find_files),
    ("read tables", read_tables),
    ("settle identities", settle_identities),
    ("judge controls and custody", judge_controls),
    ("make pairs", make_pairs),
    ("compute statistics", compute_statistics),
    ("gather evidence", gather_evidence),
    ("give verdicts", give_verdicts),
    ("judge conformity", judge_conformity),
    ("look at result sheets", look_at_sheets),
    ("write the release", write_the_release),
)

#: Those of STEPS that only look: what ``check`` walks.
CHECK_STEPS = STEPS[:3]


def begin(workspace: Workspace, period: str, store: Store, tell: Tell = silent) -> Run:
    """A run before its first step."""
    return Run(workspace, ws.check_period(workspace, period), store, tell)


def run_period(
    folder: str | os.PathLike[str],
    period: str,
    *,
    tell: Tell = silent,
    step_started: Callable[[int, str], None] = lambda number, name: None,
) -> RunOutcome:
    """Reconcile one period of the workspace in ``folder``.

    Returns the release that stands for these inputs: a new one, or the one before where
    nothing changed. Raises ReconcileError where the run is not possible.
    """
    return run_workspace(ws.load_workspace(folder), period, tell=tell, step_started=step_started)


def run_workspace(
    workspace: Workspace,
    period: str,
    *,
    tell: Tell = silent,
    step_started: Callable[[int, str], None] = lambda number, name: None,
) -> RunOutcome:
    """The same for a workspace that is loaded."""
    ws.check_period(workspace, period)
    stage(workspace, period)
    return unchanged.answered(workspace, period) or run_in_full(
        workspace, period, tell=tell, step_started=step_started
    )


def run_in_full(
    workspace: Workspace,
    period: str,
    *,
    tell: Tell = silent,
    step_started: Callable[[int, str], None] = lambda number, name: None,
) -> RunOutcome:
    """Walk every step, whatever a run before noted."""
    with (
        Store(workspace.store_file, engine=workspace.engine) as store,
        unfinished.noted(workspace.output, period),
    ):
        run = begin(workspace, period, store, tell)
        for number, (name, step) in enumerate(STEPS):
            step_started(number, name)
            run = step(run)
    assert run.outcome is not None
    overview.write(workspace)
    unchanged.note(workspace, run.outcome)
    return run.outcome
