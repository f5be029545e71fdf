"""Parquet files as sheets of text cells."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from reconcile.base.errors import ReconcileError
from reconcile.intake.counting import Counted
from reconcile.intake.sheets import (
    MAX_COLUMNS,
    MAX_TEXT_BYTES,
    Body,
    Row,
    Sheet,
)


def parquet(path: Path, shown: str) -> Sheet:
    """A Parquet file as its one sheet."""
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
