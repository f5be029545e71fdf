"""Marks of points, and what each says where a medium can tell it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from reportlab.graphics.shapes import DirectDraw, Group, Path
from reportlab.lib.colors import white

from reconcile.base.model.controls import ControlChart
from reconcile.reporting import numbers, words
from reconcile.reporting.manner import styled
from reconcile.reporting.plots import canvas, density
from reconcile.reporting.plots.canvas import ACCENT, INK
from reconcile.reporting.plots.kinds import (
    Curve,
    Points,
    TrendPlot,
)


def disc(path: Path, x: float, y: float, r: float) -> None:
    """A circle as a part of a path."""
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


def _square(path: Path, x: float, y: float, r: float) -> None:
    r *= 0.9
    _closed(path, ((x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)))


def _bar(path: Path, x: float, y: float, r: float) -> None:
    path.moveTo(x, y - 1.4 * r)
    path.lineTo(x, y + 1.4 * r)
    for end in (-1.4, 1.4):
        path.moveTo(x - r, y + end * r)
        path.lineTo(x + r, y + end * r)


SHAPES: dict[str, Callable[[Path, float, float, float], None]] = {
    "used": disc,
    "excluded": _cross,
    "corrected": _square,
    "field_below": _triangle_down,
    "lab_below": _triangle_left,
    "both_below": _diamond,
    "above": _triangle_up,
    "partial": _bar,
}


RADIUS = 2.0


_STROKE = "RG"  # the page's operator for the colour of lines
_RIM = 0.4  # width of the light rim of a disc, points
_RINGED = 400  # up to here each disc has its own light rim, so that neighbours stay apart


#: Marks of this kind are not drawn: they only say something.
PLACE = "place"


#: A mark's place, the upper end of what it bounds, and what it says on a screen.
Place = tuple[float, float, float, str]


#: What gives the text of each mark; only a screen asks for it.
Tell = Callable[[], Sequence[str]]


class Marks(Group):  # type: ignore[misc]
    """Marks of one kind; what is drawn of them on paper is the group's content."""

    def __init__(self, kind: str, at: list[list[float]], radius: float, tell: Tell) -> None:
        super().__init__()
        # reportlab checks the attributes that it knows
        self.__dict__.update(kind=kind, at=at, radius=radius, tell=tell)

    @property
    def places(self) -> list[Place]:
        """Each mark with what it says."""
        return [(x, y, top, text) for (x, y, top), text in zip(self.at, self.tell(), strict=True)]


class Discs(DirectDraw):  # type: ignore[misc]
    """Discs of one colour as dots of a round pen: a fifth of the bytes and time of circles.

    A line of no length with round ends is a dot (ISO 32000-1, 8.5.3.2). With a ``rim`` each has
    a light one of its own, so that neighbours stay apart.
    """

    def __init__(self, at: Sequence[Sequence[float]], radius: float, rim: float) -> None:
        self.__dict__.update(at=at, radius=radius, rim=rim)

    def getBounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right and top of all of them, in the drawing's points."""
        x, y, *_ = np.transpose(self.at)
        r = self.radius + self.rim / 2
        return float(x.min() - r), float(y.min() - r), float(x.max() + r), float(y.max() + r)

    def drawDirectly(self, renderer: Any) -> None:
        """All of them onto the page."""
        pen = f"{' '.join(f'{part:.4g}' for part in ACCENT.rgb())} {_STROKE}"
        inner, outer = 2 * self.radius - self.rim, 2 * self.radius + self.rim
        dots = (f"{x:.2f} {y:.2f} m {x:.2f} {y:.2f} l S" for x, y, *_ in self.at)
        if self.rim:
            parts = [f"1 1 1 {_STROKE} {outer:g} w {dot}\n{pen} {inner:g} w {dot}" for dot in dots]
        else:
            parts = [f"{pen} {inner:g} w", *dots]
        renderer._canvas.addLiteral("q 1 J [] 0 d\n" + "\n".join(parts) + "\nQ")


def path(kind: str) -> Path:
    """An empty path in the style of a kind of mark."""
    filled = kind == "used"
    return Path(
        fillColor=ACCENT if filled else (None if kind in ("excluded", "partial") else white),
        strokeColor=None if filled else INK,
        strokeWidth=0 if filled else 0.75,
    )


def mark(kind: str, x: float, y: float, top: float, radius: float) -> Path:
    """One mark; a bounded value is a bar from ``y`` to ``top``."""
    drawn = path(kind)
    _add_mark(drawn, kind, x, y, top, radius)
    return drawn


def _add_mark(path: Path, kind: str, x: float, y: float, top: float, radius: float) -> None:
    if kind != "partial":
        SHAPES[kind](path, x, y, radius)
        return
    path.moveTo(x, y)
    path.lineTo(x, top)
    for end in (y, top):
        path.moveTo(x - radius, end)
        path.lineTo(x + radius, end)


def marks(frame: canvas.Frame, points: Points, tell: Tell | None = None) -> None:
    """All marks of one kind of points; ``tell`` gives what each says on a screen."""
    px, py = frame.edge(points.x, points.y)
    _, upper = frame.edge(points.x, points.y if points.y_high is None else points.y_high)
    inside = np.isfinite(px) & np.isfinite(py) & np.isfinite(upper)
    if not inside.any():
        return
    whole, kept = np.column_stack([px, py, upper])[inside], np.flatnonzero(inside)
    if len(whole) > density.MOST_MARKS:
        alone = density.sparse(whole[:, :2])
        frame.group.add(density.drawn(whole[~alone, :2], ACCENT if points.kind == "used" else INK))
        whole, kept = whole[alone], kept[alone]

    def said() -> list[str]:
        texts = tell() if tell is not None else ("",) * len(px)
        return [texts[i] for i in kept.tolist()]

    group = Marks(points.kind, whole.tolist(), RADIUS, said)
    frame.group.add(group)
    # Marks closer than a quarter of a point look the same: one of them is drawn on paper.
    places = np.unique(np.round(whole * 4) / 4, axis=0).tolist()
    if points.kind == "used":
        group.add(Discs(places, RADIUS, _RIM if len(places) <= _RINGED else 0.0))
        return
    whole_path = path(points.kind)
    for x, y, top in places:
        _add_mark(whole_path, points.kind, x, y, top, RADIUS)
    group.add(whole_path)


def silent(group: Group, xs: Sequence[float], ys: Sequence[float], told: Sequence[str]) -> None:
    """Places that say something on a screen and show nothing on paper."""
    group.add(Marks(PLACE, [[x, y, y] for x, y in zip(xs, ys, strict=True)], 3.0, lambda: told))


def told(points: Points, x_name: str, y_name: str) -> list[str]:
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


def told_of_trend(plot: TrendPlot) -> list[str]:
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


def told_of_chance(branch: Curve) -> list[str]:
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


def told_of_control(chart: ControlChart) -> list[str]:
    """Time and value of each result, and the rules that it completes."""
    spoken: dict[int, list[str]] = {}
    for rule, found, _ in chart.rules:
        for place in found:
            spoken.setdefault(place, []).append(rule)
    return [
        styled("; ".join([f"{at}: {numbers.show(value, 'mg/kg')}", *spoken.get(i, [])]))
        for i, (at, value) in enumerate(zip(chart.times, chart.values, strict=True))
    ]
