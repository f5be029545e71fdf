"""How many samples each criterion of a decision still asks for, by the decision's own bounds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from scipy import special

from reconcile.base.model.verdict import Ask, Criterion, Outcome
from reconcile.judgement.decision import (
    Decision,
    LevelTerms,
    Terms,
    Z,
    anchor_of,
    spread_and_range,
)
from reconcile.statistics import more_pairs
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.grey_region import edge_terms
from reconcile.statistics.level_band import ProvedRange


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Need:
    """Samples that a criterion needs if what was found stays so; NaN: no number would do."""

    criterion: Criterion
    needed: float
    there: int

    @property
    def missing(self) -> float:
        """How many are still missing; NaN where no number would do."""
        return max(self.needed - self.there, 0.0)


def needs(decision: Decision, terms: Terms) -> tuple[Need, ...]:
    """One need for each criterion that asks a figure; none for levels without a decision."""
    return tuple(n for c in decision.criteria if (n := _need(decision, terms, c)) is not None)


def of_pairs(criterion: Criterion) -> Need:
    """The need of a least number of pairs, in all or in each third of the range."""
    least = criterion.fact("least")
    if criterion.ask is Ask.PAIRS:
        n, effective = criterion.fact("n"), criterion.fact("effective")
        if n and not effective:  # all of one cluster
            return Need(criterion, math.nan, n)
        return Need(criterion, math.ceil(least * n / effective) if n else float(least), n)
    thirds = criterion.fact("thirds")
    there = sum(thirds)
    return Need(criterion, float(there + sum(max(least - n, 0) for n in thirds)), there)


def of_months(criterion: Criterion) -> Need:
    """Pairs until coming months can be promised, in months of as many pairs as there were."""
    there = criterion.fact("n")
    if criterion.passes:
        return Need(criterion, float(there), there)
    needed = there + criterion.fact("more_months") * criterion.fact("a_month")
    return Need(criterion, math.ceil(needed) if math.isfinite(needed) else math.nan, there)


def _need(decision: Decision, terms: Terms, c: Criterion) -> Need | None:
    line, f = decision.line, dict(c.facts)
    if c.ask in (Ask.LEVEL, Ask.COMING, Ask.COMING_SAMPLE) or c.outcome is Outcome.TOLD:
        return None
    if c.outcome is Outcome.SHOWN and c.ask not in (Ask.LEVEL_SAMPLES, Ask.MISSED_COUNT):
        return Need(c, float(line.n), line.n)
    if c.ask is Ask.LEVEL_SAMPLES:
        there = f["above"] + f["below"]
        if not math.isfinite(f["effect"]):
            return Need(c, math.nan, there)
        least = math.ceil(f["least"] * f["effect"])
        lacking = max(least - f["above"], 0) + max(least - f["below"], 0)
        return Need(c, float(there + lacking), there)
    if c.ask is Ask.MISSED_COUNT:
        needed = more_pairs.samples_for_count(
            f["wrong"], f["among"], f["bound"], f["counted_confidence"], f["effect"]
        )
        return Need(c, needed, f["among"])
    if line.reason or not math.isfinite(line.effect):  # no more pairs of one cluster would do
        return Need(c, math.nan, line.n)
    return Need(c, _pairs(decision, terms, c), line.n)


def _pairs(decision: Decision, terms: Terms, c: Criterion) -> float:
    line, f = decision.line, dict(c.facts)
    if c.ask in (Ask.MISSED, Ask.FALSE_ALARMS):
        level = next(x for x in terms.levels if x.name == c.level)
        k, leverage, df = edge_terms(line, level.value, f["edge"])
        return more_pairs.pairs_for_tail(
            k, f["rate"], terms.alpha, leverage * line.n, df / (line.n - 2), 2, line.n
        )
    if c.ask is Ask.SPREAD and line.scale == "log ratio":
        sd, share = math.log1p(f["value"]) / Z, 1.0
        if line.apart is not None:
            share = line.apart.total_freedom / (line.n - 1)
        limit = math.log1p(terms.span) / Z
        return more_pairs.pairs_for_spread(sd, limit, terms.alpha, line.n, share)
    if c.ask is Ask.SPREAD:
        return more_pairs.smallest(line.n, lambda n: _spread_holds(decision, terms, n))
    if c.ask is Ask.RANGE:
        return more_pairs.smallest(
            line.n, lambda n: _range(decision, terms, n)[1].share >= terms.least_share
        )
    if c.ask is Ask.TIME:
        return _time(f, line.scale, terms.alpha, line.n)
    level = next(x for x in terms.levels if x.name == c.level)
    return _bias(decision, terms, level)


def _time(f: dict[str, Any], scale: str, alpha: float, there: int) -> float:
    """Pairs at which a stretch with the bias and scatter of the widest would be inside."""
    value, lowest, highest = f["value"], 1 / (1 + f["margin"]) - 1, f["margin"]
    if scale == "log ratio":
        value, lowest, highest = (math.log1p(v) for v in (value, lowest, highest))
    room: float = min(value - lowest, highest - value)
    deviation: float = f["deviation"] * f["wider"]
    if not (room > 0 and deviation >= 0):
        return math.nan

    def holds(n: int) -> bool:
        k = n // f["stretches"]
        return float(special.stdtrit(k - 1, 1 - alpha)) * deviation / math.sqrt(k) <= room

    return more_pairs.smallest(there + 1, holds)


def _range(decision: Decision, terms: Terms, n: int) -> tuple[Criterion, ProvedRange]:
    """Spread and range of ``n`` pairs that lie as those that there are."""
    line = decision.line
    logs = line.scale == "log ratio"
    first, last = (math.exp(v) if logs else v for v in (line.low, line.high))
    inside = [x for x in terms.levels if first <= x.value <= last]
    grown = more_pairs.grown(line, n)
    return spread_and_range(grown, anchor_of(line, inside), terms, "")


def _spread_holds(decision: Decision, terms: Terms, n: int) -> bool:
    return bool(_range(decision, terms, n)[0].fact("upper") <= terms.span * (1 + 1e-12))


def _bias(decision: Decision, terms: Terms, level: LevelTerms) -> float:
    """Pairs at which the interval at the level fits and the level lies in the range."""
    line, highest = decision.line, terms.margin
    if line.scale == "log ratio":
        at, unit = math.log(level.value), 1.0
        value, edge, lowest = float(line.at(at)) - at, math.log1p(highest), -math.log1p(highest)
    else:
        at = unit = level.value
        value, edge, lowest = float(line.at(at)) / at - 1, highest, 1 / (1 + highest) - 1
    deviation = math.sqrt(float(line.variance(at)) * line.n) / unit
    fits = more_pairs.pairs_for_interval(value, deviation, lowest, edge, terms.alpha, line.n)
    if not math.isfinite(fits):
        return math.nan

    def holds(n: int) -> bool:
        proved = _range(decision, terms, n)[1]
        ends = (proved.low, proved.high)
        low, high = (math.exp(v) for v in ends) if line.scale == "log ratio" else ends
        return low <= level.value <= high

    return more_pairs.smallest(int(fits), holds)
