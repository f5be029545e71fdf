"""What a plot shows in words, for who does not see it."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from reconcile.base.model.controls import ControlChart
from reconcile.base.model.verdict import DECISIONS
from reconcile.reporting import numbers, words
from reconcile.reporting.manner import styled
from reconcile.reporting.plots.kinds import (
    ChancePlot,
    DifferencePlot,
    Glance,
    GlanceRow,
    Kind,
    MethodPlot,
    Points,
    ProfilePlot,
    SitePlot,
    StripPlot,
    TrendPlot,
)

Array = NDArray[np.float64]


def alt(plot: Kind, title: str) -> str:
    """``title``, then how many marks there are of what, and between which values."""
    return styled(f"{title}. {_said(plot)}" if title else _said(plot))


def _said(plot: Kind) -> str:
    match plot:
        case MethodPlot():
            return _points(plot.points, plot.x_title, plot.y_title)
        case DifferencePlot():
            rules = "; ".join(f"{rule.name} {rule.text}" for rule in plot.rules if rule.text)
            return f"{_points(plot.points, plot.x_title, plot.y_title)} {rules}".strip()
        case ProfilePlot():
            return _points(plot.points, plot.x_title, plot.y_title)
        case StripPlot():
            values = [mark.value for mark in plot.marks]
            return _range(len(plot.marks), plot.y_title, values)
        case TrendPlot():
            known = [(p, v) for p, v in zip(plot.periods, plot.values, strict=True) if _is(v)]
            listed = "; ".join(f"{period} {_number(v)}" for period, v in known)
            return words.ALT_TREND.format(what=plot.y_title, values=listed or numbers.NONE)
        case ChancePlot():
            level = _number(plot.level.value)
            return words.ALT_CHANCE.format(
                name=plot.level.name, level=level, what=plot.x_title, chance=plot.y_title
            )
        case ControlChart():
            broken = sum(bool(places) for _, places, _ in plot.rules)
            return words.ALT_CONTROL.format(
                range=_range(len(plot.values), "mg/kg", plot.values), rules=broken
            )
        case SitePlot():
            compared = ", ".join(" ".join(column.title) for column in plot.columns)
            sites = ", ".join(plot.sites)
            return words.ALT_SITES.format(what=plot.x_title, sites=sites, compared=compared)
        case Glance():
            return "; ".join(group.title for group in plot.groups)


def told_of_row(row: GlanceRow, verdict: int) -> str:
    """One line of the picture of a release."""
    decision = words.DECISION_TITLE[DECISIONS[verdict]]
    spot = row.spots[0] if len(row.spots) == 1 else None
    if spot is None or not _is(spot.value):
        return styled(words.ALT_ROW.format(name=row.name, verdict=decision, counted=row.evidence))
    interval = words.TO.format(low=_number(spot.low), high=_number(spot.high))
    return styled(
        words.ALT_ROW_BIAS.format(
            name=row.name, verdict=decision, counted=row.evidence, ratio=_number(spot.value),
            interval=interval,
        )
    )  # fmt: skip


def _is(value: float) -> bool:
    return math.isfinite(value)


def _number(value: float) -> str:
    return numbers.plain_sig(float(value), 3) if _is(value) else numbers.NONE


def _points(points: Iterable[Points], x_title: str, y_title: str) -> str:
    shown = [p for p in points if len(p.x)]
    if not shown:
        return words.ALT_NOTHING
    counts = ", ".join(f"{len(p.x)} {p.label}" for p in shown)
    xs = np.concatenate([p.x for p in shown])
    ys = np.concatenate([p.y for p in shown])
    return words.ALT_POINTS.format(
        counts=counts, x=_ends(xs), y=_ends(ys), x_name=x_title, y_name=y_title
    )


def _ends(values: Array) -> str:
    known = values[np.isfinite(values)]
    if not len(known):
        return numbers.NONE
    return words.TO.format(low=_number(known.min()), high=_number(known.max()))


def _range(n: int, what: str, values: Iterable[float]) -> str:
    return words.ALT_RANGE.format(n=n, what=what, range=_ends(np.array(list(values), dtype=float)))
