"""Plain delimited text by a quick parser, where it gives what the careful one gives."""

from __future__ import annotations

import codecs
import io
import mmap
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv

from reconcile.intake.sheets import (
    MAX_CELL,
    Body,
)

_BLOCK = 1 << 21  # bytes cut at once: a block with its columns stays in the cache


def quick_body(
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


def marks_below(path: Path, line: int) -> bool:
    """Whether quotation marks stand below a line of a file of UTF-8, counted from 1."""
    with path.open("rb") as handle:
        raw: Any = mmap.mmap(handle.fileno(), 0, access=mmap.ACCESS_READ)
    at = -1
    for _ in range(line):
        at = raw.find(b"\n", at + 1)
        if at < 0:
            return True
    head = raw[: at + 1]
    if head.count(b"\r") != head.count(b"\r\n"):
        return True  # other line ends, which were counted as such
    return bool(raw.find(b'"', at + 1) >= 0)


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


def typed_body(
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
    begin = len(codecs.BOM_UTF8) if raw[:3] == codecs.BOM_UTF8 else 0
    step = 1 << 24
    edges = (ord(delimiter), 10, 13)
    first = True  # the next mark opens a cell
    for start in range(0, len(codes), step):
        at = np.flatnonzero(codes[start : start + step] == 34) + start
        before, after = codes[at - 1], codes[np.minimum(at + 1, len(codes) - 1)]
        opens, closes = np.isin(before, edges) | (at == begin), np.isin(after, edges)
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


def short(text: str) -> str:
    """A text that fits into a reason."""
    return text if len(text) <= 80 else text[:77] + "..."
