"""Excel building blocks: typed cells, headings, widths, print set-up, fixed bytes."""

from __future__ import annotations

import io
import math
import re
import zipfile
from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd
from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.styles.cell_style import StyleArray
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.header_footer import HeaderFooterItem, _HeaderFooterPart
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.reporting.numbers import decimals_for
from reconcile.reporting.text import cell_text

Kind = Literal["text", "number", "integer", "percent", "p"]

_HEAD_FONT = Font(name="Calibri", size=10, bold=True)
_TITLE_FONT = Font(name="Calibri", size=14, bold=True)
_HEAD_FILL = PatternFill("solid", fgColor="E3E3E3")
_HEAD_EDGE = Border(bottom=Side(style="thin"))
_TOP = Alignment(vertical="top", wrap_text=True)
_PLAIN = Alignment(vertical="top")
_INDENTED = Alignment(vertical="top", indent=1)
_FIXED = datetime(2000, 1, 1)  # noqa: DTZ001 - the format has no zone
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)
_MODIFIED = re.compile(rb"(<dcterms:modified[^>]*>)[^<]*(</dcterms:modified>)")
#: Text that begins so is looked at by openpyxl, and text that Excel would take for a formula.
_TAKEN_FOR_MORE, _QUOTED = "=+-@'#", "=+-@'"
#: Styles of a workbook's cells by number format, alignment and whether text is quoted.
_DRESSES: WeakKeyDictionary[Workbook, dict[tuple[str, int, bool], StyleArray]] = WeakKeyDictionary()
_LINE = 13.5  # height of a line, points
_PAGE_WIDTH = 190.0  # characters across a landscape page that are still legible
#: Rows beyond this are left to the CSV files.
MOST_ROWS = 60_000


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a sheet: its heading with unit, what it holds, its width in characters."""

    heading: str
    kind: Kind = "text"
    width: float = 12.0
    wrap: bool = False


def at(sheet: Worksheet, row: int, column: int) -> Cell:
    """One cell."""
    cell = sheet.cell(row, column)
    assert isinstance(cell, Cell)
    return cell


def freeze(sheet: Worksheet, row: int, column: int) -> None:
    """Keep in view what is above ``row`` and left of ``column``."""
    sheet.freeze_panes = f"{get_column_letter(column)}{row}"


def put_text(cell: Cell, value: object, wrap: bool = False) -> None:
    """Text that stays text, whatever it looks like."""
    bare: Any = cell  # its own fields are set where openpyxl would only look again
    text = cell_text(value)
    quoted = text[:1] in _TAKEN_FOR_MORE and text != ""
    if quoted:
        cell.value = text
        quoted = cell.data_type != "s" or text[:1] in _QUOTED
    else:  # what openpyxl would look for is not in it
        bare._value = text
    cell.data_type = "s"
    _dress(cell, "General", _TOP if wrap else _PLAIN, quoted)


def _dress(cell: Cell, number_format: str, alignment: Alignment, quoted: bool = False) -> None:
    """Number format and alignment; each combination is looked up once for a workbook."""
    bare: Any = cell
    book = cell.parent.parent
    assert book is not None
    known = _DRESSES.setdefault(book, {})
    key = (number_format, id(alignment), quoted)
    style = known.get(key)
    if style is not None:
        bare._style = copy(style)
        return
    if quoted:
        cell.quotePrefix = True
    if number_format != "General":
        cell.number_format = number_format
    cell.alignment = alignment
    known[key] = copy(bare._style)


def _number_format(value: float, kind: Kind) -> str:
    if kind == "integer":
        return "#,##0"
    if kind == "p":
        return "0.000"
    if kind == "percent":
        value *= 100
    decimals = max(0, decimals_for(value) + 1)
    text = "#,##0" + ("." + "0" * decimals if decimals else "")
    return text + "%" if kind == "percent" else text


def put(cell: Cell, value: Any, kind: Kind, wrap: bool = False) -> None:
    """A value of the column's kind; missing numbers leave the cell empty."""
    if kind == "text" or isinstance(value, str):
        if value is None or value is pd.NaT or (isinstance(value, float) and math.isnan(value)):
            return
        if isinstance(value, (bool, np.bool_)):
            value = "yes" if value else "no"
        elif isinstance(value, datetime):
            value = value.isoformat(sep=" ").replace("+00:00", "Z")
        put_text(cell, value, wrap)
        if not wrap and cell.column > 1:
            _dress(cell, "General", _INDENTED, bool(cell.quotePrefix))
        return
    if value is None:
        return
    number = float(value)
    if not math.isfinite(number):
        return
    bare: Any = cell
    bare._value = int(number) if kind == "integer" else number
    cell.data_type = "n"
    _dress(cell, _number_format(number, kind), _PLAIN)


def put_formula(cell: Cell, formula: str, number_format: str) -> None:
    """A formula of our own; never text from a file."""
    cell.value = f"={formula}"
    _dress(cell, number_format, _PLAIN)


