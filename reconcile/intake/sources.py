"""Opening files: any delimited text, XLSX or Parquet -> leading rows and columns of text.

Nothing is understood here. What comes out has the true line (or sheet row) of every data
row. Files are hostile: sizes are bounded before anything is unpacked, and every way in
which a file can be unreadable ends in a ReconcileError.
"""

from __future__ import annotations

import codecs
import csv
import datetime as dt
import hashlib
import io
import itertools
import math
import mmap
import os
import re
import threading
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from reconcile.base.characters import lowered, raised
from reconcile.base.errors import ReconcileError
from reconcile.base.regular import open_regular
from reconcile.intake.counting import Counted, count_rows, count_text, holds_something
from reconcile.intake.package import SheetScan, scan_sheets

HEAD_ROWS = 120  # leading rows in which headings are looked for
MAX_COLUMNS = 4096
MAX_CELL = 32_767  # what a spreadsheet cell may hold
MAX_TEXT_BYTES = 4 << 30
MAX_XLSX_MEMBER = 1 << 30
MAX_XLSX_TOTAL = 2 << 30
MAX_XLSX_RATIO = 200
MAX_XLSX_ROWS = 1_048_576
MAX_XLSX_CELLS = 20_000_000
MAX_LINES_OF_ROW = 50  # a row over more lines has a quotation mark that is never closed
QUICK_FROM_BYTES = 1 << 20  # smaller text files are read cell by cell
_CHUNK_ROWS = 8_192
#: Quieting the workbook reader's warnings holds for all threads, so one thread at a time does it.
_ONE_WORKBOOK = threading.Lock()
_BLOCK = 1 << 21  # bytes cut at once: a block with its columns stays in the cache


WHOLE_ROW = -1
_FEW = 3  # rows that make a habit of a file, at least
_HABIT = 0.1  # and the least share of its rows


@dataclass(frozen=True, slots=True)
class Row:
    """One row as text. ``line`` is 1-based: line of the file or row of the sheet.

    ``lines`` holds the lines of a row as they stand, where it runs over several or is in doubt.
    ``exact``: its quotation marks make sense only if it has as many cells as there are headings;
    ``doubt``: why they make none.
    """

    line: int
    cells: tuple[str, ...]
    lines: tuple[str, ...] = ()
    exact: bool = False
    doubt: str = ""

    @property
    def last(self) -> int:
        """The line on which the row ends."""
        return self.line + max(len(self.lines), 1) - 1


@dataclass(frozen=True, slots=True)
class Broken:
    """A data row that can't be laid under the headings."""

    line: int
    found: str
    reason: str
    advice: str


@dataclass(frozen=True, slots=True)
class Doubt:
    """A cell that can't be believed, though its row can; or what makes a whole row doubtful."""

    line: int
    index: int  # column, from 0; or WHOLE_ROW
    found: str
    reason: str
    advice: str


@dataclass(frozen=True, slots=True)
class Body:
    """The data rows: one column per heading (null = empty), equal lengths.

    A column is text, or, where ``read_body`` was asked for it as numbers, float64: the sign bit
    stands for '<' before the number, so that -5 is the cell '<5'.
    """

    columns: tuple[pa.Array | pa.ChunkedArray, ...]
    lines: pa.Array  # int64
    broken: tuple[Broken, ...]
    doubts: tuple[Doubt, ...] = ()
    joined: int = 0  # further lines of rows that run over several
    parted: int = 0  # further lines of such rows that were refused, each line as a row
    blank: int = 0  # rows that hold nothing and are counted in the file all the same


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table of a file, before it is understood.

    ``read_body(after_line, width, numbers)`` reads the rows below the headings; the columns
    ``numbers`` may come as numbers, where each of their cells is empty, a number without a sign,
    or '<' and such a number. ``count(last_line)`` counts what the file holds, apart from that
    reading; ``last_line`` is the last line of the headings. ``merged`` holds, per line, the
    (first, last) columns of merged heading cells, where the file tells.
    """

    name: str
    head: tuple[Row, ...]
    read_body: Callable[[int, int, frozenset[int]], Body]
    count: Callable[[int], Counted]
    delimiter: str = ""
    texts_can_hold_commas: bool = True
    typed_numbers: bool = False  # numbers come typed (XLSX, Parquet), not as locale text
    merged: dict[int, tuple[tuple[int, int], ...]] | None = None
    notes: tuple[str, ...] = ()


def digest(path: Path, shown: str) -> str:
    """SHA-256 of the file. Raises ReconcileError where it can't be read."""
    try:
        with open_regular(path) as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except FileNotFoundError as error:
        raise ReconcileError(f"{shown} does not exist.", "Check the path.") from error
    except OSError as error:
        raise ReconcileError(
            f"{shown} can't be opened: {error.strerror or error}.", "Check that it is a file."
        ) from error


