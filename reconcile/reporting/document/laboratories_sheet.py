"""The workbook's sheet of laboratories and certificates beside each other."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.render import laboratories_table, sheets
from reconcile.reporting.render.grid import Sheet
from reconcile.reporting.render.sheets import Column

_WIDE = {
    "stratum": 40, "first": 34, "second": 34, "first_laboratory": 24, "second_laboratory": 24,
    "figure": 24,
}  # fmt: skip
_NUMBERS = frozenset({"value", "low", "high", "p_value"})
_COUNTS = frozenset({"n", "limited"})


def sheet(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """The rows of laboratories.csv."""
    columns = [
        Column(
            words.LABORATORIES_COLUMNS[name],
            "number" if name in _NUMBERS else "integer" if name in _COUNTS else "text",
            _WIDE.get(name, 12),
        )
        for name in laboratories_table.COLUMNS
    ]
    rows = (
        [words.YES_NO[v] if isinstance(v, bool) else v for v in row]
        for row in laboratories_table.rows(r)
    )
    sheets.table(sheet, columns, rows, name=words.TABLES["laboratories"])
    sheets.freeze(sheet, 2, 3)
    return columns
