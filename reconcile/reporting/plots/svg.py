"""Plots as SVG for the screen: the same numbers as the printed ones, with values on hover.

Only presentation attributes, no style, no script: the page's own rules forbid both.
"""

from __future__ import annotations

import html
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from reconcile.base.characters import visible
from reconcile.base.model import ControlChart
from reconcile.reporting import numbers, words
from reconcile.reporting.manner import styled
from reconcile.reporting.plots import axes
from reconcile.reporting.plots.axes import Axis
from reconcile.reporting.plots.drawn import chance_axes, trend_axes
from reconcile.reporting.plots.kinds import (
    ChancePlot,
    Curve,
    DifferencePlot,
    Kind,
    MethodPlot,
    Points,
    StripPlot,
    TrendPlot,
)

Array = NDArray[np.float64]
_WIDTH, _HEIGHT = 460.0, 340.0
_LEFT, _BOTTOM, _TOP, _RIGHT = 66.0, 46.0, 16.0, 14.0
_INK, _ACCENT, _FAINT, _SHADE = "#000000", "#0d4d73", "#cccccc", "#e6e6e6"
_R = 3.2


def escaped(text: object) -> str:
    """Text from anywhere, for an element or a quoted attribute."""
    return html.escape(visible(text), quote=True)


class _Frame:
    """Axes and what is drawn on them."""

    def __init__(
        self,
        x: Axis,
        y: Axis,
        right: float = _RIGHT,
        whole: float = _HEIGHT,
        left: float = _LEFT,
    ) -> None:
        self.x, self.y, self.left, self.whole = x, y, left, whole
        self.width = _WIDTH - left - right
        self.height = whole - (_BOTTOM if whole == _HEIGHT else 20.0) - _TOP
        self.parts: list[str] = []

    def px(self, value: float) -> float:
        return self.left + float(np.clip(self.x.place(value), 0, 1)) * self.width

    def py(self, value: float) -> float:
        return _TOP + (1 - float(np.clip(self.y.place(value), 0, 1))) * self.height

    def line(self, x1: float, y1: float, x2: float, y2: float, look: str) -> None:
        self.parts.append(f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" {look}/>')

    def text(self, x: float, y: float, text: str, anchor: str = "start", more: str = "") -> None:
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{more}>{escaped(text)}</text>'
        )

    def grid(self, x_title: str, y_title: str) -> None:
        bottom, top = _TOP + self.height, _TOP
        last = -math.inf
        for tick, label in zip(self.x.ticks, self.x.labels, strict=True):
            x = self.px(tick)
            self.line(x, top, x, bottom, f'stroke="{_FAINT}" stroke-width="0.5"')
            if x - 3.2 * len(label) > last:
                self.text(x, bottom + 15, label, "middle")
                last = x + 3.2 * len(label)
        for tick, label in zip(self.y.ticks, self.y.labels, strict=True):
            y = self.py(tick)
            self.line(_LEFT, y, _LEFT + self.width, y, f'stroke="{_FAINT}" stroke-width="0.5"')
            self.text(_LEFT - 5, y + 4, label, "end")
        self.parts.append(
            f'<rect x="{_LEFT}" y="{top}" width="{self.width:.1f}" height="{self.height:.1f}" '
            f'fill="none" stroke="{_INK}"/>'
        )
        self.text(_LEFT + self.width / 2, _HEIGHT - 10, x_title, "middle")
        middle = top + self.height / 2
        self.text(13, middle, y_title, "middle", f' transform="rotate(-90 13 {middle:.1f})"')

    def path(self, x: Array, y: Array, look: str) -> None:
        keep = np.isfinite(x) & np.isfinite(y)
        points = " ".join(
            f"{self.px(float(a)):.1f},{self.py(float(b)):.1f}"
            for a, b in zip(x[keep], y[keep], strict=True)
        )
        self.parts.append(f'<polyline points="{points}" fill="none" {look}/>')

    def curve(self, curve: Curve) -> None:
        for edge in (curve.low, curve.high):
            if edge is not None:
                look = f'stroke="{_ACCENT}" stroke-width="0.8" stroke-dasharray="1.5 2.5"'
                self.path(curve.x, edge, look)
        self.path(curve.x, curve.y, f'stroke="{_ACCENT}" stroke-width="2"')

    def svg(self, title: str) -> str:
        return (
            f'<svg viewBox="0 0 {_WIDTH:.0f} {self.whole:.0f}" role="img" '
            f'aria-label="{escaped(title)}" font-size="11" font-family="sans-serif">'
            + "".join(self.parts)
            + "</svg>"
        )