def state_of(path: Path) -> tuple[int, ...]:
    """What changes when a file is written: its size, times and place; empty where it is gone."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return ()
    return (found.st_size, found.st_mtime_ns, found.st_ino)


def open_sheets(
    path: Path, shown: str, wanted: tuple[str, ...] = (), open_end: bool = False
) -> tuple[Sheet, ...]:
    """Every non-empty sheet of the file, or those wanted by name.

    ``open_end``: the last line of a text is whole also where it has no line end.
    """
    try:
        with open_regular(path) as handle:
            start = handle.read(8)
            size = os.fstat(handle.fileno()).st_size
    except OSError as error:
        raise ReconcileError(
            f"{shown} can't be opened: {error.strerror or error}.", "Check the path."
        ) from error
    if size == 0:
        raise ReconcileError(f"{shown} is empty.", "Export the file again.")
    if start.startswith(b"PAR1"):
        return (_parquet(path, shown),)
    if start.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        with _ONE_WORKBOOK:
            return _xlsx(path, shown, wanted)
    if start.startswith(b"\xd0\xcf\x11\xe0"):
        raise ReconcileError(
            f"{shown} is an old or encrypted spreadsheet (.xls or password).",
            "Save it as .xlsx without a password, or as .csv.",
        )
    kinds = (
        (b"%PDF", "a PDF"), (b"\x1f\x8b", "compressed (gzip)"), (b"\x89PNG", "a picture"),
        (b"7z\xbc\xaf", "an archive"), (b"Rar!", "an archive"), (b"\xff\xd8\xff", "a picture"),
    )  # fmt: skip
    for mark, kind in kinds:
        if start.startswith(mark):
            raise ReconcileError(
                f"{shown} is {kind}, not a table.", "Give the table as .csv, .xlsx or .parquet."
            )
    if path.suffix.lower() in {".xlsx", ".xlsm", ".parquet"}:
        raise ReconcileError(
            f"{shown} has the ending {path.suffix} but not that format (it may be cut off).",
            "Export the file again.",
        )
    if size > MAX_TEXT_BYTES:
        raise ReconcileError(
            f"{shown} is larger than {MAX_TEXT_BYTES >> 30} GiB.", "Split it, by month say."
        )
    return (_text(path, shown, size, open_end),)


# ---- delimited text ---------------------------------------------------------------------


def _encoding(path: Path, shown: str) -> tuple[str, str, bool]:
    """The encoding, a note, and whether there are quotation marks; refuses what is no text."""
    with path.open("rb") as handle:
        quote = (b'"',)
        start = handle.read(1 << 16)
        for mark, name in (
            (codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF32_LE, "utf-32"),
            (codecs.BOM_UTF32_BE, "utf-32"), (codecs.BOM_UTF16_LE, "utf-16"),
            (codecs.BOM_UTF16_BE, "utf-16"),
        ):  # fmt: skip
            if start.startswith(mark):
                return _checked(handle, name, shown), "", _holds(handle, quote)
        if b"\x00" in start:
            even, odd = start[0::2].count(0), start[1::2].count(0)
            half, unmarked = len(start) // 2, "read as UTF-16 without a mark"
            if odd > 0.3 * half and even < 0.05 * half:
                return _checked(handle, "utf-16-le", shown), unmarked, _holds(handle, quote)
            if even > 0.3 * half and odd < 0.05 * half:
                return _checked(handle, "utf-16-be", shown), unmarked, _holds(handle, quote)
            raise _not_text(shown)
        if len(re.findall(rb"[\x01-\x08\x0b\x0e-\x19\x1c-\x1f\x7f]", start)) > 0.002 * len(start):
            raise _not_text(shown)
        utf8, quoted = _looked_through(handle, shown)
        if utf8:
            return "utf-8", "", quoted
        cp1252 = not _holds(handle, (b"\x81", b"\x8d", b"\x8f", b"\x90", b"\x9d"))
    name = "cp1252" if cp1252 else "latin-1"
    shown_name = "Windows-1252" if cp1252 else "ISO 8859-1"
    note = f"the file is not UTF-8; it was read as {shown_name}: check letters with accents"
    return name, note, quoted


def _looked_through(handle: Any, shown: str) -> tuple[bool, bool]:
    """Whether all of the file is UTF-8, and has quotation marks; refuses a zero byte."""
    utf8, quoted, between = True, False, False  # between: in the midst of a letter
    decoder = codecs.getincrementaldecoder("utf-8")()
    for block in _blocks(handle):
        if b"\x00" in block:
            raise _not_text(shown)
        quoted = quoted or b'"' in block
        if utf8 and (between or not block.isascii()):
            try:
                decoder.decode(block)
                between = bool(decoder.getstate()[0])
            except UnicodeDecodeError:
                utf8 = False
    return utf8 and not between, quoted


def _blocks(handle: Any) -> Iterator[bytes]:
    handle.seek(0)
    while block := handle.read(1 << 20):
        yield block


def _holds(handle: Any, marks: tuple[bytes, ...]) -> bool:
    return any(mark in block for block in _blocks(handle) for mark in marks)


def _checked(handle: Any, name: str, shown: str) -> str:
    handle.seek(0)
    decoder = codecs.getincrementaldecoder(name)()
    try:
        while block := handle.read(1 << 24):
            text = decoder.decode(block)
            strange = len(re.findall(r"[\x00-\x08\x0b\x0e-\x1f\x7f]", text[: 1 << 16]))
            if "\x00" in text or strange > 0.002 * len(text[: 1 << 16]):
                raise _not_text(shown)
        decoder.decode(b"", final=True)
    except UnicodeError as error:
        raise ReconcileError(
            f"{shown} says that it is {name} text but is damaged.", "Export the file again."
        ) from error
    return name


def _not_text(shown: str) -> ReconcileError:
    return ReconcileError(
        f"{shown} is binary, not a table of text.", "Give the table as .csv, .xlsx or .parquet."
    )


_SEP_LINE = re.compile(r'\s*"?sep=(.)"?[,;\t|]*\s*', re.I)


def _text(path: Path, shown: str, size: int, open_end: bool) -> Sheet:
    encoding, note, quoted = _encoding(path, shown)
    with path.open("r", encoding=encoding, newline="") as handle:
        start = handle.read(1 << 20)
    first, _, _ = start.lstrip("\ufeff").partition("\n")
    told = _SEP_LINE.fullmatch(first.rstrip("\r"))
    delimiter = told[1] if told else _delimiter(start)
    skip = 1 if told else 0
    with path.open("r", encoding=encoding, newline="") as handle:
        head = tuple(itertools.islice(_rows(handle, delimiter, skip, shown), HEAD_ROWS))
    if not any(any(row.cells) for row in head):
        raise ReconcileError(f"{shown} holds no text.", "Export the file again.")

    def read_body(after_line: int, width: int, numbers: frozenset[int]) -> Body:
        if size >= QUICK_FROM_BYTES and delimiter != " " and delimiter.isascii():
            if numbers and not quoted and encoding.startswith("utf-8") and delimiter in ",;\t|":
                typed = _typed_body(path, delimiter, after_line, width, numbers)
                if typed is not None:
                    return typed
            quick = _quick_body(path, encoding, delimiter, after_line, width, quoted)
            if quick is not None:
                return quick
        with path.open("r", encoding=encoding, newline="") as handle:
            rows = (r for r in _rows(handle, delimiter, skip, shown) if r.line > after_line)
            cut = CUT if ends_open and not open_end else WHOLE if ends_open else ""
            return _collect(rows, width, delimiter, cut)

    ends_open = lacks_line_end(path)
    notes = [note] if note else []
    if ends_open and open_end:
        notes.append("the last line has no line end; files of this table end so, it is taken whole")
    elif ends_open:
        notes.append(
            "the last line has no line end, as in a file that was cut off: its last cell is not "
            "believed"
        )
    return Sheet(
        "",
        head,
        read_body,
        lambda last_line: count_text(path, encoding, delimiter, last_line),
        delimiter,
        texts_can_hold_commas=quoted or delimiter != ",",
        notes=tuple(notes),
    )


def lacks_line_end(path: Path) -> bool | None:
    """True where a text's last line has no end, as in a file that was cut off.

    None for empty files, and for workbooks and Parquet files, which can't be read when cut.
    """
    with path.open("rb") as handle:
        start = handle.read(4)
        size = handle.seek(0, 2)
        handle.seek(max(0, size - 4))
        tail = handle.read().rstrip(b"\x00")
    if not size or start.startswith((b"PAR1", b"PK\x03\x04", b"PK\x05\x06")):
        return None
    return bool(tail) and tail[-1:] not in b"\r\n\x1a"


def _delimiter(start: str) -> str:
    """The delimiter that cuts the leading lines into the most even, widest rows."""
    lines = [line for line in start.splitlines() if line.strip()][:HEAD_ROWS]
    if len(start) >= 1 << 20 and len(lines) > 1:
        lines = lines[:-1]
    best, best_score = ",", 0.0
    for candidate in (",", ";", "\t", "|"):
        try:
            counts = [len(r) for r in csv.reader(lines, delimiter=candidate) if r]
        except csv.Error:
            continue
        wide = [c for c in counts if c > 1]
        if not wide:
            continue
        usual = max(set(wide), key=lambda c: (wide.count(c), c))
        score = wide.count(usual) / len(counts) * math.log2(usual + 1)
        if candidate != ",":
            score *= 1.0001  # a comma may be a decimal mark; the others hardly stand in numbers
        if score > best_score:
            best, best_score = candidate, score
    if best == "," and ";" in start:
        # 'a;1,5;2,5' is cut evenly by its decimal commas too: prefer the other mark where it
        # cuts every line alike
        counts = [line.count(";") for line in lines]
        if counts and min(counts[-5:]) > 0 and len(set(counts[-5:])) == 1:
            return ";"
    return best


def _rows(handle: Any, delimiter: str, skip: int, shown: str) -> Iterator[Row]:
    """Rows with the line on which each starts; blank lines are left out but counted."""
    taken: list[str] = []  # the lines that the reader took for a row
    lines = _bounded_lines(handle, shown, taken)
    for _ in range(skip):
        next(lines, None)
    reader = csv.reader(lines, delimiter=delimiter)
    quoting = _Quoting.of(delimiter)
    done = 0
    while True:
        taken.clear()
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise ReconcileError(
                f"{shown}, near line {skip + reader.line_num}: the row can't be cut into cells "
                f"({error}).",
                "Look for a quotation mark that is never closed, or export the file again.",
            ) from error
        line, spanned = done + 1 + skip, reader.line_num - done
        done = reader.line_num
        if spanned > MAX_LINES_OF_ROW:
            raise ReconcileError(
                f"{shown}, line {line}: a quotation mark opens here and is never closed; it would "
                f"swallow {spanned - 1} lines.",
                "Mend that line, or export the file again.",
            )
        if len(cells) > MAX_COLUMNS:
            while cells and not cells[-1].strip():
                cells.pop()
            if len(cells) > MAX_COLUMNS:
                raise ReconcileError(
                    f"{shown}, line {line}: {len(cells)} columns; at most {MAX_COLUMNS} are read.",
                    "Check the delimiter, or leave out what is not needed.",
                )
        if not holds_something(taken[0] if spanned == 1 else "".join(taken), delimiter):
            continue
        tidy = tuple([cell.strip(" \t\r\n\f\v\ufeff\x1a") for cell in cells])
        if spanned == 1 and '"' not in taken[0]:
            yield Row(line, tidy)
            continue
        doubt, exact = quoting.judge(taken, cells)
        yield Row(line, tidy, tuple(taken) if spanned > 1 or doubt else (), exact, doubt)


@dataclass(frozen=True, slots=True)
class _Quoting:
    """Whether the quotation marks of a row can mean one thing only.

    A mark too many makes a cell out of everything up to the next mark: cells of the same line,
    or whole lines. Such a row can have the right number of cells, and then holds values of
    another row. So a row with marks that are neither around cells nor within plain cells is
    refused; and so is one over several lines where the cell with the line break holds a
    delimiter too, for its lines may have been rows.
    """

    delimiter: str
    strict: re.Pattern[str]  # marks stand around whole cells only
    loose: re.Pattern[str]  # or within cells that do not begin with one, as in: 5" core

    @staticmethod
    @cache
    def of(delimiter: str) -> _Quoting:
        d = re.escape(delimiter)
        around = r'"(?:[^"]|"")*+"' + ("" if delimiter == " " else " *+")

        def row(plain: str) -> re.Pattern[str]:
            cell = rf"(?:{around}|{plain})"
            return re.compile(rf"\ufeff?{cell}(?:{d}{cell})*+[\r\n]*+")

        return _Quoting(
            delimiter,
            row(rf'[^"\r\n{d}]*+'),
            row(rf'(?:[^"\r\n{d}][^\r\n{d}]*+)?'),
        )

    def judge(self, lines: list[str], cells: list[str]) -> tuple[str, bool]:
        """Why the row is in doubt ('' where not), and whether its number of cells must be right."""
        whole, several = "".join(lines), len(lines) > 1
        strict = bool(self.strict.fullmatch(whole))
        if not strict and several:
            return _SWALLOWS.format(len(lines)), True
        if not strict and not self.loose.fullmatch(whole):
            return "a quotation mark stands within a quoted cell, or is never closed", True
        if len(cells) > 1 and any(self.delimiter in c and _BREAK.search(c) for c in cells):
            return _SWALLOWS.format(len(lines)), True
        return "", not strict or several or any(self.delimiter in cell for cell in cells)


_SWALLOWS = (
    "a quotation mark that opens a cell holds {} lines together, which may be rows of their own: "
    "one mark is missing, or one is too many"
)
_MEND_MARKS = "Mend the quotation marks in the file (a mark within a cell is written twice)."
_BREAK = re.compile(r"[\r\n]")
#: How a file without a last line end is taken: as cut off, or as whole.
CUT, WHOLE = "cut", "whole"


def _bounded_lines(handle: Any, shown: str, taken: list[str]) -> Iterator[str]:
    """Lines of bounded length; adds each to ``taken``."""
    number = 0
    while line := handle.readline(MAX_CELL * 64):
        number += 1
        if len(line) >= MAX_CELL * 64:
            raise ReconcileError(
                f"{shown}, line {number} is longer than {MAX_CELL * 64:,} characters.",
                "Export the file again.",
            )
        line = line.replace("\x00", "")
        taken.append(line)
        yield line


def _collect(rows: Iterable[Row], width: int, delimiter: str = "", cut: str = "") -> Body:
    """Lay rows under ``width`` headings; rows with more cells or doubtful marks are broken.

    A row over several lines stands only where every row of the file has its number of cells (a
    remark of one cell is no row). ``cut`` says how the file ends. Where its last line has no line
    end (CUT), a last row that is too short is broken, and of a full one the last cell is in
    doubt, whatever it holds: an empty cell is what a cut behind a delimiter leaves, and a closed
    quotation mark may be the first half of a doubled one. No count of rows that the file states
    could vouch for that cell. Where files of this kind never have that line end (WHOLE) only a
    last row shorter than all others is broken.
    """
    chunks: list[list[pa.Array]] = []
    lines: list[int] = []
    broken: list[Broken] = []
    doubts: list[Doubt] = []
    pending: list[tuple[str, ...]] = []
    several: dict[int, Row] = {}  # by position
    dropped: set[int] = set()
    laid: list[tuple[int, bool]] = []  # by position: how many cells, and whether the last is empty
    uneven = parted = 0
    last: Row | None = None

    def flush() -> None:
        if pending:
            chunks.append(
                [
                    pa.array([c or None for c in col], pa.string())
                    for col in zip(*pending, strict=True)
                ]
            )
            pending.clear()

    def held(row: Row) -> list[tuple[int, str]]:
        places = enumerate(row.lines, row.line)
        return [(line, text) for line, text in places if holds_something(text, delimiter)]

    def refuse(row: Row, found: str, reason: str, advice: str) -> None:
        nonlocal parted
        if len(row.lines) < 2:
            broken.append(Broken(row.line, _short(found), reason, advice))
            return
        each = held(row)  # every line may have been a row, so each is told
        broken.extend(Broken(line, _short(text.strip()), reason, advice) for line, text in each)
        parted += len(each) - 1

    for row in rows:
        cells = row.cells
        last = None
        if row.doubt or (row.lines and len(cells) == 1 and _as_rows(row, width, delimiter)):
            doubt = row.doubt or _SWALLOWS.format(len(row.lines))
            refuse(row, "".join(row.lines).strip(), doubt, _MEND_MARKS)
            continue
        if len(cells) > width and any(cells[width:]):
            uneven += 1
            refuse(
                row,
                "; ".join(c for c in cells[width:] if c),
                f"the row has {len(cells)} cells under {width} headings",
                "Look for an unquoted delimiter, such as a decimal comma, in this row.",
            )
            continue
        if max(map(len, cells), default=0) > MAX_CELL:
            refuse(row, "", "a cell is longer than a spreadsheet cell can be", "Check it.")
            continue
        if len(cells) < width and len(cells) > 1 and row.exact and len(row.lines) < 2:
            uneven += 1
            refuse(
                row,
                delimiter.join(cells),
                f"the row has {len(cells)} of {width} cells, and quotation marks that may hold "
                "two cells together",
                _MEND_MARKS,
            )
            continue
        last = row
        uneven += _is_short(row, width)
        if len(row.lines) > 1:
            several[len(lines)] = row
        pending.append(cells[:width] + ("",) * (width - len(cells)))
        lines.append(row.line)
        laid.append((len(cells) if _is_filled(row) else 0, not cells[-1]))
        if len(pending) >= _CHUNK_ROWS:
            flush()
    if cut and last is not None and len(last.cells) < width:
        short = _is_short(last, width)
        if cut == CUT or (short and uneven == 1):
            uneven -= short
            dropped.add(len(lines) - 1)
            reason = f"the last row stops after {len(last.cells)} of {width} cells: the file is "
            refuse(last, "; ".join(last.cells), f"{reason}cut off", "Get the whole file.")
    elif cut == CUT and last is not None:
        doubts.append(Doubt(last.line, width - 1, last.cells[width - 1], _OPEN, _END_IT))
    for at, row in several.items():
        if uneven and _is_filled(row) and at not in dropped:
            dropped.add(at)
            reason = f"a quoted cell runs over {len(row.lines)} lines, and other rows of the file "
            refuse(row, "", f"{reason}have not as many cells as there are headings", _MEND_MARKS)
    flush()
    columns = (
        tuple(pa.concat_arrays([chunk[i] for chunk in chunks]) for i in range(width))
        if chunks
        else tuple(pa.array([], pa.string()) for _ in range(width))
    )
    places = pa.array(lines, pa.int64())
    if dropped:
        keep = np.ones(len(lines), bool)
        keep[list(dropped)] = False
        columns = tuple(column.filter(pa.array(keep)) for column in columns)
        places = places.filter(pa.array(keep))
    for at, usual in _out_of_step(laid, width) if delimiter else ():
        if at not in dropped:
            reason = (
                f"the row has {laid[at][0]} cells where others have {usual}: one is missing or "
            )
            doubts.append(Doubt(lines[at], WHOLE_ROW, "", f"{reason}too many", _COUNT_CELLS))
    joined = sum(len(held(row)) - 1 for at, row in several.items() if at not in dropped)
    return Body(columns, places, tuple(broken), tuple(doubts), joined, parted)


_COUNT_CELLS = "Put the cell that is missing into its place, or take out the one too many."


def _out_of_step(laid: list[tuple[int, bool]], width: int) -> list[tuple[int, int]]:
    """Positions of rows with another number of cells than is usual, and that number.

    What many rows do is a habit of the file: some leave empty cells at the end of a row out, so
    that none of their rows ends in an empty cell; some write a mark more behind the last cell.
    """
    counts = Counter(count for count, _ in laid if count)
    if len(counts) < 2:
        return []
    usual = max(counts, key=lambda count: (counts[count], count))
    many = max(_FEW, _HABIT * counts.total())
    fine = {usual, width} | {c for c in counts if c > width and counts[c] >= many}
    short = {c for c in counts if c < max(usual, width)}
    if sum(counts[c] for c in short) >= many and not any(empty for count, empty in laid if count):
        fine |= short
    return [(at, usual) for at, (count, _) in enumerate(laid) if count and count not in fine]


_OPEN = (
    "the file ends here without a line end, as one that was cut off: the cell may be the begin of "
    "a longer one"
)
_END_IT = (
    "Get the whole file, or end its last line. Where such files never have a last line end, set "
    'final_line_end = "absent" in their [[table]].'
)


def _is_filled(row: Row) -> bool:
    """True for more than a remark."""
    return sum(map(bool, row.cells)) > 1


def _as_rows(row: Row, width: int, delimiter: str) -> bool:
    """True where a line of a remark over several lines has the cells of a row."""
    return any(text.count(delimiter) + 1 >= max(width, 2) for text in row.lines)


def _is_short(row: Row, width: int) -> bool:
    return len(row.cells) < width and _is_filled(row)


def _quick_body(
    path: Path, encoding: str, delimiter: str, after_line: int, width: int, quoted: bool
) -> Body | None:
    """The same as ``_collect`` for clean files; None where it can't be sure of that."""
    if encoding.startswith("utf-8"):
        with path.open("rb") as handle:
            raw: Any = mmap.mmap(handle.fileno(), 0, access=mmap.ACCESS_READ)
    else:
        raw = path.read_bytes().decode(encoding).removeprefix("\ufeff").encode("utf-8")
    if not _ends_plainly(raw[-_TAIL:]) or (quoted and not _quotes_are_plain(raw, delimiter)):
        return None
    padded = _is_padded(raw, delimiter)
    source = pa.BufferReader(pa.py_buffer(raw))
    columns = _cut(source, delimiter, after_line, [pa.string()] * width, quoted)
    if columns is None:
        return None
    texts = [pa.concat_arrays(column.chunks) for column in columns]
    rows = len(texts[0])
    if quoted and rows != _line_ends(raw) - after_line:
        return None  # line breaks within quotation marks
    return _body([_trimmed(text) if padded else text for text in texts], after_line)


