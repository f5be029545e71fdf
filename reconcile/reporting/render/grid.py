"""The cells of a workbook, written as they come; openpyxl makes everything around them.

openpyxl keeps an object for each cell and writes formulas without their results, so that
whatever does not compute (a phone, a protected view, a data frame) shows nothing. Here a cell is
a piece of text with the number of a style that openpyxl keeps, and a formula has its result.
The form is that of ECMA-376 part 1, sections 18.3.1.4 (cell) and 18.3.1.73 (row).
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from typing import NamedTuple
from xml.sax.saxutils import escape

from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.reporting.text import cell_text

_FIXED = datetime(2000, 1, 1)  # noqa: DTZ001 - the format has no zone
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)
_MODIFIED = re.compile(rb"(<dcterms:modified[^>]*>)[^<]*(</dcterms:modified>)")
_EMPTY = re.compile(rb"<sheetData\s*/>|<sheetData></sheetData>")
_DIMENSION = re.compile(rb'<dimension ref="[^"]*"\s*/>')
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_STRINGS_PART = "xl/sharedStrings.xml"
#: Lists of parts: how each ends, and the entry of the texts that cells share.
_LISTS = {
    "[Content_Types].xml": (
        b"</Types>",
        b'<Override PartName="/xl/sharedStrings.xml" ContentType="application/vnd.'
        b'openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"/>',
    ),
    "xl/_rels/workbook.xml.rels": (
        b"</Relationships>",
        b'<Relationship Id="texts" Type="http://schemas.openxmlformats.org/officeDocument/2006/'
        b'relationships/sharedStrings" Target="sharedStrings.xml"/>',
    ),
}
_DRAWING = re.compile(r"xl/drawings/drawing\d+\.xml")
_PICTURE = re.compile(rb'(name="Image (\d+)" descr=)"[^"]*"')
#: Text that Excel would take for a formula when it is entered again.
_QUOTED = "=+-@'"
#: In a formula of many rows, the number of the row.
ROW = "\N{NUMBER SIGN}row\N{NUMBER SIGN}"
_DAY_NOUGHT = datetime(1899, 12, 30, tzinfo=UTC)
_SECONDS = 86_400


class Look(NamedTuple):
    """How a cell looks; each look is one style of the workbook."""

    number_format: str = "General"
    wrap: bool = False
    indent: int = 0
    bold: bool = False
    size: int = 0  # of its letters where it is not the usual
    fill: str = ""
    edge: bool = False  # a line below
    across: str = ""  # "right", "left" or ""
    down: str = "top"
    quoted: bool = False


PLAIN = Look()


@dataclass(slots=True)
class Sheet:
    """One worksheet and its cells, row by row."""

    book: Book
    worksheet: Worksheet
    cells: dict[int, list[tuple[int, str]]] = field(default_factory=dict)
    heights: dict[int, float] = field(default_factory=dict)
    pictures: list[str] = field(default_factory=list)  # what each picture shows, in words

    @property
    def title(self) -> str:
        """Its name."""
        return str(self.worksheet.title)

    @property
    def last_row(self) -> int:
        """The number of the last row that holds something; 1 where none does."""
        return max([1, *self.cells])

    def text(self, row: int, column: int, value: object, look: Look = PLAIN) -> None:
        """Text that stays text, whatever it looks like."""
        self.cell(row, column, self.text_at(value if isinstance(value, str) else str(value), look))

    def number(self, row: int, column: int, value: float, look: Look = PLAIN) -> None:
        """A finite number."""
        self.cell(row, column, self.number_at(value, look))

    def text_at(self, text: str, look: Look) -> str:
        """A text's cell without its place; see ``cell``."""
        book = self.book
        number, quoted = book.string(text)
        style = book.style(look._replace(quoted=True) if quoted else look)
        return f'" s="{style}" t="s"><v>{number}</v></c>'

    def number_at(self, value: float, look: Look) -> str:
        """A finite number's cell without its place; see ``cell``."""
        return f'" s="{self.book.style(look)}"><v>{value!r}</v></c>'

    def cell(self, row: int, column: int, placeless: str) -> None:
        """Put a cell of ``text_at`` or ``number_at`` at its place."""
        cell = f'<c r="{_letter(column)}{row}{placeless}'
        cells = self.cells.get(row)
        if cells is None:
            self.cells[row] = [(column, cell)]
        else:
            cells.append((column, cell))

    def formula(
        self, row: int, column: int, formula: str, result: float | str, look: Look = PLAIN
    ) -> None:
        """A formula of our own, without its equals sign, and what it comes to."""
        kind, shown = "", repr(result)
        if isinstance(result, str):
            kind, shown = ' t="str"', escape(result)
        inside = f"<f>{escape(formula)}</f><v>{shown}</v>"
        self.cell(row, column, f'" s="{self.book.style(look)}"{kind}>{inside}</c>')

    def formulas(
        self, column: int, formula: str, look: Look = PLAIN
    ) -> Callable[[int, float | str], None]:
        """The same formula in many rows: what puts it in a row with its result.

        ``ROW`` stands in it for the number of the row.
        """
        style, inside = self.book.style(look), escape(formula)

        def put(row: int, result: float | str) -> None:
            kind, shown = "", repr(result)
            if isinstance(result, str):
                kind, shown = ' t="str"', escape(result)
            told = inside.replace(ROW, str(row))
            self.cell(row, column, f'" s="{style}"{kind}><f>{told}</f><v>{shown}</v></c>')

        return put

    def merge(self, row: int, first: int, last: int) -> None:
        """One cell across columns; what stands in the first is shown."""
        area = f"{_letter(first)}{row}:{_letter(last)}{row}"
        self.worksheet.merged_cells.add(area)

    def data(self) -> bytes:
        """All rows as the format has them."""
        rows = []
        for number in sorted(self.cells.keys() | self.heights.keys()):
            cells = "".join(cell for _, cell in sorted(self.cells.get(number, ())))
            height = self.heights.get(number)
            high = f' ht="{height:g}" customHeight="1"' if height is not None else ""
            rows.append(f'<row r="{number}"{high}>{cells}</row>')
        return f"<sheetData>{''.join(rows)}</sheetData>".encode("utf-8", "backslashreplace")

    def area(self) -> bytes:
        """The corner cells."""
        widest = max((column for row in self.cells.values() for column, _ in row), default=1)
        return f'<dimension ref="A1:{_letter(widest)}{self.last_row}"/>'.encode()


