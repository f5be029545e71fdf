"""Vector plots from numbers: field against laboratory, and differences against level.

Nothing here knows of a stratum. Marks differ by shape, lines by dash and weight, so that
the plots read in black and white and at half size.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from reportlab.graphics.shapes import (
    Circle,
    Drawing,
    Group,
    Line,
    Path,
    Polygon,
    PolyLine,
    Rect,
    String,
)
from reportlab.lib.colors import Color, black, white

from reconcile.base.model import ControlChart
from reconcile.reporting import fonts, numbers, words
from reconcile.reporting.manner import styled
from reconcile.reporting.plots import axes
from reconcile.reporting.plots.axes import Axis
from reconcile.reporting.plots.kinds import (
    MARKS,
    ChancePlot,
    Curve,
    DifferencePlot,
    Kind,
    Level,
    MethodPlot,
    Points,
    Rule,
    StripPlot,
    TrendPlot,
)
from reconcile.reporting.text import printable

Array = NDArray[np.float64]

INK = black
FAINT = Color(0.80, 0.80, 0.80)
SHADE = Color(0.90, 0.90, 0.90)
ACCENT = Color(0.05, 0.30, 0.45)
TEXT_SIZE = 7.5
SMALL = 6.8
#: Room below the frame for tick labels and title, and above it.
_BOTTOM, _TOP = 2.6 * TEXT_SIZE + 6, 4.0
_LEGEND_ROW = 10.0
_LEVEL_ROWS = 2

#: A control chart shows its latest results only: a mark needs room to be seen.
_MOST_POINTS = 120
_CHART_TEXT = 6.0
_CHART_LINE = Color(0.55, 0.55, 0.55)
_CHART_INK = Color(0.13, 0.13, 0.13)

_Draw = Callable[[Group, float, float], None]


@dataclass(slots=True)
class _Frame:
    """The plotting area, in points, with its axes."""

    left: float
    bottom: float
    width: float
    height: float
    x: Axis
    y: Axis
    group: Group = field(default_factory=Group)

    def px(self, values: Array | float) -> Array:
        return self.left + self.x.place(values) * self.width

    def py(self, values: Array | float) -> Array:
        return self.bottom + self.y.place(values) * self.height

    def edge(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Points in the frame; what lies beyond an axis stands at its edge."""
        u, v = np.clip(self.x.place(x), 0, 1), np.clip(self.y.place(y), 0, 1)
        return self.left + u * self.width, self.bottom + v * self.height

    @property
    def right(self) -> float:
        return self.left + self.width

    @property
    def top(self) -> float:
        return self.bottom + self.height


def method_plot(plot: MethodPlot, width: float, height: float) -> Drawing:
    """Field against laboratory on equal axes with the 1:1 line, the fit and the levels.

    The legend stands beside the square or below it, whichever leaves the larger square.
    """
    axis = _method_axis(plot)
    legend = _method_legend(plot)
    left, top = _left(axis), _TOP + _level_rows(plot, axis) * (SMALL + 1)
    column = _legend_width(legend)
    rows = _legend_rows(legend, width)
    below = len(rows) * _LEGEND_ROW
    right = _right(axis)
    beside_side = max(min(width - left - column - right, height - _BOTTOM - top), 1.0)
    below_side = max(min(width - left - right, height - _BOTTOM - below - top), 1.0)
    drawing = Drawing(width, height)
    if beside_side >= below_side:
        frame = _Frame(left, height - top - beside_side, beside_side, beside_side, axis, axis)
        rows = [[(draw, text, 0.0)] for draw, text in legend]
        _legend(drawing, rows, frame.right + right, frame.top - 5, column)
    else:
        start = left + (width - left - right - below_side) / 2
        frame = _Frame(start, height - top - below_side, below_side, below_side, axis, axis)
        _legend(drawing, rows, 0.0, frame.bottom - _BOTTOM - 5, width)
    _grid(frame, plot.x_title, plot.y_title)
    _levels(frame, plot.levels)
    ends = np.array([axis.low, axis.high])
    _stroke(frame, ends, ends, INK, 0.6, (6, 2.5))
    if plot.fit is not None:
        _curve(frame, plot.fit)
    for points in plot.points:
        _marks(frame, points, _told(points, plot.x_title, plot.y_title))
    drawing.add(frame.group)
    return drawing


def method_width(plot: MethodPlot, height: float) -> float:
    """The width that ``method_plot`` fills at ``height`` with the legend beside it."""
    axis = _method_axis(plot)
    side = height - _BOTTOM - _TOP - _level_rows(plot, axis) * (SMALL + 1)
    return _left(axis) + side + _right(axis) + _legend_width(_method_legend(plot))


