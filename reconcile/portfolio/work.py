"""The unit of work: one site, its months in order, on whatever machine it runs."""

from __future__ import annotations

import shutil
import sys
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

from reconcile.base import provenance
from reconcile.base.errors import BusyError, ReconcileError, UnreachableError
from reconcile.base.model.release import Reconciliation
from reconcile.intake import workspace as ws
from reconcile.intake.workspace import Workspace
from reconcile.releases import release
from reconcile.run.pipeline import run_workspace


class State(StrEnum):
    """What became of one month of one site."""

    RELEASED = "released"
    UNCHANGED = "unchanged"
    DIFFERS = "differs"  # of a shadow run: another release would come
    FAILED = "failed"
    BUSY = "busy"  # another run held the site all the time
    UNREACHABLE = "unreachable"  # so was the storage of its inputs
    REFUSED = "refused"  # this worker has other versions than asked for
    KILLED = "killed"


@dataclass(frozen=True, slots=True)
class Asked:
    """What a worker is asked to do; plain values, so that any machine can take it."""

    site: str
    folder: str
    periods: tuple[str, ...]
    code_version: str
    made_with: Mapping[str, str]
    wait_seconds: float = 600.0
    shadow: str = ""  # folder to which the site's results are copied first; nothing is released


@dataclass(frozen=True, slots=True)
class MonthDone:
    """What became of one month."""

    site: str
    period: str
    state: State
    release_id: str = ""
    verdicts: tuple[tuple[str, int], ...] = ()
    findings: int = 0  # that need a person
    message: str = ""
    advice: str = ""
    differs: tuple[str, ...] = ()  # of a shadow run: what is otherwise
    seconds: float = 0.0  # of processor time

    @property
    def done(self) -> bool:
        """True where a release stands for what the site holds."""
        return self.state in (State.RELEASED, State.UNCHANGED)

    @property
    def needs_a_person(self) -> bool:
        """True where somebody must look at it."""
        return not self.done or bool(self.findings)


@dataclass(frozen=True, slots=True)
class SiteDone:
    """What became of one site."""

    site: str
    folder: str
    months: tuple[MonthDone, ...]
    memory_mb: float | None = None  # most that the worker held; None where it can't be known


def asked(
    workspace: Workspace, periods: tuple[str, ...], wait_seconds: float, shadow: str = ""
) -> Asked:
    """The work on one site, to be done with this program and these libraries."""
    return Asked(
        workspace.site, str(workspace.folder), periods, provenance.code_version(),
        provenance.made_with(), wait_seconds, shadow,
    )  # fmt: skip


def work(order: Asked) -> SiteDone:
    """Run the months in their order; whatever happens to one is told and stops no other."""
    refused = refusal(order)
    if refused is not None:
        return _for_all(order, State.REFUSED, refused)
    try:
        workspace = ws.load_workspace(order.folder)
        if order.shadow:
            workspace = shadow_of(workspace, Path(order.shadow))
    except ReconcileError as error:
        return _for_all(order, State.FAILED, error)
    months = tuple(_month(workspace, order, period) for period in order.periods)
    return SiteDone(order.site, order.folder, months, _memory_mb())


def refusal(order: Asked) -> ReconcileError | None:
    """Why this worker may not do the work: another program or other libraries give other bytes."""
    here = {"the program": provenance.code_version(), **provenance.made_with()}
    there = {"the program": order.code_version, **order.made_with}
    other = [
        f"{name} {here.get(name, 'not there')} instead of {there.get(name, 'not there')}"
        for name in sorted({*here, *there})
        if here.get(name) != there.get(name)
    ]
    if not other:
        return None
    return ReconcileError(
        f"This worker would give other bytes: {'; '.join(other)}.",
        "Install the same versions on every worker: 'pip install -c constraints.txt "
        "reconcile-field-lab', from the same copy of the program.",
    )


def shadow_of(workspace: Workspace, folder: Path) -> Workspace:
    """The same site with a copy of its results, so that a run changes nothing of its own."""
    target = folder / workspace.site
    if workspace.output.is_dir():
        shutil.copytree(workspace.output, target, dirs_exist_ok=True)
    settings = workspace.settings.model_copy(
        update={
            "workspace": workspace.settings.workspace.model_copy(
                update={"output": str(target), "inputs": ""}
            )
        }
    )
    return replace(workspace, settings=settings)


def _for_all(order: Asked, state: State, error: ReconcileError) -> SiteDone:
    months = tuple(
        MonthDone(order.site, period, state, message=error.message, advice=error.advice)
        for period in order.periods
    )
    return SiteDone(order.site, order.folder, months)


def killed(order: Asked, how: str) -> SiteDone:
    """What is told where a worker ended without a word; nothing half-written stands."""
    return _for_all(
        order, State.KILLED,
        ReconcileError(
            f"The worker ended before it was done ({how}).",
            "Nothing half-written stands; the next run finishes it.",
        ),
    )  # fmt: skip


def _month(workspace: Workspace, order: Asked, period: str) -> MonthDone:
    began = time.process_time()
    try:
        found = _one(workspace, order, period)
    except BusyError as error:
        state = State.UNREACHABLE if isinstance(error, UnreachableError) else State.BUSY
        found = MonthDone(order.site, period, state, message=error.message, advice=error.advice)
    except ReconcileError as error:
        found = MonthDone(
            order.site, period, State.FAILED, message=error.message, advice=error.advice
        )
    except Exception as error:
        found = MonthDone(
            order.site, period, State.FAILED,
            message=f"The program failed where it should not ({type(error).__name__}: {error}).",
            advice="Nothing half-written stands; run this site alone to see more.",
        )  # fmt: skip
    return replace(found, seconds=time.process_time() - began)


def _one(workspace: Workspace, order: Asked, period: str) -> MonthDone:
    before = release.latest(workspace.releases(period))
    until = time.monotonic() + order.wait_seconds
    while True:
        try:
            outcome = run_workspace(workspace, period)
            break
        except BusyError:
            if time.monotonic() >= until:
                raise
            time.sleep(min(1.0, max(0.05, order.wait_seconds / 20)))
    r = outcome.reconciliation
    state = State.RELEASED if outcome.new_release else State.UNCHANGED
    differs: tuple[str, ...] = ()
    if order.shadow and outcome.new_release:
        state, differs = State.DIFFERS, _otherwise(before, outcome.release_folder, r)
    serious = [f for f in (*outcome.told, *r.findings) if f.severity != "note"]
    verdicts = Counter(x.verdict.decision for x in r.results)
    return MonthDone(
        order.site, period, state, r.release_id, tuple(sorted(verdicts.items())),
        len(serious) + len(r.quarantine), differs=differs,
    )  # fmt: skip


def _otherwise(before: release.Earlier | None, folder: Path, r: Reconciliation) -> tuple[str, ...]:
    """Which tables a shadow run would write otherwise, then what changed."""
    if before is None:
        return ()
    now = release.latest(folder.parent)
    assert now is not None
    digests = [
        {entry["name"]: entry["sha256"] for entry in found.manifest["outputs"]}
        for found in (before, now)
    ]
    was, will = digests
    tables = sorted(
        name
        for name in {*was, *will}
        if Path(name).suffix == ".csv" and was.get(name) != will.get(name)
    )
    return (*tables, *(f"{c.what}: {c.before} -> {c.after}" for c in r.changes))


def _memory_mb() -> float | None:
    """The most memory that this process has held, MB (10^6 bytes)."""
    if sys.platform == "win32":
        return None
    import resource

    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / 1e6 if sys.platform == "darwin" else most * 1024 / 1e6
