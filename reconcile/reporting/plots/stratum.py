"""From one stratum's pairs and statistics to the numbers of its two plots."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.model.figures import StratumStatistics
from reconcile.base.model.release import EarlierResult, Reconciliation, StratumResult
from reconcile.base.model.verdict import ACCEPTED_CORRECTED, Ask, Verdict
from reconcile.judgement.factor_choice import Fit, applied
from reconcile.reporting import numbers, words
from reconcile.reporting.manner import styled
from reconcile.reporting.pair_lists import lists_of
from reconcile.reporting.plots.density import MOST_MARKS
from reconcile.reporting.plots.kinds import (
    ChancePlot,
    Curve,
    DifferencePlot,
    Level,
    MethodPlot,
    Points,
    Rule,
    TrendPlot,
)
from reconcile.reporting.text import printable
from reconcile.statistics.grey_region import edge_chance
from reconcile.statistics.level_band import Scale, truth_line

Array = NDArray[np.float64]
_MOST_OF_MARGIN = 2.0  # the agreed spread is drawn among differences up to so many margins
FEWEST_FOR_LINE = 6  # used pairs from which a fitted line is drawn; its figures stand anyway


def _column(pairs: pd.DataFrame, name: str, factor: float) -> Array:
    return lists_of(pairs).numbers(name) * factor


def points_of(pairs: pd.DataFrame, factor: float) -> tuple[Points, ...]:
    """The pairs by the way they are drawn: x = lab, y = field, in the reader's unit.

    A censored value stands at its limit; a field mean of shots of which only some were
    above their limit is a bar between its bounds.
    """
    if pairs.empty:
        return ()
    lab, field = _column(pairs, "lab_mean", factor), _column(pairs, "field_mean", factor)
    low_lab, high_lab = _column(pairs, "lab_low", factor), _column(pairs, "lab_high", factor)
    low, high = _column(pairs, "field_low", factor), _column(pairs, "field_high", factor)
    q_field, q_lab = (
        lists_of(pairs).texts("field_qualifier"),
        lists_of(pairs).texts("lab_qualifier"),
    )
    used = lists_of(pairs).used()
    ids = lists_of(pairs).texts("sample_id")
    below_field, below_lab = q_field == "<", q_lab == "<"
    above = (q_field == ">") | (q_lab == ">")
    partial = (q_field == "~") & ~below_lab & ~above
    quantified = (q_field == "") & (q_lab == "")
    x = np.where(below_lab, high_lab, np.where(q_lab == ">", low_lab, lab))
    y = np.where(below_field, high, np.where(q_field == ">", low, field))
    y = np.where((q_field == "~") & below_lab, high, y)
    kinds = (
        ("excluded", quantified & ~used),
        ("above", above),
        ("field_below", below_field & ~below_lab & ~above),
        ("lab_below", below_lab & ~below_field & ~above),
        ("both_below", below_lab & below_field),
        ("used", quantified & used),
    )
    # A limit that nobody stated has no place on an axis.
    known = np.isfinite(x) & np.isfinite(y)
    partial &= np.isfinite(x) & np.isfinite(low) & np.isfinite(high)
    out = [
        Points(
            kind,
            words.LEGEND[kind],
            x[mask & known],
            y[mask & known],
            names=tuple(ids[mask & known]),
        )
        for kind, mask in kinds
        if (mask & known).any()
    ]
    if partial.any():
        bars = Points(
            "partial",
            words.LEGEND["partial"],
            x[partial],
            low[partial],
            high[partial],
            tuple(ids[partial]),
        )
        out.insert(len(out) - 1 if out and out[-1].kind == "used" else len(out), bars)
    return tuple(out)


def _levels(result: StratumResult) -> tuple[Level, ...]:
    levels = result.decision_levels or tuple((v.name, v.level) for v in result.statistics.levels)
    return tuple(
        Level(printable(name), value * result.per_mg_kg)
        for name, value in levels
        if math.isfinite(value)
    )


def fit_of(s: StratumStatistics, factor: float) -> Curve | None:
    """The headline line over the range of its pairs, with its interval, or None."""
    line = s.headline_line
    if not (line.slope.estimable and line.intercept.estimable) or s.n_used < FEWEST_FOR_LINE:
        return None
    low, high = float(line.x_low), float(line.x_high)
    if not (math.isfinite(low) and math.isfinite(high) and high > low):
        return None
    x = np.geomspace(low, high, 41) if low > 0 and high > 3 * low else np.linspace(low, high, 41)
    at = [line.at(float(v)) for v in x]
    ends = np.array([[e.value, e.low, e.high] for e in at], dtype=np.float64) * factor
    known = bool(np.isfinite(ends[:, 1:]).all())
    return Curve(
        words.LEGEND["fit"],
        x * factor,
        ends[:, 0],
        ends[:, 1] if known else None,
        ends[:, 2] if known else None,
        words.LEGEND["band"].format(level=numbers.percent(line.slope.level)),
    )


def method_plot_of(result: StratumResult) -> MethodPlot:
    """Field against laboratory."""
    points = points_of(result.pairs, result.per_mg_kg)
    missing = len(result.pairs) - sum(len(p.x) for p in points)
    unit = numbers.unit_name(result.unit)
    return MethodPlot(
        points,
        fit_of(result.statistics, result.per_mg_kg),
        _levels(result),
        words.AXIS_LAB.format(unit=unit),
        words.AXIS_FIELD.format(unit=unit),
        words.LEGEND["one"],
        words.LEGEND["level"],
        " ".join([*([words.NO_LIMIT.format(n=missing)] if missing else []), *_many(points)]),
    )


def _many(points: Sequence[Points]) -> list[str]:
    """That pairs are drawn as a density, where they are."""
    if not any(len(p.x) > MOST_MARKS for p in points):
        return []
    return [words.AS_DENSITY.format(most=numbers.plain(MOST_MARKS, 0))]


def _differences(
    result: StratumResult, ratio: bool, kinds: tuple[str, ...]
) -> tuple[list[Points], int]:
    """Differences or ratios of quantified pairs, and how many have no place on the scale."""
    out, hidden = [], 0
    for p in points_of(result.pairs, result.per_mg_kg):
        if p.kind not in kinds:
            continue
        keep = np.isfinite(p.x) & np.isfinite(p.y)
        if ratio:
            positive = keep & (p.x > 0) & (p.y > 0)
            hidden += int((keep & ~positive).sum())
            keep = positive
        x, y = p.x[keep], p.y[keep]
        names = tuple(name for name, kept in zip(p.names, keep, strict=True) if kept)
        if ratio:
            out.append(Points(p.kind, p.label, np.sqrt(x) * np.sqrt(y), y / x, names=names))
        else:
            out.append(Points(p.kind, p.label, (x + y) / 2, y - x, names=names))
    return out, hidden


def difference_plot_of(result: StratumResult) -> DifferencePlot | None:
    """Differences or ratios of the used and the excluded quantified pairs, or None."""
    s, unit = result.statistics, numbers.unit_name(result.unit)
    ratio = s.difference_scale == "log ratio"
    out, hidden = _differences(result, ratio, ("used", "excluded"))
    if not any(len(p.x) for p in out):
        return None
    corrected = after_correction(result)
    if corrected is not None:
        moved, _ = _differences(corrected, ratio, ("used",))
        if _many(moved):  # of two densities neither could be read: that of the values that count
            out = [p for p in out if p.kind != "used"]
        out += [
            dataclasses.replace(p, kind="corrected", label=words.LEGEND["corrected"]) for p in moved
        ]
    limits = s.agreement.limits_log_ratio if ratio else s.agreement.limits_absolute
    bias = s.bias.geometric_mean_ratio if ratio else s.bias.mean_difference
    factor = 1.0 if ratio else result.per_mg_kg
    rules = []
    for estimate, name, bold in (
        (limits.lower, words.RULE_NAMES["lower"], False),
        (bias, words.RULE_NAMES["ratio" if ratio else "bias"], True),
        (limits.upper, words.RULE_NAMES["upper"], False),
    ):
        if math.isfinite(estimate.value):
            text, *_ = numbers.estimate_parts(
                estimate.value,
                estimate.low,
                estimate.high,
                factor,
                signed=not ratio,
                most_decimals=3 if ratio else None,
                positive=ratio,
            )
            ends = (estimate.value * factor, estimate.low * factor, estimate.high * factor)
            rules.append(Rule(*ends, styled(text), name, bold))
    axis = words.AXIS_GEOMETRIC if ratio else words.AXIS_MEAN
    margin, span, beyond = on_scale(*_agreed(result), ratio)
    notes = [words.NOT_DRAWN.format(n=hidden)] if hidden else []
    notes += _many(out)
    notes += [words.AGREED_MARGIN] if margin else []
    notes += [words.AGREED_SPAN] if span else []
    notes += [words.AGREED_SPAN_BEYOND] if beyond else []
    notes += [words.CORRECTED_MARKS] if corrected is not None else []
    return DifferencePlot(
        tuple(out),
        tuple(rules),
        1.0 if ratio else 0.0,
        ratio,
        axis.format(unit=unit),
        words.AXIS_RATIO if ratio else words.AXIS_DIFFERENCE.format(unit=unit),
        " ".join(notes),
        margin,
        span,
    )


def after_correction(result: StratumResult) -> StratumResult | None:
    """The pairs corrected by the factor, where the verdict is of corrected values; else None.

    The factor's own pairs; the verdict judged each by a fit that had not seen it.
    """
    factor = result.factor
    if result.verdict.decision != ACCEPTED_CORRECTED or factor is None:
        return None
    read = _column(result.pairs, "field_mean", 1.0)
    corrected = applied(factor.form, Fit(factor.intercept, factor.slope), read)
    return dataclasses.replace(result, pairs=result.pairs.assign(field_mean=corrected))


def on_scale(
    margin: tuple[float, ...], span: tuple[float, ...], ratio: bool
) -> tuple[tuple[float, ...], tuple[float, ...], bool]:
    """Both on the scale of a plot, and whether the spread is too wide for one of differences.

    There, wide beside the pairs, it would press them into a line.
    """
    if ratio:
        return margin, span, False
    margin, span = _of_level(margin), _of_level(span)
    beyond = bool(margin and span) and span[1] > _MOST_OF_MARGIN * margin[1]
    return margin, () if beyond else span, beyond


def _of_level(ends: tuple[float, ...]) -> tuple[float, ...]:
    """Ratios field/lab as differences, in shares of the mean of both."""
    return tuple(2 * (end - 1) / (end + 1) for end in ends)


#: Where a verdict's criteria hold what was agreed for the bias and for the spread.
AGREED = ((Ask.RANGE, "margin"), (Ask.SPREAD, "span"))


def agreed(verdict: Verdict, ask: Ask, name: str) -> tuple[float, ...]:
    """Both ends, as ratios, of what a criterion asks for; () where none holds it."""
    values = (v for c in verdict.criteria if c.ask is ask for key, v in c.facts if key == name)
    found = next((v for v in values if isinstance(v, float) and v > 0), None)
    return (1 / (1 + found), 1 + found) if found is not None else ()


def _agreed(result: StratumResult) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Both ends of what was agreed for the bias and for the spread, as ratios."""
    test = result.statistics.bias.equivalence
    margin = (1 / (1 + test.margin), 1 + test.margin) if test.scale == "ratio" else ()
    return margin, agreed(result.verdict, *AGREED[1])


