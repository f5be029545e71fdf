"""The control chart of one control by one method."""

from __future__ import annotations

import math

from reportlab.graphics.shapes import (
    Circle,
    Drawing,
    Line,
    PolyLine,
    String,
)
from reportlab.lib.colors import Color, white

from reconcile.base.model.controls import ControlChart
from reconcile.reporting import fonts, numbers, words
from reconcile.reporting.manner import styled
from reconcile.reporting.plots import marks
from reconcile.reporting.text import printable

#: A control chart shows its latest results only: a mark needs room to be seen.
MOST_POINTS = 120
_CHART_TEXT = 6.0


_CHART_LINE = Color(0.55, 0.55, 0.55)


_CHART_INK = Color(0.13, 0.13, 0.13)


def control_chart(
    chart: ControlChart, width: float, height: float, most: int = MOST_POINTS
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
    marks.silent(drawing, xs, ys, marks.told_of_control(chart)[offset:])
    dates = [styled(t[:10]) for t in chart.times[-most:]]
    for x, text, anchor in ((left, dates[0], "start"), (right, dates[-1], "end")):
        drawing.add(
            String(
                x, 2, text, fontName=fonts.REGULAR, fontSize=_CHART_TEXT, fillColor=_CHART_INK,
                textAnchor=anchor,
            )
        )  # fmt: skip
    return drawing
