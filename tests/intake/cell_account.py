"""Every cell of a file accounted for, counted from the file itself without the program's reading.

The raw cells come from ``csv`` and openpyxl; the program's account says what each one became.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import openpyxl

from reconcile.intake.tables import ABOVE, BELOW, NO_RESULT, QUANTIFIED, TypedTable

Rows = dict[int, list[str]]
_CODES = {QUANTIFIED: "values", BELOW: "below a limit", ABOVE: "above a limit"}


@dataclass(frozen=True, slots=True)
class CellAccount:
    """Cells that hold something, by what they became; and the rows they stand in."""

    cells: int
    fates: dict[str, int]
    empty: int  # result cells of accepted rows that hold nothing
    rows: dict[str, int]

    @property
    def balance(self) -> int:
        """Zero where every cell has one fate."""
        return self.cells - sum(self.fates.values())


def raw_rows(path: Path, sheet: str) -> Rows:
    """Cells of every line that holds something, by the number of the line."""
    rows: Rows = {}
    if path.suffix == ".xlsx":
        book = openpyxl.load_workbook(path, data_only=True)
        page = book[sheet] if sheet else book.worksheets[0]
        for number, cells in enumerate(page.iter_rows(values_only=True), start=1):
            rows[number] = ["" if c is None else str(c).strip() for c in cells]
    else:
        data = path.read_bytes()
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("cp1252")
        reader = csv.reader(io.StringIO(text), delimiter="\t" if path.suffix == ".txt" else ",")
        before = 0
        for line in reader:
            rows[before + 1] = [c.strip() for c in line]
            before = reader.line_num
    return {number: cells for number, cells in rows.items() if any(cells)}


def account_of(path: Path, table: TypedTable) -> CellAccount:
    """What became of every cell of the sheet; asserts that counts and numbers agree."""
    raw = raw_rows(path, table.sheet)
    accepted = table.facts.column("row").to_pylist()
    refused = set(table.quarantine.loc[table.quarantine["column"].eq(""), "row"])
    single = Counter(zip(table.quarantine["row"], table.quarantine["column"], strict=True))
    body = {*accepted, *refused}
    fates: Counter[str] = Counter()
    empty = 0
    below = [n for n in raw if n not in body and n > min(body, default=0)]
    aside = sum(count for _, count in table.rows_set_aside)
    assert len(below) == aside, "rows below the headings that nobody accounts for"
    for number, cells in raw.items():
        if number in refused:
            fates["in refused rows"] += sum(map(bool, cells))
        elif number in below:
            fates["in rows set aside"] += sum(map(bool, cells))
        elif number not in body:
            fates["headings and preamble"] += sum(map(bool, cells))
    values = table.values.to_pydict()
    described = {c.index: c for c in table.columns}
    for at, number in enumerate(accepted):
        for index, text in enumerate(raw[number]):
            column = described.get(index)
            if column is None:
                assert not text, f"row {number}: a cell beyond the headings"
                continue
            if column.role != "value" or not column.element:
                if text:
                    lost = single.get((number, column.heading), 0)
                    fates["refused cells" if lost else f"{column.role}s"] += 1
                continue
            code = values[f"{column.key}_q"][at]
            assert (code is None) == (text == ""), (number, column.heading, text, code)
            if code is None:
                empty += 1
            elif code == NO_RESULT:
                lost = single.get((number, column.heading), 0)
                fates["refused cells" if lost else "no result"] += 1
            else:
                fates[_CODES[code]] += 1
            if code == QUANTIFIED and column.to_mg_kg == column.to_mg_kg:
                expected = float(text) * column.to_mg_kg
                assert abs(values[column.key][at] - expected) <= 1e-12 * abs(expected)
    rows = {
        "data rows": table.rows_in_file, "accepted": len(accepted), "refused": len(refused),
        "set aside": aside,
    }  # fmt: skip
    filled = sum(bool(c) for row in raw.values() for c in row)
    return CellAccount(filled, dict(fates), empty, rows)
