"""Excel building blocks: typed columns, tables with names, widths, print set-up."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any, Literal

import numpy as np
import pandas as pd
from openpyxl.formatting.rule import Rule
from openpyxl.styles import Font, PatternFill
from openpyxl.styles.differential import DifferentialStyle
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.filters import AutoFilter
from openpyxl.worksheet.header_footer import HeaderFooterItem, _HeaderFooterPart
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.table import Table, TableColumn, TableStyleInfo

from reconcile.reporting import words
from reconcile.reporting.numbers import decimals_for
from reconcile.reporting.render.grid import Look, Sheet, day_number
from reconcile.reporting.text import cell_text

Kind = Literal["text", "number", "integer", "percent", "p", "date", "time"]

HEAD = Look(wrap=True, bold=True, fill="E3E3E3", edge=True, across="left", down="bottom")
TITLE = Look(bold=True, size=14)
LABEL = Look(bold=True)
WRAPPED = Look(wrap=True)
_INDENTED, _TEXT = Look(indent=1), Look()
_DATE, _TIME = Look("yyyy-mm-dd", across="left"), Look("yyyy-mm-dd hh:mm", across="left")
_DAY = re.compile(r"\d{4}-\d\d-\d\d")
_LINE = 13.5  # height of a line, points
_PAGE_WIDTH = 190.0  # characters across a landscape page that are still legible
#: Rows beyond this are left to the CSV files.
MOST_ROWS = 60_000
#: Pages that are printed of a list, and of a sheet which is there to be looked up and recomputed.
PAGES, HEAVY_PAGES = 3, 1
_WIDE, _HIGH = 784.0, 498.0  # points of a landscape page within its margins
_CHARACTER = 6.2  # points, in the widest of usual faces


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a sheet: its heading with unit, what it holds, its width in characters."""

    heading: str
    kind: Kind = "text"
    width: float = 12.0
    wrap: bool = False


def freeze(sheet: Sheet, row: int, column: int) -> None:
    """Keep in view what is above ``row`` and left of ``column``."""
    sheet.worksheet.freeze_panes = f"{get_column_letter(column)}{row}"


_FORMATS: dict[tuple[Kind, int], Look] = {}


def _number_look(value: float, kind: Kind) -> Look:
    decimals = _decimals(value) if kind == "number" else 0
    known = _FORMATS.get((kind, decimals))
    if known is None:
        known = _FORMATS[kind, decimals] = Look(_number_format(kind, decimals))
    return known


def _decimals(value: float) -> int:
    return max(0, decimals_for(value) + 1)


def _number_format(kind: Kind, decimals: int) -> str:
    if kind in ("p", "percent"):
        return "0.000" if kind == "p" else "0.0%"
    return "#,##0" + ("." + "0" * decimals if decimals else "")


def _moment(value: Any) -> datetime | None:
    """A time with its zone; None where the value is none."""
    if isinstance(value, str):
        try:
            value = datetime.fromisoformat(value)
        except ValueError:
            return None
    if isinstance(value, datetime):
        if value is pd.NaT or value.tzinfo is None:
            return None
        return value.astimezone(UTC)
    return None


_MOMENTS = frozenset({"date", "time"})
_WRITTEN = frozenset({"text", "date", "time"})


def put(
    sheet: Sheet, row: int, column: int, value: Any, kind: Kind = "text", wrap: bool = False
) -> None:
    """A value of the column's kind; missing ones leave the cell empty.

    A date is told by its day (ISO text or date), a time in UTC; what is neither stays text.
    """
    of = type(value)
    if of is str and kind not in _MOMENTS:
        if value:
            sheet.text(row, column, value, WRAPPED if wrap else _INDENTED if column > 1 else _TEXT)
        return
    if of is float and kind not in _WRITTEN:
        if value - value == 0:  # finite
            shown = int(value) if kind == "integer" else value
            sheet.number(row, column, shown, _number_look(value, kind))
        return
    if value is None or value is pd.NaT or value is pd.NA:
        return
    if isinstance(value, str) and kind not in _MOMENTS:
        if value:
            sheet.text(row, column, value, WRAPPED if wrap else _INDENTED if column > 1 else _TEXT)
        return
    if kind == "date" and (isinstance(value, date) or (
        isinstance(value, str) and _DAY.fullmatch(value)
    )):  # fmt: skip
        day = date.fromisoformat(value) if isinstance(value, str) else value
        moment = datetime.combine(day, time(), tzinfo=UTC)
        sheet.number(row, column, int(day_number(moment)), _DATE)
    elif kind == "time" and (moment_ := _moment(value)) is not None:
        sheet.number(row, column, day_number(moment_), _TIME)
    elif isinstance(value, str) or kind in ("text", "date", "time"):
        _put_text(sheet, row, column, value, wrap)
    else:
        number = float(value)
        if math.isfinite(number):
            shown = int(number) if kind == "integer" else number
            sheet.number(row, column, shown, _number_look(number, kind))


