"""Sites against elements on one picture: a row for each site, a scale for each comparison."""

from __future__ import annotations

import math

from reportlab.graphics.shapes import Circle, Drawing, Group, Line, Polygon, Rect, Shape
from reportlab.lib.colors import white

from reconcile.reporting import fonts
from reconcile.reporting.plots import marks
from reconcile.reporting.plots.canvas import ACCENT, FAINT, INK, SHADE, SMALL, TEXT_SIZE
from reconcile.reporting.plots.kinds import SiteColumn, SitePlot, SiteSpot
from reconcile.reporting.plots.ratio_axis import lettering, ticks

_LINE, _HEAD, _FOOT, _GAP = 9.2, 25.0, 22.0, 10.0
_NAME = 92.0  # for the names of sites
_TICKS = (0.25, 0.5, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.4, 2.0, 4.0)
_LEAST = math.log(1.15)  # half the width of a scale, at least


def height_of(plot: SitePlot) -> float:
    """Points that the picture needs."""
    return _HEAD + _LINE * len(plot.sites) + _FOOT


def site_plot(plot: SitePlot, width: float) -> Drawing:
    """The picture, as high as its rows need; every column has the same scale."""
    fonts.register()
    height = height_of(plot)
    drawing = Drawing(width, height)
    reach = _reach(plot)
    room = (width - _NAME) / max(len(plot.columns), 1)
    for number, site in enumerate(plot.sites):
        y = height - _HEAD - _LINE * (number + 1)
        if number % 2 == 0:
            drawing.add(Rect(0, y, width, _LINE, fillColor=SHADE, strokeColor=None,
                             fillOpacity=0.5))  # fmt: skip
        drawing.add(lettering(1, y + 2.6, fonts.fitting(site, SMALL, _NAME - 4), SMALL))
    for number, column in enumerate(plot.columns):
        left = _NAME + number * room
        for part in _column(plot, column, left + _GAP / 2, left + room - _GAP / 2, height, reach):
            drawing.add(part)
    return drawing


def _reach(plot: SitePlot) -> float:
    """Half the width of every scale, as a logarithm: all known biases lie on it."""
    found = [abs(math.log(s.value)) for c in plot.columns for s in c.spots if s.value > 0]
    found += [abs(math.log(e)) for c in plot.columns for e in c.expected if e > 0]
    return max(_LEAST, min(1.12 * max(found, default=0.0), math.log(4.0)))


def _column(
    plot: SitePlot, column: SiteColumn, left: float, right: float, height: float, reach: float
) -> list[Shape]:
    middle, scale = (left + right) / 2, (right - left) / 2 / reach
    top, bottom = height - _HEAD, height - _HEAD - _LINE * len(plot.sites)

    def at(ratio: float) -> float:
        log = math.log(ratio) if ratio > 0 else -math.inf
        return middle + scale * max(min(log, reach), -reach)

    parts: list[Shape] = []
    low, high = column.expected
    if low > 0 and high > 0:
        parts.append(Rect(at(low), bottom, at(high) - at(low), top - bottom, fillColor=FAINT,
                          strokeColor=None))  # fmt: skip
    if column.mean > 0:
        mean = Line(at(column.mean), bottom, at(column.mean), top, strokeColor=INK, strokeWidth=0.9)
        parts.append(mean)
    one = Line(at(1), bottom, at(1), top, strokeColor=INK, strokeWidth=0.5)
    one.strokeDashArray = [1.2, 1.8]
    parts.append(one)
    rows = {site: number for number, site in enumerate(plot.sites)}
    for spot in column.spots:
        if spot.site in rows and spot.value > 0:
            y = top - _LINE * (rows[spot.site] + 0.5)
            parts += _spot(spot, at(spot.value), at(spot.low), at(spot.high), y, (left, right))
    parts.append(Line(left, bottom, right, bottom, strokeColor=INK, strokeWidth=0.6))
    parts += ticks(at, _TICKS, reach, bottom)
    parts.append(lettering(middle, bottom - 18, plot.x_title, SMALL - 0.8, "middle"))
    for number, line in enumerate(column.title):
        text = fonts.fitting(line, TEXT_SIZE if number == 0 else SMALL, right - left)
        parts.append(
            lettering(left, height - 8 - 9 * number, text, TEXT_SIZE if number == 0 else SMALL,
                  bold=number == 0)
        )  # fmt: skip
    return parts


def _spot(
    spot: SiteSpot, x: float, low: float, high: float, y: float, ends: tuple[float, float]
) -> list[Shape]:
    parts: list[Shape] = [Line(low, y, high, y, strokeColor=ACCENT, strokeWidth=1.4)]
    told = marks.Marks(marks.PLACE, [[x, y, y]], 3.4, lambda: [spot.told])
    if not ends[0] + 1e-6 < x < ends[1] - 1e-6:
        side = 1 if x >= ends[1] - 1e-6 else -1
        points = [x - side * 5, y - 2.6, x - side * 5, y + 2.6, x, y]
        return [*parts, Group(Polygon(points, fillColor=INK, strokeColor=None), told)]
    fill, size = (INK, 2.9) if spot.apart else (white, 2.0)
    disc = Circle(x, y, size, fillColor=fill, strokeColor=INK, strokeWidth=0.8)
    return [*parts, Group(disc, told)]
