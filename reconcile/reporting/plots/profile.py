"""The contents of a part along a line."""

from __future__ import annotations

import math
from functools import partial

import numpy as np
from reportlab.graphics.shapes import Drawing, Line

from reconcile.reporting import fonts
from reconcile.reporting.plots import axes, canvas, legends, marks
from reconcile.reporting.plots.axes import Axis
from reconcile.reporting.plots.canvas import ACCENT, INK, SMALL, TEXT_SIZE
from reconcile.reporting.plots.kinds import ProfilePlot


def profile_axes(plot: ProfilePlot) -> tuple[Axis, Axis]:
    """Positions, and the contents with their intervals and the limits near them."""
    values = np.concatenate([*(p.y for p in plot.points), plot.low, plot.high])
    values = np.concatenate([values, np.array([level.value for level in plot.levels])])
    values = values[np.isfinite(values)]
    low, high = float(plot.at.min()), float(plot.at.max())
    room = 0.04 * (high - low) or 1.0
    return (
        axes.linear(low - room, high + room, 5),
        axes.linear(min(0.0, float(values.min())), 1.05 * float(values.max()), 4),
    )


def profile_plot(plot: ProfilePlot, width: float, height: float) -> Drawing:
    """Marks by role, each with its interval, and limits as dotted lines; keys beneath."""
    x_axis, y_axis = profile_axes(plot)
    left = max((fonts.width(t, TEXT_SIZE) for t in y_axis.labels), default=0.0) + TEXT_SIZE + 11
    right = max((fonts.width(t, TEXT_SIZE) / 2 for t in x_axis.labels), default=0.0) + 4
    keys: list[tuple[legends.Draw | None, str]] = [
        (legends.mark_key(p.kind), p.label) for p in plot.points
    ]
    rows = legends.legend_rows(keys, width - left)
    bottom = 2.6 * TEXT_SIZE + 6 + len(rows) * legends.LEGEND_ROW
    frame = canvas.Frame(left, bottom, width - left - right, height - bottom - 4, x_axis, y_axis)
    drawing = Drawing(width, height)
    canvas.grid(frame, plot.x_title, plot.y_title)
    for level in plot.levels:
        y = float(frame.py(level.value))
        frame.group.add(
            Line(frame.left, y, frame.right, y, strokeColor=INK, strokeWidth=0.8,
                 strokeDashArray=[1.2, 2])
        )  # fmt: skip
        name = fonts.fitting(level.name, SMALL, frame.width)
        canvas.text(frame.group, frame.right - 2, y + 1.5, name, "end", size=SMALL)
    for x, low, high in zip(plot.at, plot.low, plot.high, strict=True):
        if math.isfinite(low) and math.isfinite(high):
            canvas.stroke(frame, np.array([x, x]), np.array([low, high]), ACCENT, 1.0)
    for points in plot.points:
        marks.marks(frame, points, partial(marks.told, points, plot.x_title, plot.y_title))
    drawing.add(frame.group)
    top = len(rows) * legends.LEGEND_ROW - 4
    legends.legend(drawing, rows, left, top, width - left)
    return drawing
