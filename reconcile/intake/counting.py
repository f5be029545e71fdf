"""How many lines and rows a file holds, counted over its bytes.

This is the other side of the account: it shares no code with the parsers that make the rows, so
that a row which a parser swallows, drops or doubles is a difference between two counts.
"""

from __future__ import annotations

import mmap
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

Places = npt.NDArray[np.int64]

#: What a line may hold and still be empty, beside the delimiter: blanks of any kind, quotation
#: marks, and the marks that programs set at the begin and the end of a file.
_NOTHING = "".join(map(chr, filter(lambda c: chr(c).isspace(), range(0x3001)))) + '"\ufeff\x1a\x00'
_STEP = 1 << 18  # bytes looked at in one go: they stay in the cache


@dataclass(frozen=True, slots=True)
class Counted:
    """What a sheet holds. Only lines (of a workbook: rows) that hold something are counted."""

    lines: int
    above: int  # of them, the last line of headings and what stands above it
    records: int  # rows below the headings; a quoted cell of theirs may run over several lines


def holds_something(line: str, delimiter: str) -> bool:
    """False for a line of nothing but blanks, delimiters and quotation marks."""
    # most lines show it by their first letter
    first = line[:1]
    return (first.isalnum() and first != delimiter) or bool(line.strip(_NOTHING + delimiter))


def count_rows(numbers: Places, last_line: int) -> Counted:
    """The count of a workbook's sheet, from the numbers of the rows that hold something."""
    above = int(np.count_nonzero(numbers <= last_line))
    return Counted(len(numbers), above, len(numbers) - above)


def count_text(path: Path, encoding: str, delimiter: str, last_line: int) -> Counted:
    """Count a delimited text; ``last_line`` (from 1) is the last line of the headings."""
    raw: Any
    if encoding.startswith(("utf-16", "utf-32")):
        raw = path.read_bytes().decode(encoding).encode("utf-8")
        encoding = "utf-8"
    else:
        with path.open("rb") as handle:
            raw = mmap.mmap(handle.fileno(), 0, access=mmap.ACCESS_READ)
    encoding = encoding.removesuffix("-sig")  # the mark at the begin is no part of a line
    codes = np.frombuffer(raw, np.uint8)
    mark = delimiter.encode(encoding, "replace")
    ends = _line_ends(raw, codes)
    starts = np.concatenate(([0], ends[:-1] + 1))
    filled = _filled(raw, codes, starts, ends, encoding, delimiter)
    above = int(np.count_nonzero(filled[:last_line]))
    below = records = int(np.count_nonzero(filled[last_line:]))
    if raw.find(b'"') >= 0:
        record = np.cumsum(~_within_quotes(raw, codes, ends, mark)) - 1  # of the line after
        record = np.concatenate(([-1], record[:-1]))
        records = len(np.unique(record[last_line:][filled[last_line:]]))
    return Counted(above + below, above, records)


def _line_ends(raw: Any, codes: npt.NDArray[np.uint8]) -> Places:
    """Where each line ends: LF, CR LF and CR alone, and the end of the file where none stands."""
    places = [np.flatnonzero(part == 10) + at for at, part in _parts(codes)]
    if raw.find(b"\r") >= 0:
        for at, part in _parts(codes):
            returns = np.flatnonzero(part == 13) + at
            following = codes[np.minimum(returns + 1, len(codes) - 1)]
            places.append(returns[(following != 10) | (returns == len(codes) - 1)])
    ends = np.concatenate(places)
    if len(places) > len(_parts(codes)):
        ends.sort()
    if not len(ends) or ends[-1] != len(codes) - 1:
        ends = np.append(ends, len(codes))
    return ends


def _parts(codes: npt.NDArray[np.uint8]) -> list[tuple[int, npt.NDArray[np.uint8]]]:
    return [(at, codes[at : at + _STEP]) for at in range(0, len(codes), _STEP)]


def _filled(
    raw: Any,
    codes: npt.NDArray[np.uint8],
    starts: Places,
    ends: Places,
    encoding: str,
    delimiter: str,
) -> npt.NDArray[np.bool_]:
    """Which lines hold something; most show it by their first or their last sign."""
    sure = np.zeros(256, bool)
    sure[33:127] = True
    sure[[34, *(c for c in delimiter.encode("utf-8") if c < 128)]] = False
    filled = np.zeros(len(ends), bool)
    some = np.flatnonzero(ends > starts)
    filled[some] = sure[codes[starts[some]]]
    some = some[~filled[some]]
    last = ends[some] - 1
    last -= (codes[last] == 13) & (last > starts[some])
    filled[some] = sure[codes[last]]
    for at in some[~filled[some]]:
        line = bytes(raw[starts[at] : ends[at]]).decode(encoding, "replace")
        filled[at] = holds_something(line, delimiter)
    return filled


def _within_quotes(
    raw: Any, codes: npt.NDArray[np.uint8], ends: Places, mark: bytes
) -> npt.NDArray[np.bool_]:
    """Which line ends stand within a quoted cell, one that opens where a cell begins."""
    marks = np.concatenate([np.flatnonzero(part == 34) + at for at, part in _parts(codes)])
    edges = np.zeros(256, bool)
    edges[[10, 13, *(mark if len(mark) == 1 else ())]] = True
    opens = edges[codes[marks - 1]] | (marks == 0)
    closes = edges[codes[np.minimum(marks + 1, len(codes) - 1)]] | (marks == len(codes) - 1)
    plain = opens != closes
    if plain.all() and opens[::2].all() and closes[1::2].all():
        return np.asarray(np.searchsorted(marks, ends) % 2 == 1)  # they open and close in turn
    edge = b"\\A|(?<=\\A\xef\xbb\xbf)|(?<=[\r\n])|(?<=" + re.escape(mark) + b")"
    cells = re.compile(b"(?:" + edge + b')"((?:[^"]|"")*+)(?:"|\\Z)')
    spans = np.array([cell.span(1) for cell in cells.finditer(raw)], np.int64).reshape(-1, 2)
    opened, closed = (np.searchsorted(spans[:, side], ends, "right") for side in (0, 1))
    return np.asarray(opened > closed)
