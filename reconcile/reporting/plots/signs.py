"""Signs that tell verdicts apart without a colour."""

from __future__ import annotations

from reportlab.graphics.shapes import Drawing, Path, Polygon, Rect
from reportlab.lib.colors import white

from reconcile.reporting.plots import marks
from reconcile.reporting.plots.canvas import INK


def verdict_mark(kind: int, size: float) -> Drawing:
    """A small sign for one of four verdicts: 0 full disc, 1 ringed disc, 2 square, 3 open ring."""
    drawing = Drawing(size, size)
    r = size / 2
    outer = Path(fillColor=INK if kind == 0 else white, strokeColor=INK, strokeWidth=1)
    if kind == 2:
        drawing.add(Rect(0.5, 0.5, size - 1, size - 1, fillColor=INK, strokeColor=INK))
        drawing.add(
            Polygon(
                [
                    size * 0.2,
                    r - 0.8,
                    size * 0.8,
                    r - 0.8,
                    size * 0.8,
                    r + 0.8,
                    size * 0.2,
                    r + 0.8,
                ],
                fillColor=white,
                strokeColor=None,
            )
        )
        return drawing
    if kind == 3:
        outer.strokeDashArray = [1.5, 1.5]
    marks.disc(outer, r, r, r - 0.6)
    drawing.add(outer)
    if kind == 1:
        inner = Path(fillColor=INK, strokeColor=None)
        marks.disc(inner, r, r, r * 0.5)
        drawing.add(inner)
    return drawing
