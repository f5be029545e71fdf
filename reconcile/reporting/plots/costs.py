"""What each way of deciding is expected to cost, as bars in two parts."""

from __future__ import annotations

from dataclasses import dataclass

from reportlab.graphics.shapes import Drawing, Group, Rect
from reportlab.lib.colors import white

from reconcile.reporting import fonts
from reconcile.reporting.plots import axes, canvas, legends
from reconcile.reporting.plots.canvas import ACCENT, INK, SMALL, TEXT_SIZE

_BAR, _ROW = 11.0, 19.0


@dataclass(frozen=True, slots=True)
class CostBar:
    """One way of deciding."""

    label: str
    assays: float
    wrong: float
    shown: str  # the sum as printed


def height_of(bars: int) -> float:
    """The height that so many bars need, points."""
    return bars * _ROW + 2.6 * TEXT_SIZE + 12 + legends.LEGEND_ROW


def cost_plot(
    bars: tuple[CostBar, ...], x_title: str, parts: tuple[str, str], width: float
) -> Drawing:
    """Bars from nought: what assays cost filled, what wrong calls are expected to cost open."""
    most = max(b.assays + b.wrong for b in bars)
    height = height_of(len(bars))
    named = max(fonts.width(b.label, SMALL) for b in bars)
    left, bottom = min(named, 0.42 * width) + 8, 2.6 * TEXT_SIZE + 6 + legends.LEGEND_ROW
    room = max(fonts.width(b.shown, SMALL) for b in bars) + 8
    axis = axes.linear(0.0, most, 5)
    frame = canvas.Frame(
        left, bottom, width - left - room, len(bars) * _ROW, axis,
        axes.Axis(0.0, float(len(bars)), False, (), ()),
    )  # fmt: skip
    canvas.grid(frame, x_title, "")
    for i, bar in enumerate(reversed(bars)):
        y = frame.bottom + i * _ROW + (_ROW - _BAR) / 2
        paid, whole = (float(frame.px(v)) for v in (bar.assays, bar.assays + bar.wrong))
        frame.group.add(
            Rect(frame.left, y, paid - frame.left, _BAR, fillColor=ACCENT, strokeColor=INK,
                 strokeWidth=0.6)
        )  # fmt: skip
        frame.group.add(
            Rect(paid, y, whole - paid, _BAR, fillColor=white, strokeColor=INK, strokeWidth=0.6)
        )
        text = fonts.fitting(bar.label, SMALL, left - 8)
        canvas.text(frame.group, left - 5, y + 3, text, "end", size=SMALL)
        canvas.text(frame.group, frame.right + 4, y + 3, bar.shown, size=SMALL)
    drawing = Drawing(width, height)
    drawing.add(frame.group)
    keys = [(_key(True), parts[0]), (_key(False), parts[1])]
    legends.legend(drawing, legends.legend_rows([*keys], width - left), left, 6, width - left)
    return drawing


def _key(filled: bool) -> legends.Draw:
    def draw(group: Group, x: float, y: float) -> None:
        group.add(
            Rect(x, y - 3, 14, 6, fillColor=ACCENT if filled else white, strokeColor=INK,
                 strokeWidth=0.6)
        )  # fmt: skip

    return draw