_TAIL = 4096
#: '<' and '-' change places on the way in, so that '<5' reads as -5 and '-5' as no number; 'e'
#: and 'E' with signs that no table holds, lest '1e<5' read as a power of ten.
_SWAPPED = bytes.maketrans(b"<-eE\x01\x02", b"-<\x01\x02eE")
#: A number with fewer zeros behind the point is none that a computer takes for 0.
_ZEROS = b"0" * 280


class _Swapped(io.RawIOBase):
    """A file in which the bytes of _SWAPPED have changed places."""

    def __init__(self, handle: Any) -> None:
        self._handle = handle
        self._tail = b""
        self.strange = False  # holds a sign that no table holds, or a number that is lost as 0

    def readable(self) -> bool:  # pyarrow asks
        return True

    def read(self, size: int = -1) -> bytes:
        block = self._handle.read(size)
        self.strange |= b"\x01" in block or b"\x02" in block or _ZEROS in block
        self.strange |= _ZEROS in self._tail + block[: len(_ZEROS)]
        self._tail = block[-len(_ZEROS) :]
        return bytes(block.translate(_SWAPPED))


def _typed_body(
    path: Path, delimiter: str, after_line: int, width: int, numbers: frozenset[int]
) -> Body | None:
    """The quick way with numbers read as numbers; None where some cell says anything else."""
    with path.open("rb") as handle:
        handle.seek(max(0, path.stat().st_size - _TAIL))
        if not _ends_plainly(handle.read()):
            return None
    types = [pa.float64() if i in numbers else pa.string() for i in range(width)]
    with path.open("rb", buffering=0) as unbuffered:
        source = _Swapped(unbuffered)
        columns = _cut(source, delimiter, after_line, types, quoted=False)
    if columns is None or source.strange:
        return None
    for i, column in enumerate(columns):
        if i not in numbers:
            columns[i] = _trimmed(_swapped_back(pa.concat_arrays(column.chunks)))
    return _body(columns, after_line)


