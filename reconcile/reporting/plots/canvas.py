"""What every plot is drawn on: frame, axes, grid, lines and text in one style."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from reportlab.graphics.shapes import (
    Group,
    Line,
    PolyLine,
    Rect,
    String,
)
from reportlab.lib.colors import Color, black

from reconcile.reporting import fonts
from reconcile.reporting.plots import axes
from reconcile.reporting.plots.axes import Axis
from reconcile.reporting.plots.kinds import (
    Level,
    Points,
    Rule,
)

Array = NDArray[np.float64]


INK = black


FAINT = Color(0.80, 0.80, 0.80)


SHADE = Color(0.90, 0.90, 0.90)


ACCENT = Color(0.05, 0.30, 0.45)


TEXT_SIZE = 7.5


SMALL = 6.8


@dataclass(slots=True)
class Frame:
    """The plotting area, in points, with its axes."""

    left: float
    bottom: float
    width: float
    height: float
    x: Axis
    y: Axis
    group: Group = field(default_factory=Group)

    def px(self, values: Array | float) -> Array:
        """Points from the left of values of x."""
        return self.left + self.x.place(values) * self.width

    def py(self, values: Array | float) -> Array:
        """Points from below of values of y."""
        return self.bottom + self.y.place(values) * self.height

    def edge(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Points in the frame; what lies beyond an axis stands at its edge."""
        u, v = np.clip(self.x.place(x), 0, 1), np.clip(self.y.place(y), 0, 1)
        return self.left + u * self.width, self.bottom + v * self.height

    @property
    def right(self) -> float:
        """The right edge."""
        return self.left + self.width

    @property
    def top(self) -> float:
        """The upper edge."""
        return self.bottom + self.height


def finite(points: Sequence[Points]) -> tuple[Array, Array]:
    """All x and y of some points that can be drawn."""
    xs, ys = [np.empty(0)], [np.empty(0)]
    for p in points:
        for y in (p.y, p.y_high):
            if y is not None:
                keep = np.isfinite(p.x) & np.isfinite(y)
                xs.append(p.x[keep])
                ys.append(y[keep])
    return np.concatenate(xs), np.concatenate(ys)


def axis(values: Array, levels: Sequence[Level], most: int = 6) -> Axis:
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


def text(
    group: Group,
    x: float,
    y: float,
    text: str,
    anchor: str = "start",
    size: float = TEXT_SIZE,
    bold: bool = False,
    colour: Color = INK,
) -> None:
    """One line of text."""
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


def grid(frame: Frame, x_title: str, y_title: str) -> None:
    """Frame, ticks, their lines and numbers, and both titles."""
    g = frame.group
    last = -math.inf
    for tick, label in zip(frame.x.ticks, frame.x.labels, strict=True):
        x = float(frame.px(tick))
        g.add(Line(x, frame.bottom, x, frame.top, strokeColor=FAINT, strokeWidth=0.3))
        g.add(Line(x, frame.bottom, x, frame.bottom - 3, strokeColor=INK, strokeWidth=0.6))
        half = fonts.width(label, TEXT_SIZE) / 2
        if x - half > last + 3:
            text(g, x, frame.bottom - 4 - TEXT_SIZE, label, "middle")
            last = x + half
    last = -math.inf
    for tick, label in zip(frame.y.ticks, frame.y.labels, strict=True):
        y = float(frame.py(tick))
        g.add(Line(frame.left, y, frame.right, y, strokeColor=FAINT, strokeWidth=0.3))
        g.add(Line(frame.left, y, frame.left - 3, y, strokeColor=INK, strokeWidth=0.6))
        if y > last + TEXT_SIZE:
            text(g, frame.left - 5, y - TEXT_SIZE * 0.35, label, "end")
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
    text(
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


def stroke(
    frame: Frame,
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
    frame: Frame,
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


def band(frame: Frame, rule: Rule) -> None:
    """The interval of a rule as a shaded band."""
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
