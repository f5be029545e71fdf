"""The monthly flow: ``reconcile.run.pipeline.STEPS`` as tasks, served on a monthly cron.

There is one sequence of steps; this module only wraps it with retries, artifacts, events and a
hook for runs that do not end well. Each site has a deployment of its own, under its own name. No
telemetry leaves the machine.
"""

from __future__ import annotations

import os
import re

os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
os.environ.setdefault("DO_NOT_TRACK", "1")
# a machine under load takes its time to start the server of a single run
os.environ.setdefault("PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS", "180")

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from prefect import State, flow, get_run_logger, runtime, task
from prefect.artifacts import create_markdown_artifact, create_table_artifact
from prefect.cache_policies import NO_CACHE
from prefect.events import emit_event
from prefect.states import Completed

from reconcile.base.characters import visible
from reconcile.base.errors import BusyError, ReconcileError
from reconcile.intake import months, storage
from reconcile.intake import workspace as ws
from reconcile.intake.workspace import Workspace
from reconcile.releases import unfinished
from reconcile.run.pipeline import STEPS, Run, RunOutcome, begin
from reconcile.store.database import Store

FLOW = "monthly-reconciliation"
#: The state of a run whose release stands and has findings that need a person.
WITH_FINDINGS = "Completed with findings"
#: The event that such a run emits; automations listen to it.
NEEDS_A_PERSON = "reconcile.needs-a-person"


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


def _run_name() -> str:
    """Site and month, by which a person finds the run."""
    given = runtime.flow_run.parameters
    try:
        workspace = ws.load_workspace(Path(str(given["folder"])))
    except ReconcileError:
        return f"{Path(str(given['folder'])).name} · {given.get('period', '')}"
    month = month_of(
        str(given.get("period", "")), runtime.flow_run.scheduled_start_time,
        workspace.settings.workspace.time_zone,
    )  # fmt: skip
    return f"{workspace.slug} · {month}"


@flow(
    name=FLOW,
    flow_run_name=_run_name,
    on_failure=[_note_failure],
    on_crashed=[_note_failure],
    on_cancellation=[_note_failure],
    persist_result=False,
    validate_parameters=True,
)
def monthly(folder: str, period: str = "") -> State[str]:
    """Reconcile one month of the workspace in ``folder``; the state holds the release id.

    An empty ``period`` means the month before the scheduled start. Where findings need a person
    the state is ``WITH_FINDINGS``, and the event ``NEEDS_A_PERSON`` is emitted.
    """
    log = get_run_logger()
    workspace = ws.load_workspace(Path(folder))
    month = month_of(
        period, runtime.flow_run.scheduled_start_time, workspace.settings.workspace.time_zone
    )
    ws.check_period(workspace, month)
    schedule = workspace.settings.schedule
    unfinished.begun(workspace.output, month)
    _once_it_can("stage the inputs", storage.fetch, workspace)
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
    r = outcome.reconciliation
    log.info("Files read: %s", len(r.inputs))
    log.info("Rows accepted: %s, refused: %s", sum(f.accepted for f in r.inputs), len(r.quarantine))
    urgent = [f for f in (*outcome.told, *r.findings) if f.severity != "note"]
    log.info("Findings that need a person: %s", len(urgent))
    log.info(
        "Release %s %s in %s",
        r.release_id,
        "written" if outcome.new_release else "stands unchanged",
        visible(outcome.release_folder),
    )
    if not outcome.needs_a_person:
        return Completed(data=r.release_id)
    _call_a_person(workspace, outcome)
    what = f"{r.release_id}: {len(urgent)} findings, {len(r.quarantine)} refused"
    return Completed(name=WITH_FINDINGS, message=what, data=r.release_id)


def _call_a_person(workspace: Workspace, outcome: RunOutcome) -> None:
    """Emit the event that automations turn into mail, or whatever calls the person on duty."""
    r = outcome.reconciliation
    emit_event(
        event=NEEDS_A_PERSON,
        resource={
            "prefect.resource.id": f"reconcile.site.{workspace.slug}",
            "prefect.resource.name": workspace.slug,
        },
        payload={
            "site": workspace.slug,
            "period": r.period,
            "release_id": r.release_id,
            "release": visible(outcome.release_folder),
            "findings": sum(f.severity != "note" for f in (*outcome.told, *r.findings)),
            "refused": len(r.quarantine),
        },
    )


def open_store(workspace: Workspace) -> Store:
    """The store; raises BusyError where another run holds it."""
    return Store(workspace.store_file, engine=workspace.engine)


def _opened(workspace: Workspace) -> Store:
    """The store, once no other run holds it."""
    store: Store = _once_it_can("open the store", open_store, workspace)
    return store


def _once_it_can(name: str, work: Callable[[Workspace], Any], workspace: Workspace) -> Any:
    """A task that waits for what another run holds, or for a storage that can't be reached."""
    schedule = workspace.settings.schedule
    waiting: Any = task(
        name=name,
        retries=schedule.busy_retries,
        retry_delay_seconds=schedule.busy_seconds,
        retry_condition_fn=worth_a_retry,
        cache_policy=NO_CACHE,
        persist_result=False,
    )(work)
    return waiting(workspace)