def _put_text(sheet: Sheet, row: int, column: int, value: Any, wrap: bool) -> None:
    if value == "" or (isinstance(value, float) and math.isnan(value)):
        return
    if isinstance(value, (bool, np.bool_)):
        value = words.YES_NO[bool(value)]
    elif isinstance(value, datetime):
        value = value.isoformat(sep=" ").replace("+00:00", "Z")
    look = WRAPPED if wrap else _INDENTED if column > 1 else _TEXT
    sheet.text(row, column, value, look)


def table(
    sheet: Sheet,
    columns: Sequence[Column],
    rows: Iterable[Sequence[Any]],
    first_row: int = 1,
    name: str = "",
) -> int:
    """Headings and rows from ``first_row`` on; returns the number of the last row.

    With a ``name`` they are a table of that name, which sorts, filters and can be pivoted.
    """
    head(sheet, columns, first_row)
    number = rows_below(sheet, columns, rows, first_row)
    freeze(sheet, first_row + 1, 1)
    if number > first_row:
        area = f"A{first_row}:{get_column_letter(len(columns))}{number}"
        if name:
            named(sheet, columns, area, name)
        else:
            sheet.worksheet.auto_filter.ref = area
    sheet.worksheet.print_title_rows = f"{first_row}:{first_row}"
    return number


def rows_below(
    sheet: Sheet, columns: Sequence[Column], rows: Iterable[Sequence[Any]], number: int
) -> int:
    """Rows of values below row ``number``; returns the number of the last. See ``put``."""
    kinds = [_Kept(sheet, place, c) for place, c in enumerate(columns, start=1)]
    wrapped = [(i, c.width) for i, c in enumerate(columns) if c.wrap]
    for row in rows:
        number += 1
        if wrapped:
            lines = max(_lines(str(row[i] or ""), width) for i, width in wrapped)
            sheet.heights[number] = _LINE * min(lines, 20) + 2
        for kept, value in zip(kinds, row, strict=True):
            of = type(value)
            if of is str and kept.texts is not None:
                if value:
                    sheet.cell(number, kept.place, kept.texts.get(value) or kept.text(value))
            elif of is float and kept.numeric:
                if value - value == 0:  # finite
                    sheet.cell(number, kept.place, kept.number(value))
            elif value is not None and value != "":
                put(sheet, number, kept.place, value, kept.kind, kept.wrap)
    return number


class _Kept:
    """A column of rows with the cells that it has had: most come again."""

    def __init__(self, sheet: Sheet, place: int, column: Column) -> None:
        self.place, self.kind, self.wrap = place, column.kind, column.wrap
        self.numeric = column.kind not in _WRITTEN
        self.texts: dict[str, str] | None = None if column.kind in _MOMENTS else {}
        self._sheet = sheet
        self._look = WRAPPED if column.wrap else _INDENTED if place > 1 else _TEXT
        self._leads: dict[int, str] = {}

    def text(self, value: str) -> str:
        """The cell of a text that the column has not had."""
        made = self._sheet.text_at(value, self._look)
        if self.texts is not None:
            self.texts[value] = made
        return made

    def number(self, value: float) -> str:
        """The cell of a finite number."""
        shown = int(value) if self.kind == "integer" else value
        decimals = _decimals(value) if self.kind == "number" else 0
        lead = self._leads.get(decimals)
        if lead is None:
            style = self._sheet.book.style(_number_look(value, self.kind))
            lead = self._leads[decimals] = f'" s="{style}"><v>'
        return f"{lead}{shown!r}</v></c>"


def named(sheet: Sheet, columns: Sequence[Column], area: str, name: str) -> None:
    """Make an area with its headings a table."""
    made = Table(displayName=name, ref=area)
    made.tableStyleInfo = TableStyleInfo(name="TableStyleLight1", showRowStripes=False)
    made.autoFilter = AutoFilter(ref=area)
    made.tableColumns = [
        TableColumn(id=place, name=cell_text(column.heading))
        for place, column in enumerate(columns, start=1)
    ]
    sheet.worksheet.add_table(made)


def _lines(text: str, width: float) -> int:
    """Lines that ``text`` takes in a column of ``width`` characters, by words."""
    lines, used = 1, 0
    for word in text.split(" "):
        used += len(word) + 1
        while used > width + 1:
            lines, used = lines + 1, min(len(word) + 1, used - int(width))
    return lines


