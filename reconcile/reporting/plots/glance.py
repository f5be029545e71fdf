"""The one picture of a release: every stratum's verdict and bias on one scale, drawn.

Two columns of lines share one axis of ratios. The grey bar is what was agreed for the bias, the
thick line the interval of the bias, the thin one where single samples are expected.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from reportlab.graphics.shapes import Circle, Drawing, Group, Line, Polygon, Rect, Shape

from reconcile.reporting import fonts
from reconcile.reporting.plots import marks, signs
from reconcile.reporting.plots.canvas import ACCENT, FAINT, INK, SMALL, TEXT_SIZE
from reconcile.reporting.plots.kinds import Glance, GlanceGroup, GlanceRow, Spot
from reconcile.reporting.plots.ratio_axis import lettering, ticks

_LINE, _HEAD, _TOP, _FOOT = 8.8, 14.0, 11.0, 19.0
_GAP = 16.0  # between the columns
_NAME, _COUNT = 0.47, 0.105  # shares of a column; the rest is the scale
_SIGN, _CHANGE = 10.0, 8.0
_TICKS = (0.5, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.4, 2.0)
_KEY_LINE = 8.6
_LEAST = 5.4  # no name is smaller

Line_ = GlanceGroup | GlanceRow


def columns_of(plot: Glance) -> tuple[list[Line_], list[Line_]]:
    """Groups and rows in two columns of about equal height; a group may go on in the second."""
    lines: list[Line_] = []
    for group in plot.groups:
        lines += [group, *group.rows]
    half = sum(map(_tall, lines)) / 2
    left: list[Line_] = []
    open_group: GlanceGroup | None = None
    for number, line in enumerate(lines):
        done = sum(map(_tall, left))
        heading = isinstance(line, GlanceGroup)  # none stands alone at the foot
        if done + _tall(line) / 2 >= half or (heading and done + _HEAD + _LINE > half):
            again: list[Line_] = []
            if not heading and open_group is not None:
                title = plot.goes_on.format(title=open_group.title)
                again.append(replace(open_group, title=title))
            return left, [*again, *lines[number:]]
        if isinstance(line, GlanceGroup):
            open_group = line
        left.append(line)
    return left, []


def _tall(line: Line_) -> float:
    return _HEAD if isinstance(line, GlanceGroup) else _LINE


def height_of(plot: Glance) -> float:
    """Points that the picture needs."""
    most = max(sum(map(_tall, column)) for column in columns_of(plot))
    return _TOP + most + _FOOT + _KEY_LINE * len(plot.key)


def glance(plot: Glance, width: float) -> Drawing:
    """The picture, as high as its lines need."""
    fonts.register()
    height = height_of(plot)
    drawing = Drawing(width, height)
    column = (width - _GAP) / 2
    reach = _reach(plot)
    foot = _FOOT + _KEY_LINE * len(plot.key)
    for place, lines in enumerate(columns_of(plot)):
        if lines:
            left = place * (column + _GAP)
            drawing.add(_column(plot, lines, left, column, height, foot, reach))
    for number, text in enumerate(plot.key):
        y = _KEY_LINE * (len(plot.key) - number - 1) + 1.5
        drawing.add(lettering(0, y, fonts.fitting(text, SMALL, width), SMALL))
    return drawing


def areas(plot: Glance, width: float) -> list[tuple[str, float, float, float, float]]:
    """Anchor, left, bottom, right and top of each line that has one, in the drawing's points."""
    column, found = (width - _GAP) / 2, []
    for place, lines in enumerate(columns_of(plot)):
        left, y = place * (column + _GAP), height_of(plot) - _TOP
        for line in lines:
            y -= _tall(line)
            if isinstance(line, GlanceRow) and line.anchor:
                found.append((line.anchor, left, y, left + column, y + _LINE))
    return found


def _reach(plot: Glance) -> float:
    """Half the width of the axis, as a logarithm: what was agreed lies on it."""
    spans = [math.log(s) for s in plot.spans if s > 1 and math.isfinite(s)]
    return max([math.log(1.45), *(1.1 * s for s in spans)])