def difference_plot(plot: DifferencePlot, width: float, height: float) -> Drawing:
    """Differences (or ratios on a logarithmic scale) against level, with bias and limits."""
    x_values, y_values = _finite(plot.points)
    x_axis = _axis(x_values, (), most=5)
    rule_values = [v for r in plot.rules for v in (r.value, r.low, r.high) if math.isfinite(v)]
    spread = np.concatenate([y_values, np.array([*rule_values, plot.reference])])
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
    note = _LEGEND_ROW if plot.note else 0
    frame = _Frame(
        left,
        _BOTTOM + note,
        max(width - left - max(names + 8, _right(x_axis)), 20),
        height - _BOTTOM - note - _TOP,
        x_axis,
        y_axis,
    )
    drawing = Drawing(width, height)
    for rule in plot.rules:
        _band(frame, rule)
    _grid(frame, plot.x_title, plot.y_title)
    ends = np.array([x_axis.low, x_axis.high])
    _stroke(frame, ends, np.full(2, plot.reference), INK, 0.6, (6, 2.5))
    for rule in plot.rules:
        if math.isfinite(rule.value):
            dash = None if rule.bold else (3, 2)
            _stroke(frame, ends, np.full(2, rule.value), ACCENT, 1.3 if rule.bold else 1.0, dash)
    for points in plot.points:
        _marks(frame, points, _told(points, plot.x_title, plot.y_title))
    _rule_texts(frame, plot.rules)
    drawing.add(frame.group)
    if plot.note:
        _legend(drawing, [[(None, plot.note, 0.0)]], 0.0, 5.0, width)
    return drawing


def strip_plot(plot: StripPlot, width: float, height: float) -> Drawing:
    """Values by category about a rule at 1; ``field`` left, ``lab`` right in each category."""
    values = [m.value for m in plot.marks]
    y_axis = axes.logarithmic(min([*values, 0.9]), max([*values, 1.1]), 6)
    count = len(plot.categories)
    x_axis = Axis(0.0, float(count), False, (), ())
    left = _left(y_axis)
    bottom = TEXT_SIZE + 6 + _LEGEND_ROW + 4
    frame = _Frame(left, bottom, width - left - 4, height - bottom - _TOP, x_axis, y_axis)
    drawing = Drawing(width, height)
    _grid(frame, "", plot.y_title)
    for i, name in enumerate(plot.categories):
        edge = float(frame.px(float(i)))
        if i:
            frame.group.add(
                Line(edge, frame.bottom, edge, frame.top, strokeColor=FAINT, strokeWidth=0.3)
            )
        middle = float(frame.px(i + 0.5))
        _text(frame.group, middle, frame.bottom - 4 - TEXT_SIZE, name, "middle")
    _stroke(frame, np.array([0.0, float(count)]), np.ones(2), INK, 0.6, (6, 2.5))
    shapes = {"field": "used", "lab": "above", "failed": "excluded"}
    for kind, shape in shapes.items():
        marks = [m for m in plot.marks if m.kind == kind]
        if marks:
            x = np.array([m.place + (0.68 if m.right else 0.32) for m in marks])
            y = np.array([m.value for m in marks])
            told = [
                words.HOVER_RECOVERY.format(
                    name=m.name, kind=plot.legend.get(kind, kind),
                    recovery=numbers.percent(m.value), n=m.n,
                )
                for m in marks
            ]  # fmt: skip
            _marks(frame, Points(shape, kind, x, y), told)
    drawing.add(frame.group)
    present = [k for k in shapes if any(m.kind == k for m in plot.marks)]
    keys: list[tuple[_Draw | None, str]] = [(_mark_key(shapes[k]), plot.legend[k]) for k in present]
    _legend(drawing, _legend_rows(keys, width), left, 5.0, width - left)
    return drawing


