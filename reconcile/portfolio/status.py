"""One row per site for the person on duty: what stands, what is open, what ends soon."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from typing import Any

from reconcile.base.errors import ReconcileError
from reconcile.base.model.verdict import APPROVED
from reconcile.intake import months
from reconcile.intake.workspace import Workspace
from reconcile.judgement import factor_life
from reconcile.portfolio.listed import Listed, Portfolio
from reconcile.releases import release, unfinished


class Standing(StrEnum):
    """How a site stands."""

    DONE = "released"
    FINDINGS = "released with findings"
    MISSING = "months without release"
    UNFINISHED = "a run did not end"
    NEVER = "no release yet"
    FAULT = "can't be read"


@dataclass(frozen=True, slots=True)
class Due:
    """Something that ends, or has ended."""

    what: str
    on: str  # ISO date
    over: bool


@dataclass(frozen=True, slots=True)
class Duty:
    """One site as it stands."""

    site: str
    folder: str
    standing: Standing
    period: str = ""
    revision: int = 0
    release_id: str = ""
    verdicts: tuple[tuple[str, int], ...] = ()
    findings: int = 0  # open, of the latest month
    factors: tuple[Due, ...] = ()  # approved ones that end soon
    certificates: tuple[Due, ...] = ()  # dispatches that the laboratory has not answered in time
    calibrations: tuple[Due, ...] = ()
    accreditations: tuple[Due, ...] = ()
    age_days: int | None = None  # since the last time in its data
    missing: tuple[str, ...] = ()  # months with files and no release
    unfinished: tuple[str, ...] = ()  # months whose last run did not end
    notes: tuple[str, ...] = ()  # of these months, what the note that was left says
    message: str = ""

    @property
    def needs_a_person(self) -> bool:
        """True where somebody must look at the site."""
        due = (*self.factors, *self.certificates, *self.calibrations, *self.accreditations)
        return self.standing is not Standing.DONE or bool(due)


def duty(portfolio: Portfolio, now: datetime) -> tuple[Duty, ...]:
    """Every site of the list in its order; ``now`` is zone-aware. Nothing is run."""
    return tuple(_of(site, portfolio, now) for site in portfolio.sites)


def _of(site: Listed, portfolio: Portfolio, now: datetime) -> Duty:
    fault = site.fault
    if site.workspace is not None:
        try:
            return _standing(site.workspace, portfolio, now)
        except ReconcileError as error:
            fault = error
    told = f"{fault.message} {fault.advice}".strip() if fault else ""
    return Duty(site.name, str(site.folder), Standing.FAULT, message=told)


def _standing(workspace: Workspace, portfolio: Portfolio, now: datetime) -> Duty:
    name, folder = workspace.site, str(workspace.folder)
    until = (now.date().replace(day=1) - timedelta(days=1)).strftime("%Y-%m")
    missing = months.without_release(workspace, until)
    released = months.with_releases(workspace)
    broken = unfinished.months(workspace.output)
    notes = tuple(unfinished.told(workspace.output, p) for p in broken)
    latest = release.latest(workspace.releases(released[-1])) if released else None
    if latest is None:
        standing = Standing.UNFINISHED if broken else Standing.NEVER
        return Duty(name, folder, standing, missing=missing, unfinished=broken, notes=notes)
    m = latest.manifest
    findings = int(m.get("open_findings", 0))
    standing = (
        Standing.UNFINISHED if broken
        else Standing.MISSING if missing
        else Standing.FINDINGS if m.get("needs_a_person")
        else Standing.DONE
    )  # fmt: skip
    s, today = portfolio.settings, now.date()
    soon = today + timedelta(days=s.days_ahead)
    verdicts = Counter(str(x["verdict"]) for x in m["strata"].values())
    return Duty(
        name, folder, standing, str(m["period"]), latest.revision, str(m["release_id"]),
        tuple(sorted(verdicts.items())), findings,
        factors=tuple(_factors(workspace, today, soon)),
        certificates=tuple(_awaited(m.get("awaited", ()), today, s.laboratory_days)),
        calibrations=tuple(
            _ending(((x["instrument"], x["calibration_due"]) for x in m.get("instruments", ())),
                    today, soon)
        ),
        accreditations=tuple(
            _ending(((x["laboratory"], x["valid_until"]) for x in m.get("laboratories", ())),
                    today, soon)
        ),
        age_days=_age(str(m.get("data_until", "")), now), missing=missing, unfinished=broken,
        notes=notes,
    )  # fmt: skip


def _factors(workspace: Workspace, today: date, soon: date) -> Iterator[Due]:
    lives = factor_life.of_workspace(workspace).values()
    approved = (life.factor for life in lives if life.state == APPROVED)
    return _ending(((f.factor_id, f.valid_until) for f in approved), today, soon)


def _ending(ends: Any, today: date, soon: date) -> Iterator[Due]:
    for what, on in sorted(set(ends)):
        day = _day(on)
        if day is not None and day <= soon:
            yield Due(str(what), day.isoformat(), day < today)


def _awaited(dispatches: Sequence[Mapping[str, Any]], today: date, longest: int) -> Iterator[Due]:
    for x in dispatches:
        sent = _day(str(x["sent"]))
        if sent is not None and (due := sent + timedelta(days=longest)) < today:
            yield Due(f"{x['dispatch']} ({x['samples']})", due.isoformat(), True)


def _day(text: str) -> date | None:
    try:
        return datetime.fromisoformat(text).date() if text else None
    except ValueError:
        return None


def _age(until: str, now: datetime) -> int | None:
    try:
        at = datetime.fromisoformat(until)
    except ValueError:
        return None
    return (now - (at if at.tzinfo else at.replace(tzinfo=UTC))).days
