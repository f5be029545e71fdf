"""What the store holds of one file, as a digest: is it still what was read?

Every row of every table that belongs to the file is hashed, all its cells together; the
hashes are added and folded, so that the order of rows does not count. 128 bits per table
stand against accident and against edits of the store. They are no cryptographic digest:
``verify`` reads the archived files again for whoever can compute such a sum.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence

from reconcile.store.cell_columns import is_result
from reconcile.store.database import Store
from reconcile.store.opened import STORED, tables_of_files
from reconcile.store.statements import listed, quoted, sql


def digest_of(store: Store, file_id: int) -> str:
    """SHA-256, hexadecimal, over what the store holds of a file.

    It is the same however the results lie there (plain, or with qualifier and limit apart),
    whatever other files widened the table, and in whatever capitals these name an analyte.
    """
    tables = tables_of_files()
    counts = listed(sql("contents.rows_of_file", rows=quoted(table)) for table in tables)
    ((*held,),) = store.rows(sql("contents.counts", counts=counts), [file_id])
    parts = [
        [table, rows, *_of_table(store, table, columns, file_id)]
        for (table, columns), rows in zip(tables.items(), held, strict=True)
        if rows
    ]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


def _of_table(
    store: Store, table: str, columns: Sequence[str], file_id: int
) -> tuple[list[str], str, str, list[int]]:
    """Columns that the file fills; sum and fold of the hashes of its rows; plain limits."""
    named = [(c, quoted(c)) for c in columns if c != "file_id"]
    if table.endswith(STORED):
        wide = table.removesuffix(STORED)
        cells = store.cells(wide)
        named = [(c, quoted(c)) for c in store.columns(table) if not is_result(c)]
        named = [(c, text) for c, text in named if c != "file_id"]
        for key in store.keys(wide):
            named += [(f"{mark}:{key}".lower(), of) for mark, of in cells.folded(key).items()]
        counts = listed(sql("contents.filled", of=text) for _, text in named)
        (filled,) = store.rows(
            sql("contents.of_file", columns=counts, rows=quoted(table)), [file_id]
        )
        named = sorted(pair for pair, n in zip(named, filled, strict=True) if n)
    texts = listed(text for _, text in named)
    # the hash takes -0.0 and 0.0 for one; as a plain result one is a limit, the other a value
    below = [sql("contents.limits", of=text) for name, text in named if name.startswith("r:")]
    hashes = sql("contents.hashes", columns=texts)
    ((added, folded, *signs),) = store.rows(
        sql("contents.of_file", columns=listed([hashes, *below]), rows=quoted(table)), [file_id]
    )
    return [name for name, _ in named], str(added), str(folded), signs