def trend_axes(plot: TrendPlot) -> tuple[Axis, Axis]:
    """Positions of the periods, and an axis of the figures: logarithmic for wide ratios."""
    ratio = plot.rule == 1.0
    around = [0.95, 1.05] if ratio else [plot.rule]
    values = np.concatenate([plot.values, plot.low, plot.high, around, plot.bounds])
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
    frame = _Frame(left, bottom, width - left - 6, height - bottom - _TOP, x_axis, y_axis)
    drawing = Drawing(width, height)
    _grid(frame, "", plot.y_title)
    ends = np.array([x_axis.low, x_axis.high])
    _stroke(frame, ends, np.full(2, plot.rule), INK, 0.6, (6, 2.5))
    for bound in plot.bounds:
        _stroke(frame, ends, np.full(2, bound), INK, 0.6, (1, 1.6))
    places = np.arange(len(plot.periods), dtype=np.float64)
    before = len(places) - plot.apart
    _stroke(frame, places[:before], plot.values[:before], ACCENT, 0.8)
    if plot.apart and before:
        aside = np.full(2, before - 0.5)
        _stroke(frame, aside, np.array([y_axis.low, y_axis.high]), FAINT, 0.8)
    for x, low, high in zip(places, plot.low, plot.high, strict=True):
        if math.isfinite(low) and math.isfinite(high):
            _stroke(frame, np.array([x, x]), np.array([low, high]), ACCENT, 1.0)
    _marks(frame, Points("used", "", places, plot.values), _told_of_trend(plot))
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
    frame = _Frame(
        left, _BOTTOM, width - left - _right(x_axis), height - _BOTTOM - top, x_axis, y_axis
    )
    drawing = Drawing(width, height)
    _grid(frame, plot.x_title, plot.y_title)
    x = float(frame.px(plot.level.value))
    frame.group.add(
        Line(x, frame.bottom, x, frame.top + 2.5, strokeColor=INK, strokeWidth=0.8,
             strokeDashArray=[1.2, 2])
    )  # fmt: skip
    name = fonts.fitting(plot.level.name, SMALL, frame.right)
    half = fonts.width(name, SMALL) / 2
    middle = min(max(x, half), frame.right - half)  # about the line, all inside
    _text(frame.group, middle, frame.top + 3, name, "middle", size=SMALL)
    for branch in plot.branches:
        _stroke(frame, branch.x, branch.y, ACCENT, 1.6)
        if branch.high is not None:
            _stroke(frame, branch.x, branch.high, ACCENT, 0.6, (1, 1.6))
        px, py = frame.edge(branch.x, branch.y)
        _silent(frame.group, px.tolist(), py.tolist(), _told_of_chance(branch))
    drawing.add(frame.group)
    return drawing


# ---- frame ---------------------------------------------------------------------------


def _finite(points: Sequence[Points]) -> tuple[Array, Array]:
    xs, ys = [np.empty(0)], [np.empty(0)]
    for p in points:
        for y in (p.y, p.y_high):
            if y is not None:
                keep = np.isfinite(p.x) & np.isfinite(y)
                xs.append(p.x[keep])
                ys.append(y[keep])
    return np.concatenate(xs), np.concatenate(ys)


def _axis(values: Array, levels: Sequence[Level], most: int = 6) -> Axis:
    """An axis that holds the values, and the decision levels that lie near them."""
    v = values[np.isfinite(values)]
    if not len(v):
        return axes.linear(0.0, 1.0)
    low, high = float(v.min()), float(v.max())
    near = [
        level.value
        for level in levels
        if (low / 3 <= level.value <= high * 3 if low > 0 else low <= level.value <= high * 1.3)
    ]
    v = np.concatenate([v, np.array(near)])
    if axes.wants_log(v):
        return axes.logarithmic(float(v.min()), float(v.max()), most)
    low, high = float(v.min()), float(v.max())
    margin = 0.03 * (high - low)
    return axes.linear(low - margin if low < 0 or low > margin else 0.0, high + margin, most - 1)


def _text(
    group: Group,
    x: float,
    y: float,
    text: str,
    anchor: str = "start",
    size: float = TEXT_SIZE,
    bold: bool = False,
    colour: Color = INK,
) -> None:
    group.add(
        String(
            x,
            y,
            text,
            fontName=fonts.BOLD if bold else fonts.REGULAR,
            fontSize=size,
            textAnchor=anchor,
            fillColor=colour,
        )
    )