def _column(
    plot: Glance, lines: Sequence[Line_], left: float, width: float, height: float, foot: float,
    reach: float,
) -> Group:  # fmt: skip
    body = Group()
    counted = left + width * (_NAME + _COUNT)
    start, end = counted + 8, left + width - _CHANGE
    size = _size(plot, counted - left)
    middle, scale = (start + end) / 2, (end - start) / 2 / reach

    def at(ratio: float) -> float:
        log = math.log(ratio) if ratio > 0 else -math.inf
        return middle + scale * max(min(log, reach), -reach)

    bottom = height - _TOP - sum(map(_tall, lines))
    top = height - _TOP
    body.add(lettering(counted, top + 2, plot.evidence_title, SMALL - 0.8, "end"))
    for span in plot.spans:
        for edge in (1 / span, span):
            dotted = Line(at(edge), bottom, at(edge), top, strokeColor=INK, strokeWidth=0.5)
            dotted.strokeDashArray = [0.8, 1.6]
            body.add(dotted)
    y = top
    for line in lines:
        y -= _tall(line)
        if isinstance(line, GlanceGroup):
            body.add(_moved(signs.verdict_mark(line.verdict, 7.5), left + 0.6, y + 2.6))
            title = fonts.fitting(line.title, TEXT_SIZE, width - _SIGN - 2)
            body.add(lettering(left + _SIGN + 1, y + 3.6, title, TEXT_SIZE, bold=True))
            continue
        for part in _row(line, plot.none, left, counted, y + _LINE / 2, size, at, (start, end)):
            body.add(part)
        if line.changed:
            body.add(lettering(left + width, y + 2.4, line.changed, SMALL, "end", bold=True))
    body.add(Line(at(1), bottom, at(1), top, strokeColor=INK, strokeWidth=0.7))
    body.add(Line(start, bottom, end, bottom, strokeColor=INK, strokeWidth=0.6))
    for shape in ticks(at, _TICKS, reach, bottom):
        body.add(shape)
    body.add(lettering(end, bottom - 16.5, plot.x_title, SMALL - 0.8, "end"))
    return body


def _room(row: GlanceRow, wide: float) -> float:
    """Points that a row's name has before what is counted, which ends ``wide`` from its start."""
    return wide - fonts.width(row.evidence, SMALL - 0.8) - 6


def _size(plot: Glance, wide: float) -> float:
    """One size of letters at which as many names as can be are whole."""
    fits = [
        SMALL * _room(row, wide) / max(fonts.width(row.name, SMALL), 1.0)
        for group in plot.groups
        for row in group.rows
    ]
    return max(_LEAST, min([SMALL, *fits]))


def _row(
    row: GlanceRow, none: str, left: float, counted: float, y: float, size: float,
    place: Callable[[float], float], ends: tuple[float, float],
) -> Iterator[Shape]:  # fmt: skip
    base = y - 2.3
    room = _room(row, counted - left)
    yield lettering(left, base, fonts.fitting(row.name, size, room), size)
    yield lettering(counted, base, row.evidence, SMALL - 0.8, "end")
    low, high = (place(edge) for edge in row.margin)
    yield Rect(low, y - 3.4, high - low, 6.8, fillColor=FAINT, strokeColor=None)
    known = [spot for spot in row.spots if math.isfinite(spot.value)]
    if not known:
        yield lettering((ends[0] + ends[1]) / 2, base, none, SMALL - 0.8, "middle")
        return
    if len(row.spots) == 1:
        if all(map(math.isfinite, row.spread)):
            yield Line(place(row.spread[0]), y, place(row.spread[1]), y, strokeColor=INK,
                       strokeWidth=0.5)  # fmt: skip
        spot = known[0]
        if math.isfinite(spot.low) and math.isfinite(spot.high):
            yield Line(place(spot.low), y, place(spot.high), y, strokeColor=INK, strokeWidth=2.0)
    for spot in known:
        yield _spot(spot, place(spot.value), y, ends)


def _spot(spot: Spot, x: float, y: float, ends: tuple[float, float]) -> Group:
    """A disc, or at an edge a wedge that points to where the bias lies."""
    told = marks.Marks(marks.PLACE, [[x, y, y]], 3.4, lambda: [spot.name])
    if x <= ends[0] + 1e-6 or x >= ends[1] - 1e-6:
        side = 1 if x >= ends[1] - 1e-6 else -1
        points = [x - side * 5, y - 2.6, x - side * 5, y + 2.6, x, y]
        return Group(Polygon(points, fillColor=INK, strokeColor=None), told)
    return Group(Circle(x, y, 2.1, fillColor=ACCENT, strokeColor=None), told)


def _moved(drawing: Drawing, x: float, y: float) -> Group:
    group = Group(*drawing.contents)
    group.translate(x, y)
    return group
