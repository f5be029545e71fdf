"""workbook.xlsx: the release for whoever wants to sort, filter, pivot and check.

First the answer, then tables of one row per stratum and one per pair, then what stands behind
them; the figures with the formulas that recompute them come last.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.document import (
    conformity_sheet,
    evidence_sheet,
    glance_sheet,
    laboratories_sheet,
    list_sheets,
    pairs_sheet,
    registers_sheet,
    selection_sheet,
    strata_sheet,
    stratum_sheet,
)
from reconcile.reporting.manner import written_for
from reconcile.reporting.render import (
    calculation,
    laboratories_table,
    recompute,
    registers_table,
    sheets,
)
from reconcile.reporting.render.grid import Book, Sheet
from reconcile.reporting.render.sheets import Column
from reconcile.reporting.text import cell_text

#: A sheet of rows writes itself and tells its columns.
Write = Callable[[Sheet, Reconciliation], Sequence[Column]]


def workbook(r: Reconciliation) -> bytes:
    """The whole workbook; equal values give equal bytes."""
    with written_for(r):
        return _workbook(r)


def _workbook(r: Reconciliation) -> bytes:
    book = Book()
    made = {key: book.sheet(name) for key, name in words.SHEETS.items() if _there(key, r)}
    blocks = calculation.write(made["calculation"], r.results, True, r.workbook_pairs)
    glance_sheet.sheet(made["summary"], r)
    stratum_sheet.sheet(made["each"], r, made["calculation"], blocks)
    for key, write in _TABLES.items():
        if key in made:
            columns = write(made[key], r)
            pages = sheets.HEAVY_PAGES if key == "statistics" else sheets.PAGES
            printed = sheets.printed_columns(columns)
            sheets.set_up(made[key], r.paper, r.release_id, printed, pages)
    recompute.recomputed(made["recomputed"], r.results, blocks)
    for key in ("calculation", "recomputed"):
        sheets.set_up(made[key], r.paper, r.release_id, pages=sheets.HEAVY_PAGES)
    return book.saved(cell_text(r.title)[:200], cell_text(r.prepared_by)[:200])


def _there(key: str, r: Reconciliation) -> bool:
    """Some sheets are only made where there is something to show."""
    match key:
        case "conformity":
            return r.conformity is not None
        case "laboratories":
            return laboratories_table.holds_any(r)
        case "selection":
            return bool(r.selection.strata)
        case "registers":
            return registers_table.holds_any(r)
        case "corrections":
            return len(r.corrections) > 0
    return True


def _conformity(sheet: Sheet, r: Reconciliation) -> Sequence[Column]:
    return conformity_sheet.sheet(sheet, r.conformity) if r.conformity is not None else ()


_TABLES: dict[str, Write] = {
    "strata": strata_sheet.sheet,
    "pairs": pairs_sheet.sheet,
    "factors": list_sheets.factors,
    "evidence": evidence_sheet.sheet,
    "findings": list_sheets.findings,
    "quality": list_sheets.quality,
    "exclusions": list_sheets.exclusions,
    "conformity": _conformity,
    "laboratories": laboratories_sheet.sheet,
    "selection": selection_sheet.sheet,
    "registers": registers_sheet.sheet,
    "corrections": list_sheets.corrections,
    "files": list_sheets.files,
    "inputs": list_sheets.inputs,
    "settings": list_sheets.settings,
    "statistics": list_sheets.statistics,
}
