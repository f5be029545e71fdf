from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

import openpyxl
import pandas as pd
import pytest

from reconcile.base.settings.tables import TableSettings
from reconcile.intake.read import read_file
from reconcile.intake.tables import TypedTable, in_full


class Read(Protocol):
    """Write a text (or rows of a sheet) and read it as one table of these settings."""

    def __call__(
        self,
        content: bytes | str | Sequence[Sequence[Any]],
        kind: str = "field",
        *,
        name: str = "table.csv",
        register: pd.DataFrame | None = None,
        zone: str = "UTC",
        **settings: Any,
    ) -> TypedTable: ...


def real_data() -> Path | None:
    """The folder of public real tables, where it is to be had."""
    named = os.environ.get("RECONCILE_REAL_DATA")
    folder = Path(named) if named else Path(__file__).parents[3] / "shared" / "data"
    return folder if folder.is_dir() else None


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Write a text (or rows of a sheet) and read it as one table."""

    def _read(
        content: bytes | str | Sequence[Sequence[Any]],
        kind: str = "field",
        *,
        name: str = "table.csv",
        register: pd.DataFrame | None = None,
        zone: str = "UTC",
        **settings: Any,
    ) -> TypedTable:
        path = tmp_path / name
        if isinstance(content, bytes):
            path.write_bytes(content)
        elif isinstance(content, str):
            path.write_text(content, encoding="utf-8", newline="")
        else:
            book = openpyxl.Workbook()
            sheet = book.active
            for row in content:
                sheet.append(list(row))
            path = path.with_suffix(".xlsx")
            book.save(path)
        if kind == "field":
            settings.setdefault("fixed", {"technique": "XRF"})
        table = TableSettings(kind=kind, files=("x",), **settings)
        tables = read_file(path, path.name, table, zone=zone, register=register)
        assert len(tables) == 1
        check_account(tables[0])
        return tables[0]

    return _read


def check_account(table: TypedTable) -> None:
    """Every row counted in the file is accepted, quarantined as a whole, or set aside."""
    whole = int((table.quarantine["column"] == "").sum())
    aside = sum(count for _, count in table.rows_set_aside)
    assert table.rows_in_file == table.rows_accepted + whole + aside
    assert table.balances
    assert table.facts.num_rows == table.values.num_rows
    rows = table.facts.column("row").to_pylist()
    if table.kind != "reference materials":
        assert len(set(rows)) == len(rows)
        lost = set(table.quarantine.loc[table.quarantine["column"] == "", "row"])
        assert not lost & set(rows)
    results = in_full(table.values)
    for analyte in table.analytes:
        key = analyte.key
        codes = results.column(f"{key}_q").to_pylist()
        values = results.column(key).to_pylist()
        for code, value in zip(codes, values, strict=True):
            assert (value is not None) == (code == 0)
