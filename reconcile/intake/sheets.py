"""What a file gives: sheets of text cells, and how much of it is taken."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pyarrow as pa

from reconcile.intake.counting import Counted

HEAD_ROWS = 120  # leading rows in which headings are looked for


MAX_COLUMNS = 4096


MAX_CELL = 32_767  # what a spreadsheet cell may hold


MAX_TEXT_BYTES = 4 << 30


WHOLE_ROW = -1


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