def _swapped_back(texts: pa.Array) -> pa.Array:
    valid, offsets, content = texts.buffers()
    content = pa.py_buffer(content.to_pybytes().translate(_SWAPPED)) if content else content
    return pa.Array.from_buffers(texts.type, len(texts), [valid, offsets, content])


def _ends_plainly(tail: bytes) -> bool:
    """True where the last line is a whole row: no blank lines behind it, no missing line end."""
    if not tail.endswith(b"\n") or b"\x1a" in tail:
        return False
    return tail[len(tail.rstrip(b"\r\n")) :].count(b"\n") == 1


def _cut(
    source: Any, delimiter: str, after_line: int, types: list[pa.DataType], quoted: bool
) -> list[pa.ChunkedArray] | None:
    """The columns below a line; None where a row has another width or a cell another type."""
    names = [f"c{i}" for i in range(len(types))]
    try:
        # every block of every column of text takes room for a whole block: that of the system
        # is cheaper to give back than that of Arrow's own pool
        table = pacsv.read_csv(
            source,
            memory_pool=pa.system_memory_pool(),
            read_options=pacsv.ReadOptions(
                column_names=names, skip_rows=after_line, block_size=_BLOCK
            ),
            parse_options=pacsv.ParseOptions(
                delimiter=delimiter,
                quote_char='"' if quoted else False,
                ignore_empty_lines=False,
            ),
            convert_options=pacsv.ConvertOptions(
                column_types=dict(zip(names, types, strict=True)),
                null_values=[""],
                strings_can_be_null=True,
                check_utf8=False,  # all of the file was looked through before
            ),
        )
    except pa.ArrowInvalid:
        return None
    return list(table.columns) if table.num_rows else None