def high(text: str, width: float) -> float:
    """Height of a row that shows ``text`` wrapped in so many characters, in points."""
    return _LINE * _lines(text, width) + 2


def head(sheet: Sheet, columns: Sequence[Column], row: int) -> None:
    """The row of headings and the widths."""
    lines = max(_lines(c.heading, c.width * 0.85) for c in columns)
    sheet.heights[row] = _LINE * lines + 4
    for place, column in enumerate(columns, start=1):
        text = column.kind in ("text", "date", "time")
        look = HEAD._replace(
            across="left" if text else "right",
            indent=1 if column.kind == "text" and place > 1 and not column.wrap else 0,
        )
        sheet.text(row, place, column.heading, look)
    widths(sheet, [c.width for c in columns])


def widths(sheet: Sheet, given: Sequence[float]) -> None:
    """Widths of the columns, in characters."""
    for place, width in enumerate(given, start=1):
        sheet.worksheet.column_dimensions[get_column_letter(place)].width = width


def title(sheet: Sheet, row: int, text: str) -> None:
    """A line of large text."""
    sheet.text(row, 1, text, TITLE)


def line(sheet: Sheet, row: int, label: str, value: object, across: int = 0) -> None:
    """A bold label and a text beside it, wrapped over ``across`` columns where given."""
    sheet.text(row, 1, label, LABEL)
    sheet.text(row, 2, value, WRAPPED if across else Look())
    if across:
        sheet.merge(row, 2, 1 + across)
        sheet.heights[row] = 2 * _LINE + 2


def shade(
    sheet: Sheet, area: str, formula: str, fill: str = "", bold: bool = False, colour: str = ""
) -> None:
    """A conditional format: where ``formula`` holds for the area's first cell, moved along."""
    look = DifferentialStyle(
        font=Font(bold=bold or None, color=colour or None) if bold or colour else None,
        fill=PatternFill(bgColor=fill) if fill else None,
    )
    rule = Rule(type="expression", formula=[formula], dxf=look)
    sheet.worksheet.conditional_formatting.add(area, rule)


def set_up(
    sheet: Sheet,
    paper: str,
    release_id: str,
    columns: int = 0,
    pages: int = 0,
    one_page: bool = False,
    scale: int = 0,
    last_row: int = 0,
) -> None:
    """Landscape, one page wide (or at a ``scale`` in per cent), release id at the foot.

    Of wide and of long sheets the first ``columns`` and ``pages`` are printed. ``last_row`` tells
    the last row where charts reach below the cells.
    """
    sheet_ = sheet.worksheet
    sheet_.page_setup.orientation = "landscape"
    sheet_.page_setup.paperSize = 1 if paper == "Letter" else 9
    if scale:
        sheet_.page_setup.scale = scale
    else:
        sheet_.page_setup.fitToWidth = 1
        sheet_.page_setup.fitToHeight = 1 if one_page else 0
        sheet_.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    last = get_column_letter(columns or len(sheet_.column_dimensions))
    end = max(sheet.last_row, last_row)
    rows = _rows_on(sheet, columns, pages) if pages else end
    sheet_.print_area = f"A1:{last}{min(end, rows)}"
    sheet_.page_margins.left = sheet_.page_margins.right = 0.4
    sheet_.page_margins.top, sheet_.page_margins.bottom = 0.6, 0.75
    sheet_.page_margins.footer = 0.3
    cut = columns or end > rows
    name = words.PRINTED_PART.format(sheet="&A") if cut else "&A"
    sheet_.oddFooter = HeaderFooterItem(
        left=_HeaderFooterPart(text=release_id.replace("&", "&&")),
        center=_HeaderFooterPart(text=name),
        right=_HeaderFooterPart(text="&P / &N"),
    )


def _rows_on(sheet: Sheet, columns: int, pages: int) -> int:
    """The rows that so many pages hold, each with the headings."""
    widths_ = [d.width for d in sheet.worksheet.column_dimensions.values()]
    scale = min(1.0, _WIDE / (_CHARACTER * sum(widths_[: columns or None])))
    heads = sheet.heights.get(1, _LINE)
    room = pages * (_HIGH / scale - heads) - _LINE
    row = 1
    while room > 0 and row < MOST_ROWS:
        row += 1
        room -= sheet.heights.get(row, _LINE + 1.5)
    return max(2, row - 1)


def printed_columns(columns: Sequence[Column]) -> int:
    """How many columns stand on a page that is still legible; 0 for all of them."""
    width = 0.0
    for place, column in enumerate(columns):
        width += column.width
        if width > _PAGE_WIDTH:
            return place
    return 0
