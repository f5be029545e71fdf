"""What the store holds of files, as digests: is it still what was read?

Every row of every table that belongs to a file is hashed, all its cells together; the
hashes are added and folded, so that the order of rows does not count. 128 bits per table
stand against accident and against edits of the store. They are no cryptographic digest:
``verify`` reads the archived files again for whoever can compute such a sum.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from reconcile.store.cell_columns import Cells, is_result
from reconcile.store.database import Store
from reconcile.store.opened import WIDE_STORED, tables_of_files
from reconcile.store.statements import Sql, listed, quoted, sql


class _Column(NamedTuple):
    """A column of a table, named as it enters the digest, and SQL that gives it."""

    name: str
    of: Sql
    plain: bool = False  # a result that stands alone: a number, or a limit with its sign


_Columns = Sequence[_Column]
#: Of one file in one table: rows, columns that it fills, sum and fold of hashes, plain limits.
_Part = list[Any]
_WHICH = sql("contents.of_files")


def digest_of(store: Store, file_id: int) -> str:
    """SHA-256, hexadecimal, over what the store holds of a file.

    It is the same however the results lie there (plain, or with qualifier and limit apart),
    whatever other files widened the table, and in whatever capitals these name an analyte.
    """
    return digests_of(store, [file_id])[file_id]


def digests_of(store: Store, file_ids: Sequence[int]) -> dict[int, str]:
    """The same of many files, by statements for all that fill the same columns."""
    if not file_ids:
        return {}
    parts: dict[int, list[_Part]] = {number: [] for number in file_ids}
    tables = tables_of_files()
    counts = (sql("contents.rows_of_files", rows=quoted(t), which=_WHICH) for t in tables)
    (rows,) = store.rows(sql("contents.of_tables", tables=listed(counts)), _asked(file_ids))
    filled = [table for table, n in zip(tables, rows, strict=True) if n]
    narrow: dict[str, _Columns] = {
        table: [_Column(c, quoted(c)) for c in tables[table] if c != "file_id"]
        for table in filled
        if table not in WIDE_STORED
    }
    held = dict(zip(narrow, _hashed(store, [*narrow.items()], file_ids), strict=True))
    for table in filled:
        of_table = held[table] if table in narrow else _of_wide(store, table, file_ids)
        for number, part in of_table.items():
            parts[number].append([table, *part])
    return {n: hashlib.sha256(json.dumps(part).encode()).hexdigest() for n, part in parts.items()}


def _of_wide(store: Store, table: str, file_ids: Sequence[int]) -> dict[int, _Part]:
    """Of a table of results each file fills a few columns; hashed are these alone."""
    stored = [_Column(c, quoted(c)) for c in store.columns(table) if c != "file_id"]
    keys = store.keys(WIDE_STORED[table])
    found: dict[int, _Part] = {}
    for columns, files in _filled(store, table, stored, file_ids):
        there = {column.name.lower() for column in columns}
        cells = Cells(frozenset(there))
        named = [column for column in columns if not is_result(column.name)]
        results = [
            _Column(f"{mark}:{key}".lower(), of, mark == "r")
            for key in keys
            if any(f"{mark}:{key}".lower() in there for mark in "rvqle")
            for mark, of in cells.folded(key).items()
        ]
        # the hash takes -0.0 and 0.0 for one; as a plain result one is a limit, the other a value
        alike = (
            [(results, files)]
            if all(c.of == quoted(c.name) for c in results)  # plain, and filled
            else _filled(store, table, results, files)
        )
        for some, of_them in alike:
            found |= _hashed(store, [(table, sorted([*named, *some]))], of_them)[0]
    return found


def _filled(
    store: Store, table: str, columns: _Columns, file_ids: Sequence[int]
) -> list[tuple[_Columns, list[int]]]:
    """Those of the columns that a file fills, with all files that fill the same."""
    counts = listed(sql("contents.filled", of=of) for _, of, _ in columns)
    alike: dict[tuple[bool, ...], list[int]] = {}
    for number, *filled in store.rows(
        sql("contents.counts", counts=counts, rows=quoted(table), which=_WHICH),
        _asked(file_ids),
    ):
        alike.setdefault(tuple(n > 0 for n in filled), []).append(number)
    return [
        ([column for column, fills in zip(columns, which, strict=True) if fills], numbers)
        for which, numbers in alike.items()
    ]


def _hashed(
    store: Store, tables: Sequence[tuple[str, _Columns]], file_ids: Sequence[int]
) -> list[dict[int, _Part]]:
    """What each table holds of the files, by file; tables without a row of a file leave it out."""
    statements = [
        sql(
            "contents.of_table",
            names=listed(quoted(column.name) for column in columns),
            columns=listed(
                sql("contents.named", of=of, name=quoted(name)) for name, of, _ in columns
            ),
            limits=listed(
                sql("contents.limits", of=quoted(column.name))
                for column in columns
                if column.plain
            ),
            rows=quoted(table), which=_WHICH,
        )
        for table, columns in tables
    ]  # fmt: skip
    (held,) = store.rows(sql("contents.of_tables", tables=listed(statements)), _asked(file_ids))
    return [
        {
            number: [rows, [column.name for column in columns], str(added), str(folded), limits]
            for number, rows, added, folded, limits in found or ()
        }
        for (_, columns), found in zip(tables, held, strict=True)
    ]


def _asked(file_ids: Sequence[int]) -> Mapping[str, Any]:
    return {"files": list(file_ids), "first": min(file_ids), "last": max(file_ids)}