def _grid(frame: _Frame, x_title: str, y_title: str) -> None:
    g = frame.group
    last = -math.inf
    for tick, label in zip(frame.x.ticks, frame.x.labels, strict=True):
        x = float(frame.px(tick))
        g.add(Line(x, frame.bottom, x, frame.top, strokeColor=FAINT, strokeWidth=0.3))
        g.add(Line(x, frame.bottom, x, frame.bottom - 3, strokeColor=INK, strokeWidth=0.6))
        half = fonts.width(label, TEXT_SIZE) / 2
        if x - half > last + 3:
            _text(g, x, frame.bottom - 4 - TEXT_SIZE, label, "middle")
            last = x + half
    last = -math.inf
    for tick, label in zip(frame.y.ticks, frame.y.labels, strict=True):
        y = float(frame.py(tick))
        g.add(Line(frame.left, y, frame.right, y, strokeColor=FAINT, strokeWidth=0.3))
        g.add(Line(frame.left, y, frame.left - 3, y, strokeColor=INK, strokeWidth=0.6))
        if y > last + TEXT_SIZE:
            _text(g, frame.left - 5, y - TEXT_SIZE * 0.35, label, "end")
            last = y
    g.add(
        Rect(
            frame.left,
            frame.bottom,
            frame.width,
            frame.height,
            fillColor=None,
            strokeColor=INK,
            strokeWidth=0.8,
        )
    )
    _text(
        g,
        frame.left + frame.width / 2,
        frame.bottom - 5 - 2.2 * TEXT_SIZE,
        fonts.fitting(x_title, TEXT_SIZE, frame.width + 30),
        "middle",
    )
    turned = Group(
        String(
            0,
            0,
            fonts.fitting(y_title, TEXT_SIZE, frame.height + 12),
            fontName=fonts.REGULAR,
            fontSize=TEXT_SIZE,
            textAnchor="middle",
        )
    )
    labels = max((fonts.width(t, TEXT_SIZE) for t in frame.y.labels), default=0)
    turned.translate(frame.left - labels - 8, frame.bottom + frame.height / 2)
    turned.rotate(90)
    g.add(turned)


def _stroke(
    frame: _Frame,
    x: Array,
    y: Array,
    colour: Color,
    weight: float,
    dash: tuple[float, ...] | None = None,
) -> None:
    """A polyline, cut where it leaves the frame."""
    run: list[float] = []
    for (u0, v0), (u1, v1) in _clipped(frame.x.place(x), frame.y.place(y)):
        start = [frame.left + u0 * frame.width, frame.bottom + v0 * frame.height]
        end = [frame.left + u1 * frame.width, frame.bottom + v1 * frame.height]
        if run and run[-2:] == start:
            run += end
        else:
            _poly(frame, run, colour, weight, dash)
            run = start + end
    _poly(frame, run, colour, weight, dash)


def _poly(
    frame: _Frame,
    run: list[float],
    colour: Color,
    weight: float,
    dash: tuple[float, ...] | None,
) -> None:
    if len(run) >= 4:
        frame.group.add(
            PolyLine(
                run,
                strokeColor=colour,
                strokeWidth=weight,
                strokeDashArray=list(dash) if dash else None,
            )
        )


