"""The table of the months behind each stratum as it stands in ``evidence.csv``."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from reconcile.base.model.months import Evidence, Watched
from reconcile.base.model.release import Reconciliation
from reconcile.base.model.verdict import OverMonths
from reconcile.statistics.result import Estimate

COLUMNS = (
    "stratum", "what", "period", "release_id", "pairs", "value", "low", "high", "seen",
    "seen_low", "seen_high", "unit", "confidence", "assumed_sd", "assumed_months",
    "begun", "begun_what", "last_of_other", "differing", "reason",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Line:
    """One month, or one figure of all of them; NaN where there is none.

    Fractions, but for ``unit`` "SD": standard deviations, between the limits of their chart.
    """

    what: str
    period: str
    release_id: str
    pairs: int
    value: float
    low: float
    high: float
    seen: float
    seen_low: float
    seen_high: float
    confidence: float
    reason: str
    unit: str = "1"


def lines(e: Evidence) -> Iterator[Line]:
    """The months, oldest first, then what they say together."""
    for m in e.months:
        yield _line(OverMonths.MONTH, m.period, m.release_id, m.pairs, m.raw, m.seen)
    pairs = sum(m.pairs for m in e.months)
    for what, found in (
        (OverMonths.LONG_RUN, e.long_run), (OverMonths.BETWEEN, e.between),
        (OverMonths.COMING, e.coming),
        (OverMonths.SAMPLE, e.coming_sample),
    ):  # fmt: skip
        yield _line(what, "", "", pairs, found, None)
    if e.watched is not None:
        yield from _watched(e.watched, e.months[-1].period)


def _watched(w: Watched, period: str) -> Iterator[Line]:
    """Changes with the month from which they hold, then the charts after the last month."""
    for m in w.moved:
        what = OverMonths.STEP if m.change == "step" else OverMonths.DRIFT
        yield _line(what, m.first, "", m.size.n, m.size, None)
    if (c := w.chart) is None:
        return
    for what, value, limit in (
        (OverMonths.SCORE, c.score, math.nan), (OverMonths.CUSUM_UP, c.up, c.h),
        (OverMonths.CUSUM_DOWN, c.down, c.h), (OverMonths.AVERAGE, c.average, c.average_limit),
    ):  # fmt: skip
        low = -limit if what is OverMonths.AVERAGE else math.nan
        yield Line(what, period, "", 0, value, low, limit, *(math.nan,) * 4, "", "SD")


def _line(
    what: str, period: str, release_id: str, pairs: int, raw: Estimate, seen: Estimate | None
) -> Line:
    nothing = (math.nan,) * 3
    beside = (seen.value, seen.low, seen.high) if seen is not None else nothing
    return Line(
        what, period, release_id, pairs, raw.value, raw.low, raw.high, *beside, raw.level,
        raw.reason,
    )  # fmt: skip


def rows(r: Reconciliation) -> Iterator[list[Any]]:
    """COLUMNS of every stratum."""
    for x in r.results:
        if (e := x.evidence) is None:
            continue
        for line in lines(e):
            yield [
                x.stratum.key, line.what, line.period, line.release_id, line.pairs, line.value,
                line.low, line.high, line.seen, line.seen_low, line.seen_high, line.unit,
                line.confidence, e.assumed_sd, e.assumed_months, e.begun.why, e.begun.what,
                e.begun.last, " ".join(e.begun.differing), line.reason,
            ]  # fmt: skip