def _body(columns: list[pa.Array | pa.ChunkedArray], after_line: int) -> Body | None:
    """The columns with their lines; None where a row is blank, or a cell far too long."""
    rows = len(columns[0])
    texts = [column for column in columns if pa.types.is_string(column.type)]
    if any((pc.max(pc.binary_length(text)).as_py() or 0) > MAX_CELL for text in texts):
        return None
    if len(columns) == 1 or _some_blank_row(columns, rows):
        return None
    return Body(tuple(columns), pa.array(np.arange(after_line + 1, after_line + 1 + rows)), ())


def _line_ends(raw: Any) -> int:
    codes = np.frombuffer(raw, np.uint8)
    step = 1 << 24
    return sum(int((codes[i : i + step] == 10).sum()) for i in range(0, len(codes), step))


def _quotes_are_plain(raw: Any, delimiter: str) -> bool:
    """True where quotation marks open and close a cell in turn and none is doubled."""
    codes = np.frombuffer(raw, np.uint8)
    if codes[0] == 34:
        return False  # as in a quoted heading at the very start: not worth the care
    step = 1 << 24
    edges = (ord(delimiter), 10, 13)
    first = True  # the next mark opens a cell
    for start in range(0, len(codes), step):
        at = np.flatnonzero(codes[start : start + step] == 34) + start
        before, after = codes[at - 1], codes[np.minimum(at + 1, len(codes) - 1)]
        opens, closes = np.isin(before, edges), np.isin(after, edges)
        in_turn = (np.arange(len(at)) % 2 == 0) == first
        if not (opens ^ closes).all() or not (opens == in_turn).all():
            return False
        first ^= bool(len(at) % 2)
    return first


