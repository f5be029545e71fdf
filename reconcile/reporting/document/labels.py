"""Sheets of sample labels: the id in clear text, as QR code and, where it fits, as bar code."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

from reportlab.lib.colors import Color
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from reconcile.reporting import fonts, words
from reconcile.reporting.render import codes
from reconcile.reporting.render.styles import PAPERS
from reconcile.reporting.text import printable

_CUT = Color(0.75, 0.75, 0.75)
_PAD = 2 * mm
_SIZES = (18.0, 15.5, 13.0, 11.0, 9.5, 8.0, 7.0, 6.0, 5.0)


@dataclass(frozen=True, slots=True)
class Label:
    """One label."""

    sample_id: str
    dispatch: str


@dataclass(frozen=True, slots=True)
class SheetLayout:
    """The grid of a sheet, in millimetres."""

    columns: int
    rows: int
    width_mm: float
    height_mm: float
    left_mm: float
    top_mm: float
    gap_x_mm: float
    gap_y_mm: float
    outline: bool
    paper: str
    title: str


def label_sheet(labels: Sequence[Label], layout: SheetLayout, skip: int = 0) -> bytes:
    """The sheets as PDF; equal values give equal bytes.

    Raises ValueError where the grid is larger than the paper.
    """
    paper = PAPERS.get(layout.paper, PAPERS["A4"])
    _fits(layout, paper)
    fonts.register()
    target = io.BytesIO()
    canvas = Canvas(target, pagesize=paper, invariant=1, pageCompression=1, lang="en")
    canvas.setTitle(words.LABELS_TITLE)
    canvas.setCreator(words.PROGRAM)
    each = layout.columns * layout.rows
    for number, label in enumerate(labels, start=skip % each):
        if number % each == 0 and number:
            canvas.showPage()
        row, column = divmod(number % each, layout.columns)
        x = (layout.left_mm + column * (layout.width_mm + layout.gap_x_mm)) * mm
        down = layout.top_mm + row * (layout.height_mm + layout.gap_y_mm) + layout.height_mm
        canvas.saveState()
        canvas.translate(x, paper[1] - down * mm)
        _draw(canvas, label, layout)
        canvas.restoreState()
    canvas.showPage()
    canvas.save()
    return target.getvalue()


def _fits(layout: SheetLayout, paper: tuple[float, float]) -> None:
    for name, start, count, size, between, whole in (
        ("wide", layout.left_mm, layout.columns, layout.width_mm, layout.gap_x_mm, paper[0] / mm),
        ("high", layout.top_mm, layout.rows, layout.height_mm, layout.gap_y_mm, paper[1] / mm),
    ):
        needed = start + count * size + (count - 1) * between
        if needed > whole + 0.5:
            raise ValueError(
                f"{count} labels of {size:g} mm need {needed:.1f} mm, and {layout.paper} is "
                f"{whole:.1f} mm {name}."
            )


def _draw(canvas: Canvas, label: Label, layout: SheetLayout) -> None:
    width, height = layout.width_mm * mm, layout.height_mm * mm
    if layout.outline:
        canvas.setStrokeColor(_CUT)
        canvas.setLineWidth(0.3)
        canvas.rect(0, 0, width, height)
    bar_height = min(9 * mm, height * 0.3)
    bars = codes.bar_code(label.sample_id, width - 2, bar_height)
    floor = _PAD / 2
    if not isinstance(bars, str) and height > 20 * mm:
        bars.drawOn(canvas, (width - bars.width) / 2, _PAD / 2)
        floor += bar_height + _PAD / 2
    room = height - floor - _PAD / 2
    square = codes.square_code(label.sample_id, min(room, width * 0.4))
    left = _PAD
    missing = ""
    if isinstance(square, str):
        missing = square
    elif square.width > min(room, width * 0.6):
        missing = words.LABEL_TOO_SMALL
    else:
        square.drawOn(canvas, 1, height - _PAD / 2 - square.height)
        left = square.width + 2
        if isinstance(bars, str):
            missing = words.LABEL_NO_BARS
    _write(canvas, label, layout, (left, floor, width - _PAD - left, room), missing)


def _write(
    canvas: Canvas,
    label: Label,
    layout: SheetLayout,
    box: tuple[float, float, float, float],
    missing: str,
) -> None:
    """The id as large as it fits whole, and what else belongs on the label."""
    x, y, room, height = box
    small = [t for t in (_dispatch(label.dispatch), missing, layout.title) if t]
    left = height - 6.5 * len(small) - 3
    shown = printable(label.sample_id)
    size, lines = _broken(shown, room, left)
    top = y + height - size
    canvas.setFont(fonts.BOLD, size)
    for number, line in enumerate(lines):
        canvas.drawString(x, top - number * size * 1.1, line)
    canvas.setFont(fonts.REGULAR, 5.5)
    for number, text in enumerate(reversed(small)):
        canvas.drawString(x, y + 2 + number * 6.5, fonts.fitting(printable(text), 5.5, room))


def _dispatch(number: str) -> str:
    return words.LABEL_DISPATCH.format(dispatch=number) if number else ""


def _broken(text: str, room: float, height: float) -> tuple[float, list[str]]:
    """The largest size at which ``text`` stands whole, with its lines; else cut, marked by '…'."""
    for size in _SIZES:
        lines = _lines(text, size, room)
        if len(lines) * size * 1.1 <= height:
            return size, lines
    size = _SIZES[-1]
    most = max(1, int(height // (size * 1.1)))
    lines = _lines(text, size, room)[:most]
    return size, [*lines[:-1], fonts.fitting(lines[-1] + "…", size, room)]


def _lines(text: str, size: float, room: float) -> list[str]:
    lines, rest = [], text[:600]
    while rest:
        count = min(len(rest), 120)
        while count > 1 and fonts.width(rest[:count], size, bold=True) > room:
            count -= 1
        lines.append(rest[:count])
        rest = rest[count:]
    return lines or [""]
