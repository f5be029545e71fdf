"""The table of the months behind each stratum as it stands in ``evidence.csv``."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from reconcile.base.model import Evidence, OverMonths, Reconciliation
from reconcile.statistics.result import Estimate

COLUMNS = (
    "stratum", "what", "period", "release_id", "pairs", "value", "low", "high", "seen",
    "seen_low", "seen_high", "unit", "confidence", "assumed_sd", "assumed_months",
    "begun", "begun_what", "last_of_other", "differing", "reason",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Line:
    """One month, or one figure of all of them; fractions, NaN where there is none."""

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
                line.low, line.high, line.seen, line.seen_low, line.seen_high, "1",
                line.confidence, e.assumed_sd, e.assumed_months, e.begun.why, e.begun.what,
                e.begun.last, " ".join(e.begun.differing), line.reason,
            ]  # fmt: skip