def _mark(kind: str, x: float, y: float, title: str) -> str:
    r = _R
    inside = f"<title>{title}</title>" if title else ""
    if kind == "used":
        return (
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r}" fill="{_ACCENT}" stroke="#ffffff" '
            f'stroke-width="0.6">{inside}</circle>'
        )
    shapes = {
        "excluded": f"M{-r} {-r}L{r} {r}M{-r} {r}L{r} {-r}",
        "field_below": f"M{-r} 0H{r}L0 {1.8 * r:.1f}Z",
        "lab_below": f"M0 {-r}V{r}L{-1.8 * r:.1f} 0Z",
        "both_below": f"M{-1.2 * r:.1f} 0L0 {-1.2 * r:.1f}L{1.2 * r:.1f} 0L0 {1.2 * r:.1f}Z",
        "above": f"M{-r} 0H{r}L0 {-1.8 * r:.1f}Z",
    }
    path = shapes.get(kind, shapes["excluded"])
    return (
        f'<path transform="translate({x:.1f} {y:.1f})" d="{path}" fill="#ffffff" '
        f'fill-opacity="0.6" stroke="{_INK}">{inside}</path>'
    )


def _marks(frame: _Frame, points: Points, x_name: str, y_name: str) -> None:
    names = points.names or ("",) * len(points.x)
    for i, (x, y, name) in enumerate(zip(points.x.tolist(), points.y.tolist(), names, strict=True)):
        if not (math.isfinite(x) and math.isfinite(y)):
            continue
        shown = numbers.plain_sig(y, 4)
        partial = points.kind == "partial" and points.y_high is not None
        if partial and points.y_high is not None:
            top = float(points.y_high[i])
            shown = words.TO.format(low=shown, high=numbers.plain_sig(top, 4))
        title = words.HOVER_MARK.format(
            name=escaped(name),
            label=escaped(points.label),
            x_name=escaped(x_name),
            x=styled(numbers.plain_sig(x, 4)),
            y_name=escaped(y_name),
            y=styled(shown),
        )
        if partial:
            px = frame.px(x)
            frame.parts.append(
                f'<path d="M{px:.1f} {frame.py(y):.1f}V{frame.py(top):.1f}" fill="none" '
                f'stroke="{_INK}" stroke-width="1.5"><title>{title}</title></path>'
            )
        else:
            frame.parts.append(_mark(points.kind, frame.px(x), frame.py(y), title))


def _finite(points: Sequence[Points], of: str) -> Array:
    values = [np.empty(0)]
    for p in points:
        found = [p.x] if of == "x" else [p.y, *([] if p.y_high is None else [p.y_high])]
        values += [v[np.isfinite(v)] for v in found]
    return np.concatenate(values)


def _axis(values: Array, levels: Sequence[float] = (), log: bool | None = None) -> Axis:
    if not len(values):
        return axes.linear(0.0, 1.0)
    low, high = float(values.min()), float(values.max())
    near = [v for v in levels if low / 3 <= v <= high * 3] if low > 0 else []
    every = np.concatenate([values, np.array(near)])
    if axes.wants_log(every) if log is None else log:
        return axes.logarithmic(float(every.min()), float(every.max()))
    low, high = float(every.min()), float(every.max())
    margin = 0.03 * (high - low)
    return axes.linear(low - margin if low < 0 or low > margin else 0.0, high + margin)


def method_svg(plot: MethodPlot, title: str) -> str:
    """Field against laboratory."""
    values = np.concatenate([_finite(plot.points, "x"), _finite(plot.points, "y")])
    axis = _axis(values, [level.value for level in plot.levels])
    frame = _Frame(axis, axis)
    frame.grid(plot.x_title, plot.y_title)
    for level in plot.levels:
        if axis.holds(level.value):
            x, y = frame.px(level.value), frame.py(level.value)
            look = f'stroke="{_INK}" stroke-dasharray="1.5 2.5"'
            frame.line(x, _TOP, x, _TOP + frame.height, look)
            frame.line(_LEFT, y, _LEFT + frame.width, y, look)
            end = "start" if x < _LEFT + frame.width / 2 else "end"
            frame.text(x + (3 if end == "start" else -3), _TOP - 4, level.name[:40], end)
    ends = np.array([axis.low, axis.high])
    frame.path(ends, ends, f'stroke="{_INK}" stroke-width="0.9" stroke-dasharray="7 3"')
    if plot.fit is not None:
        frame.curve(plot.fit)
    for points in plot.points:
        _marks(frame, points, plot.x_title, plot.y_title)
    return frame.svg(title)