def _clipped(u: Array, v: Array) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Segments of a polyline inside the unit square (Liang and Barsky 1984)."""
    out = []
    for i in range(len(u) - 1):
        x0, y0, x1, y1 = float(u[i]), float(v[i]), float(u[i + 1]), float(v[i + 1])
        if not all(map(math.isfinite, (x0, y0, x1, y1))):
            continue
        start, end = 0.0, 1.0
        inside = True
        for p, q in ((x0 - x1, x0), (x1 - x0, 1 - x0), (y0 - y1, y0), (y1 - y0, 1 - y0)):
            if p == 0:
                inside = inside and q >= 0
            elif p < 0:
                start = max(start, q / p)
            else:
                end = min(end, q / p)
        if inside and start <= end:
            out.append(
                (
                    (x0 + start * (x1 - x0), y0 + start * (y1 - y0)),
                    (x0 + end * (x1 - x0), y0 + end * (y1 - y0)),
                )
            )
    return out


def _method_axis(plot: MethodPlot) -> Axis:
    return _axis(np.concatenate(_finite(plot.points)), plot.levels)


def _left(axis: Axis) -> float:
    """Room beside the frame for tick labels and title."""
    return max((fonts.width(t, TEXT_SIZE) for t in axis.labels), default=0.0) + TEXT_SIZE + 11


def _right(axis: Axis) -> float:
    """Room that the last tick label needs beyond the frame."""
    return max((fonts.width(t, TEXT_SIZE) / 2 for t in axis.labels), default=0.0) + 4


def _level_rows(plot: MethodPlot, axis: Axis) -> int:
    """Lines of text above the frame that the names of the levels need."""
    return min(sum(axis.holds(level.value) for level in plot.levels), _LEVEL_ROWS)


def _levels(frame: _Frame, levels: Sequence[Level]) -> None:
    """Decision levels on both axes, their names above the frame."""
    shown = [level for level in levels if frame.x.holds(level.value)]
    for index, level in enumerate(sorted(shown, key=lambda v: v.value)):
        x, y = float(frame.px(level.value)), float(frame.py(level.value))
        lift = 2.5 + (index % _LEVEL_ROWS) * (SMALL + 1)
        for ends in ((x, frame.bottom, x, frame.top + lift), (frame.left, y, frame.right, y)):
            frame.group.add(Line(*ends, strokeColor=INK, strokeWidth=0.8, strokeDashArray=[1.2, 2]))
        left_room, right_room = x - frame.left, frame.right - x
        name = fonts.fitting(level.name, SMALL, frame.right)  # also above the tick labels
        needed = fonts.width(name, SMALL) + 2.5
        if right_room >= min(needed, left_room):
            start = min(x + 2.5, frame.right - needed + 2.5)
            _text(frame.group, start, frame.top + lift, name, size=SMALL)
        else:
            end = max(x - 2.5, needed - 2.5)
            _text(frame.group, end, frame.top + lift, name, "end", size=SMALL)


def _curve(frame: _Frame, curve: Curve) -> None:
    for edge in (curve.low, curve.high):
        if edge is not None:
            _stroke(frame, curve.x, edge, ACCENT, 0.6, (1, 1.6))
    _stroke(frame, curve.x, curve.y, ACCENT, 1.6)


def _band(frame: _Frame, rule: Rule) -> None:
    if not (math.isfinite(rule.low) and math.isfinite(rule.high)):
        return
    low, high = np.clip(frame.y.place(np.array([rule.low, rule.high])), 0, 1)
    frame.group.add(
        Rect(
            frame.left,
            frame.bottom + low * frame.height,
            frame.width,
            max((high - low) * frame.height, 0.1),
            fillColor=SHADE,
            strokeColor=None,
        )
    )


def _rule_texts(frame: _Frame, rules: Sequence[Rule]) -> None:
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
        _text(frame.group, x, y - 1, rule.text, bold=True, colour=ACCENT)
        _text(frame.group, x, y - SMALL - 1, rule.name, size=SMALL, colour=ACCENT)


# ---- marks ---------------------------------------------------------------------------


def _disc(path: Path, x: float, y: float, r: float) -> None:
    k = 0.5523 * r
    path.moveTo(x + r, y)
    path.curveTo(x + r, y + k, x + k, y + r, x, y + r)
    path.curveTo(x - k, y + r, x - r, y + k, x - r, y)
    path.curveTo(x - r, y - k, x - k, y - r, x, y - r)
    path.curveTo(x + k, y - r, x + r, y - k, x + r, y)
    path.closePath()


def _closed(path: Path, corners: Sequence[tuple[float, float]]) -> None:
    path.moveTo(*corners[0])
    for corner in corners[1:]:
        path.lineTo(*corner)
    path.closePath()


def _cross(path: Path, x: float, y: float, r: float) -> None:
    path.moveTo(x - r, y - r)
    path.lineTo(x + r, y + r)
    path.moveTo(x - r, y + r)
    path.lineTo(x + r, y - r)


def _triangle_down(path: Path, x: float, y: float, r: float) -> None:
    # The flat edge sits on the limit; the tip points to where the value may be.
    _closed(path, ((x - r, y), (x + r, y), (x, y - 1.8 * r)))


def _triangle_left(path: Path, x: float, y: float, r: float) -> None:
    _closed(path, ((x, y - r), (x, y + r), (x - 1.8 * r, y)))


def _triangle_up(path: Path, x: float, y: float, r: float) -> None:
    _closed(path, ((x - r, y), (x + r, y), (x, y + 1.8 * r)))


def _diamond(path: Path, x: float, y: float, r: float) -> None:
    r *= 1.25
    _closed(path, ((x - r, y), (x, y + r), (x + r, y), (x, y - r)))


def _bar(path: Path, x: float, y: float, r: float) -> None:
    path.moveTo(x, y - 1.4 * r)
    path.lineTo(x, y + 1.4 * r)
    for end in (-1.4, 1.4):
        path.moveTo(x - r, y + end * r)
        path.lineTo(x + r, y + end * r)


_SHAPES: dict[str, Callable[[Path, float, float, float], None]] = {
    "used": _disc,
    "excluded": _cross,
    "field_below": _triangle_down,
    "lab_below": _triangle_left,
    "both_below": _diamond,
    "above": _triangle_up,
    "partial": _bar,
}
_RADIUS = 2.0
_RINGED = 400  # up to here each disc has its own light rim, so that neighbours stay apart


#: Marks of this kind are not drawn: they only say something.
PLACE = "place"
#: A mark's place, the upper end of what it bounds, and what it says on a screen.
Place = tuple[float, float, float, str]


class Marks(Group):  # type: ignore[misc]
    """Marks of one kind; what is drawn of them on paper is the group's content."""

    def __init__(self, kind: str, places: list[Place], radius: float) -> None:
        super().__init__()
        # reportlab checks the attributes that it knows
        self.__dict__.update(kind=kind, places=places, radius=radius)


