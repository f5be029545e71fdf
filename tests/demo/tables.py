"""Text tables and workbooks whose bytes depend on nothing but their cells."""

from __future__ import annotations

import csv
import io
import re
import zipfile
from dataclasses import dataclass, field
from datetime import datetime
from decimal import ROUND_HALF_EVEN, Decimal

from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet


@dataclass(slots=True)
class Sheet:
    """Lines of a table; remembers on which line each was written."""

    heading: list[list[str]]
    lines: list[list[str]] = field(default_factory=list)

    def add(self, cells: list[str]) -> int:
        """Append a line and return its 1-based number in the file."""
        self.lines.append(cells)
        return len(self.heading) + len(self.lines)

    def text(self, delimiter: str = ",") -> str:
        """The table as CSV."""
        stream = io.StringIO()
        writer = csv.writer(stream, delimiter=delimiter, lineterminator="\n")
        writer.writerows([*self.heading, *self.lines])
        return stream.getvalue()

    def find(self, column: str, text: str) -> int:
        """The 1-based line on which ``column`` first reads ``text``."""
        place = self.heading[0].index(column)
        for index, line in enumerate(self.lines):
            if line[place] == text:
                return len(self.heading) + index + 1
        raise KeyError(text)


def number(value: float, digits: int) -> str:
    """Rounded to significant digits, without an exponent."""
    if value == 0:
        return "0"
    exact = Decimal(repr(value))
    place = exact.adjusted() - digits + 1
    rounded = exact.quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN)
    return f"{rounded:f}"


def plain(value: float, digits: int) -> str:
    """As ``number``, but no trailing zeros after the point."""
    text = number(value, digits)
    return text.rstrip("0").rstrip(".") if "." in text else text


def workbook_bytes(fill: object) -> bytes:
    """A workbook filled by ``fill(Workbook)``, with nothing in it that depends on the day.

    Entries are stored uncompressed so that no compression library can change the bytes.
    """
    book = Workbook()
    first = book.active
    assert isinstance(first, Worksheet)
    assert callable(fill)
    fill(book, first)
    made = datetime(2026, 1, 1)  # noqa: DTZ001 - the format holds naive times
    book.properties.created = made
    book.properties.creator = "invented"
    stream = io.BytesIO()
    book.save(stream)
    target = io.BytesIO()
    with zipfile.ZipFile(stream) as source, zipfile.ZipFile(target, "w") as out:
        for name in sorted(source.namelist(), key=lambda n: (n != "[Content_Types].xml", n)):
            content = source.read(name)
            if name == "docProps/core.xml":
                content = re.sub(
                    rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>2026-01-01T00:00:00Z", content
                )
            out.writestr(zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), content)
    return target.getvalue()
