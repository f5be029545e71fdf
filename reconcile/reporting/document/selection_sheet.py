"""The workbook's sheet of how samples were chosen."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.render import selection_table, sheets
from reconcile.reporting.render.grid import Sheet
from reconcile.reporting.render.sheets import Column

_WIDE = {"name": 46, "figure": 30, "of": 16, "selection": 16}
_NUMBERS = frozenset({"value", "low", "high", "agreed"})


def sheet(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """The rows of selection.csv."""
    columns = [
        Column(
            words.SELECTION_COLUMNS[name],
            "number" if name in _NUMBERS else "integer" if name == "n" else "text",
            _WIDE.get(name, 12),
        )
        for name in selection_table.COLUMNS
    ]
    sheets.table(sheet, columns, selection_table.rows(r), name=words.TABLES["selection"])
    sheets.freeze(sheet, 2, 2)
    return columns
