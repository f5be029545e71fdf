"""Delimited text as sheets of cells: encoding, delimiter, quotes, broken rows."""

from __future__ import annotations

import csv
import itertools
import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from reconcile.base.errors import ReconcileError
from reconcile.intake import encoded, quick_text
from reconcile.intake.counting import count_text, holds_something
from reconcile.intake.sheets import (
    HEAD_ROWS,
    MAX_CELL,
    MAX_COLUMNS,
    WHOLE_ROW,
    Body,
    Broken,
    Doubt,
    Row,
    Sheet,
)

MAX_LINES_OF_ROW = 50  # a row over more lines has a quotation mark that is never closed


QUICK_FROM_BYTES = 1 << 20  # smaller text files are read cell by cell


_CHUNK_ROWS = 8_192


_FEW = 3  # rows that make a habit of a file, at least


_HABIT = 0.1  # and the least share of its rows


_SEP_LINE = re.compile(r'\s*"?sep=(.)"?[,;\t|]*\s*', re.I)


def text(path: Path, shown: str, size: int, open_end: bool) -> Sheet:
    """A file of delimited text as its one sheet."""
    encoding, note, quoted = encoded.encoding(path, shown)
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
            utf8 = encoding.startswith("utf-8")
            marked = quoted and not (utf8 and not quick_text.marks_below(path, after_line))
            if numbers and not marked and utf8 and delimiter in ",;\t|":
                typed = quick_text.typed_body(path, delimiter, after_line, width, numbers)
                if typed is not None:
                    return typed
            quick = quick_text.quick_body(path, encoding, delimiter, after_line, width, marked)
            if quick is not None:
                return quick
        with path.open("r", encoding=encoding, newline="") as handle:
            rows = (r for r in _rows(handle, delimiter, skip, shown) if r.line > after_line)
            cut = CUT if ends_open and not open_end else WHOLE if ends_open else ""
            return collect(rows, width, delimiter, cut)

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


def collect(rows: Iterable[Row], width: int, delimiter: str = "", cut: str = "") -> Body:
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
            broken.append(Broken(row.line, quick_text.short(found), reason, advice))
            return
        each = held(row)  # every line may have been a row, so each is told
        broken.extend(
            Broken(line, quick_text.short(text.strip()), reason, advice) for line, text in each
        )
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