def _path(kind: str) -> Path:
    filled = kind == "used"
    return Path(
        fillColor=ACCENT if filled else (None if kind in ("excluded", "partial") else white),
        strokeColor=None if filled else INK,
        strokeWidth=0 if filled else 0.75,
    )


def mark(kind: str, x: float, y: float, top: float, radius: float) -> Path:
    """One mark; a bounded value is a bar from ``y`` to ``top``."""
    path = _path(kind)
    _add_mark(path, kind, x, y, top, radius)
    return path


def _add_mark(path: Path, kind: str, x: float, y: float, top: float, radius: float) -> None:
    if kind != "partial":
        _SHAPES[kind](path, x, y, radius)
        return
    path.moveTo(x, y)
    path.lineTo(x, top)
    for end in (y, top):
        path.moveTo(x - radius, end)
        path.lineTo(x + radius, end)


def _marks(frame: _Frame, points: Points, told: Sequence[str] = ()) -> None:
    px, py = frame.edge(points.x, points.y)
    _, upper = frame.edge(points.x, points.y if points.y_high is None else points.y_high)
    inside = np.isfinite(px) & np.isfinite(py) & np.isfinite(upper)
    if not inside.any():
        return
    whole = np.column_stack([px, py, upper])[inside]
    said = [text for text, kept in zip(told or [""] * len(px), inside, strict=True) if kept]
    marks = Marks(
        points.kind,
        [(*place, text) for place, text in zip(whole.tolist(), said, strict=True)],
        _RADIUS,
    )
    frame.group.add(marks)
    # Marks closer than a quarter of a point look the same: one of them is drawn on paper.
    places = np.unique(np.round(whole * 4) / 4, axis=0).tolist()
    if points.kind == "used" and len(places) <= _RINGED:
        for x, y, _ in places:
            marks.add(Circle(x, y, _RADIUS, fillColor=ACCENT, strokeColor=white, strokeWidth=0.4))
        return
    path = _path(points.kind)
    for x, y, top in places:
        _add_mark(path, points.kind, x, y, top, _RADIUS)
    marks.add(path)


def _silent(group: Group, xs: Sequence[float], ys: Sequence[float], told: Sequence[str]) -> None:
    """Places that say something on a screen and show nothing on paper."""
    places = [(x, y, y, text) for x, y, text in zip(xs, ys, told, strict=True)]
    group.add(Marks(PLACE, places, 3.0))


# ---- what marks say on a screen ------------------------------------------------------


def _told(points: Points, x_name: str, y_name: str) -> list[str]:
    """Name, kind and both values of each mark."""
    names = points.names or ("",) * len(points.x)
    tops = points.y if points.y_high is None else points.y_high
    out = []
    for x, y, top, name in zip(
        points.x.tolist(), points.y.tolist(), tops.tolist(), names, strict=True
    ):
        shown = numbers.plain_sig(y, 4)
        if points.kind == "partial":
            shown = words.TO.format(low=shown, high=numbers.plain_sig(top, 4))
        out.append(
            words.HOVER_MARK.format(
                name=name, label=points.label, x_name=x_name,
                x=styled(numbers.plain_sig(x, 4)), y_name=y_name, y=styled(shown),
            )
        )  # fmt: skip
    return out


def _told_of_trend(plot: TrendPlot) -> list[str]:
    """Period, value, interval and n of each point."""
    out = []
    for period, value, low, high, n in zip(
        plot.periods, plot.values, plot.low, plot.high, plot.counts, strict=True
    ):
        told = words.HOVER_PERIOD.format(period=period, value=numbers.plain_sig(float(value), 4))
        if math.isfinite(low) and math.isfinite(high):
            both = [numbers.plain_sig(float(end), 4) for end in (low, high)]
            told += f" ({words.TO.format(low=both[0], high=both[1])})"
        out.append(words.HOVER_COUNT.format(told=told, n=n))
    return out


