"""A drawing as an image of points, for media that show no vectors; its texts stand level.

Drawn four times as large and made smaller by averages, so that lines and letters are smooth.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from functools import cache
from importlib import resources
from itertools import pairwise

from PIL import Image, ImageDraw, ImageFont
from reportlab.graphics.shapes import (
    Circle,
    Drawing,
    Group,
    Line,
    Path,
    Polygon,
    PolyLine,
    Rect,
    Shape,
    String,
)
from reportlab.lib.colors import Color

from reconcile.reporting import fonts
from reconcile.reporting.plots.marks import Marks

RIM = 3.0  # points around the drawing
_FINE = 3  # points of the large image for one of the small
_PLAIN = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
_STEPS = 8  # straight pieces of a curve
_ANCHORS = {"start": "ls", "middle": "ms", "end": "rs"}

Matrix = tuple[float, float, float, float, float, float]
Place = tuple[float, float]


def png(drawing: Drawing, scale: float = 2.0) -> bytes:
    """The drawing on white with a narrow rim, ``scale`` points of the image for each of its own."""
    fonts.register()
    factor = scale * _FINE
    wide, high = (
        math.ceil((side + 2 * RIM) * scale) * _FINE for side in (drawing.width, drawing.height)
    )
    image = Image.new("RGB", (wide, high), "white")
    pen = _Pen(ImageDraw.Draw(image), factor, high)
    for shape in drawing.contents:
        pen.draw(shape, _PLAIN)
    out = io.BytesIO()
    image.reduce(_FINE).convert("L").save(out, "PNG")
    return out.getvalue()


@cache
def _face(name: str, size: int) -> ImageFont.FreeTypeFont:
    file = resources.files("reconcile.reporting") / "typeface" / fonts.FILES[name]
    with resources.as_file(file) as path:
        return ImageFont.truetype(str(path), size, layout_engine=ImageFont.Layout.BASIC)


class _Pen:
    """Draws shapes; a drawing's y runs upward, an image's downward."""

    def __init__(self, to: ImageDraw.ImageDraw, factor: float, height: int) -> None:
        self._to, self._factor, self._height = to, factor, height

    def draw(self, shape: Shape, m: Matrix) -> None:
        match shape:
            case Marks():
                for child in shape.contents:
                    self.draw(child, m)
            case Group():
                inner = shape.transform if tuple(shape.transform) != _PLAIN else m
                for child in shape.contents:
                    self.draw(child, inner)
            case Line():
                self._line([(shape.x1, shape.y1), (shape.x2, shape.y2)], shape, m)
            case PolyLine() | Polygon():
                places = list(zip(shape.points[::2], shape.points[1::2], strict=True))
                self._area(places, shape, m, closed=isinstance(shape, Polygon))
            case Rect():
                x, y, right, top = shape.x, shape.y, shape.x + shape.width, shape.y + shape.height
                self._area([(x, y), (right, y), (right, top), (x, top)], shape, m)
            case Circle():
                turns = [i * math.pi / 18 for i in range(36)]
                places = [
                    (shape.cx + shape.r * math.cos(t), shape.cy + shape.r * math.sin(t))
                    for t in turns
                ]
                self._area(places, shape, m)
            case Path():
                for places, closed in _pieces(shape):
                    self._area(places, shape, m, closed)
            case String():
                self._text(shape, m)

    def _at(self, place: Place, m: Matrix) -> Place:
        a, b, c, d, e, f = m
        x, y = place
        return (
            (a * x + c * y + e + RIM) * self._factor,
            self._height - (b * x + d * y + f + RIM) * self._factor,
        )

    def _area(self, places: Sequence[Place], shape: Shape, m: Matrix, closed: bool = True) -> None:
        fill = _colour(getattr(shape, "fillColor", None))
        if closed and fill is not None and len(places) > 2:
            self._to.polygon([self._at(p, m) for p in places], fill=fill)
        self._line([*places, places[0]] if closed else list(places), shape, m)

    def _line(self, places: Sequence[Place], shape: Shape, m: Matrix) -> None:
        colour = _colour(getattr(shape, "strokeColor", None))
        if colour is None or not shape.strokeWidth:
            return
        wide = max(1, round(shape.strokeWidth * self._factor))
        for piece in _dashed(places, shape.strokeDashArray):
            self._to.line([self._at(p, m) for p in piece], fill=colour, width=wide)

    def _text(self, text: String, m: Matrix) -> None:
        face = _face(text.fontName, max(1, round(text.fontSize * self._factor)))
        place = self._at((text.x, text.y), m)
        anchor = _ANCHORS[text.textAnchor]
        self._to.text(place, text.text, fill=_colour(text.fillColor), font=face, anchor=anchor)


def _dashed(places: Sequence[Place], dashes: Sequence[float] | None) -> Iterator[list[Place]]:
    """The pieces of a line that are drawn."""
    if not dashes:
        yield list(places)
        return
    number, left, drawn = 0, dashes[0], True
    for (x0, y0), (x1, y1) in pairwise(places):
        length, done = math.dist((x0, y0), (x1, y1)), 0.0
        while length - done > 1e-9:
            step = min(left, length - done)
            share, end = done / length, (done + step) / length
            if drawn:
                yield [
                    (x0 + share * (x1 - x0), y0 + share * (y1 - y0)),
                    (x0 + end * (x1 - x0), y0 + end * (y1 - y0)),
                ]
            done, left = done + step, left - step
            if left <= 1e-9:
                number, drawn = (number + 1) % len(dashes), not drawn
                left = dashes[number]


def _pieces(path: Path) -> Iterator[tuple[list[Place], bool]]:
    """The parts of a path as polygons; curves (Bézier, third degree) in straight pieces."""
    numbers = iter(path.points)
    places: list[Place] = []
    for operator in path.operators:
        if operator == 0:  # move
            if places:
                yield places, False
            places = [(next(numbers), next(numbers))]
        elif operator == 1:  # line
            places.append((next(numbers), next(numbers)))
        elif operator == 2:  # curve
            start = places[-1]
            one, two, end = [(next(numbers), next(numbers)) for _ in range(3)]
            for step in range(1, _STEPS + 1):
                t = step / _STEPS
                weights = ((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3)
                places.append(
                    (
                        sum(w * p[0] for w, p in zip(weights, (start, one, two, end), strict=True)),
                        sum(w * p[1] for w, p in zip(weights, (start, one, two, end), strict=True)),
                    )
                )
        else:
            yield places, True
            places = []
    if places:
        yield places, False


def _colour(colour: Color | None) -> tuple[int, int, int] | None:
    if colour is None:
        return None
    red, green, blue = (round(255 * part) for part in colour.rgb())
    return red, green, blue
