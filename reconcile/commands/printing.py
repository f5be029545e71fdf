"""Tables on the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from rich import box
from rich.table import Table

from reconcile.base.shown import safe


def table(title: str, *headings: str, right: Sequence[int] = ()) -> Table:
    """An empty table; columns numbered in ``right`` are set to the right."""
    made = Table(title=safe(title), title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for index, heading in enumerate(headings):
        made.add_column(
            safe(heading), justify="right" if index in right else "left", overflow="fold"
        )
    return made


def row(into: Table, *cells: object) -> None:
    """One more row; nothing in a cell is read as markup."""
    into.add_row(*(safe("" if cell is None else cell) for cell in cells))
