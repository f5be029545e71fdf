"""An XLSX package, looked at part by part through its relationships, apart from openpyxl.

It tells how many rows of a sheet hold something, and which formulas were never computed. Names
are compared with their namespace, so that neither a prefix nor another name of a part hides
anything.
"""

from __future__ import annotations

import posixpath
import re
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

_RELATION = "{http://schemas.openxmlformats.org/package/2006/relationships}Relationship"
_REFERENCE = re.compile(r"([A-Za-z]{1,3})([0-9]{1,7})")


@dataclass(slots=True)
class SheetScan:
    """What one sheet's part holds."""

    rows: list[int] = field(default_factory=list)  # numbers of the rows that hold something
    uncomputed: dict[tuple[int, int], str] = field(default_factory=dict)  # row, column from 0
    too_small: dict[tuple[int, int], str] = field(default_factory=dict)  # read as 0, and is none
    merged: dict[int, list[tuple[int, int]]] = field(default_factory=dict)  # row: first, last


def scan_sheets(path: Path, wanted: tuple[str, ...], head_rows: int) -> dict[str, SheetScan]:
    """Scan the sheets wanted, or every one, by title; merged cells in the leading rows only.

    Raises ValueError, KeyError, zipfile, zlib or XML errors where the package is damaged.
    """
    with zipfile.ZipFile(path) as package:
        names = set(package.namelist())
        (book,) = [
            part for kind, part in _related(package, "").values() if kind == "officeDocument"
        ]
        related = _related(package, book)
        blank: frozenset[str] = frozenset()
        for kind, part in related.values():
            if kind == "sharedStrings" and part in names:
                blank = _blank_strings(package, part)
        scans: dict[str, SheetScan] = {}
        for title, relation in _titles(package, book):
            kind, part = related[relation]
            if kind != "worksheet" or part not in names or (wanted and title not in wanted):
                continue
            if title in scans:
                raise ValueError(f"two sheets are named {title}")
            scans[title] = _Scanner(package, part, blank, head_rows).scan
        return scans


def _related(package: zipfile.ZipFile, part: str) -> dict[str, tuple[str, str]]:
    """Relationships of a part (of the package: ''): id -> kind, name of the other part."""
    folder, name = posixpath.split(part)
    listed = posixpath.join(folder, "_rels", f"{name}.rels")
    found = {}
    for entry in ET.fromstring(package.read(listed)).iter(_RELATION):
        if entry.get("TargetMode") != "External":
            target = posixpath.normpath(posixpath.join("/", folder, entry.get("Target", "")))
            kind = posixpath.basename(entry.get("Type", ""))
            found[entry.get("Id", "")] = (kind, target.lstrip("/"))
    return found


def _titles(package: zipfile.ZipFile, book: str) -> Iterator[tuple[str, str]]:
    """Title and relationship of each sheet, in order."""
    root = ET.fromstring(package.read(book))
    own = root.tag.rpartition("}")[0] + "}"
    for sheet in root.iter(f"{own}sheet"):
        relation = [value for key, value in sheet.attrib.items() if key.endswith("}id")]
        if relation:
            yield sheet.get("name", ""), relation[0]


def _blank_strings(package: zipfile.ZipFile, part: str) -> frozenset[str]:
    """Places, as text, of the shared strings that hold nothing but blanks."""
    blank = set()
    place = 0
    with package.open(part) as stream:
        for _, element in ET.iterparse(stream):
            if element.tag.rpartition("}")[2] != "si":
                continue
            own = element.tag.rpartition("}")[0] + "}"
            texts = [*element.iter(f"{own}t")]
            if not any((t.text or "").strip() for t in texts):
                blank.add(str(place))
            place += 1
            element.clear()
    return frozenset(blank)


class _Scanner:
    """Reads one sheet's XML once, cell by cell."""

    def __init__(
        self, package: zipfile.ZipFile, part: str, blank: frozenset[str], head_rows: int
    ) -> None:
        self.scan = SheetScan()
        self._blank = blank
        self._head_rows = head_rows
        self._row = 0
        self._column = 0
        self._kind = ""
        self._formula: list[str] | None = None
        self._value: list[str] | None = None
        self._into: list[str] | None = None
        self._names: dict[str, str] = {}  # with namespace -> local name
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.buffer_text = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        parser.StartDoctypeDeclHandler = self._declared
        with package.open(part) as stream:
            parser.ParseFile(stream)

    def _declared(self, *_: object) -> None:
        raise ValueError("the sheet declares a document type")

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        if not self._names:  # the first element: all others are of its namespace
            space = name.rpartition(" ")[0]
            known = ("c", "v", "f", "t", "row", "mergeCell")
            self._names = {f"{space} {local}".lstrip(): local for local in known}
        match self._names.get(name):
            case "c":
                self._begin_cell(attributes)
            case "v":
                self._into = self._value = []
            case "t":
                if self._value is None:
                    self._value = []
                self._into = self._value
            case "f":
                self._into = self._formula = []
            case "row":
                self._row = int(float(attributes["r"])) if "r" in attributes else self._row + 1
                self._column = 0
            case "mergeCell":
                self._merge(attributes.get("ref", ""))

    def _begin_cell(self, attributes: dict[str, str]) -> None:
        self._kind = attributes.get("t", "n")
        self._formula = self._value = None
        where = attributes.get("r", "").rstrip("0123456789")
        self._column = _column_of(where) if where else self._column + 1

    def _end(self, name: str) -> None:
        local = self._names.get(name)
        if local == "c":
            if self._holds() and (not self.scan.rows or self.scan.rows[-1] != self._row):
                self.scan.rows.append(self._row)
        elif local in ("v", "t", "f"):
            self._into = None

    def _holds(self) -> bool:
        """Whether the cell that ends here shows something, or should."""
        text = None if self._value is None else "".join(self._value)
        if self._formula is not None and not text and not (text == "" and self._kind == "str"):
            # a formula that gave an empty text has an empty value, and says that it is text
            self.scan.uncomputed[self._row, self._column - 1] = "=" + "".join(self._formula)
            return True
        if not text:
            return False
        if self._kind == "n" and _vanishes(text):
            self.scan.too_small[self._row, self._column - 1] = text.strip()
        return text.strip() not in self._blank if self._kind == "s" else bool(text.strip())

    def _text(self, data: str) -> None:
        if self._into is not None:
            self._into.append(data)

    def _merge(self, reference: str) -> None:
        first, _, last = reference.partition(":")
        here, there = _REFERENCE.fullmatch(first), _REFERENCE.fullmatch(last)
        if here is None or there is None or int(here[2]) > self._head_rows:
            return
        left, right = _column_of(here[1]) - 1, _column_of(there[1]) - 1
        if right > left:
            for line in range(int(here[2]), min(int(there[2]), int(here[2]) + 8) + 1):
                self.scan.merged.setdefault(line, []).append((left, right))


def _vanishes(text: str) -> bool:
    """Whether a number other than 0 is too small for a computer to tell from 0."""
    digits = text.lower().partition("e")[0]
    try:
        return float(text) == 0 and any(digit in digits for digit in "123456789")
    except ValueError:
        return False


def _column_of(letters: str) -> int:
    """Number of a column, from 1: A is 1, AA is 27."""
    number = 0
    for letter in letters.upper():
        number = number * 26 + ord(letter) - 64
    return number