@cache
def _letter(column: int) -> str:
    return str(get_column_letter(column))


def day_number(moment: datetime) -> float:
    """Days since the beginning of a workbook's calendar; a time with its zone, told in UTC."""
    return round((moment - _DAY_NOUGHT).total_seconds()) / _SECONDS


class Book:
    """A workbook: its sheets, the texts that their cells share, and their styles."""

    def __init__(self) -> None:
        self.workbook = Workbook()
        self.workbook.remove(self.workbook.worksheets[0])
        self.sheets: list[Sheet] = []
        self._strings: dict[str, int] = {}
        self._known: dict[str, tuple[int, bool]] = {}
        self._styles: dict[Look, int] = {}
        self._last: tuple[Look | None, int] = (None, 0)

    def sheet(self, title: str) -> Sheet:
        """A further sheet."""
        made = Sheet(self, self.workbook.create_sheet(title))
        self.sheets.append(made)
        return made

    def string(self, given: str) -> tuple[int, bool]:
        """The number of a text among all that cells share, and whether it must be quoted."""
        known = self._known.get(given)
        if known is None:
            text = cell_text(given)
            number = self._strings.setdefault(text, len(self._strings))
            known = self._known[given] = number, text[:1] in _QUOTED and text != ""
        return known

    def style(self, look: Look) -> int:
        """The number of a style."""
        last, number = self._last
        if look is last:  # most cells look like the one before, and a look takes long to compare
            return number
        known = self._styles.get(look)
        if known is None:
            known = self._styles[look] = self._made(look)
        self._last = look, known
        return known

    def _made(self, look: Look) -> int:
        cell = Cell(self.workbook.worksheets[0], row=1, column=1)
        cell.number_format = look.number_format
        cell.alignment = Alignment(
            vertical=look.down,
            wrap_text=look.wrap or None,
            indent=look.indent,
            horizontal=look.across or None,
        )
        if look.bold or look.size:
            cell.font = Font(name="Calibri", size=look.size or 10, bold=look.bold)
        if look.fill:
            cell.fill = PatternFill("solid", fgColor=look.fill)
        if look.edge:
            cell.border = Border(bottom=Side(style="thin"))
        if look.quoted:
            cell.quotePrefix = True
        return int(cell.style_id)

    def saved(self, title: str, author: str) -> bytes:
        """The workbook as bytes that depend on its content only."""
        properties = self.workbook.properties
        properties.title, properties.creator = title, author
        properties.lastModifiedBy = author
        properties.created = properties.modified = _FIXED
        self.workbook.calculation.fullCalcOnLoad = True
        raw = io.BytesIO()
        self.workbook.save(raw)
        return self._zipped(raw)

    def _zipped(self, raw: io.BytesIO) -> bytes:
        """openpyxl's file with rows and texts in it, without a clock."""
        told = [text for sheet in self.sheets for text in sheet.pictures]
        parts = {f"xl/worksheets/sheet{n}.xml": s for n, s in enumerate(self.sheets, start=1)}
        out = io.BytesIO()
        with zipfile.ZipFile(raw) as source, zipfile.ZipFile(out, "w") as target:
            for name in source.namelist():
                content = source.read(name)
                if name == "docProps/core.xml":
                    content = _MODIFIED.sub(rb"\g<1>2000-01-01T00:00:00Z\g<2>", content)
                elif name in parts:
                    content = _filled(content, parts[name])
                elif name in _LISTS:
                    content = _placed(content, *_LISTS[name])
                elif told and _DRAWING.fullmatch(name):
                    content = _PICTURE.sub(
                        lambda found: found[1] + _quoted(told[int(found[2]) - 1]), content
                    )
                _add(target, name, content)
            _add(target, _STRINGS_PART, self._shared())
        return out.getvalue()

    def _shared(self) -> bytes:
        """All texts, each once (section 18.4.9)."""
        texts = "".join(f'<si><t xml:space="preserve">{escape(t)}</t></si>' for t in self._strings)
        return (
            f'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n<sst xmlns="{_MAIN}" '
            f'uniqueCount="{len(self._strings)}">{texts}</sst>'
        ).encode("utf-8", "backslashreplace")


def _add(target: zipfile.ZipFile, name: str, content: bytes) -> None:
    entry = zipfile.ZipInfo(name, _ZIP_TIME)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.create_system = 3
    entry.external_attr = 0o600 << 16
    target.writestr(entry, content, compresslevel=6)


def _quoted(text: str) -> bytes:
    shown = escape(text, {'"': "&quot;", "\n": " "})
    return b'"' + shown.encode("ascii", "xmlcharrefreplace") + b'"'


def _filled(content: bytes, sheet: Sheet) -> bytes:
    """The part of a sheet with its rows."""
    rows, area = sheet.data(), sheet.area()
    content, found = _EMPTY.subn(lambda _: rows, content)
    if found != 1:
        raise ValueError(f"the place of the rows of {sheet.title!r} was found {found} times")
    return _DIMENSION.sub(lambda _: area, content)


def _placed(content: bytes, end: bytes, entry: bytes) -> bytes:
    """A list of parts with one more entry before its end."""
    if content.count(end) != 1:
        raise ValueError(f"{end!r} was found {content.count(end)} times")
    return content.replace(end, entry + end)
