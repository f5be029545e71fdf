"""What pictures on a scale of ratios share: lettering, and the ticks of the axis."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from reportlab.graphics.shapes import Line, Shape, String

from reconcile.reporting import fonts
from reconcile.reporting.manner import styled
from reconcile.reporting.plots.canvas import INK, SMALL


def lettering(
    x: float, y: float, text: str, size: float, anchor: str = "start", bold: bool = False
) -> String:
    """A text at a place, points."""
    font = fonts.BOLD if bold else fonts.REGULAR
    return String(x, y, text, fontName=font, fontSize=size, textAnchor=anchor, fillColor=INK)


def ticks(
    at: Callable[[float], float], values: Sequence[float], reach: float, bottom: float
) -> list[Shape]:
    """Ticks of those ``values`` whose logarithm is within ``reach``, with labels where room is."""
    made: list[Shape] = []
    before = -math.inf
    for tick in values:
        if abs(math.log(tick)) > reach:
            continue
        made.append(
            Line(at(tick), bottom, at(tick), bottom - 2.5, strokeColor=INK, strokeWidth=0.6)
        )
        label = styled(f"{tick:g}")
        half = fonts.width(label, SMALL - 0.8) / 2 + 1
        if at(tick) - half > before:
            made.append(lettering(at(tick), bottom - 9, label, SMALL - 0.8, "middle"))
            before = at(tick) + half
    return made
