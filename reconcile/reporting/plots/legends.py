"""Keys of a plot's lines and marks."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from reportlab.graphics.shapes import (
    Drawing,
    Group,
    Line,
)
from reportlab.lib.colors import Color

from reconcile.reporting import fonts
from reconcile.reporting.plots import canvas, marks
from reconcile.reporting.plots.canvas import ACCENT, INK, SMALL
from reconcile.reporting.plots.kinds import (
    MARKS,
    MethodPlot,
    Points,
)

LEGEND_ROW = 10.0


Draw = Callable[[Group, float, float], None]


def _line_key(colour: Color, weight: float, dash: tuple[float, ...] | None) -> Draw:
    def draw(group: Group, x: float, y: float) -> None:
        group.add(
            Line(
                x, y, x + 16, y,
                strokeColor=colour, strokeWidth=weight,
                strokeDashArray=list(dash) if dash else None,
            )
        )  # fmt: skip

    return draw


def mark_key(kind: str) -> Draw:
    """The key of one kind of mark."""

    def draw(group: Group, x: float, y: float) -> None:
        path = marks.path(kind)
        offset = {"field_below": 1.8, "above": -1.8}.get(kind, 0.0)
        marks.SHAPES[kind](path, x + (10 if kind == "lab_below" else 8), y + offset, marks.RADIUS)
        group.add(path)

    return draw


def _point_keys(points: Sequence[Points]) -> list[tuple[Draw, str]]:
    by_kind = {p.kind: p for p in points}
    order = [k for k in reversed(MARKS) if k in by_kind and len(by_kind[k].x)]
    return [(mark_key(k), f"{by_kind[k].label} ({len(by_kind[k].x)})") for k in order]


def method_legend(plot: MethodPlot) -> list[tuple[Draw | None, str]]:
    """Keys of a plot of one method against the other."""
    out: list[tuple[Draw | None, str]] = list(_point_keys(plot.points))
    out.append((_line_key(INK, 0.6, (6, 2.5)), plot.one_label))
    if plot.fit is not None:
        out.append((_line_key(ACCENT, 1.6, None), plot.fit.label))
        if plot.fit.low is not None:
            out.append((_line_key(ACCENT, 0.6, (1, 1.6)), plot.fit.band_label))
    if plot.levels:
        out.append((_line_key(INK, 0.8, (1.2, 2)), plot.level_label))
    if plot.note:
        out.append((None, plot.note))
    return out


def legend_width(entries: list[tuple[Draw | None, str]]) -> float:
    """The width of the widest entry and a little more, points: no rounding cuts its text."""
    return max((21 + fonts.width(text, SMALL) for _, text in entries), default=0.0)


def legend_rows(
    entries: list[tuple[Draw | None, str]], width: float
) -> list[list[tuple[Draw | None, str, float]]]:
    """Entries with their left edges, broken into rows that fit."""
    rows: list[list[tuple[Draw | None, str, float]]] = [[]]
    x = 0.0
    for draw, text in entries:
        room = (20 if draw else 0) + fonts.width(text, SMALL) + 8
        if rows[-1] and x + room > width:
            rows.append([])
            x = 0.0
        rows[-1].append((draw, text, x))
        x += room
    return rows


def legend(
    drawing: Drawing,
    rows: list[list[tuple[Draw | None, str, float]]],
    left: float,
    top: float,
    width: float,
) -> None:
    """Rows of keys downward from ``top``."""
    group = Group()
    for index, row in enumerate(rows):
        y = top - index * LEGEND_ROW
        for draw, text, x in row:
            if draw is not None:
                draw(group, left + x, y)
            start = x + (20 if draw else 0)
            room = width - start
            canvas.text(
                group, left + start, y - SMALL * 0.35, fonts.fitting(text, SMALL, room), size=SMALL
            )
    drawing.add(group)
