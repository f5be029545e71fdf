"""Typed results of a table: one array for each part of each analyte, rows as in the sheet."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from reconcile.base.settings.tables import TableSettings
from reconcile.intake.cells import (
    EMPTY,
    SLICE,
    CellFormat,
)
from reconcile.intake.headings import Column
from reconcile.intake.sheets import Body
from reconcile.intake.tables import ABOVE, BELOW, NO_RESULT, PLAIN, QUANTIFIED, Analyte

FloatArray = npt.NDArray[np.float64]

#: A cell for quarantine: position, heading, text found, reason, advice.
Problem = tuple[int, str, str, str, str]


class Ledger(Protocol):
    """Where unusable rows and cells are written down."""

    def row(self, at: int, found: str, reason: str, advice: str) -> None:
        """A row for quarantine."""

    def cell(self, at: int, heading: str, found: str, reason: str, advice: str) -> None:
        """A cell for quarantine."""


@dataclass(frozen=True, slots=True)
class ResultJob:
    """What reading the results of one sheet needs."""

    table: TableSettings
    columns: tuple[Column, ...]
    body: Body
    facts: dict[str, pa.Array]
    rules: CellFormat
    layout: str  # wide | long
    place: str
    fixed: dict[str, str]


@dataclass(slots=True)
class Part:
    """One analyte: arrays over all rows, in mg/kg."""

    code: npt.NDArray[np.int8]
    value: FloatArray
    limit: FloatArray | None
    error: FloatArray | None
    odd: npt.NDArray[np.int64]
    text: pa.Array | None  # the column that ``odd`` points into

    def limit_or_nan(self) -> FloatArray:
        """The limits, or NaN for all."""
        return self.limit if self.limit is not None else np.full(len(self.code), np.nan)

    def refuse(self, at: npt.NDArray[np.int64]) -> None:
        """Take cells out; their texts stay."""
        self.code[at] = NO_RESULT
        self.value[at] = np.nan
        if self.limit is not None:
            self.limit[at] = np.nan
        if self.error is not None:
            self.error[at] = np.nan
        if self.text is not None:
            self.odd = np.union1d(self.odd, at)


#: No decimals of a few places add up to the same number under these.
_WEIGHTS = np.sqrt([2.0, 3.0, 5.0, 7.0, 11.0, 13.0])


@dataclass(slots=True)
class Results:
    """All results of one sheet: ``plain`` numbers (see ``tables``), or ``values`` in full."""

    values: dict[str, Part] = field(default_factory=dict)
    plain: dict[str, pa.ChunkedArray] = field(default_factory=dict)
    analytes: tuple[Analyte, ...] = ()
    headings: dict[str, str] = field(default_factory=dict)  # by key; of certified values by element
    sums: FloatArray | None = None
    outside: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    #: Rows of a table of both sides that have no result of this one.
    other_side: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    notes: list[str] = field(default_factory=list)
    sigma_of: dict[int, float] = field(default_factory=dict)
    made_of: npt.NDArray[np.int64] | None = None  # the row of the table of which each was made

    def text_at(self, key: str, at: int) -> str:
        """The cell as it stands in the file."""
        part = self.values[key]
        return (part.text[at].as_py() or "") if part.text is not None else ""

    def first_values(self, count: int, at: npt.NDArray[np.int64]) -> list[FloatArray]:
        """The values of the first analytes in these rows, NaN where not quantified."""
        if not self.plain:
            return [part.value[at] for part in list(self.values.values())[:count]]
        columns = list(self.plain.values())[:count]
        numbers = [column.take(pa.array(at)).to_numpy() for column in columns]
        return [np.where(np.signbit(number), np.nan, number) for number in numbers]

    def marks(self, count: int) -> FloatArray:
        """One number per row, the same where the values of the first analytes are the same."""
        columns = list(self.plain.values()) or [pa.array(p.value) for p in self.values.values()]
        columns = columns[:count]
        marks = []
        for part in pa.table(columns, [str(i) for i in range(len(columns))]).to_batches(SLICE):
            mark = np.zeros(part.num_rows)
            for weight, cells in zip(_WEIGHTS, part.columns, strict=False):
                mark += np.fmax(cells.to_numpy(zero_copy_only=False), 0.0) * weight
            marks.append(mark)
        return np.concatenate(marks) if marks else np.empty(0)

    def holds_one(self, n: int) -> npt.NDArray[np.bool_]:
        """Which rows hold a result: a number, or a mark for below or above a limit."""
        if self.plain:
            return np.ones(n, bool)  # a plain table has no row without
        found = np.zeros(n, bool)
        for part in self.values.values():
            found |= np.isin(part.code, (QUANTIFIED, BELOW, ABOVE))
            if found.all():
                break
        return found

    def table(self, mask: pa.Array | None, n: int) -> pa.Table | None:
        """The wide table of values, qualifiers, limits and errors."""
        if self.plain:
            table = pa.table({key + PLAIN: numbers for key, numbers in self.plain.items()})
            return table if mask is None else table.filter(mask)
        if not self.values:
            return None
        keep = None if mask is None else mask.to_numpy(zero_copy_only=False)
        columns: dict[str, pa.Array] = {}

        def picked(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
            return array if keep is None else array[keep]

        for key, part in self.values.items():
            code = picked(part.code)
            columns[key] = pa.array(picked(part.value), pa.float64(), from_pandas=True)
            columns[f"{key}_q"] = pa.array(code, pa.int8(), mask=code == EMPTY)
            if part.limit is None:
                columns[f"{key}_lim"] = pa.nulls(len(code), pa.float64())
            else:
                columns[f"{key}_lim"] = pa.array(picked(part.limit), pa.float64(), from_pandas=True)
            if part.error is not None:
                columns[f"{key}_err"] = pa.array(picked(part.error), pa.float64(), from_pandas=True)
        return pa.table(columns)

    def texts(self, lines: npt.NDArray[Any], keep: npt.NDArray[np.bool_]) -> pa.Table:
        """Original texts of cells that are not simply a number."""
        schema = pa.schema([("row", pa.int64()), ("key", pa.string()), ("text", pa.string())])
        tables = []
        for key, part in self.values.items():
            if part.text is None or not len(part.odd):
                continue
            at = part.odd[keep[part.odd]]
            if not len(at):
                continue
            tables.append(
                pa.table(
                    [
                        pa.array(lines[at], pa.int64()),
                        pa.array([key]).take(pa.array(np.zeros(len(at), np.int8))),
                        part.text.take(pa.array(at)),
                    ],
                    schema=schema,
                )
            )
        return pa.concat_tables(tables) if tables else schema.empty_table()


def nothing_read(n: int) -> Results:
    """For tables without results."""
    return Results()


def key_of(column: Column) -> str:
    """The analyte key of a column: element, and method where the column names one."""
    assert column.species is not None
    method = method_of(column.method)
    return column.species.element + (f"@{method}" if method else "")


def analyte_of(column: Column) -> Analyte:
    """The analyte that a column of values holds."""
    assert column.species is not None
    unit = column.unit.name if column.unit else "by row"
    element, species = column.species.element, column.species.formula
    method = method_of(column.method)
    return Analyte(key_of(column), element, method, species, unit, column.isotope)


def method_of(text: str) -> str:
    """The method without the signs that join it to an analyte in a key."""
    return text.replace("_", " ").replace("@", " ").strip()
