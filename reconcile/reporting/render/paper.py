"""Blocks on paper: what reportlab sets on the pages of the PDF."""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.graphics import renderPDF
from reportlab.lib.colors import black
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether, TableStyle
from reportlab.platypus import Table as Grid

from reconcile.reporting import words
from reconcile.reporting.document.blocks import (
    Across,
    Block,
    Caution,
    Cell,
    Column,
    Facts,
    Form,
    Gap,
    Items,
    Plots,
    Section,
    Table,
    Text,
    Titled,
)
from reconcile.reporting.plots import drawn, signs
from reconcile.reporting.plots.glance import areas
from reconcile.reporting.plots.kinds import Glance
from reconcile.reporting.render.book import Heading, PageOf
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import (
    RULE,
    boxed,
    columns,
    facts,
    foreign,
    gap,
    grid,
    link,
    own,
    style,
    worded,
)
from reconcile.reporting.text import markup


class Picture(Flowable):  # type: ignore[misc]
    """A drawing whose lines lead to bookmarks."""

    def __init__(self, plot: Glance, width: float) -> None:
        super().__init__()
        self.made = drawn.drawing(plot, width, 0.0)
        self.areas = areas(plot, width)
        self.width, self.height = self.made.width, self.made.height

    def wrap(self, *_: float) -> tuple[float, float]:
        """Its own size."""
        return self.width, self.height

    def draw(self) -> None:
        """The drawing, and a link over each line."""
        renderPDF.draw(self.made, self.canv, 0, 0)
        for anchor, *rectangle in self.areas:
            self.canv.linkRect("", anchor, tuple(rectangle), relative=1, thickness=0)


_BETWEEN = 4 * mm  # two plots side by side


def flowables(blocks: Sequence[Block], width: float, depth: int = 0) -> list[Flowable]:
    """The blocks one below the other, ``width`` points wide; ``depth`` counts sections around."""
    return [flowable for block in blocks for flowable in _of(block, width, depth)]


def start() -> list[Flowable]:
    """Room before a section, or a new page where little of it would fit."""
    return [CondPageBreak(65 * mm), gap(8)]


def _of(block: Block, width: float, depth: int) -> list[Flowable]:
    match block:
        case Text(text, size, given, limit, on_paper):
            return [_paragraph(text, size, given, limit)] if on_paper else []
        case Items():
            return [worded(f"· {t}", block.size, block.limit) for t in block.lines[: block.most]]
        case Caution(text):
            return [boxed([own(text, "small")], width), gap(4)]
        case Facts(rows):
            return [facts(rows, width), gap(4)]
        case Table():
            return _table(block, width)
        case Form():
            return [_form(block, width), gap(10)]
        case Plots():
            return _plots(block, width)
        case Gap(points):
            return [gap(points)]
        case Titled(title, inner, whole):
            content = flowables(inner, width, depth)
            if whole:
                return [KeepTogether([own(title, "h3"), *content])]
            return [CondPageBreak(20 * mm), own(title, "h3"), *content]
        case Section(anchor, title, inner, whole):
            heading = Heading(title, anchor, 0, "h2" if depth else "h1")
            content = flowables(inner, width, depth + 1)
            if whole:
                return [KeepTogether([gap(8), heading, *content])]
            return [*start(), heading, *content]


def _paragraph(text: str, name: str, given: bool, limit: int | None) -> Paragraph:
    """Our own words whole or cut, or text from outside."""
    if given:
        return foreign(text, name) if limit is None else foreign(text, name, limit)
    return own(text, name) if limit is None else worded(text, name, limit)


def _cell(column: Column, value: str | Cell) -> Flowable:
    cell = value if isinstance(value, Cell) else Cell(value)
    if cell.verdict is not None:
        return signs.verdict_mark(cell.verdict, 7.5)
    bold = column.bold or cell.bold
    name = "cell-right" if column.number else "cell-bold" if bold else "cell"
    name = "mono" if column.mono else name
    if cell.page_of:
        return PageOf(cell.page_of, name)
    if cell.anchor:
        return link(cell.text[: column.limit], cell.anchor, name)
    if not cell.strong:
        return _paragraph(cell.text, name, column.given, column.limit)
    strong = ", ".join(f'<font name="ReportBold">{markup(t, 60)}</font>' for t in cell.strong)
    return Paragraph(strong + markup(cell.text, column.limit), style(name))


def _table(table: Table, width: float) -> list[Flowable]:
    kept = [(i, c) for i, c in enumerate(table.columns) if c.share]
    rows = table.rows if table.most is None else table.rows[: table.most]
    made = grid(
        [c.heading for _, c in kept],
        [_row(kept, row) for row in rows],
        [width * c.share for _, c in kept],
        right=[place for place, (_, c) in enumerate(kept) if c.number],
        compact=table.compact,
    )
    for place in (i for i, row in enumerate(rows, start=1) if isinstance(row, Across)):
        made.setStyle(
            [
                ("SPAN", (0, place), (-1, place)),
                ("TOPPADDING", (0, place), (-1, place), 5),
                ("NOSPLIT", (0, place), (-1, place + 1)),
            ]
        )
    if len(rows) == len(table.rows):
        return [made, gap(2)]
    shown, total = len(rows), len(table.rows)
    text = (
        words.TRUNCATED.format(shown=shown, total=total, file=table.rest)
        if table.rest
        else words.LINES_SHOWN.format(shown=shown, total=total)
    )
    return [made, gap(3), own(text, "small")]


def _row(
    kept: Sequence[tuple[int, Column]], row: Sequence[str | Cell] | Across
) -> list[Flowable | str]:
    if isinstance(row, Across):
        return [foreign(row.text, "cell-bold"), *[""] * (len(kept) - 1)]
    return [_cell(column, row[i]) for i, column in kept]


def _form(form: Form, width: float) -> Grid:
    head = [own(text, "head") for text in form.headings]
    blank = [""] * (len(form.headings) - 2)
    rows = [[own(a, "cell-bold"), foreign(b, limit=80), *blank] for a, b in form.rows]
    return Grid(
        [head, *rows],
        colWidths=[width * s for s in form.shares],
        rowHeights=[None, *[form.height_mm * mm] * len(rows)],
        hAlign="LEFT",
        style=TableStyle(
            [
                ("GRID", (0, 0), (-1, -1), 0.4, RULE),
                ("BOX", (0, 0), (-1, -1), 0.8, black),
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
            ]
        ),
    )


def _plots(block: Plots, width: float) -> list[Flowable]:
    """Rows of plots, each row on one page, the title with the first."""
    each = (width - (block.across - 1) * _BETWEEN) / block.across
    shown = [plot for plot in block.plots if plot.on_paper][: block.most]
    out: list[Flowable] = []
    for first in range(0, len(shown), block.across):
        cells: list[list[Flowable]] = []
        for plot in shown[first : first + block.across]:
            room = each if block.across > 1 else drawn.own_width(plot.data, each)
            title = [own(line, "small") for line in plot.title]
            cells.append([*title, drawn.drawing(plot.data, room, block.height_mm * mm)])
        widths = [each + _BETWEEN] * (len(cells) - 1) + [each]
        title = [own(block.title, "h3")] if block.title and not first else []
        out.append(KeepTogether([*title, columns(cells, widths), gap(3)]))
    return out
