"""Positions of samples with what each comes to, at one scale in both directions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from reportlab.graphics.shapes import Drawing, Line, Rect

from reconcile.reporting import fonts, words
from reconcile.reporting.numbers import plain_sig
from reconcile.reporting.plots import axes, canvas, legends, marks
from reconcile.reporting.plots.axes import Axis
from reconcile.reporting.plots.canvas import INK, SMALL, TEXT_SIZE
from reconcile.reporting.plots.kinds import Points

#: Metres in a degree of latitude: a sphere of the Earth's mean radius, 6 371 008.8 m (IUGG).
_DEGREE = math.pi / 180 * 6_371_008.8
_LEAST = 1e-9
_BAR_SHARE = 0.25
_RADIUS, _NAMED = 3.0, 30  # of a mark; samples that are named


@dataclass(frozen=True, slots=True)
class MapPlot:
    """Marks in degrees or in the unit of the grid."""

    points: tuple[Points, ...]
    geographic: bool
    unit: str  # of the grid; the scale bar of degrees is in metres
    x_title: str
    y_title: str


def map_plot(plot: MapPlot, width: float, height: float) -> Drawing:
    """Marks by call, keys beneath, a bar of round length for the scale."""
    x, y = canvas.finite(plot.points)
    middle = float(y.mean()) if len(y) else 0.0
    # a degree of longitude is shorter than one of latitude
    narrow = max(math.cos(math.radians(middle)), 0.05) if plot.geographic else 1.0
    keys = [(legends.mark_key(p.kind), f"{p.label} ({len(p.x)})") for p in plot.points]
    y_axis = _around(y, 1.0, 1.0)
    left = max((fonts.width(t, TEXT_SIZE) for t in y_axis.labels), default=30.0) + TEXT_SIZE + 20
    rows = legends.legend_rows([*keys], width - left)
    bottom = 2.6 * TEXT_SIZE + 6 + len(rows) * legends.LEGEND_ROW
    wide, high = width - left - 30, height - bottom - 6
    per_point = max(
        float(np.ptp(x)) * narrow / (0.86 * wide), float(np.ptp(y)) / (0.80 * high), _LEAST
    )
    x_axis = _around(x, per_point * wide / narrow, 0.0)
    y_axis = _around(y, per_point * high, 0.0)
    frame = canvas.Frame(left, bottom, wide, high, x_axis, y_axis)
    drawing = Drawing(width, height)
    canvas.grid(frame, plot.x_title, plot.y_title)
    for points in plot.points:
        _marks(frame, points, len(x) <= _NAMED)
    _bar(frame, per_point * (_DEGREE if plot.geographic else 1.0),
         "m" if plot.geographic else plot.unit)  # fmt: skip
    drawing.add(frame.group)
    legends.legend(drawing, rows, left, len(rows) * legends.LEGEND_ROW - 4, width - left)
    return drawing


def _marks(frame: canvas.Frame, points: Points, named: bool) -> None:
    """Marks larger than a plot's, with the samples' ids where few are drawn."""
    path = marks.path(points.kind)
    px, py = frame.px(points.x), frame.py(points.y)
    for i, (u, v) in enumerate(zip(px.tolist(), py.tolist(), strict=True)):
        marks.SHAPES[points.kind](path, u, v, _RADIUS)
        if named and points.names:
            text = fonts.fitting(points.names[i], SMALL, 60)
            left = u + 80 > frame.right
            x = u - _RADIUS - 3 if left else u + _RADIUS + 2
            canvas.text(frame.group, x, v - 2.4, text, "end" if left else "start", size=SMALL)
    frame.group.add(path)


def _around(values: canvas.Array, span: float, margin: float) -> Axis:
    """An axis of exactly this span about the middle of the values, with round ticks inside."""
    low, high = (float(values.min()), float(values.max())) if len(values) else (0.0, 1.0)
    middle = (low + high) / 2
    whole = max(span, (high - low) * (1 + margin), _LEAST)
    round_ = axes.linear(middle - whole / 2, middle + whole / 2, 4)
    inside = [
        (t, label)
        for t, label in zip(round_.ticks, round_.labels, strict=True)
        if abs(t - middle) <= whole / 2
    ]
    return Axis(
        middle - whole / 2, middle + whole / 2, False,
        tuple(t for t, _ in inside), tuple(label for _, label in inside),
    )  # fmt: skip


def _bar(frame: canvas.Frame, per_point: float, unit: str) -> None:
    """A bar of a round length, in the lower right corner on white ground."""
    most = _BAR_SHARE * frame.width * per_point
    step = 10.0 ** math.floor(math.log10(most))
    length = step * max(m for m in (1.0, 2.0, 5.0) if m * step <= most)
    unit, shown = ("km", length / 1000) if unit == "m" and length >= 1000 else (unit, length)
    text = words.SHEET_MAP_SCALE.format(length=plain_sig(shown, 1), unit=unit)
    points = length / per_point
    right, y = frame.right - 6, frame.bottom + 6
    g = frame.group
    g.add(
        Rect(right - points - 4, y - 4, points + 8, 9 + SMALL, fillColor=canvas.SHADE,
             strokeColor=None)
    )  # fmt: skip
    g.add(Line(right - points, y, right, y, strokeColor=INK, strokeWidth=1.6))
    for end in (right - points, right):
        g.add(Line(end, y - 2.5, end, y + 2.5, strokeColor=INK, strokeWidth=0.8))
    canvas.text(g, right - points / 2, y + 3.5, text, "middle", size=SMALL)