_MOST_MONTHS = 12
_CHANCE_POINTS = 8  # on each side of the level
_FEWEST_FOR_CHANCE = 10  # used pairs from which the chance of a wrong call is drawn


def trend_plot_of(r: Reconciliation, result: StratumResult) -> TrendPlot | None:
    """The ratio field/lab over the earlier periods and this one, or None without a past."""
    past: list[EarlierResult] = [h for h in r.history if h.stratum == result.stratum.key]
    now = result.statistics.bias.geometric_mean_ratio
    points = [(h.period, h.ratio, h.low, h.high, h.used) for h in past]
    points.append((r.period, now.value, now.low, now.high, now.n))
    points = [p for p in points if math.isfinite(p[1]) and p[1] > 0][-_MOST_MONTHS:]
    if len(points) < 2 or points[-1][0] != r.period:
        return None
    periods, values, lows, highs, counts = zip(*points, strict=True)
    return TrendPlot(
        tuple(printable(p) for p in periods),
        np.array(values, dtype=np.float64),
        np.array(lows, dtype=np.float64),
        np.array(highs, dtype=np.float64),
        tuple(int(n) for n in counts),
        words.AXIS_RATIO,
    )


def chance_plots_of(result: StratumResult) -> list[ChancePlot]:
    """The chance of a wrong call by true value, one plot for each level inside the pairs.

    Of corrected values where only these may be used.
    """
    result = after_correction(result) or result
    s = result.statistics
    pairs = lists_of(result.pairs)
    used = pairs.used()
    if used.sum() < _FEWEST_FOR_CHANCE:
        return []
    lab, field = (pairs.numbers(c)[used] for c in ("lab_mean", "field_mean"))
    variance = next(
        (
            value
            for c in result.verdict.criteria
            if c.ask is Ask.RANGE
            for name, value in c.facts
            if name == "lab_variance"
        ),
        math.nan,  # not known: the line then takes the laboratory's error for none
    )
    return chance_plots(
        lab, field, s.difference_scale == "log ratio",
        [(x.name, x.level) for x in s.levels if x.bias.estimable],
        result.unit, result.per_mg_kg, variance,
    )  # fmt: skip


