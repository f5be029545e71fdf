"""Blocks on the page for the screen."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.reporting.document.blocks import (
    MOST_ROWS,
    Across,
    Block,
    Caution,
    Cell,
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
from reconcile.reporting.plots.alt import alt
from reconcile.reporting.plots.svg import escaped, svg
from reconcile.reporting.render import elements
from reconcile.reporting.render.elements import cut, facts, paragraph, said


def html(blocks: Sequence[Block], level: int = 3) -> str:
    """The blocks one below the other; their headings are of ``level`` and below."""
    out, below = [], level
    for block in blocks:
        out.append(_of(block, level, below))
        if isinstance(block, Text) and block.size == "h3" and block.on_screen:
            below = level + 1  # what follows stands under this heading
    return "".join(out)


def _of(block: Block, level: int, below: int) -> str:
    match block:
        case Text(on_screen=False) | Gap():
            return ""
        case Text(text, "h3", given):
            return f"<h{level}>{escaped(text) if given else said(text)}</h{level}>"
        case Text(text, size, given):
            kind = "small" if size == "small" else ""
            return paragraph(text, kind, given)
        case Items(lines):
            items = "".join(f"<li>{said(line)}</li>" for line in lines)
            return f"<ul>{items}</ul>" if items else ""
        case Caution(text):
            return f'<p class="caution">{escaped(text)}</p>'
        case Facts(rows):
            return facts(rows)
        case Table():
            return _table(block)
        case Form(headings, rows):
            blank = [""] * (len(headings) - 2)
            return elements.table(headings, [[*row, *blank] for row in rows], sortable=False)
        case Plots():
            return _plots(block, below)
        case Titled(title, inner):
            return f"<h{below}>{escaped(title)}</h{below}>{html(inner, below + 1)}"
        case Section(anchor, title, inner):
            heading = f'<h{level} id="{anchor}">{escaped(title)}</h{level}>'
            return f"{heading}{html(inner, level + 1)}"


def _value(value: str | Cell) -> elements.Cell:
    cell = value if isinstance(value, Cell) else Cell(value)
    text = ", ".join(cell.strong) + cell.text
    if cell.anchor:
        return elements.Link(text, cell.anchor)
    return text if cell.sort is None else (text, cell.sort)


def _table(table: Table) -> str:
    kept = [(i, c) for i, c in enumerate(table.columns) if c.on_screen]
    made = elements.table(
        [c.heading for _, c in kept],
        [
            [_value(row[i]) for i, _ in kept]
            for row in table.rows[:MOST_ROWS]
            if not isinstance(row, Across)
        ],
        [place for place, (_, c) in enumerate(kept) if c.number],
        table.sortable,
        ours=[place for place, (_, c) in enumerate(kept) if not c.given],
    )
    return made + cut(len(table.rows), table.file or table.rest)


def _plots(block: Plots, level: int) -> str:
    title = f"<h{level}>{escaped(block.title)}</h{level}>" if block.title else ""
    figures = []
    for plot in block.plots:
        caption = "\n".join(plot.title)
        over = f"<figcaption>{escaped(caption)}</figcaption>" if caption else ""
        figures.append(
            f"<figure>{over}{svg(plot.data, alt(plot.data, caption or block.title))}</figure>"
        )
    inner = "".join(figures)
    if block.across == 1:
        return title + inner
    kind = "two" if any(plot.title for plot in block.plots) else "three"
    return f'{title}<div class="{kind}">{inner}</div>'