def _is_padded(raw: Any, delimiter: str) -> bool:
    """True where a blank stands directly beside a delimiter or a line end, or a mark may."""
    if raw.find(codecs.BOM_UTF8, 1) >= 0:
        return True
    codes = np.frombuffer(raw, np.uint8)
    edge = np.zeros(256, bool)
    edge[[ord(delimiter), 10, 13, 34]] = True
    blank = np.zeros(256, bool)
    blank[[b for b in (9, 11, 12, 26, 32) if b != ord(delimiter)]] = True
    step = 1 << 24
    for start in range(0, len(codes), step):
        part = codes[max(0, start - 1) : start + step + 1]
        at = np.flatnonzero(part <= 32)
        at = at[blank[part[at]] & (at > 0) & (at < len(part) - 1)]
        if (edge[part[at - 1]] | edge[part[at + 1]]).any():
            return True
    return bool(blank[codes[0]])


def _some_blank_row(columns: list[pa.Array | pa.ChunkedArray], rows: int) -> bool:
    blank = None
    for column in columns:
        if column.null_count == 0:
            return False
        mask = pc.is_null(column)
        blank = mask if blank is None else pc.and_(blank, mask)
        if not pc.any(blank).as_py():
            return False
    return True


def is_tidy(column: pa.Array) -> bool:
    """True where no text begins or ends with a blank and none is ''; quick, and may miss some."""
    _, offsets, content = column.buffers() if column.type == pa.string() else (None,) * 3
    if offsets is None or content is None:
        return False
    ends = np.frombuffer(offsets, np.int32)[column.offset : column.offset + len(column) + 1]
    filled = ends[1:] > ends[:-1]
    if np.count_nonzero(filled) != len(column) - column.null_count:
        return False
    letters = np.frombuffer(content, np.uint8)
    if len(letters) and letters.min() > 32 and letters.max() < 127:
        return True
    outer = _PRINTED[letters[ends[:-1][filled]]] & _PRINTED[letters[ends[1:][filled] - 1]]
    return bool(outer.all())


_PRINTED = np.zeros(256, bool)
_PRINTED[33:127] = True


def _trimmed(column: pa.Array) -> pa.Array:
    """The column without outer blanks; what is blank becomes empty."""
    if is_tidy(column):
        return column
    column = pc.utf8_trim(column, " \t\r\n\f\v\ufeff\x1a")
    return pc.if_else(pc.equal(column, ""), pa.scalar(None, pa.string()), column)


def _short(text: str) -> str:
    return text if len(text) <= 80 else text[:77] + "..."