def chance_plots(
    lab: np.ndarray,
    field: np.ndarray,
    ratio: bool,
    levels: Sequence[tuple[str, float]],
    unit: str,
    per_mg_kg: float,
    lab_variance: float = math.nan,
) -> list[ChancePlot]:
    """One plot per decision level (name, mg/kg) from pairs in mg/kg.

    By the line and the scatter that the verdict judges: ``lab_variance`` is the lab's error
    that was taken off, NaN where none was.
    """
    out = []
    scale: Scale = "log ratio" if ratio else "absolute"
    line = truth_line(lab, field, scale, lab_variance)
    if line.reason or not line.own > 0:
        return []
    spread = 4.5 * math.sqrt(line.own)
    for name, at in levels:
        if ratio:
            steps = np.exp(np.linspace(0, max(spread, 0.05), _CHANCE_POINTS))
            below, above = at / steps[:0:-1], at * steps
        else:
            shift = np.linspace(0, max(spread, 1e-9 * abs(at)), _CHANCE_POINTS)
            below, above = at - shift[:0:-1], at + shift
        below = np.append(below, at * (1 - 1e-9))  # just below: the other call is wrong
        curves = []
        for values in (below, above):
            value, upper = _chances(
                tuple(lab), tuple(field), scale, lab_variance, at, tuple(values)
            )
            curves.append(Curve("", values * per_mg_kg, value, None, upper))
        out.append(
            ChancePlot(
                (curves[0], curves[1]),
                Level(printable(name), at * per_mg_kg),
                words.AXIS_TRUE.format(unit=numbers.unit_name(unit)),
                words.AXIS_CHANCE,
            )
        )
    return out


@lru_cache(maxsize=1024)  # the printed report and the page for the screen ask for the same
def _chances(
    lab: tuple[float, ...],
    field: tuple[float, ...],
    scale: Scale,
    lab_variance: float,
    at: float,
    values: tuple[float, ...],
) -> tuple[np.ndarray, np.ndarray]:
    line = truth_line(lab, field, scale, lab_variance)
    found = [edge_chance(line, at, value, two_sided=False) for value in values]
    return np.array([c.value for c in found]), np.array([c.upper for c in found])