def difference_svg(plot: DifferencePlot, title: str) -> str:
    """Difference or ratio against level, with bias and limits."""
    rules = [v for r in plot.rules for v in (r.value, r.low, r.high) if math.isfinite(v)]
    y = np.concatenate([_finite(plot.points, "y"), np.array([*rules, plot.reference])])
    y_axis = (
        _axis(y[y > 0], log=True) if plot.ratio else axes.linear(float(y.min()), float(y.max()))
    )
    frame = _Frame(_axis(_finite(plot.points, "x")), y_axis, right=92)
    edge = _LEFT + frame.width
    for rule in plot.rules:
        if math.isfinite(rule.low) and math.isfinite(rule.high):
            top, bottom = frame.py(rule.high), frame.py(rule.low)
            frame.parts.append(
                f'<rect x="{_LEFT}" y="{top:.1f}" width="{frame.width:.1f}" '
                f'height="{max(bottom - top, 0.2):.1f}" fill="{_SHADE}"/>'
            )
    frame.grid(plot.x_title, plot.y_title)
    at = frame.py(plot.reference)
    frame.line(_LEFT, at, edge, at, f'stroke="{_INK}" stroke-dasharray="7 3"')
    last = math.inf
    for rule in sorted((r for r in plot.rules if math.isfinite(r.value)), key=lambda r: r.value):
        place = frame.py(rule.value)
        dash = "" if rule.bold else ' stroke-dasharray="4 3"'
        frame.line(_LEFT, place, edge, place, f'stroke="{_ACCENT}" stroke-width="1.5"{dash}')
        label = min(place + 4, last - 25)
        frame.text(edge + 5, label - 6, rule.text, more=' font-weight="bold"')
        frame.text(edge + 5, label + 6, rule.name)
        last = label
    for points in plot.points:
        _marks(frame, points, plot.x_title, plot.y_title)
    return frame.svg(title)


def trend_svg(plot: TrendPlot, title: str) -> str:
    """The ratio by period with its interval."""
    x_axis, y_axis = trend_axes(plot)
    frame = _Frame(x_axis, y_axis)
    frame.grid("", plot.y_title)
    ends = np.array([x_axis.low, x_axis.high])
    frame.path(ends, np.full(2, plot.rule), f'stroke="{_INK}" stroke-dasharray="7 3"')
    for bound in plot.bounds:
        frame.path(ends, np.full(2, bound), f'stroke="{_INK}" stroke-dasharray="1.5 2.5"')
    places = np.arange(len(plot.periods), dtype=np.float64)
    frame.path(places, plot.values, f'stroke="{_ACCENT}"')
    rows = zip(plot.periods, plot.values, plot.low, plot.high, plot.counts, strict=True)
    for i, (period, value, low, high, n) in enumerate(rows):
        told = f"{escaped(period)}: {numbers.plain_sig(float(value), 4)}"
        x = frame.px(float(i))
        if math.isfinite(low) and math.isfinite(high):
            both = [numbers.plain_sig(float(end), 4) for end in (low, high)]
            told += f" ({words.TO.format(low=both[0], high=both[1])})"
            bottom, top = frame.py(float(low)), frame.py(float(high))
            frame.line(x, bottom, x, top, f'stroke="{_ACCENT}" stroke-width="1.5"')
        frame.parts.append(_mark("used", x, frame.py(float(value)), f"{told}, n = {n}"))
    return frame.svg(title)


def chance_svg(plot: ChancePlot, title: str) -> str:
    """Chance of a wrong call by true value, with its upper bound dotted."""
    x_axis, y_axis = chance_axes(plot)
    frame = _Frame(x_axis, y_axis)
    frame.grid(plot.x_title, plot.y_title)
    x = frame.px(plot.level.value)
    frame.line(x, _TOP, x, _TOP + frame.height, f'stroke="{_INK}" stroke-dasharray="1.5 2.5"')
    frame.text(x, _TOP - 4, plot.level.name[:40], "middle")
    for branch in plot.branches:
        if branch.high is not None:
            look = f'stroke="{_ACCENT}" stroke-width="0.8" stroke-dasharray="1.5 2.5"'
            frame.path(branch.x, branch.high, look)
        frame.path(branch.x, branch.y, f'stroke="{_ACCENT}" stroke-width="2"')
        for value, chance, most in zip(
            branch.x.tolist(),
            branch.y.tolist(),
            (branch.y if branch.high is None else branch.high).tolist(),
            strict=True,
        ):
            told = words.HOVER_CHANCE.format(
                value=numbers.plain_sig(value, 4),
                chance=numbers.percent(chance),
                most=numbers.percent(most),
            )
            frame.parts.append(
                f'<circle cx="{frame.px(value):.1f}" cy="{frame.py(chance):.1f}" r="3" '
                f'fill="#ffffff" stroke="{_ACCENT}"><title>{escaped(told)}</title></circle>'
            )
    return frame.svg(title)


