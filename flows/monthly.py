"""The monthly flow: ``reconcile.pipeline.STEPS`` as tasks, served on a monthly cron.

There is one sequence of steps; this module only wraps it with retries, artifacts and a
failure hook. No telemetry leaves the machine.
"""

from __future__ import annotations

import os

os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
os.environ.setdefault("DO_NOT_TRACK", "1")

from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from prefect import flow, get_run_logger, runtime, task
from prefect.artifacts import create_markdown_artifact, create_table_artifact
from prefect.cache_policies import NO_CACHE

from reconcile import workspace as ws
from reconcile.errors import ReconcileError
from reconcile.pipeline import STEPS, Run, RunOutcome, begin
from reconcile.store import Store

DEPLOYMENT = "monthly"
LAST_FAILURE = "last_failure.txt"


def previous_month(moment: datetime, zone: str) -> str:
    """The month before the one that ``moment`` falls in, in the workspace's zone."""
    local = moment.astimezone(ZoneInfo(zone))
    months = local.year * 12 + local.month - 2
    return f"{months // 12:04d}-{months % 12 + 1:02d}"


def _note_failure(flow: Any, flow_run: Any, state: Any) -> None:
    """Leave a plain note in the output folder, so that a failed night is seen in the morning."""
    folder = flow_run.parameters.get("folder")
    if not folder:
        return
    try:
        output = ws.load_workspace(Path(folder)).output
        output.mkdir(parents=True, exist_ok=True)
        (output / LAST_FAILURE).write_text(
            f"The scheduled run '{flow_run.name}' did not finish.\n{state.message}\n"
            "Nothing half-written stands. Mend the cause and start the run again.\n",
            encoding="utf-8",
        )
    except (ReconcileError, OSError):
        return  # the state itself already says what happened


def worth_a_retry(task: Any, task_run: Any, state: Any) -> bool:
    """What the analyst must mend is not mended by trying again, a busy store may be."""
    try:
        state.result()
    except ReconcileError as error:
        return "Another run is using" in error.message
    except Exception:
        return True
    return False


@flow(
    name="monthly-reconciliation",
    on_failure=[_note_failure],
    on_crashed=[_note_failure],
    persist_result=False,
    validate_parameters=True,
)
def monthly(folder: str, period: str = "") -> str:
    """Reconcile one month of the workspace in ``folder``; returns the release id.

    An empty ``period`` means the month before the scheduled start.
    """
    log = get_run_logger()
    workspace = ws.load_workspace(Path(folder))
    started = runtime.flow_run.scheduled_start_time or datetime.now(UTC)
    month = period or previous_month(started, workspace.settings.workspace.time_zone)
    ws.check_period(workspace, month)
    schedule = workspace.settings.schedule
    with Store(workspace.store_file) as store:
        run = begin(workspace, month, store)
        for name, step in STEPS:
            wrapped: Any = task(
                name=name,
                retries=schedule.retries,
                retry_delay_seconds=schedule.retry_seconds,
                retry_condition_fn=worth_a_retry,
                cache_policy=NO_CACHE,
                persist_result=False,
            )(step)
            run = wrapped(run)
    outcome = run.outcome
    assert outcome is not None
    _publish(run, outcome)
    failure = workspace.output / LAST_FAILURE
    failure.unlink(missing_ok=True)
    log.info(
        "Release %s %s in %s",
        outcome.reconciliation.release_id,
        "written" if outcome.new_release else "stands unchanged",
        outcome.release_folder,
    )
    return outcome.reconciliation.release_id


def _publish(run: Run, outcome: RunOutcome) -> None:
    """The tables that a person would look at first, as artifacts of the flow run."""
    key = f"{run.period}-{{}}".lower()
    create_table_artifact(
        key=key.format("account"),
        table=[
            {
                "count of": step.unit,
                "step": step.name,
                "entered": step.entered,
                "kept": step.kept,
                "lost": "; ".join(f"{reason}: {n}" for reason, n in step.lost),
            }
            for step in outcome.reconciliation.waterfall
        ],
        description=f"Account of {run.period}: every line balances to zero",
    )
    create_table_artifact(
        key=key.format("verdicts"),
        table=[
            {
                "element": result.stratum.label,
                "pairs": result.statistics.n_used,
                "verdict": result.verdict.decision,
                "reason": result.verdict.reason,
            }
            for result in outcome.reconciliation.results
        ],
        description=f"Verdicts of {outcome.reconciliation.release_id}",
    )
    create_markdown_artifact(
        key=key.format("release"),
        markdown=f"Release `{outcome.reconciliation.release_id}` in `{outcome.release_folder}`",
    )


def run_once(folder: Path, period: str) -> bool:
    """Run the flow here and now for one month; True where findings need a person."""
    from reconcile.release import latest

    monthly(str(folder.resolve()), period)
    workspace = ws.load_workspace(folder)
    earlier = latest(workspace.releases(period))
    return earlier is not None and bool(earlier.manifest["needs_a_person"])


def serve(folder: Path) -> None:
    """Serve the deployment until stopped: monthly, by the workspace's cron and zone."""
    from prefect.schedules import Cron
    from prefect.types.entrypoint import EntrypointType

    workspace = ws.load_workspace(folder)
    settings = workspace.settings
    monthly.serve(
        name=DEPLOYMENT,
        parameters={"folder": str(workspace.folder), "period": ""},
        schedules=[Cron(settings.schedule.cron, timezone=settings.workspace.time_zone)],
        pause_on_shutdown=False,
        print_starting_message=True,
        entrypoint_type=EntrypointType.MODULE_PATH,
    )
