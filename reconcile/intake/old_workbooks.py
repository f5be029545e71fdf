"""Workbooks of older programs (.xls) and open documents (.ods) as sheets of text cells.

Each is read by one library or parser and counted by another: .xls by xlrd, .ods by the parser
here; both are counted by calamine, whose reading shares nothing with these.
"""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.parsers import expat

import numpy as np

from reconcile.base.errors import ReconcileError
from reconcile.intake import delimited
from reconcile.intake.counting import count_rows
from reconcile.intake.sheets import HEAD_ROWS, MAX_COLUMNS, Row, Sheet
from reconcile.intake.workbooks import MAX_XLSX_CELLS, MAX_XLSX_ROWS, check_package, shown_number

_MOST_BYTES = 512 << 20
_BLANKS = " \t\r\n\f\v\ufeff"


@dataclass(slots=True)
class _Grid:
    """What one sheet holds: its filled rows, and merged cells by line."""

    name: str
    rows: list[Row] = field(default_factory=list)
    merged: dict[int, list[tuple[int, int]]] = field(default_factory=dict)
    hidden: bool = False
    cells: int = 0

    def add(self, line: int, texts: list[str], shown: str) -> None:
        """One row as it stands; raises ReconcileError where the sheet grows beyond measure."""
        texts = [text.strip(_BLANKS) for text in texts]
        while texts and not texts[-1]:
            texts.pop()
        if not texts:
            return
        self.cells += len(texts)
        if len(texts) > MAX_COLUMNS or self.cells > MAX_XLSX_CELLS or line > MAX_XLSX_ROWS:
            raise ReconcileError(
                f"{shown}, sheet '{self.name}' is too large for a workbook.", "Give it as .csv."
            )
        self.rows.append(Row(line, tuple(texts)))


def xls(path: Path, shown: str, wanted: tuple[str, ...]) -> tuple[Sheet, ...]:
    """Every sheet of a .xls workbook that holds something, or those wanted by name."""
    import xlrd

    damaged = ReconcileError(
        f"{shown} is an old or encrypted spreadsheet that can't be read (damaged, or a password).",
        "Save it as .xlsx without a password, or as .csv.",
    )
    if path.stat().st_size > _MOST_BYTES:
        raise ReconcileError(f"{shown} is too large for a workbook.", "Give it as .csv.")
    try:
        book = xlrd.open_workbook(path, formatting_info=True, logfile=io.StringIO())
        grids = [_of_xls(book, sheet, shown) for sheet in book.sheets()]
    except ReconcileError:
        raise
    except Exception as error:  # xlrd raises whatever the damaged part makes it raise
        raise damaged from error
    return _sheets(path, shown, wanted, grids)


def _of_xls(book: Any, sheet: Any, shown: str) -> _Grid:
    grid = _Grid(sheet.name, hidden=bool(sheet.visibility))
    for number in range(sheet.nrows):
        grid.add(number + 1, [_xls_text(book, cell) for cell in sheet.row(number)], shown)
    for first_row, last_row, first, last in sheet.merged_cells:
        for line in range(first_row, last_row):
            grid.merged.setdefault(line + 1, []).append((first, last - 1))
    return grid


def _xls_text(book: Any, cell: Any) -> str:
    import xlrd

    value = cell.value
    if cell.ctype == xlrd.XL_CELL_NUMBER:
        form = book.format_map[book.xf_list[cell.xf_index].format_key].format_str
        number = int(value) if value == int(value) and abs(value) < 1e15 else float(value)
        return shown_number(number, str(form))
    if cell.ctype == xlrd.XL_CELL_DATE:
        if value < 1:  # a time of day
            after = dt.timedelta(seconds=round(float(value) * 86_400))
            return (dt.datetime(2000, 1, 1, tzinfo=dt.UTC) + after).time().isoformat()
        return str(xlrd.xldate_as_datetime(value, book.datemode).isoformat(sep=" "))
    if cell.ctype == xlrd.XL_CELL_BOOLEAN:
        return "true" if value else "false"
    if cell.ctype == xlrd.XL_CELL_ERROR:
        return str(xlrd.error_text_from_code.get(value, "#ERROR"))
    return str(value)


# ---- open documents -----------------------------------------------------------------------


def ods(path: Path, shown: str, wanted: tuple[str, ...]) -> tuple[Sheet, ...]:
    """Every sheet of an .ods workbook that holds something, or those wanted by name."""
    check_package(path, shown, "content.xml")
    reader = _Reader(shown)
    try:
        with zipfile.ZipFile(path) as package, package.open("content.xml") as stream:
            reader.parser.ParseFile(stream)
    except ReconcileError:
        raise
    except Exception as error:  # zipfile, zlib and expat raise many kinds for damaged packages
        raise ReconcileError(
            f"{shown} is damaged or is no .ods workbook.",
            "Open it in a spreadsheet and save it anew.",
        ) from error
    return _sheets(path, shown, wanted, reader.grids)