# ---- XLSX -------------------------------------------------------------------------------


def _xlsx(path: Path, shown: str, wanted: tuple[str, ...]) -> tuple[Sheet, ...]:
    _check_package(path, shown)
    import openpyxl

    damaged = ReconcileError(
        f"{shown} is damaged or is no .xlsx workbook.", "Open it in a spreadsheet and save it anew."
    )
    try:
        scans = scan_sheets(path, wanted, HEAD_ROWS)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(
                path, read_only=True, data_only=True, keep_links=False, rich_text=True
            )
    except Exception as error:  # openpyxl raises whatever the damaged part makes it raise
        raise damaged from error
    try:
        names = [ws.title for ws in book.worksheets]
        missing = [name for name in wanted if name not in names]
        if missing:
            raise ReconcileError(
                f"{shown} has no sheet '{missing[0]}'; it has {', '.join(names) or 'none'}.",
                "Mend 'sheet' in the settings.",
            )
        sheets = []
        for sheet in book.worksheets:
            if wanted and sheet.title not in wanted:
                continue
            scan = scans.get(sheet.title, SheetScan())
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    read = _sheet(sheet, shown, scan)
            except ReconcileError:
                raise
            except Exception as error:
                raise damaged from error
            if read is not None:
                sheets.append(read)
    finally:
        book.close()
    if not sheets:
        raise ReconcileError(f"{shown} has no sheet with text.", "Export the file again.")
    return tuple(sheets)


def _check_package(path: Path, shown: str) -> None:
    """Refuse packages that would unpack to too much, or whose XML declares entities."""
    try:
        with zipfile.ZipFile(path) as package:
            members = package.infolist()
            names = {m.filename for m in members}
            if "xl/workbook.xml" not in names and not any(
                n.endswith("workbook.xml") for n in names
            ):
                raise ReconcileError(
                    f"{shown} is a zip archive, not a workbook.", "Unpack it and name the table."
                )
            total = sum(m.file_size for m in members)
            packed = sum(m.compress_size for m in members) or 1
            too_big = max((m.file_size for m in members), default=0) > MAX_XLSX_MEMBER
            if (
                too_big
                or total > MAX_XLSX_TOTAL
                or len(members) > 10_000
                or (total > 50 << 20 and total / packed > MAX_XLSX_RATIO)
            ):
                raise ReconcileError(
                    f"{shown} would unpack to {total:,} bytes; that is no ordinary workbook.",
                    "Save only the sheet that is needed, or give it as .csv.",
                )
            for member in members:
                if member.flag_bits & 1:
                    raise ReconcileError(
                        f"{shown} is protected with a password.", "Save it without one."
                    )
                if not member.filename.endswith((".xml", ".rels", ".vml")):
                    continue
                with package.open(member) as handle:
                    before = b""
                    while block := handle.read(1 << 20):
                        if b"<!DOCTYPE" in before + block or b"<!ENTITY" in before + block:
                            raise ReconcileError(
                                f"{shown}: its XML declares entities, which no spreadsheet does.",
                                "Do not trust this file; ask for it again.",
                            )
                        if block[:1000].count(b"\x00") > 100:
                            raise ReconcileError(
                                f"{shown}: its XML is in an unusual encoding.",
                                "Open it in a spreadsheet and save it anew.",
                            )
                        before = block[-16:]
    except ReconcileError:
        raise
    except Exception as error:  # zipfile and zlib raise many kinds for damaged packages
        raise ReconcileError(
            f"{shown} is damaged or is no .xlsx workbook.",
            "Open it in a spreadsheet and save it anew.",
        ) from error


def _sheet(sheet: Any, shown: str, scan: SheetScan) -> Sheet | None:
    rows: list[Row] = []
    as_written: dict[int, dict[int, str]] = {}  # where the library's value is not the cell's
    for (row, column), text in (*scan.uncomputed.items(), *scan.too_small.items()):
        as_written.setdefault(row, {})[column] = text
    cells_seen = 0
    for line, texts in _sheet_rows(sheet, shown):
        for column, text in as_written.get(line, {}).items():
            if column < len(texts):
                texts[column] = text
        while texts and not texts[-1]:
            texts.pop()
        if not texts:
            continue
        if len(texts) > MAX_COLUMNS:
            raise ReconcileError(
                f"{shown}, sheet '{sheet.title}': {len(texts)} columns; at most {MAX_COLUMNS} "
                "are read.",
                "Leave out what is not needed.",
            )
        cells_seen += len(texts)
        if cells_seen > MAX_XLSX_CELLS:
            raise ReconcileError(
                f"{shown}, sheet '{sheet.title}' is too large for a workbook.", "Give it as .csv."
            )
        if any(text.strip() for text in texts):
            rows.append(Row(line, tuple(texts)))
    if not rows:
        return None
    doubts = tuple(
        Doubt(line, column, formula, _NEVER_COMPUTED, _COMPUTE)
        for (line, column), formula in scan.uncomputed.items()
    )

    def read_body(after_line: int, width: int, _: frozenset[int]) -> Body:
        body = _collect((r for r in rows if r.line > after_line), width)
        return replace(
            body, doubts=tuple(d for d in doubts if d.line > after_line and d.index < width)
        )

    return Sheet(
        sheet.title,
        tuple(rows[:HEAD_ROWS]),
        read_body,
        lambda last_line: count_rows(np.array(scan.rows, np.int64), last_line),
        typed_numbers=True,
        merged={line: tuple(sorted(spans)) for line, spans in scan.merged.items()},
        notes=(f"sheet '{sheet.title}' is hidden in the workbook; it was read",)
        if getattr(sheet, "sheet_state", "visible") != "visible"
        else (),
    )