def _plain(text: str) -> str:
    """A text as it may stand in the key of an artifact: small letters, digits and '-'."""
    return re.sub("[^a-z0-9]+", "-", text.lower()).strip("-")


def _publish(run: Run, outcome: RunOutcome) -> None:
    """The tables that a person would look at first, as artifacts of the flow run."""
    site = run.workspace.slug
    key = f"{site}-{_plain(run.period)}-{{}}"
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
    create_table_artifact(
        key=key.format("findings"),
        table=[
            {
                "area": f.area,
                "severity": f.severity,
                "about": visible(f.subject),
                "found": visible(f.text),
                "to do": visible(f.advice),
            }
            for f in (*outcome.told, *outcome.reconciliation.findings)
            if f.severity != "note"
        ],
        description=f"Findings of {site}, {run.period}, that need a person",
    )
    create_markdown_artifact(
        key=key.format("release"),
        markdown="\n".join(
            [
                f"Release `{outcome.reconciliation.release_id}` of {site}",
                "",
                *(
                    f"- [{name}]({(outcome.release_folder / name).as_uri()})"
                    for name in ("report.pdf", "report.html", "workbook.xlsx", "manifest.json")
                ),
            ]
        ),
        description=f"Links to the release of {site}, {run.period}",
    )


def run_once(folder: Path, period: str) -> bool:
    """Run the flow here and now for one month; True where findings need a person."""
    from reconcile.releases.release import latest

    monthly(str(folder.resolve()), period)
    workspace = ws.load_workspace(folder)
    earlier = latest(workspace.releases(period))
    return earlier is not None and bool(earlier.manifest["needs_a_person"])


def deployment(workspace: Workspace, work_pool: str = "") -> Any:
    """The site's deployment: under its name, by its cron and zone, one run at a time.

    A run that comes while another of the site is under way waits for it. ``work_pool``: whose
    workers do the runs; without it the process that serves does them.
    """
    from prefect.schedules import Cron
    from prefect.types.entrypoint import EntrypointType

    settings = workspace.settings
    return monthly.to_deployment(
        name=workspace.slug,
        parameters={"folder": str(workspace.folder), "period": ""},
        schedules=[Cron(settings.schedule.cron, timezone=settings.workspace.time_zone)],
        tags=["reconcile", f"site:{workspace.slug}"],
        concurrency_limit=1,
        description=settings.workspace.title,
        work_pool_name=work_pool or None,
        entrypoint_type=EntrypointType.MODULE_PATH,
    )


def refuse_name_of_another(workspace: Workspace) -> None:
    """Raises ReconcileError where a deployment of this name is of another folder."""
    from prefect.client.orchestration import get_client
    from prefect.exceptions import ObjectNotFound

    with get_client(sync_client=True) as client:
        try:
            held = client.read_deployment_by_name(f"{FLOW}/{workspace.slug}")
        except ObjectNotFound:
            return
    other = str(held.parameters.get("folder", ""))
    if other and other != str(workspace.folder):
        raise ReconcileError(
            f"The name '{workspace.slug}' is held on this server by {other}; this site is "
            f"{workspace.folder}.",
            "Give one of them another 'site' under [workspace] of its reconcile.toml. Where the "
            "folder was moved: prefect deployment delete "
            f"'{FLOW}/{workspace.slug}', then schedule again.",
        )


def overdue(workspace: Workspace, now: datetime) -> tuple[str, ...]:
    """Months that are over, have files and no release."""
    until = previous_month(now, workspace.settings.workspace.time_zone)
    return months.without_release(workspace, until)


def catch_up(workspace: Workspace, tell: Callable[[str], None]) -> None:
    """Tell the months that were missed; run them where the settings say so, in their order."""
    from prefect.deployments import run_deployment

    missed = overdue(workspace, datetime.now(UTC))
    for month in missed:
        tell(f"{workspace.slug}: {month} has files and no release.")
    if workspace.settings.schedule.catch_up == "tell":
        return
    for month in missed:
        run_deployment(
            f"{FLOW}/{workspace.slug}", parameters={"folder": str(workspace.folder),
                                                    "period": month},
            timeout=0,
        )  # fmt: skip
        tell(f"{workspace.slug}: {month} was put into the queue.")


def serve(folder: Path, tell: Callable[[str], None] = print) -> None:
    """Serve the site's deployment until stopped."""
    from prefect import serve as serve_all

    workspace = ws.load_workspace(folder)
    refuse_name_of_another(workspace)
    made = deployment(workspace)
    made.apply()
    catch_up(workspace, tell)
    serve_all(made, pause_on_shutdown=False, print_starting_message=True)


def deploy(folder: Path, work_pool: str, tell: Callable[[str], None] = print) -> None:
    """Leave the site's deployment to the workers of a pool, and end."""
    workspace = ws.load_workspace(folder)
    refuse_name_of_another(workspace)
    made = deployment(workspace, work_pool)
    made.apply()
    tell(f"{FLOW}/{workspace.slug} is left to the workers of '{work_pool}'.")
    catch_up(workspace, tell)
