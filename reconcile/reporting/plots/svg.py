"""Any drawing as SVG for the screen, its marks told apart by what they say on hover.

Only presentation attributes, no style, no script: the page's own rules forbid both.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Iterator

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

from reconcile.base.characters import visible
from reconcile.base.model.controls import ControlChart
from reconcile.reporting import fonts
from reconcile.reporting.plots import drawn
from reconcile.reporting.plots.alt import told_of_row
from reconcile.reporting.plots.glance import areas
from reconcile.reporting.plots.kinds import (
    DifferencePlot,
    Glance,
    Kind,
    MethodPlot,
    SitePlot,
    StripPlot,
)
from reconcile.reporting.plots.marks import PLACE, Marks, mark
from reconcile.reporting.plots.marks import path as path_of

#: Width and height of each kind, in the points of its texts; the page enlarges them.
_SIZES: tuple[tuple[type, tuple[float, float]], ...] = (
    (MethodPlot, (330.0, 240.0)),
    (DifferencePlot, (330.0, 240.0)),
    (ControlChart, (250.0, 104.0)),
    (StripPlot, (480.0, 190.0)),
    (Glance, (560.0, 0.0)),
    (SitePlot, (640.0, 0.0)),
)
_OTHER = (300.0, 170.0)
_PLAIN = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
#: reportlab's path operators: letter and how many numbers each takes.
_OPERATORS = (("M", 2), ("L", 2), ("C", 6), ("Z", 0))

Matrix = tuple[float, float, float, float, float, float]


def escaped(text: object) -> str:
    """Text from anywhere, for an element or a quoted attribute."""
    return html.escape(visible(text), quote=True)


def svg(plot: Kind, title: str, keys: bool = False) -> str:
    """Any plot, all of its marks; ``title`` says what it shows to who does not see it.

    With ``keys`` its marks can be chosen by keys.
    """
    width, height = next((s for kind, s in _SIZES if isinstance(plot, kind)), _OTHER)
    made = drawn.drawing(plot, width, height, whole=True)
    height = made.height
    inside = "".join(part for shape in made.contents for part in _of(shape, _PLAIN, height))
    kind = ' class="wide"' if isinstance(plot, (Glance, SitePlot)) else ""
    role = "group" if isinstance(plot, Glance) else "img"
    focus = ' tabindex="0"' if keys else ""
    if isinstance(plot, Glance):
        inside += _links(plot, width, height)
    return (
        f'<svg{kind} viewBox="0 0 {width:g} {height:g}" role="{role}"{focus} '
        f'aria-label="{escaped(title)}" '
        f'font-family="sans-serif" overflow="visible">{inside}</svg>'
    )


def _links(plot: Glance, width: float, height: float) -> str:
    """A link over each line that leads to what it is of, and says it."""
    told = {row.anchor: told_of_row(row, g.verdict) for g in plot.groups for row in g.rows}
    return "".join(
        f'<a href="#{escaped(anchor)}" aria-label="{escaped(told[anchor])}">'
        f'<rect x="{_n(left)}" y="{_n(height - top)}" width="{_n(right - left)}" '
        f'height="{_n(top - bottom)}" fill="#ffffff" fill-opacity="0">'
        f"<title>{escaped(told[anchor])}</title></rect></a>"
        for anchor, left, bottom, right, top in areas(plot, width)
    )


def picture(made: Drawing, title: str, scale: float = 1.0) -> str:
    """A whole SVG file of any drawing, on white."""
    width, height = made.width, made.height
    inside = "".join(part for shape in made.contents for part in _of(shape, _PLAIN, height))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-6 -6 {width + 12:g} {height + 12:g}" '
        f'width="{scale * (width + 12):g}" height="{scale * (height + 12):g}" role="img" '
        f'font-family="sans-serif">\n<title>{escaped(title)}</title>\n'
        f'<rect x="-6" y="-6" width="100%" height="100%" fill="#ffffff"/>\n{inside}\n</svg>\n'
    )


def _of(shape: Shape, m: Matrix, height: float) -> Iterator[str]:
    """The elements of one shape; ``m`` takes its points to the drawing, whose y runs upward."""

    def at(x: float, y: float) -> tuple[float, float]:
        a, b, c, d, e, f = m
        return a * x + c * y + e, height - (b * x + d * y + f)

    match shape:
        case Marks():
            yield from _marks(shape, height)
        case Group():
            inner = shape.transform if tuple(shape.transform) != _PLAIN else m
            for child in shape.contents:
                yield from _of(child, inner, height)
        case Line():
            (x1, y1), (x2, y2) = at(shape.x1, shape.y1), at(shape.x2, shape.y2)
            ends = f'x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}"'
            yield f"<line {ends}{_look(shape)}/>"
        case PolyLine() | Polygon():
            places = zip(shape.points[::2], shape.points[1::2], strict=True)
            points = " ".join(f"{_n(x)},{_n(y)}" for x, y in (at(*p) for p in places))
            name = "polygon" if isinstance(shape, Polygon) else "polyline"
            yield f'<{name} points="{points}"{_look(shape)}/>'
        case Rect():
            x, y = at(shape.x, shape.y + shape.height)
            box = f'x="{_n(x)}" y="{_n(y)}" width="{_n(shape.width)}" height="{_n(shape.height)}"'
            yield f"<rect {box}{_look(shape)}/>"
        case Circle():
            x, y = at(shape.cx, shape.cy)
            yield f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(shape.r)}"{_look(shape)}/>'
        case Path():
            yield f'<path d="{_path(shape, at)}"{_look(shape)}/>'
        case String():
            yield _text(shape, *at(shape.x, shape.y), math.degrees(math.atan2(m[1], m[0])))


def _marks(marks: Marks, height: float) -> Iterator[str]:
    """Each mark by itself, with what it says."""
    round_, radius = marks.kind in (PLACE, "used"), _n(marks.radius)
    look = ' fill-opacity="0"' if marks.kind == PLACE else _look(path_of(marks.kind))
    for x, y, top, told in marks.places:
        title = f"<title>{escaped(told)}</title>" if told else ""
        if round_:
            place = f'cx="{x:.1f}" cy="{height - y:.1f}" r="{radius}"'
            yield f"<circle {place}{look}>{title}</circle>"
        else:
            path = mark(marks.kind, x, y, top, marks.radius)
            drawn = _path(path, lambda u, v: (u, height - v))
            yield f'<path d="{drawn}"{look}>{title}</path>'


def _path(path: Path, at: Callable[[float, float], tuple[float, float]]) -> str:
    out, points = [], iter(path.points)
    for operator in path.operators:
        letter, count = _OPERATORS[operator]
        values = [next(points) for _ in range(count)]
        places = [at(x, y) for x, y in zip(values[::2], values[1::2], strict=True)]
        out.append(letter + " ".join(_n(v) for place in places for v in place))
    return "".join(out)


def _text(text: String, x: float, y: float, angle: float) -> str:
    place = f'x="{_n(x)}" y="{_n(y)}" font-size="{text.fontSize:g}"'
    if text.textAnchor != "start":
        place += f' text-anchor="{text.textAnchor}"'
    if text.fontName == fonts.BOLD:
        place += ' font-weight="bold"'
    if angle:
        place += f' transform="rotate({-angle:g} {_n(x)} {_n(y)})"'
    return f'<text {place} fill="{_colour(text.fillColor)}">{escaped(text.text)}</text>'


def _look(shape: Shape) -> str:
    """Colours, width and dashes as attributes."""
    look = f' fill="{_colour(getattr(shape, "fillColor", None))}"'
    stroke = getattr(shape, "strokeColor", None)
    if stroke is not None:
        look += f' stroke="{_colour(stroke)}" stroke-width="{shape.strokeWidth:g}"'
        if shape.strokeDashArray:
            look += f' stroke-dasharray="{" ".join(f"{d:g}" for d in shape.strokeDashArray)}"'
    return look


def _colour(colour: Color | None) -> str:
    if colour is None:
        return "none"
    return "#" + "".join(f"{round(255 * part):02x}" for part in colour.rgb())


def _n(value: float) -> str:
    """A place to a tenth of a point."""
    return f"{value:.1f}"
