"""Rows whose cells do not stand under their headings, as where one cell was deleted.

Such a row has the right number of cells, and its last one is empty. It is found by columns that
hold names throughout, or numbers throughout, and a row that breaks with this in its place and
keeps to it one place to the right.
"""

from __future__ import annotations

import unicodedata

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.intake.cells import REFUSED, CellFormat, parse_text
from reconcile.intake.facts import trimmed
from reconcile.intake.headings import Column
from reconcile.intake.sheets import Body

#: What a cell begins with: nothing, a sign of a number, a letter, anything else.
EMPTY, NUMBER, LETTER, OTHER = range(4)
_CLASS = np.full(256, OTHER, np.uint8)
_CLASS[list(b"0123456789<>.,-+")] = NUMBER
_CLASS[[*range(65, 91), *range(97, 123), *range(128, 256)]] = LETTER
_RARE = 0.05  # share of rows that may differ from the others of their column
_MOST = 5_000  # rows looked at closely; more are no slips of single rows


def one_place_left(body: Body, columns: tuple[Column, ...], rules: CellFormat) -> tuple[int, ...]:
    """Positions of the rows that seem to stand one place to the left of their headings."""
    if len(body.lines) < 3 or len(body.columns) < 2:
        return ()
    results = {c.index for c in columns if c.role in {"value", "error", "limit"}}
    usual: dict[int, int] = {}
    strange = np.zeros(len(body.lines), bool)
    for index, column in enumerate(body.columns):
        if index in results or pa.types.is_floating(column.type):
            continue
        classes = _classes(trimmed(column))
        counts = np.bincount(classes, minlength=4)
        most = int(counts[1:].argmax()) + 1
        others = int(counts[1:].sum() - counts[most])
        if 2 * others > counts[most] or others > max(2, _RARE * counts[1:].sum()):
            continue
        usual[index] = most
        if others:
            strange |= (classes != EMPTY) & (classes != most)
    if not strange.any():
        return ()
    strange &= pc.is_null(body.columns[-1]).to_numpy(zero_copy_only=False)
    found = [int(at) for at in np.flatnonzero(strange)[:_MOST]]
    return tuple(at for at in found if _fits(_moved(body, at), usual, results, rules))


def shown(body: Body, at: int) -> str:
    """The cells of a row, for a person to find it."""
    cells = [column[at].as_py() for column in body.columns]
    return "; ".join(str(cell) for cell in cells if cell is not None)[:80]


def told(body: Body, at: int) -> tuple[str, str, str]:
    """What stands in such a row, why it is refused, and what to do."""
    return (
        shown(body, at),
        "the cells of the row seem to stand one place to the left of their headings: they break "
        "with what the other rows hold there, and would fit one place to the right",
        "Put the cell that is missing back into its place.",
    )


def _classes(column: pa.Array | pa.ChunkedArray) -> npt.NDArray[np.uint8]:
    whole = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    result = np.zeros(len(whole), np.uint8)
    _, offsets, content = whole.buffers() if whole.type == pa.string() else (None,) * 3
    if offsets is None or content is None:
        return result
    ends = np.frombuffer(offsets, np.int32)[whole.offset : whole.offset + len(whole) + 1]
    filled = ends[1:] > ends[:-1]
    if whole.null_count:
        filled &= whole.is_valid().to_numpy(zero_copy_only=False)
    first = np.frombuffer(content, np.uint8)[ends[:-1][filled]]
    result[filled] = _CLASS[first]
    beyond = np.flatnonzero(filled)[first >= 128]
    if len(beyond) <= _MOST:  # digits of another script among letters of any
        result[beyond] = [_class_of(whole[int(at)].as_py()) for at in beyond]
    return result


def _class_of(text: str) -> int:
    if text[0].isascii():
        return int(_CLASS[ord(text[0])])
    return LETTER if unicodedata.numeric(text[0], None) is None else NUMBER


def _moved(body: Body, at: int) -> list[str]:
    """The cells of a row, each one place further to the right."""
    cells = [column[at].as_py() for column in body.columns[:-1]]
    return ["", *("" if cell is None else str(cell) for cell in cells)]


def _fits(cells: list[str], usual: dict[int, int], results: set[int], rules: CellFormat) -> bool:
    for index, text in enumerate(cells):
        if not text:
            continue
        begins = _class_of(text)
        if index in results and begins != NUMBER and parse_text(text, rules).code == REFUSED:
            return False
        if index in usual and begins != usual[index]:
            return False
    return True
