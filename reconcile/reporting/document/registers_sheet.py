"""The workbook's sheet of what registers and documents of certificates say."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.render import registers_table, sheets
from reconcile.reporting.render.grid import Sheet
from reconcile.reporting.render.sheets import Column

_WIDE = {"kind": 14, "name": 26, "fact": 26, "value": 70}


def sheet(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    """The rows of registers.csv, facts in words."""
    columns = [
        Column(words.REGISTERS_COLUMNS[name], width=_WIDE[name]) for name in registers_table.COLUMNS
    ]
    rows = (
        [words.REGISTER_KINDS[kind], name, words.REGISTER_FACTS.get(fact, ""), value]
        for kind, name, fact, value in registers_table.rows(r)
    )
    sheets.table(sheet, columns, rows, name=words.TABLES["registers"])
    sheets.freeze(sheet, 2, 3)
    return columns