class _Reader:
    """The parts of content.xml that hold cells (ODF 1.3, part 3, section 9.1)."""

    def __init__(self, shown: str) -> None:
        self.grids: list[_Grid] = []
        self._shown = shown
        self._line = 0
        self._rows = self._columns = 1
        self._texts: list[str] = []
        self._blank = 0  # empty cells that stand before the next filled one
        self._cell: dict[str, str] | None = None
        self._parts: list[str] = []
        self._deep = 0  # within a paragraph of the cell
        self._aside = 0  # within a remark, which is no content
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._data

    def _start(self, name: str, given: dict[str, str]) -> None:
        if name == "office:annotation":
            self._aside += 1
        elif name == "table:table":
            self.grids.append(_Grid(given.get("table:name", "")))
            self._line = 0
        elif name == "table:table-row":
            self._rows = _many(given.get("table:number-rows-repeated"))
            self._texts, self._blank = [], 0
        elif name in {"table:table-cell", "table:covered-table-cell"}:
            self._columns = _many(given.get("table:number-columns-repeated"))
            self._cell, self._parts = given, []
        elif self._cell is not None and not self._aside:
            self._within(name, given)

    def _within(self, name: str, given: dict[str, str]) -> None:
        if name == "text:p":
            if self._parts:
                self._parts.append("\n")
            self._deep += 1
        elif name == "text:s":
            self._parts.append(" " * min(_many(given.get("text:c")), 1000))
        elif name in {"text:tab", "text:line-break"}:
            self._parts.append(" ")

    def _data(self, text: str) -> None:
        if self._cell is not None and self._deep and not self._aside:
            self._parts.append(text)

    def _end(self, name: str) -> None:
        if name == "office:annotation":
            self._aside -= 1
        elif name == "text:p" and self._deep and not self._aside:
            self._deep -= 1
        elif name in {"table:table-cell", "table:covered-table-cell"}:
            self._finish_cell()
        elif name == "table:table-row":
            self._finish_row()

    def _finish_cell(self) -> None:
        given, self._cell = self._cell or {}, None
        text = _ods_text(given, "".join(self._parts))
        if not text.strip(_BLANKS):
            self._blank += self._columns
            return
        if self._blank + len(self._texts) + self._columns > MAX_COLUMNS:
            raise ReconcileError(
                f"{self._shown}: a row of more than {MAX_COLUMNS} columns.", "Leave some out."
            )
        self._texts += [""] * self._blank
        spanned = _many(given.get("table:number-columns-spanned"))
        if spanned > 1 and self.grids:
            at = len(self._texts)
            merged = self.grids[-1].merged.setdefault(self._line + 1, [])
            merged.append((at, at + spanned - 1))
        self._texts += [text] * self._columns
        self._blank = 0

    def _finish_row(self) -> None:
        if self._texts and self.grids:
            if self._rows * len(self._texts) > MAX_XLSX_CELLS:
                raise ReconcileError(
                    f"{self._shown} repeats a row {self._rows} times.", "Give it as .csv."
                )
            for further in range(self._rows):
                self.grids[-1].add(self._line + 1 + further, self._texts, self._shown)
        self._line += self._rows


def _many(text: str | None) -> int:
    return max(int(text), 1) if text is not None and text.isascii() and text.isdigit() else 1


def _ods_text(given: dict[str, str], text: str) -> str:
    """The cell as a person would read it, with all digits of its number."""
    kind, value = given.get("office:value-type", ""), given.get("office:value", "")
    if kind in {"float", "currency", "percentage"} and value:
        number = float(value)
        whole = number == int(number) and abs(number) < 1e15
        zeros = text if text.isascii() and text.isdigit() and text.startswith("0") else ""
        return zeros or shown_number(
            int(number) if whole else number, "0%" if kind == "percentage" else ""
        )
    if kind == "date":
        return given.get("office:date-value", "").replace("T", " ")
    if kind == "boolean":
        return given.get("office:boolean-value", "")
    return text


# ---- both ---------------------------------------------------------------------------------


def _sheets(
    path: Path, shown: str, wanted: tuple[str, ...], grids: Iterable[_Grid]
) -> tuple[Sheet, ...]:
    found = list(grids)
    names = [grid.name for grid in found]
    if missing := [name for name in wanted if name not in names]:
        raise ReconcileError(
            f"{shown} has no sheet '{missing[0]}'; it has {', '.join(names) or 'none'}.",
            "Mend 'sheet' in the settings.",
        )
    lines = dict(_counted(path, shown))
    taken = [g for g in found if g.rows and (not wanted or g.name in wanted)]
    if not taken:
        raise ReconcileError(f"{shown} has no sheet with text.", "Export the file again.")
    return tuple(_sheet(grid, lines.get(grid.name, [])) for grid in taken)


def _counted(path: Path, shown: str) -> Iterator[tuple[str, list[int]]]:
    """The lines of each sheet that hold something, by a reader of its own."""
    import python_calamine

    try:
        with path.open("rb") as stream:
            book = python_calamine.CalamineWorkbook.from_filelike(stream)
            for name in book.sheet_names:
                rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
                filled = [
                    number
                    for number, cells in enumerate(rows, 1)
                    if any(str(cell).strip(_BLANKS) for cell in cells)
                ]
                yield name, filled
    except Exception as error:  # calamine raises its own kinds
        raise ReconcileError(
            f"{shown} can't be counted: it is damaged.", "Save it as .xlsx, or as .csv."
        ) from error


def _sheet(grid: _Grid, lines: list[int]) -> Sheet:
    counted = np.array(lines, np.int64)
    rows = grid.rows
    return Sheet(
        grid.name,
        tuple(rows[:HEAD_ROWS]),
        lambda after, width, _: delimited.collect((r for r in rows if r.line > after), width),
        lambda last_line: count_rows(counted, last_line),
        typed_numbers=True,
        merged={line: tuple(sorted(spans)) for line, spans in grid.merged.items()},
        notes=(f"sheet '{grid.name}' is hidden in the workbook; it was read",)
        if grid.hidden
        else (),
    )
