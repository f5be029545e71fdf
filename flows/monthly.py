"""The monthly flow: ``reconcile.run.pipeline.STEPS`` as tasks, served on a monthly cron.

There is one sequence of steps; this module only wraps it with retries, artifacts and a
failure hook. No telemetry leaves the machine.
"""

from __future__ import annotations

import os

os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
os.environ.setdefault("DO_NOT_TRACK", "1")
# a machine under load takes its time to start the server of a single run
os.environ.setdefault("PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS", "180")

from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from prefect import flow, get_run_logger, runtime, task
from prefect.artifacts import create_markdown_artifact, create_table_artifact
from prefect.cache_policies import NO_CACHE

from reconcile.base.characters import visible
from reconcile.base.errors import BusyError, ReconcileError
from reconcile.intake import workspace as ws
from reconcile.intake.workspace import Workspace
from reconcile.releases import unfinished
from reconcile.run.pipeline import STEPS, Run, RunOutcome, begin
from reconcile.store.database import Store

DEPLOYMENT = "monthly"


def previous_month(moment: datetime, zone: str) -> str:
    """The month before the one that ``moment`` falls in, in the workspace's zone."""
    local = moment.astimezone(ZoneInfo(zone))
    months = local.year * 12 + local.month - 2
    return f"{months // 12:04d}-{months % 12 + 1:02d}"


def month_of(period: str, scheduled: datetime | None, zone: str) -> str:
    """The month that a flow run is for: the one named, or the one before its scheduled start."""
    return period or previous_month(scheduled or datetime.now(UTC), zone)


def _note_failure(flow: Any, flow_run: Any, state: Any) -> None:
    """Leave a plain note in the output folder, so that a failed night is seen in the morning."""
    folder = flow_run.parameters.get("folder")
    if not folder:
        return
    try:
        workspace = ws.load_workspace(Path(folder))
        month = month_of(
            flow_run.parameters.get("period", ""), flow_run.expected_start_time,
            workspace.settings.workspace.time_zone,
        )  # fmt: skip
        ws.check_period(workspace, month)
    except (ReconcileError, OSError):
        return  # the state itself already says what happened
    unfinished.write(
        workspace.output, month,
        f"The scheduled run '{flow_run.name}' of {month} did not finish ({state.name}).\n"
        f"{state.message or ''}",
    )  # fmt: skip


def worth_a_retry(task: Any, task_run: Any, state: Any) -> bool:
    """What the analyst must mend is not mended by trying again, a busy store may be."""
    try:
        state.result()
    except BusyError:
        return True
    except ReconcileError:
        return False
    except Exception:
        return True
    return False


@flow(
    name="monthly-reconciliation",
    on_failure=[_note_failure],
    on_crashed=[_note_failure],
    on_cancellation=[_note_failure],
    persist_result=False,
    validate_parameters=True,
)
def monthly(folder: str, period: str = "") -> str:
    """Reconcile one month of the workspace in ``folder``; returns the release id.

    An empty ``period`` means the month before the scheduled start.
    """
    log = get_run_logger()
    workspace = ws.load_workspace(Path(folder))
    month = month_of(
        period, runtime.flow_run.scheduled_start_time, workspace.settings.workspace.time_zone
    )
    ws.check_period(workspace, month)
    schedule = workspace.settings.schedule
    unfinished.begun(workspace.output, month)
    with _opened(workspace) as store:
        unfinished.begun(workspace.output, month)  # a run of this month may have ended meanwhile
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
    for finding in outcome.told:  # of store and archive: they stand in no release
        log.warning("%s", visible(finding.text))
    _publish(run, outcome)
    unfinished.done(workspace.output, month)
    log.info(
        "Release %s %s in %s",
        outcome.reconciliation.release_id,
        "written" if outcome.new_release else "stands unchanged",
        visible(outcome.release_folder),
    )
    return outcome.reconciliation.release_id


def open_store(file: Path) -> Store:
    """The store; raises BusyError where another run holds it."""
    return Store(file)


def _opened(workspace: Workspace) -> Store:
    """The store, once no other run holds it."""
    schedule = workspace.settings.schedule
    opening: Any = task(
        name="open the store",
        retries=schedule.busy_retries,
        retry_delay_seconds=schedule.busy_seconds,
        retry_condition_fn=worth_a_retry,
        cache_policy=NO_CACHE,
        persist_result=False,
    )(open_store)
    store: Store = opening(workspace.store_file)
    return store


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
    from reconcile.releases.release import latest

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