def protect(sheet: Worksheet) -> None:
    """Guard the formulas against a slip of the hand; no password, filters still work."""
    sheet.protection.sheet = True
    sheet.protection.autoFilter = False  # the flag says what is forbidden
    sheet.protection.formatColumns = False
    sheet.protection.formatRows = False


def table(
    sheet: Worksheet,
    columns: Sequence[Column],
    rows: Iterable[Sequence[Any]],
    first_row: int = 1,
) -> int:
    """Headings and rows from ``first_row`` on; returns the number of the last row."""
    head(sheet, columns, first_row)
    number = first_row
    wrapped = [(i, c.width) for i, c in enumerate(columns) if c.wrap]
    for row in rows:
        number += 1
        if wrapped:
            lines = max(_lines(str(row[i] or ""), width) for i, width in wrapped)
            sheet.row_dimensions[number].height = _LINE * min(lines, 20) + 2
        for place, (column, value) in enumerate(zip(columns, row, strict=True), start=1):
            put(at(sheet, number, place), value, column.kind, column.wrap)
    freeze(sheet, first_row + 1, 1)
    if number > first_row:
        last = get_column_letter(len(columns))
        sheet.auto_filter.ref = f"A{first_row}:{last}{number}"
    sheet.print_title_rows = f"{first_row}:{first_row}"
    return number


def _lines(text: str, width: float) -> int:
    """Lines that ``text`` takes in a column of ``width`` characters, by words."""
    lines, used = 1, 0
    for word in text.split(" "):
        used += len(word) + 1
        while used > width + 1:
            lines, used = lines + 1, min(len(word) + 1, used - int(width))
    return lines


def head(sheet: Worksheet, columns: Sequence[Column], row: int) -> None:
    """The row of headings and the widths."""
    lines = max(_lines(c.heading, c.width * 0.9) for c in columns)
    sheet.row_dimensions[row].height = _LINE * lines + 4
    for place, column in enumerate(columns, start=1):
        cell = at(sheet, row, place)
        put_text(cell, column.heading)
        cell.font, cell.fill, cell.border = _HEAD_FONT, _HEAD_FILL, _HEAD_EDGE
        cell.alignment = Alignment(
            wrap_text=True,
            vertical="bottom",
            horizontal="left" if column.kind == "text" else "right",
            indent=1 if column.kind == "text" and place > 1 and not column.wrap else 0,
        )
        sheet.column_dimensions[get_column_letter(place)].width = column.width


def title(sheet: Worksheet, row: int, text: str) -> None:
    """A line of large text."""
    cell = at(sheet, row, 1)
    put_text(cell, text)
    cell.font = _TITLE_FONT


def line(sheet: Worksheet, row: int, label: str, value: object, across: int = 0) -> None:
    """A bold label and a text beside it, wrapped over ``across`` columns where given."""
    first, second = at(sheet, row, 1), at(sheet, row, 2)
    put_text(first, label)
    first.font = _HEAD_FONT
    put_text(second, value, wrap=bool(across))
    if across:
        sheet.merge_cells(start_row=row, end_row=row, start_column=2, end_column=1 + across)
        sheet.row_dimensions[row].height = 2 * _LINE + 2


def set_up(sheet: Worksheet, paper: str, release_id: str, fit: bool = True) -> None:
    """Landscape, as many pages wide as keep the text legible, release id at the foot."""
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = 1 if paper == "Letter" else 9
    if fit:
        width = sum(d.width for d in sheet.column_dimensions.values())
        sheet.page_setup.fitToWidth = max(1, round(width / _PAGE_WIDTH))
        sheet.page_setup.fitToHeight = 0
        sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
        last = get_column_letter(len(sheet.column_dimensions))
        sheet.print_area = f"A1:{last}{sheet.max_row}"
    else:
        sheet.page_setup.scale = 75
    sheet.page_margins.left = sheet.page_margins.right = 0.4
    sheet.page_margins.top, sheet.page_margins.bottom = 0.6, 0.75
    sheet.page_margins.footer = 0.3
    sheet.oddFooter = HeaderFooterItem(
        left=_HeaderFooterPart(text=release_id.replace("&", "&&")),
        center=_HeaderFooterPart(text="&A"),
        right=_HeaderFooterPart(text="&P / &N"),
    )


def saved(workbook: Workbook, title: str, author: str) -> bytes:
    """The workbook as bytes that depend on its content only."""
    properties = workbook.properties
    properties.title, properties.creator = title, author
    properties.lastModifiedBy = author
    properties.created = properties.modified = _FIXED
    workbook.calculation.fullCalcOnLoad = True
    raw = io.BytesIO()
    workbook.save(raw)
    out = io.BytesIO()
    with zipfile.ZipFile(raw) as source, zipfile.ZipFile(out, "w") as target:
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                content = _MODIFIED.sub(rb"\g<1>2000-01-01T00:00:00Z\g<2>", content)
            entry = zipfile.ZipInfo(name, _ZIP_TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            entry.external_attr = 0o600 << 16
            target.writestr(entry, content, compresslevel=6)
    return out.getvalue()
