"""Reading a table as proposed so far: what that shows of units, zeros, limits and ids."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from reconcile.base.errors import ReconcileError
from reconcile.base.quantities import parse_species
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.blocks import Block, find_block
from reconcile.intake.cells import CellFormat, parse_text, plain_number
from reconcile.intake.read import read_file
from reconcile.intake.sources import open_sheets
from reconcile.intake.tables import BELOW, QUANTIFIED, ColumnMeaning, TypedTable, in_full
from reconcile.intake.times import parse_times

_AS_USUAL = CellFormat()
_ID_SHARE = 0.9  # of the rows that an id column fills
_OF_DECIMALS = 0.2  # of its cells that may look like results


@dataclass(frozen=True, slots=True)
class IdColumn:
    """A column that may hold the ids: its name in the settings, and its texts."""

    name: str
    ids: frozenset[str]
    rows: int

    @property
    def names(self) -> bool:
        """Whether most of its texts are names and no bare numbers."""
        return 2 * sum(any(c.isalpha() for c in text) for text in self.ids) > len(self.ids)


@dataclass(frozen=True, slots=True)
class Read:
    """What the files of one table show, read with the settings so far."""

    tables: tuple[TypedTable, ...]
    fault: str = ""

    @property
    def rows(self) -> int:
        """Rows that are accepted."""
        return sum(t.rows_accepted for t in self.tables)

    @property
    def rows_in_files(self) -> int:
        """Rows below the headings."""
        return sum(t.rows_in_file for t in self.tables)

    @property
    def columns(self) -> tuple[ColumnMeaning, ...]:
        """Each column once, as the first file that has it shows it."""
        found: dict[str, ColumnMeaning] = {}
        for table in self.tables:
            for column in table.columns:
                found.setdefault(column.heading, column)
        return tuple(found.values())

    def texts_of(self, fact: str) -> list[str]:
        """The texts of one fact over all rows."""
        return [
            str(v)
            for t in self.tables
            if fact in t.facts.column_names
            for v in t.facts.column(fact).drop_null().to_pylist()
        ]

    def ids(self, fact: str = "sample_id") -> frozenset[str]:
        """The different ids."""
        return frozenset(v.strip() for v in self.texts_of(fact) if v.strip())

    def has(self, fact: str) -> bool:
        """Whether every row states the fact."""
        return bool(self.tables) and all(
            t.facts.num_rows and not t.facts.column(fact).null_count
            for t in self.tables
            if fact in t.facts.column_names
        )

    def zeros(self) -> dict[str, tuple[int, float]]:
        """By element how many results are nought, and the smallest other one, as reported."""
        found: dict[str, tuple[int, float]] = {}
        for table in self.tables:
            values = in_full(table.values)
            for a in table.analytes:
                v = values.column(a.key).to_numpy().astype("float64")
                n = int(np.sum(v == 0))
                if n:
                    above = v[v > 0]
                    smallest = float(above.min()) if above.size else float("nan")
                    found[a.element] = (found.get(a.element, (0, 0.0))[0] + n, smallest)
        return found

    def sums(self) -> list[float]:
        """What each row's results add up to, as reported and in the unit that was tried."""
        found: list[float] = []
        for table in self.tables:
            values = in_full(table.values)
            whole = np.zeros(table.facts.num_rows)
            for a in table.analytes:
                species = parse_species(a.species)
                part = species.element_per_species if species is not None else 1.0
                v = values.column(a.key).to_numpy().astype("float64") / part
                whole += np.nan_to_num(v, nan=0.0)
            found += whole.tolist()
        return found

    def means(self) -> dict[str, dict[str, float]]:
        """By element the mean result of each sample, mg/kg."""
        sums: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
        for table in self.tables:
            values = in_full(table.values)
            ids = table.facts.column("sample_id").to_pylist()
            for a in table.analytes:
                v = values.column(a.key).to_numpy().astype("float64")
                q = values.column(f"{a.key}_q").to_numpy()
                for sample, one, code in zip(ids, v, q, strict=True):
                    if sample and code == QUANTIFIED and one > 0:
                        sums[a.element][str(sample)].append(float(one))
        return {
            element: {sample: float(np.mean(many)) for sample, many in of.items()}
            for element, of in sums.items()
        }