def _told_of_chance(branch: Curve) -> list[str]:
    """True value, chance and its bound at each point of a branch."""
    bounds = branch.y if branch.high is None else branch.high
    return [
        words.HOVER_CHANCE.format(
            value=numbers.plain_sig(value, 4), chance=numbers.percent(chance),
            most=numbers.percent(most),
        )
        for value, chance, most in zip(
            branch.x.tolist(), branch.y.tolist(), bounds.tolist(), strict=True
        )
    ]  # fmt: skip


def _told_of_control(chart: ControlChart) -> list[str]:
    """Time and value of each result, and the rules that it completes."""
    spoken: dict[int, list[str]] = {}
    for rule, found, _ in chart.rules:
        for place in found:
            spoken.setdefault(place, []).append(rule)
    return [
        styled("; ".join([f"{at}: {numbers.show(value, 'mg/kg')}", *spoken.get(i, [])]))
        for i, (at, value) in enumerate(zip(chart.times, chart.values, strict=True))
    ]


# ---- legend --------------------------------------------------------------------------


def _line_key(colour: Color, weight: float, dash: tuple[float, ...] | None) -> _Draw:
    def draw(group: Group, x: float, y: float) -> None:
        group.add(
            Line(
                x, y, x + 16, y,
                strokeColor=colour, strokeWidth=weight,
                strokeDashArray=list(dash) if dash else None,
            )
        )  # fmt: skip

    return draw


def _mark_key(kind: str) -> _Draw:
    def draw(group: Group, x: float, y: float) -> None:
        path = _path(kind)
        offset = {"field_below": 1.8, "above": -1.8}.get(kind, 0.0)
        _SHAPES[kind](path, x + (10 if kind == "lab_below" else 8), y + offset, _RADIUS)
        group.add(path)

    return draw


def _point_keys(points: Sequence[Points]) -> list[tuple[_Draw, str]]:
    by_kind = {p.kind: p for p in points}
    order = [k for k in reversed(MARKS) if k in by_kind and len(by_kind[k].x)]
    return [(_mark_key(k), f"{by_kind[k].label} ({len(by_kind[k].x)})") for k in order]


def _method_legend(plot: MethodPlot) -> list[tuple[_Draw | None, str]]:
    out: list[tuple[_Draw | None, str]] = list(_point_keys(plot.points))
    out.append((_line_key(INK, 0.6, (6, 2.5)), plot.one_label))
    if plot.fit is not None:
        out.append((_line_key(ACCENT, 1.6, None), plot.fit.label))
        if plot.fit.low is not None:
            out.append((_line_key(ACCENT, 0.6, (1, 1.6)), plot.fit.band_label))
    if plot.levels:
        out.append((_line_key(INK, 0.8, (1.2, 2)), plot.level_label))
    if plot.note:
        out.append((None, plot.note))
    return out


def _legend_width(entries: list[tuple[_Draw | None, str]]) -> float:
    return max((20 + fonts.width(text, SMALL) for _, text in entries), default=0.0)


def _legend_rows(
    entries: list[tuple[_Draw | None, str]], width: float
) -> list[list[tuple[_Draw | None, str, float]]]:
    """Entries with their left edges, broken into rows that fit."""
    rows: list[list[tuple[_Draw | None, str, float]]] = [[]]
    x = 0.0
    for draw, text in entries:
        room = (20 if draw else 0) + fonts.width(text, SMALL) + 8
        if rows[-1] and x + room > width:
            rows.append([])
            x = 0.0
        rows[-1].append((draw, text, x))
        x += room
    return rows


def _legend(
    drawing: Drawing,
    rows: list[list[tuple[_Draw | None, str, float]]],
    left: float,
    top: float,
    width: float,
) -> None:
    """Rows of keys downward from ``top``."""
    group = Group()
    for index, row in enumerate(rows):
        y = top - index * _LEGEND_ROW
        for draw, text, x in row:
            if draw is not None:
                draw(group, left + x, y)
            start = x + (20 if draw else 0)
            room = width - start
            _text(
                group, left + start, y - SMALL * 0.35, fonts.fitting(text, SMALL, room), size=SMALL
            )
    drawing.add(group)


