"""Control charts over time: one for each control, element and method (instrument, calibration)."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.controls import ControlChart
from reconcile.evidence.quality.bracketing import checks_of
from reconcile.evidence.quality.charts import (
    FEWEST_POINTS,
    RULES,
    false_alarm_rates,
    individuals_chart,
)
from reconcile.evidence.quality.controls import CONTROLS, groups, iso, number, whole


def control_charts(controls: pd.DataFrame) -> tuple[ControlChart, ...]:
    """A chart of every control with eight results or more by one method, in order of time.

    A result is a laboratory's determination, or the mean of one check of a field instrument
    (single shots of one check share its errors). The centre is the median, for it is drift
    that a chart shows; trueness is judged elsewhere. SD: mean moving range over 1.128.
    """
    rows = whole(controls)
    rows = rows.take(np.isin(rows["sample_kind"], CONTROLS) & (rows["qualifier"] == ""))
    rows = rows.put(code=rows.code())
    made: list[ControlChart] = []
    for (side, method, code, element), own in groups(rows, "side", "method", "code", "element"):
        if side == "field":
            checks = checks_of(own)
            values = np.array([c.mean for c in checks], dtype=np.float64)
            times = tuple(_text(c.at) for c in checks)
        else:
            good = np.isfinite(own["value_mg_kg"])
            values = own["value_mg_kg"][good].astype(np.float64)
            times = tuple(_text(at) for at in own["at"][good])
        if values.size < FEWEST_POINTS:
            continue
        chart = individuals_chart(values, centre=float(np.median(values)))
        if chart.reason:
            continue
        rates = false_alarm_rates(chart.n)
        made.append(
            ControlChart(
                side=side,
                code=code,
                element=element,
                method=method,
                values=tuple(map(float, values)),
                times=times,
                centre=chart.centre,
                sd=chart.sd,
                rules=tuple(
                    (rule.words, chart.signals[rule.name], rates[rule.name]) for rule in RULES
                ),
                any_rate=rates["any"],
            )
        )
    return tuple(made)


def _text(at: np.datetime64) -> str:
    return iso(np.array([at]))


def chart_findings(charts: tuple[ControlChart, ...]) -> tuple[Finding, ...]:
    """Signals of the charts: a point beyond 3 s is a warning, a run is a note."""
    found: list[Finding] = []
    for chart in charts:
        spoken = [(words, places, rate) for words, places, rate in chart.rules if places]
        if not spoken:
            continue
        n = len(chart.values)
        told = "; ".join(
            f"{words} ({len(places)} time(s); {rate:.1%} of good charts of {n} points show it)"
            for words, places, rate in spoken
        )
        low, high = chart.centre - 3 * chart.sd, chart.centre + 3 * chart.sd
        found.append(
            Finding(
                "quality",
                "warning" if any(words == RULES[0].words for words, _, _ in spoken) else "note",
                f"{chart.side} {chart.code} {chart.element}",
                f"Control chart of {chart.code}, {chart.element}, {chart.method}: "
                + "; ".join(words for words, _, _ in spoken) + ".",
                f"Centre {number(chart.centre)} mg/kg, limits {number(low)} to {number(high)} "
                f"mg/kg, n = {n}: {told}.",
                "Look for drift, a changed window, gas, batch of reagent or calibration at the "
                "points named; one signal among many charts may be chance.",
                code=FindingCode.CONTROL_CHART_RULE,
            )
        )  # fmt: skip
    return tuple(found)