def read(
    files: Sequence[tuple[Path, str]], table: TableSettings, met_ids: Collection[str] = ()
) -> Read:
    """The files of one table, those that can be read; ``met_ids``: ids of the other side."""
    found: list[TypedTable] = []
    fault = ""
    for path, shown in files:
        try:
            found += read_file(path, shown, table, zone="UTC", met_ids=met_ids)
        except ReconcileError as error:
            fault = fault or str(error)
    return Read(tuple(found), fault)


def limits_beside(
    files: Sequence[tuple[Path, str]], table: TableSettings, pairs: Sequence[tuple[int, int]]
) -> int:
    """Cells such as '<LOD' without a number beside which the error column holds one.

    ``pairs``: positions of columns of values and of their errors.
    """
    n = 0
    for _, columns in _bodies(files, table):
        for value, error in pairs:
            for cell, beside in zip(
                columns[value].to_pylist(), columns[error].to_pylist(), strict=True
            ):
                text = str(cell or "").strip()
                said = parse_text(text, _AS_USUAL)
                if said.code == BELOW and not said.limit > 0:
                    n += (plain_number(str(beside or "")) or 0.0) > 0
    return n


def _bodies(
    files: Sequence[tuple[Path, str]], table: TableSettings
) -> Iterator[tuple[Block, tuple[Any, ...]]]:
    """The cells of every sheet below its headings, as text."""
    wanted = (table.sheet,) if isinstance(table.sheet, str) and table.sheet else ()
    for path, shown in files:
        try:
            for sheet in open_sheets(path, shown, wanted):
                block = find_block(sheet, table, shown)
                body = sheet.read_body(block.last_line, len(block.headings), frozenset())
                yield block, body.columns
        except ReconcileError:
            continue


def id_columns(
    files: Sequence[tuple[Path, str]], table: TableSettings, taken: frozenset[str]
) -> tuple[IdColumn, ...]:
    """Columns that may hold ids: filled, mostly different from row to row, no results.

    ``taken``: headings of results and of facts.
    """
    texts: dict[str, list[str]] = defaultdict(list)
    rows = 0
    for block, columns in _bodies(files, table):
        rows += len(columns[0]) if columns else 0
        for heading in block.headings:
            name = heading.text or f"column {heading.index + 1}"
            if name not in taken:
                cells = columns[heading.index].drop_null().to_pylist()
                texts[name] += [str(c).strip() for c in cells if str(c).strip()]
    found = []
    for name, many in texts.items():
        decimals = sum(_decimal(t) for t in many)
        if len(many) >= _ID_SHARE * rows > 0 and decimals <= _OF_DECIMALS * len(many):
            found.append(IdColumn(name, frozenset(many), rows))
    return tuple(found)


def texts_of_columns(
    files: Sequence[tuple[Path, str]], table: TableSettings, names: Collection[str]
) -> dict[str, list[str]]:
    """The cells of columns that ``names`` has, as settings call them; '' where empty."""
    found: dict[str, list[str]] = defaultdict(list)
    for block, columns in _bodies(files, table):
        for heading in block.headings:
            name = heading.text or f"column {heading.index + 1}"
            if name in names:
                cells = columns[heading.index].to_pylist()
                found[name] += [str(c).strip() if c is not None else "" for c in cells]
    return dict(found)


def times_in(
    files: Sequence[tuple[Path, str]], table: TableSettings, names: Collection[str]
) -> tuple[str, ...]:
    """Those of ``names``, as settings call columns, whose cells are nearly all date-times."""
    found: list[str] = []
    for block, columns in _bodies(files, table):
        for heading in block.headings:
            name = heading.text or f"column {heading.index + 1}"
            if name not in names or name in found:
                continue
            cells = columns[heading.index].drop_null()
            if len(cells) and _of_times(cells):
                found.append(name)
    return tuple(found)


def _of_times(cells: Any) -> bool:
    texts = pa.array([str(c).strip() for c in cells.to_pylist() if str(c).strip()], pa.string())
    if not len(texts) or any(plain_number(str(t)) is not None for t in texts.to_pylist()[:5]):
        return False
    try:
        times = parse_times(texts, "UTC", None, "")
    except ReconcileError:  # times, of which nothing tells whether the day comes first
        return True
    return len(times.bad) <= (1 - _ID_SHARE) * len(texts)


def _decimal(text: str) -> bool:
    whole, mark, rest = text.replace(",", ".").partition(".")
    return bool(mark) and whole.lstrip("+-").isdigit() and rest.isdigit()
