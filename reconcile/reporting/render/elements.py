"""Elements of the page for the screen: escaped text, paragraphs, tables that sort and filter."""

from __future__ import annotations

import base64
import math
import zlib
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from reconcile.reporting import numbers, words
from reconcile.reporting.document.blocks import MOST_ROWS
from reconcile.reporting.manner import styled
from reconcile.reporting.plots.svg import escaped

_FILTERED = 8  # rows from which a table can be filtered


class Link(NamedTuple):
    """A cell that leads to a bookmark of our own making."""

    text: str
    anchor: str


class Raw(NamedTuple):
    """A cell of markup of our own making, and the number to sort by."""

    markup: str
    sort: float


#: A cell: text, the text and the number to sort by, or a link.
Cell = str | tuple[str, float] | Link | Raw


def said(text: object) -> str:
    """Our own words with numbers, a true minus before them; escaped all the same."""
    return styled(escaped(text))


def paragraph(text: object, kind: str = "", given: bool = False) -> str:
    """A paragraph of our own words, or of text that was ``given``."""
    mark = f' class="{kind}"' if kind else ""
    return f"<p{mark}>{escaped(text) if given else said(text)}</p>"


def _cell(value: Cell | int, numeric: bool, ours: bool = False) -> str:
    kind = ' class="n"' if numeric else ""
    if isinstance(value, Link):
        return f'<td><a href="#{value.anchor}">{escaped(value.text)}</a></td>'
    if isinstance(value, Raw):
        return f'<td{kind} data-v="{value.sort:g}">{value.markup}</td>'
    if isinstance(value, tuple):
        text, number = value
        sort = f' data-v="{number!r}"' if math.isfinite(number) else ' data-v=""'
        return f"<td{kind}{sort}>{said(text)}</td>"
    if isinstance(value, int):
        return f'<td{kind} data-v="{value}">{numbers.plain(float(value), 0)}</td>'
    return f"<td{kind}>{said(value) if numeric or ours else escaped(value)}</td>"


def table(
    headings: Sequence[str],
    rows: Iterable[Sequence[Cell | int]],
    numeric: Sequence[int] = (),
    sortable: bool = True,
    ours: Sequence[int] = (),
    kind: str = "",
) -> str:
    """A table; columns in ``ours`` hold the program's words, others text as it was given."""
    head = "".join(
        f'<th scope="col"{" class=" + chr(34) + "n" + chr(34) if i in numeric else ""}>'
        f"{escaped(text)}</th>"
        for i, text in enumerate(headings)
    )
    body = []
    for row in rows:
        cells = [_cell(value, i in numeric, i in ours) for i, value in enumerate(row)]
        body.append(f"<tr>{''.join(cells)}</tr>")
    box = ""
    if sortable and len(body) >= _FILTERED:
        box = (
            f'<p class="filter words" hidden><label>{words.FILTER} <input type="search"></label> '
            "<output></output></p>"
        )
    mark = f' class="{kind}"' if kind else ""
    sorted_by = sortable and len(body) > 1
    mark += " data-sort" if sorted_by else ""
    # whose headings hold buttons is reached by the keyboard and scrolls; another must be
    reached = "" if sorted_by else ' tabindex="0"'
    return (
        f'{box}<div class="wide"{reached}><table{mark}><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(body)}</tbody></table></div>"
    )


def facts(rows: Sequence[tuple[str, object]]) -> str:
    """Labels and values."""
    items = "".join(f"<dt>{escaped(a)}</dt><dd>{escaped(b)}</dd>" for a, b in rows)
    return f"<dl>{items}</dl>"


def packed(markup: str, note: str) -> str:
    """Markup that the page's script unpacks when it is opened; until then ``note`` stands there."""
    squeeze = zlib.compressobj(6, zlib.DEFLATED, -zlib.MAX_WBITS)
    content = squeeze.compress(markup.encode("utf-8", "backslashreplace")) + squeeze.flush()
    held = base64.b64encode(content).decode()
    return f'<div class="packed">{note}<template>{held}</template></div>'


def cut(total: int, file: str, most: int = MOST_ROWS) -> str:
    """That the table is cut, where it is."""
    if total <= most:
        return ""
    return paragraph(words.TRUNCATED.format(shown=most, total=total, file=file), "small")