def strip_svg(plot: StripPlot, title: str) -> str:
    """Recoveries by element about a line at 1; field left, laboratory right, failed crossed."""
    values = [m.value for m in plot.marks]
    y_axis = axes.logarithmic(min([*values, 0.9]), max([*values, 1.1]), 6)
    count = len(plot.categories)
    places = tuple(i + 0.5 for i in range(count))
    frame = _Frame(Axis(0.0, float(count), False, places, plot.categories), y_axis)
    frame.grid("", plot.y_title)
    frame.path(np.array([0.0, float(count)]), np.ones(2), f'stroke="{_INK}" stroke-width="0.9"')
    shapes = {"field": "used", "lab": "above", "failed": "excluded"}
    for mark in plot.marks:
        told = words.HOVER_RECOVERY.format(
            name=escaped(mark.name),
            kind=plot.legend.get(mark.kind, mark.kind),
            recovery=numbers.percent(mark.value),
            n=mark.n,
        )
        x = frame.px(mark.place + (0.68 if mark.right else 0.32))
        frame.parts.append(_mark(shapes.get(mark.kind, "used"), x, frame.py(mark.value), told))
    return frame.svg(title)


_CHART_HEIGHT, _CHART_RIGHT = 190.0, 62.0


def control_svg(chart: ControlChart) -> str:
    """Results of one control in order, centre, 2 s and 3 s lines; a result that completes a rule
    is ringed and tells which."""
    values = np.array(chart.values)
    reach = max(3.3 * chart.sd, float(np.abs(values - chart.centre).max(initial=0.0)) * 1.08, 1e-12)
    y_axis = Axis(chart.centre - reach, chart.centre + reach, False, (), ())
    x_axis = Axis(-0.7, max(len(values) - 0.3, 1.0), False, (), ())
    frame = _Frame(x_axis, y_axis, _CHART_RIGHT, _CHART_HEIGHT, left=8.0)
    edge = frame.left + frame.width
    for k in (-3, -2, 0, 2, 3):
        level = chart.centre + k * chart.sd
        y = frame.py(level)
        dash = {0: "", 2: ' stroke-dasharray="1 3"', 3: ' stroke-dasharray="6 3"'}[abs(k)]
        frame.line(frame.left, y, edge, y, f'stroke="{_INK}" stroke-width="0.8"{dash}')
        if abs(k) != 2:
            frame.text(edge + 4, y + 4, styled(numbers.plain_sig(level, 4)))
    places = np.arange(len(values), dtype=np.float64)
    frame.path(places, values, f'stroke="{_FAINT}"')
    spoken: dict[int, list[str]] = {}
    for rule, found, _ in chart.rules:
        for place in found:
            spoken.setdefault(place, []).append(rule)
    for i, value in enumerate(chart.values):
        x, y = frame.px(float(i)), frame.py(value)
        told = f"{chart.times[i]}: {numbers.show(value, 'mg/kg')}"
        told = "; ".join([told, *spoken.get(i, [])])
        if i in spoken:
            frame.parts.append(
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6" fill="none" stroke="{_INK}"/>'
            )
        frame.parts.append(_mark("used", x, y, styled(escaped(told))))
    name = words.CHART_HEAD.format(code=chart.code, element=chart.element, n=len(values))
    frame.text(frame.left, 11, name, more=' font-weight="bold"')
    if chart.times:
        bottom = _CHART_HEIGHT - 4
        frame.text(frame.left, bottom, styled(chart.times[0][:10]))
        frame.text(edge, bottom, styled(chart.times[-1][:10]), "end")
    return frame.svg(name)


def svg(plot: Kind, title: str) -> str:
    """Any plot."""
    match plot:
        case MethodPlot():
            return method_svg(plot, title)
        case DifferencePlot():
            return difference_svg(plot, title)
        case StripPlot():
            return strip_svg(plot, title)
        case TrendPlot():
            return trend_svg(plot, title)
        case ChancePlot():
            return chance_svg(plot, title)
        case ControlChart():
            return control_svg(plot)
