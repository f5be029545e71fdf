"""Which strata a person must look at, most pressing first; each with the reason, as data."""

from __future__ import annotations

import math
from enum import StrEnum

from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.base.model.verdict import DECISIONS, Ask, Outcome
from reconcile.reporting.document.verdicts import kind_of


class Look(StrEnum):
    """Why a person must look at a stratum, the most pressing first."""

    WORSE = "worse"  # the verdict is worse than in the newest earlier month
    FLIPS = "flips"  # it would be another with every excluded pair put back
    LEVEL = "level"  # results at a decision level were shown to fail
    NEAR = "near"  # accepted, and its bias may come close to the margin
    CORRECTED = "corrected"  # used through a factor
    BETTER = "better"  # the verdict is better than in the newest earlier month


_ORDER = tuple(Look)
_AT_A_LEVEL = frozenset({Ask.LEVEL, Ask.LEVEL_BIAS, Ask.MISSED, Ask.FALSE_ALARMS, Ask.MISSED_COUNT})


def to_look_at(r: Reconciliation) -> list[tuple[StratumResult, Look]]:
    """The strata with their most pressing reasons; equal ones in the order of the release."""
    before = verdicts_before(r)
    found = [(x, why) for x in r.results if (why := _why(x, before, r.near)) is not None]
    return sorted(found, key=lambda one: _ORDER.index(one[1]))


def verdicts_before(r: Reconciliation) -> dict[str, str]:
    """The verdict of each stratum in the newest earlier month; empty where there is none."""
    if not r.history:
        return {}
    newest = max(h.period for h in r.history)
    return {h.stratum: h.verdict for h in r.history if h.period == newest}


def _rank(decision: str) -> int:
    return DECISIONS.index(decision) if decision in DECISIONS else len(DECISIONS)


def _why(x: StratumResult, before: dict[str, str], near: float) -> Look | None:
    was = before.get(x.stratum.key)
    moved = 0 if was is None else _rank(x.verdict.decision) - _rank(was)
    if moved > 0:
        return Look.WORSE
    if x.verdict.flips:
        return Look.FLIPS
    failed = {c.ask for c in x.verdict.criteria if c.outcome is Outcome.FAILED}
    if failed & _AT_A_LEVEL:
        return Look.LEVEL
    if kind_of(x) == 0 and _nearness(x) > near:
        return Look.NEAR
    if kind_of(x) == 1:
        return Look.CORRECTED
    return Look.BETTER if moved < 0 else None


def _nearness(x: StratumResult) -> float:
    """How far the bias may lie from none, as a share of the margin; 0 where it is not known."""
    e = x.evidence
    if e is not None and e.long_run.estimable:
        ends = (1 + e.long_run.low, 1 + e.long_run.high)
    else:
        found = x.statistics.bias.geometric_mean_ratio
        ends = (found.low, found.high)
    margin = math.log1p(x.statistics.bias.equivalence.margin)
    if not margin > 0 or not all(end > 0 and math.isfinite(end) for end in ends):
        return 0.0
    return max(abs(math.log(end)) for end in ends) / margin
