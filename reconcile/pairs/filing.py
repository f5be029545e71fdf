"""The account file by file: what became of the rows of every sheet in every reading."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from reconcile.base.model.account import FileAccount, WaterfallStep
from reconcile.store.database import Store
from reconcile.store.statements import sql

_ABOVE = "headings and what stands above them"
_JOINED = "further lines of quoted cells"


def counts_of_files(store: Store) -> pd.DataFrame:
    """Rows and cells of every file of the run, never counted together.

    Columns: file_id, rows (= accepted + refused_rows + set_aside), accepted, without_result (of
    the accepted), refused_rows, set_aside, refused_cells (in accepted rows).
    """
    return store.frame(sql("filing.counts"))


def account_of_files(store: Store, tables: Mapping[int, str]) -> tuple[FileAccount, ...]:
    """One account per file, sheet and reading, in the order of the run.

    ``tables`` names the [[table]] of every file_id of the run. A sheet that two tables read
    has two accounts, the later one marked.
    """
    counts: dict[tuple[int, str], dict[str, int]] = {}
    for file_id, sheet, reason, rows in store.rows(sql("filing.set_aside")):
        counts.setdefault((file_id, sheet), {})[str(reason)] = int(rows)
    for file_id, sheet, reason, rows in store.rows(sql("filing.refused_rows")):
        counts.setdefault((file_id, sheet), {})[f"quarantined: {reason}"] = int(rows)
    used: dict[tuple[int, str], dict[str, int]] = {}
    for file_id, sheet, disposition, rows in store.rows(sql("filing.dispositions")):
        used.setdefault((file_id, sheet), {})[str(disposition)] = int(rows)
    seen: set[tuple[str, str]] = set()
    accounts = []
    for file_id, path, kind, sheet, entered, accepted, lines, above, joined in store.rows(
        sql("filing.sheets")
    ):
        place = f"{path}, sheet {sheet}" if sheet else str(path)
        left = ((_ABOVE, int(above)), (_JOINED, int(joined)))
        of_lines = WaterfallStep(
            f"{place}: rows among the lines", "lines", int(lines), int(entered),
            tuple((reason, count) for reason, count in left if count),
        )  # fmt: skip
        read = WaterfallStep(
            f"{place}: rows read", "rows", int(entered), int(accepted),
            tuple(counts.get((file_id, sheet), {}).items()),
        )  # fmt: skip
        use = None
        if kind in ("field", "lab"):
            fates = dict(used.get((file_id, sheet), {}))
            kept = fates.pop("sample", 0)
            use = WaterfallStep(
                f"{place}: rows that hold a result of a sample in this period", "rows",
                int(accepted), kept, tuple(fates.items()),
            )  # fmt: skip
        accounts.append(
            FileAccount(
                str(path), str(sheet), str(kind), tables.get(file_id, ""), (path, sheet) in seen,
                of_lines, read, use,
            )
        )  # fmt: skip
        seen.add((path, sheet))
    return tuple(accounts)