def verdict_mark(kind: int, size: float) -> Drawing:
    """A small sign for one of four verdicts: 0 full disc, 1 ringed disc, 2 square, 3 open ring."""
    drawing = Drawing(size, size)
    r = size / 2
    outer = Path(fillColor=INK if kind == 0 else white, strokeColor=INK, strokeWidth=1)
    if kind == 2:
        drawing.add(Rect(0.5, 0.5, size - 1, size - 1, fillColor=INK, strokeColor=INK))
        drawing.add(
            Polygon(
                [
                    size * 0.2,
                    r - 0.8,
                    size * 0.8,
                    r - 0.8,
                    size * 0.8,
                    r + 0.8,
                    size * 0.2,
                    r + 0.8,
                ],
                fillColor=white,
                strokeColor=None,
            )
        )
        return drawing
    if kind == 3:
        outer.strokeDashArray = [1.5, 1.5]
    _disc(outer, r, r, r - 0.6)
    drawing.add(outer)
    if kind == 1:
        inner = Path(fillColor=INK, strokeColor=None)
        _disc(inner, r, r, r * 0.5)
        drawing.add(inner)
    return drawing


def control_chart(
    chart: ControlChart, width: float, height: float, most: int = _MOST_POINTS
) -> Drawing:
    """One small chart: results in order, centre, 2 s and 3 s lines, ringed signals."""
    drawing = Drawing(width, height)
    n = len(chart.values)
    values = chart.values[-most:]
    offset = n - len(values)
    reach = max([3.3 * chart.sd, *(abs(v - chart.centre) * 1.08 for v in values), 1e-300])
    labels = [
        (chart.centre + k * chart.sd, numbers.plain_sig(chart.centre + k * chart.sd, 4), k)
        for k in (-3, -2, 0, 2, 3)
    ]
    room = max(fonts.width(text, _CHART_TEXT) for _, text, k in labels if k in (-3, 0, 3)) + 6
    left, right, bottom, top = 2.0, width - room, 10.0, height - 11.0
    half = (top - bottom) / 2

    def y_of(value: float) -> float:
        place = (value - chart.centre) / reach if math.isfinite(reach) else 0.0
        return bottom + half + half * min(max(place, -1.0), 1.0)

    def x_of(place: int) -> float:
        return left + 3 + (right - left - 6) * (place / max(len(values) - 1, 1))

    head = words.CHART_HEAD.format(code=chart.code, element=chart.element, n=n)
    head = fonts.fitting(printable(head), 6.6, width)
    drawing.add(
        String(left, height - 7, head, fontName=fonts.BOLD, fontSize=6.6, fillColor=_CHART_INK)
    )
    for value, text, k in labels:
        y = y_of(value)
        dash = {0: None, 2: [0.8, 1.6], 3: [4, 2]}[abs(k)]
        weight = 0.7 if k == 0 else 0.5
        drawing.add(
            Line(
                left, y, right, y, strokeColor=_CHART_INK, strokeWidth=weight, strokeDashArray=dash
            )
        )
        if abs(k) != 2:
            drawing.add(
                String(
                    right + 4, y - _CHART_TEXT * 0.35, text,
                    fontName=fonts.REGULAR, fontSize=_CHART_TEXT, fillColor=_CHART_INK,
                )
            )  # fmt: skip
    points = [(x_of(i), y_of(v)) for i, v in enumerate(values)]
    drawing.add(
        PolyLine([c for point in points for c in point], strokeColor=_CHART_LINE, strokeWidth=0.5)
    )
    flagged = {place - offset for _, places, _ in chart.rules for place in places}
    small = 1.3 if len(values) <= 40 else 0.9
    for i, (x, y) in enumerate(points):
        if i in flagged:
            drawing.add(Circle(x, y, 2.6, fillColor=white, strokeColor=_CHART_INK, strokeWidth=0.8))
        drawing.add(Circle(x, y, small, fillColor=_CHART_INK, strokeColor=None))
    xs, ys = zip(*points, strict=True)
    _silent(drawing, xs, ys, _told_of_control(chart)[offset:])
    dates = [styled(t[:10]) for t in chart.times[-most:]]
    for x, text, anchor in ((left, dates[0], "start"), (right, dates[-1], "end")):
        drawing.add(
            String(
                x, 2, text, fontName=fonts.REGULAR, fontSize=_CHART_TEXT, fillColor=_CHART_INK,
                textAnchor=anchor,
            )
        )  # fmt: skip
    return drawing


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
        case ControlChart():
            most = len(plot.values) if whole else _MOST_POINTS
            return control_chart(plot, width, height, most)


def own_width(plot: Kind, most: float) -> float:
    """How wide a plot that stands alone should be, at most ``most``."""
    if isinstance(plot, StripPlot):  # wide enough for the legend beneath
        return min(most, max(230, 60 + 55 * len(plot.categories)))
    return most
