"""Whether a stratum's bias stays from month to month, looked for in all months that are watched."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.months import BiasMoved, MonthChart, Watched
from reconcile.base.model.stratum import Stratum
from reconcile.base.settings.pairs import EvidenceSettings
from reconcile.base.settings.whole import Settings
from reconcile.figures import further
from reconcile.figures.laboratory_error import LabError
from reconcile.figures.over_months import MONTH, OnScale, month_effects, on_scale, to_fraction
from reconcile.figures.pair_errors import difference_scale
from reconcile.reporting import words
from reconcile.statistics.limited_months import Summaries, summarised
from reconcile.statistics.month_charts import Charted, charted
from reconcile.statistics.month_steps import Moved, looks
from reconcile.statistics.result import Estimate


@dataclass(frozen=True, slots=True)
class _Seen:
    """The months as they were looked at."""

    pairs: OnScale
    made: Summaries
    periods: tuple[str, ...]  # in order of time
    settings: EvidenceSettings

    def fraction(self, e: Estimate) -> Estimate:
        """A change on the scale near one as a fraction."""
        value, low, high = (
            to_fraction(self.made.unit * v, self.pairs.logs, self.pairs.at)
            for v in (e.value, e.low, e.high)
        )
        return replace(e, value=value, se=math.nan, low=low, high=high)


def watched(
    stratum: Stratum, pairs: pd.DataFrame, settings: Settings, lab_error: LabError | None = None
) -> Watched | None:
    """What the looks and charts say of the months of ``pairs``, which name theirs in MONTH.

    Each sample once. Every month is looked at with those before it alone, so that the same
    months always say the same. None where they can't be looked at.
    """
    s = settings.evidence
    used = pairs.loc[pairs["used"].to_numpy(bool)]
    months = sorted({str(month) for month in used[MONTH].tolist()})
    if len(months) < 2:
        return None
    level = settings.thresholds.confidence
    lab, field = (used[n].to_numpy("float64") for n in ("lab_mean", "field_mean"))
    scale, _ = difference_scale(lab, field, further.replicate_structure(used, level))
    ordered = pairs
    if not pairs[MONTH].is_monotonic_increasing:
        ordered = pairs.sort_values(MONTH, kind="stable")
    on = on_scale(stratum, ordered, scale == "log ratio", settings, lab_error=lab_error)
    made = summarised(on.low, on.high, on.month, on.known)
    if isinstance(made, str):
        return None
    in_order = used if ordered is pairs else ordered.loc[ordered["used"].to_numpy(bool)]
    made = replace(made, months=made.months.of_clusters(month_effects(on, in_order, settings)))
    seen = _Seen(on, made, tuple(months), s)
    found = looks(made.months, s.change_rate, level)
    last = made.months.part(found.begins, len(seen.periods))
    chart = charted(last, s.cusum_k, s.cusum_h, s.average_weight, s.average_limit)
    return Watched(
        len(seen.periods), s.change_rate, tuple(_moved(seen, m) for m in found.moved),
        found.distance, found.limit, _chart(seen.periods[found.begins], chart),
        s.after_change == "begin anew",
    )  # fmt: skip


def _moved(seen: _Seen, m: Moved) -> BiasMoved:
    return BiasMoved(
        m.change, seen.periods[m.first], seen.periods[m.seen], seen.fraction(m.size), m.distance,
        m.limit,
    )  # fmt: skip


def _chart(since: str, c: Charted) -> MonthChart | None:
    if not c.scores:
        return None
    sums = c.cusum
    return MonthChart(
        since, c.scores[-1], sums.upper[-1], sums.lower[-1], sums.k, sums.h, c.cusum_run,
        c.average, c.average_limit, c.average_run, sums.alarmed or c.averaged_beyond,
    )  # fmt: skip


def begins(found: Watched | None) -> str:
    """The month from which on evidence counts after the last change; '' where all of it does."""
    if found is None or not found.moved or not found.begins_anew:
        return ""
    return found.moved[-1].first


def findings(stratum: Stratum, found: Watched | None, period: str) -> tuple[Finding, ...]:
    """What a person should look at in the month in hand: a change that it signalled, its charts."""
    told: list[Finding] = []
    moved = found.moved[-1] if found is not None and found.moved else None
    if moved is not None and moved.seen == period:
        told.append(_of_change(stratum, moved))
    chart = found.chart if found is not None else None
    if chart is not None and chart.beyond:
        told.append(_of_chart(stratum, chart))
    return tuple(told)


def _of_change(stratum: Stratum, m: BiasMoved) -> Finding:
    size = {name: f"{getattr(m.size, name):+.1%}" for name in ("value", "low", "high")}
    return Finding(
        "quality", "warning", stratum.key,
        words.BIAS_MOVED[m.change].format(first=m.first, **size),
        evidence=words.BIAS_MOVED_BY.format(distance=f"{m.distance:.2f}", limit=f"{m.limit:.2f}"),
        advice=words.BIAS_MOVED_ADVICE, code=FindingCode.BIAS_MOVED, strata=(stratum.key,),
    )  # fmt: skip


def _of_chart(stratum: Stratum, c: MonthChart) -> Finding:
    return Finding(
        "quality", "note", stratum.key, words.BEYOND_CHART.format(since=c.since),
        evidence=words.BEYOND_CHART_BY.format(
            up=f"{c.up:.2f}", down=f"{c.down:.2f}", h=f"{c.h:g}", cusum_run=f"{c.cusum_run:.0f}",
            average=f"{c.average:+.2f}", limit=f"{c.average_limit:.2f}",
            average_run=f"{c.average_run:.0f}",
        ),
        advice=words.BEYOND_CHART_ADVICE, code=FindingCode.MONTH_BEYOND_CHART,
        strata=(stratum.key,),
    )  # fmt: skip