def _sheet_rows(sheet: Any, shown: str) -> Iterator[tuple[int, list[str]]]:
    """The rows of a sheet with their numbers, as they stand, whatever size the sheet claims.

    The library's own way through the rows flattens raised text of inline strings, and drops rows
    and cells that do not stand in order.
    """
    from openpyxl.cell.read_only import ReadOnlyCell
    from openpyxl.worksheet._reader import WorkSheetParser

    book, before = sheet.parent, 0
    with sheet._get_source() as source:
        parser = WorkSheetParser(
            source,
            sheet._shared_strings,
            data_only=True,
            epoch=book.epoch,
            date_formats=book._date_formats,
            timedelta_formats=book._timedelta_formats,
            rich_text=True,
        )
        for number, cells in parser.parse():
            line = cells[0]["row"] if cells else number
            columns = [cell["column"] for cell in cells]
            in_order = all(a < b for a, b in itertools.pairwise(columns))
            in_row = all(cell["row"] == line for cell in cells)
            if not (before < line <= MAX_XLSX_ROWS and in_order and in_row):
                raise ReconcileError(
                    f"{shown}, sheet '{sheet.title}': row {line} or its cells do not stand in "
                    "order; what belongs where can't be told.",
                    "Open it in a spreadsheet and save it anew.",
                )
            before = line
            texts = [""] * max(columns, default=0)
            for cell in cells:
                texts[cell["column"] - 1] = _cell_text(ReadOnlyCell(sheet, **cell))
            yield line, texts


_NEVER_COMPUTED = "the cell holds a formula whose result was never computed"
_COMPUTE = "Open the workbook in a spreadsheet and save it, so that it holds the result."


def _cell_text(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, list | tuple):
        value = "".join(map(_run_text, value))
    if isinstance(value, str):
        return value.strip(" \t\r\n\f\v\ufeff")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        text = number_text(value)
        form = getattr(cell, "number_format", "") or ""
        # a cell formatted as percent shows 5 % where it holds 0.05
        if re.fullmatch("0{2,20}", form) and text.isdigit():
            return text.zfill(len(form))  # an id such as 00123, shown with its zeros
        return text_times_100(value) + " %" if "%" in form and '"' not in form else text
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" ")
    return str(value)


def _run_text(run: Any) -> str:
    """A part of a cell: raised and lowered text stays told from text on the line."""
    if isinstance(run, str):
        return run
    place = run.font.vertAlign if run.font is not None else None
    if place == "superscript":
        return raised(run.text)
    return lowered(run.text) if place == "subscript" else str(run.text)


def number_text(value: float) -> str:
    """The shortest text that reads back as the same number; whole numbers without a point."""
    if isinstance(value, int):
        return str(value)
    if math.isfinite(value) and value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return repr(value)


def text_times_100(value: float) -> str:
    """The number in percent, without the noise of a binary product."""
    return number_text(float(f"{value * 100:.15g}"))


# ---- Parquet ----------------------------------------------------------------------------


def _parquet(path: Path, shown: str) -> Sheet:
    try:
        file = pq.ParquetFile(path, memory_map=False, thrift_string_size_limit=100 << 20)
        schema = file.schema_arrow
        meta = file.metadata
        size = sum(meta.row_group(i).total_byte_size for i in range(meta.num_row_groups))
    except Exception as error:
        raise _bad_parquet(shown) from error
    if len(schema) > MAX_COLUMNS:
        raise ReconcileError(
            f"{shown}: {len(schema)} columns; at most {MAX_COLUMNS} are read.", "Leave some out."
        )
    if size > MAX_TEXT_BYTES or meta.num_rows > 100_000_000:
        raise ReconcileError(f"{shown} would unpack to {size:,} bytes.", "Split it, by month say.")

    def text_of(column: pa.ChunkedArray) -> pa.Array:
        if pa.types.is_nested(column.type):
            raise ReconcileError(
                f"{shown}: a column holds lists or records.", "Give one value per cell."
            )
        try:
            if pa.types.is_dictionary(column.type):
                column = pc.cast(column, column.type.value_type)
            if pa.types.is_timestamp(column.type) and column.type.tz:
                column = pc.cast(column, pa.timestamp(column.type.unit, "UTC"))
            text = pc.cast(column, pa.string())
            if pa.types.is_floating(column.type):
                text = pc.if_else(pc.is_nan(column), pa.scalar(None, pa.string()), text)
                text = pc.replace_substring_regex(text, r"\.0$", "")
        except pa.ArrowException as error:
            raise ReconcileError(
                f"{shown}: a column of type {column.type} can't be read.", "Write it as text."
            ) from error
        array = text.combine_chunks()
        array = pa.concat_arrays(array.chunks) if isinstance(array, pa.ChunkedArray) else array
        trimmed = pc.utf8_trim(array, " \t\r\n\f\v\ufeff")
        return pc.if_else(pc.equal(trimmed, ""), pa.scalar(None, pa.string()), trimmed)

    def read_body(after_line: int, width: int, _: frozenset[int]) -> Body:
        try:
            table = file.read()
        except Exception as error:
            raise _bad_parquet(shown) from error
        columns = tuple(text_of(table.column(i)) for i in range(width))
        lines = pa.array(range(2, table.num_rows + 2), pa.int64())
        blank = None
        for column in columns:
            mask = pc.is_null(column)
            blank = mask if blank is None else pc.and_(blank, mask)
        empty = pc.sum(blank).as_py() or 0 if blank is not None else 0
        if empty:
            keep = pc.invert(blank)
            columns = tuple(c.filter(keep) for c in columns)
            lines = lines.filter(keep)
        return Body(columns, lines, (), blank=empty)

    # headings are row 1, so that rows count as they would in a spreadsheet
    head = [Row(1, tuple(name.strip() for name in schema.names))]
    counted = Counted(meta.num_rows + 1, 1, meta.num_rows)
    return Sheet("", tuple(head), read_body, lambda _: counted, typed_numbers=True)


def _bad_parquet(shown: str) -> ReconcileError:
    return ReconcileError(f"{shown} is damaged or is no Parquet file.", "Export it again.")
