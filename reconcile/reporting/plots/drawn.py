"""Vector plots from numbers: field against laboratory, and differences against level.

Nothing here knows of a stratum. Marks differ by shape, lines by dash and weight, so that
the plots read in black and white and at half size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

import numpy as np
from reportlab.graphics.shapes import (
    Drawing,
    Line,
)

from reconcile.base.model.controls import ControlChart
from reconcile.reporting import fonts, numbers, words
from reconcile.reporting.plots import axes, canvas, legends, marks
from reconcile.reporting.plots.axes import Axis
from reconcile.reporting.plots.between import site_plot
from reconcile.reporting.plots.canvas import ACCENT, FAINT, INK, SMALL, TEXT_SIZE
from reconcile.reporting.plots.control import MOST_POINTS, control_chart
from reconcile.reporting.plots.glance import glance
from reconcile.reporting.plots.kinds import (
    Array,
    ChancePlot,
    Curve,
    DifferencePlot,
    Glance,
    Kind,
    Level,
    MethodPlot,
    Points,
    ProfilePlot,
    Rule,
    SitePlot,
    StripPlot,
    TrendPlot,
)
from reconcile.reporting.plots.profile import profile_plot

#: Room below the frame for tick labels and title, and above it.
_BOTTOM, _TOP = 2.6 * TEXT_SIZE + 6, 4.0
_LEVEL_ROWS = 2
_TINY = 5.0  # no text is smaller


def method_plot(plot: MethodPlot, width: float, height: float) -> Drawing:
    """Field against laboratory on equal axes with the 1:1 line, the fit and the levels.

    The legend stands beside the square or below it, whichever leaves the larger square.
    """
    axis = _method_axis(plot)
    legend = legends.method_legend(plot)
    left, top = _left(axis), _TOP + _level_rows(plot, axis) * (SMALL + 1)
    column = legends.legend_width(legend)
    rows = legends.legend_rows(legend, width)
    below = len(rows) * legends.LEGEND_ROW
    right = _right(axis)
    beside_side = max(min(width - left - column - right, height - _BOTTOM - top), 1.0)
    below_side = max(min(width - left - right, height - _BOTTOM - below - top), 1.0)
    drawing = Drawing(width, height)
    if beside_side >= below_side:
        frame = canvas.Frame(left, height - top - beside_side, beside_side, beside_side, axis, axis)
        rows = [[(draw, text, 0.0)] for draw, text in legend]
        legends.legend(drawing, rows, frame.right + right, frame.top - 5, column)
    else:
        start = left + (width - left - right - below_side) / 2
        frame = canvas.Frame(start, height - top - below_side, below_side, below_side, axis, axis)
        legends.legend(drawing, rows, 0.0, frame.bottom - _BOTTOM - 5, width)
    canvas.grid(frame, plot.x_title, plot.y_title)
    _levels(frame, plot.levels)
    ends = np.array([axis.low, axis.high])
    canvas.stroke(frame, ends, ends, INK, 0.6, (6, 2.5))
    if plot.fit is not None:
        _curve(frame, plot.fit)
    for points in plot.points:
        marks.marks(frame, points, partial(marks.told, points, plot.x_title, plot.y_title))
    drawing.add(frame.group)
    return drawing


def method_width(plot: MethodPlot, height: float) -> float:
    """The width that ``method_plot`` fills at ``height`` with the legend beside it."""
    axis = _method_axis(plot)
    side = height - _BOTTOM - _TOP - _level_rows(plot, axis) * (SMALL + 1)
    return _left(axis) + side + _right(axis) + legends.legend_width(legends.method_legend(plot))


def difference_plot(plot: DifferencePlot, width: float, height: float) -> Drawing:
    """Differences (or ratios on a logarithmic scale) against level, with bias and limits."""
    x_values, y_values = canvas.finite(plot.points)
    x_axis = canvas.axis(x_values, (), most=5)
    rule_values = [v for r in plot.rules for v in (r.value, r.low, r.high) if math.isfinite(v)]
    agreed = [v for ends in (plot.margin, plot.span) for v in _agreed_values(plot, ends, x_axis)]
    spread = np.concatenate([y_values, np.array([*rule_values, *agreed, plot.reference])])
    if plot.ratio:
        spread = spread[spread > 0]
        y_axis = axes.logarithmic(float(spread.min()), float(spread.max()))
    else:
        y_axis = axes.linear(float(spread.min()), float(spread.max()))
    left = _left(y_axis)
    names = max(
        (max(fonts.width(r.text, TEXT_SIZE, True), fonts.width(r.name, SMALL)) for r in plot.rules),
        default=0,
    )
    note = legends.LEGEND_ROW if plot.note else 0
    frame = canvas.Frame(
        left,
        _BOTTOM + note,
        max(width - left - max(names + 8, _right(x_axis)), 20),
        height - _BOTTOM - note - _TOP,
        x_axis,
        y_axis,
    )
    drawing = Drawing(width, height)
    for rule in plot.rules:
        canvas.band(frame, rule)
    canvas.grid(frame, plot.x_title, plot.y_title)
    ends = np.array([x_axis.low, x_axis.high])
    canvas.stroke(frame, ends, np.full(2, plot.reference), INK, 0.6, (6, 2.5))
    for values, dots in ((plot.margin, None), (plot.span, (0.8, 1.8))):
        for value in values:
            along = ends if plot.ratio else _along(x_axis)
            height_at = np.full(2, value) if plot.ratio else value * along
            canvas.stroke(frame, along, height_at, INK, 0.7, dots)
    for rule in plot.rules:
        if math.isfinite(rule.value):
            dash = None if rule.bold else (3, 2)
            canvas.stroke(
                frame, ends, np.full(2, rule.value), ACCENT, 1.3 if rule.bold else 1.0, dash
            )
    for points in plot.points:
        marks.marks(frame, points, partial(marks.told, points, plot.x_title, plot.y_title))
    _rule_texts(frame, plot.rules)
    drawing.add(frame.group)
    if plot.note:
        legends.legend(drawing, [[(None, plot.note, 0.0)]], 0.0, 5.0, width)
    return drawing


def _along(axis: Axis) -> Array:
    """Places along an axis at which a straight line is drawn; it bends on a logarithmic one."""
    if axis.log:
        return np.geomspace(axis.low, axis.high, 33)
    return np.array([axis.low, axis.high])


def _agreed_values(plot: DifferencePlot, ends: tuple[float, ...], axis: Axis) -> list[float]:
    """Values up to which the axis of differences must reach to show what was agreed."""
    return list(ends) if plot.ratio else [end * axis.high for end in ends]


def strip_plot(plot: StripPlot, width: float, height: float) -> Drawing:
    """Values by category about a rule at 1; ``field`` left, ``lab`` right in each category."""
    values = [m.value for m in plot.marks]
    y_axis = axes.logarithmic(min([*values, 0.9]), max([*values, 1.1]), 6)
    count = len(plot.categories)
    x_axis = Axis(0.0, float(count), False, (), ())
    left = _left(y_axis)
    bottom = TEXT_SIZE + 6 + legends.LEGEND_ROW + 4
    frame = canvas.Frame(left, bottom, width - left - 4, height - bottom - _TOP, x_axis, y_axis)
    drawing = Drawing(width, height)
    canvas.grid(frame, "", plot.y_title)
    for i, name in enumerate(plot.categories):
        edge = float(frame.px(float(i)))
        if i:
            frame.group.add(
                Line(edge, frame.bottom, edge, frame.top, strokeColor=FAINT, strokeWidth=0.3)
            )
        middle = float(frame.px(i + 0.5))
        canvas.text(frame.group, middle, frame.bottom - 4 - TEXT_SIZE, name, "middle")
    canvas.stroke(frame, np.array([0.0, float(count)]), np.ones(2), INK, 0.6, (6, 2.5))
    shapes = {"field": "used", "lab": "above", "failed": "excluded"}
    for kind, shape in shapes.items():
        these = [m for m in plot.marks if m.kind == kind]
        if these:
            x = np.array([m.place + (0.68 if m.right else 0.32) for m in these])
            y = np.array([m.value for m in these])
            told = [
                words.HOVER_RECOVERY.format(
                    name=m.name, kind=plot.legend.get(kind, kind),
                    recovery=numbers.percent(m.value), n=m.n,
                )
                for m in these
            ]  # fmt: skip
            marks.marks(frame, Points(shape, kind, x, y), partial(list, told))
    drawing.add(frame.group)
    present = [k for k in shapes if any(m.kind == k for m in plot.marks)]
    keys: list[tuple[legends.Draw | None, str]] = [
        (legends.mark_key(shapes[k]), plot.legend[k]) for k in present
    ]
    legends.legend(drawing, legends.legend_rows(keys, width), left, 5.0, width - left)
    return drawing


def trend_axes(plot: TrendPlot) -> tuple[Axis, Axis]:
    """Positions of the periods, and an axis of the figures: logarithmic for wide ratios."""
    ratio = plot.rule == 1.0
    around = [0.95, 1.05] if ratio else [plot.rule]
    values = np.concatenate([plot.values, plot.low, plot.high, around, plot.bounds, plot.reach])
    values = values[np.isfinite(values) & ((values > 0) | (not ratio))]
    count = len(plot.periods)
    ticks = tuple(float(i) for i in range(count))
    x = Axis(-0.5, count - 0.5, False, ticks, plot.periods)
    low, high = float(values.min()), float(values.max())
    wide = (
        ratio and high > 1.6 * low
    )  # within it a logarithmic scale looks the same and has few ticks
    return x, axes.logarithmic(low, high, 5) if wide else axes.linear(low, high, 4)


def trend_plot(plot: TrendPlot, width: float, height: float) -> Drawing:
    """A figure by period with its interval about a rule, and control lines where given."""
    x_axis, y_axis = trend_axes(plot)
    left = _left(y_axis)
    bottom = TEXT_SIZE + 6
    frame = canvas.Frame(left, bottom, width - left - 6, height - bottom - _TOP, x_axis, y_axis)
    drawing = Drawing(width, height)
    canvas.grid(frame, "", plot.y_title)
    ends = np.array([x_axis.low, x_axis.high])
    canvas.stroke(frame, ends, np.full(2, plot.rule), INK, 0.6, (6, 2.5))
    for bound in plot.bounds:
        canvas.stroke(frame, ends, np.full(2, bound), INK, 0.6, (1, 1.6))
    places = np.arange(len(plot.periods), dtype=np.float64)
    before = len(places) - plot.apart
    canvas.stroke(frame, places[:before], plot.values[:before], ACCENT, 0.8)
    if plot.apart and before:
        aside = np.full(2, before - 0.5)
        canvas.stroke(frame, aside, np.array([y_axis.low, y_axis.high]), FAINT, 0.8)
    for x, low, high in zip(places, plot.low, plot.high, strict=True):
        if math.isfinite(low) and math.isfinite(high):
            canvas.stroke(frame, np.array([x, x]), np.array([low, high]), ACCENT, 1.0)
    marks.marks(frame, Points("used", "", places, plot.values), partial(marks.told_of_trend, plot))
    drawing.add(frame.group)
    return drawing


def chance_axes(plot: ChancePlot) -> tuple[Axis, Axis]:
    """Axes of a plot of chances."""
    x = np.concatenate([branch.x for branch in plot.branches])
    log = bool(x.min() > 0) and float(x.max()) > 2.5 * float(x.min())
    low, high = float(x.min()), float(x.max())
    x_axis = axes.logarithmic(low, high, 5) if log else axes.linear(low, high, 4)
    top = max(float(np.nanmax(c.y if c.high is None else c.high)) for c in plot.branches)
    ticks = (0.0, 0.25, 0.5, 0.75, 1.0)
    y_axis = Axis(0.0, 1.0, False, ticks, tuple(f"{t * 100:.0f} %" for t in ticks))
    if top <= 0.5:
        y_axis = Axis(0.0, 0.5, False, ticks[:3], y_axis.labels[:3])
    return x_axis, y_axis


def chance_plot(plot: ChancePlot, width: float, height: float) -> Drawing:
    """Chance of a wrong call with its upper bound (dotted), and the level."""
    x_axis, y_axis = chance_axes(plot)
    left = _left(y_axis)
    top = _TOP + SMALL + 1
    frame = canvas.Frame(
        left, _BOTTOM, width - left - _right(x_axis), height - _BOTTOM - top, x_axis, y_axis
    )
    drawing = Drawing(width, height)
    canvas.grid(frame, plot.x_title, plot.y_title)
    x = float(frame.px(plot.level.value))
    frame.group.add(
        Line(x, frame.bottom, x, frame.top + 2.5, strokeColor=INK, strokeWidth=0.8,
             strokeDashArray=[1.2, 2])
    )  # fmt: skip
    name = fonts.fitting(plot.level.name, SMALL, frame.right)
    half = fonts.width(name, SMALL) / 2
    middle = min(max(x, half), frame.right - half)  # about the line, all inside
    canvas.text(frame.group, middle, frame.top + 3, name, "middle", size=SMALL)
    for branch in plot.branches:
        canvas.stroke(frame, branch.x, branch.y, ACCENT, 1.6)
        if branch.high is not None:
            canvas.stroke(frame, branch.x, branch.high, ACCENT, 0.6, (1, 1.6))
        px, py = frame.edge(branch.x, branch.y)
        marks.silent(frame.group, px.tolist(), py.tolist(), marks.told_of_chance(branch))
    drawing.add(frame.group)
    return drawing


# ---- frame ---------------------------------------------------------------------------


def _method_axis(plot: MethodPlot) -> Axis:
    return canvas.axis(np.concatenate(canvas.finite(plot.points)), plot.levels)


def _left(axis: Axis) -> float:
    """Room beside the frame for tick labels and title."""
    return max((fonts.width(t, TEXT_SIZE) for t in axis.labels), default=0.0) + TEXT_SIZE + 11


def _right(axis: Axis) -> float:
    """Room that the last tick label needs beyond the frame."""
    return max((fonts.width(t, TEXT_SIZE) / 2 for t in axis.labels), default=0.0) + 4


def _level_rows(plot: MethodPlot, axis: Axis) -> int:
    """Lines of text above the frame that the names of the levels need."""
    return min(sum(axis.holds(level.value) for level in plot.levels), _LEVEL_ROWS)


def _levels(frame: canvas.Frame, levels: Sequence[Level]) -> None:
    """Decision levels on both axes, their names above the frame."""
    shown = [level for level in levels if frame.x.holds(level.value)]
    for index, level in enumerate(sorted(shown, key=lambda v: v.value)):
        x, y = float(frame.px(level.value)), float(frame.py(level.value))
        lift = 2.5 + (index % _LEVEL_ROWS) * (SMALL + 1)
        for ends in ((x, frame.bottom, x, frame.top + lift), (frame.left, y, frame.right, y)):
            frame.group.add(Line(*ends, strokeColor=INK, strokeWidth=0.8, strokeDashArray=[1.2, 2]))
        left_room, right_room = x - frame.left, frame.right - x
        # also above the tick labels; smaller before it is cut
        size = max(SMALL * min(frame.right / max(fonts.width(level.name, SMALL), 1), 1), _TINY)
        name = fonts.fitting(level.name, size, frame.right)
        needed = fonts.width(name, size) + 2.5
        if right_room >= min(needed, left_room):
            start = min(x + 2.5, frame.right - needed + 2.5)
            canvas.text(frame.group, start, frame.top + lift, name, size=size)
        else:
            end = max(x - 2.5, needed - 2.5)
            canvas.text(frame.group, end, frame.top + lift, name, "end", size=size)


def _curve(frame: canvas.Frame, curve: Curve) -> None:
    for edge in (curve.low, curve.high):
        if edge is not None:
            canvas.stroke(frame, curve.x, edge, ACCENT, 0.6, (1, 1.6))
    canvas.stroke(frame, curve.x, curve.y, ACCENT, 1.6)


def _rule_texts(frame: canvas.Frame, rules: Sequence[Rule]) -> None:
    """Number and name at the right ends of the rules, moved apart where they would touch."""
    shown = sorted((r for r in rules if math.isfinite(r.value)), key=lambda r: r.value)
    step = TEXT_SIZE + SMALL + 2
    places: list[float] = []
    for rule in shown:
        y = float(np.clip(frame.py(rule.value), frame.bottom + SMALL, frame.top - 2))
        places.append(max(y, places[-1] + step) if places else y)
    excess = places[-1] - (frame.top - 2) if places else 0.0
    for i in range(len(places) - 1, -1, -1):  # push back what was moved above the frame
        ceiling = places[i + 1] - step if i + 1 < len(places) else frame.top - 2
        if excess > 0:
            places[i] = min(places[i], ceiling)
    for rule, y in zip(shown, places, strict=True):
        x = frame.right + 4
        canvas.text(frame.group, x, y - 1, rule.text, bold=True, colour=ACCENT)
        canvas.text(frame.group, x, y - SMALL - 1, rule.name, size=SMALL, colour=ACCENT)


def drawing(plot: Kind, width: float, height: float, whole: bool = False) -> Drawing:
    """Any plot; ``whole``: with all results of a chart that is cut on paper."""
    match plot:
        case MethodPlot():
            return method_plot(plot, width, height)
        case DifferencePlot():
            return difference_plot(plot, width, height)
        case StripPlot():
            return strip_plot(plot, width, height)
        case TrendPlot():
            return trend_plot(plot, width, height)
        case ChancePlot():
            return chance_plot(plot, width, height)
        case ProfilePlot():
            return profile_plot(plot, width, height)
        case Glance():
            return glance(plot, width)
        case SitePlot():
            return site_plot(plot, width)
        case ControlChart():
            most = len(plot.values) if whole else MOST_POINTS
            return control_chart(plot, width, height, most)


def own_width(plot: Kind, most: float) -> float:
    """How wide a plot that stands alone should be, at most ``most``."""
    if isinstance(plot, StripPlot):  # wide enough for the legend beneath
        return min(most, max(230, 60 + 55 * len(plot.categories)))
    return most
