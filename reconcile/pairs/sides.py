"""The two sides of the pairs: their analytes, and the means of their samples."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from reconcile.intake.tables import QUANTIFIED
from reconcile.pairs.averaging import Means, Nesting, nested_means, nested_means_signed
from reconcile.store.database import Store
from reconcile.store.statements import Sql, listed, quoted, sql


@dataclass(frozen=True, slots=True)
class Key:
    """One analyte column of the store."""

    key: str
    element: str
    method: str


def keys_of(store: Store, kind: str, elements: Iterable[str]) -> tuple[Key, ...]:
    """Analyte columns of the run's files of one kind, for these elements (empty: all)."""
    wanted = set(elements)
    rows = store.rows(
        # methods that differ in case alone are one, as they are one column of the store
        sql("pairing.keys_of"),
        [kind],
    )
    return tuple(Key(*row) for row in rows if not wanted or row[1] in wanted)


def every_key(store: Store, kind: str) -> tuple[Key, ...]:
    """Analyte columns of all that the store holds of one kind, whatever run it is of."""
    return tuple(
        Key(*row)
        for row in store.rows(
            sql("pairing.every_key"),
            [kind],
        )
    )


class Side:
    """The sample means of one side, made column by column when asked for."""

    def __init__(self, store: Store, side: str) -> None:
        """``side``: field or lab. The side's rows must have their dispositions."""
        self._store, self._side = store, side
        files = store.rows(sql("pairing.files"))
        self._files = [file_id for file_id, _ in files]
        self._cells = store.cells(side)
        rows = _as_stored(store, side)
        alone = side == "lab" and rows is not None and rows.groups == len(rows.source)
        store.connection.execute(sql("lab_samples_alone" if alone else f"{side}_samples"))
        ((groups,),) = store.rows(sql("pairing.how_many", rows=quoted(f"{side}_sample")))
        if rows is None or rows.groups != groups:  # a sample may have several means
            order = store.connection.sql(sql(f"{side}_order")).to_arrow_table()
            group = order.column("group").to_numpy().astype(np.int64)
            rows = _Rows(order.column("source").to_numpy(), group, _changes(order.column("spot")))
        self._source, group = rows.source, rows.group
        if side == "field":
            spot, of_spot = _numbered(group, rows.other_spot)
        else:  # every determination stands for itself
            spot, of_spot = np.arange(len(group)), group
        self._nesting = Nesting(group, spot, of_spot, int(groups))
        self._take = _places(self._stored(sql("pairing.place"))[0], self._source)
        self._settled = _settled(store) if side == "lab" else {}
        self._zero_unstated: NDArray[np.bool_] | bool = any(unstated for _, unstated in files)
        if len({unstated for _, unstated in files}) > 1:
            (of_file,) = self._sorted(sql("pairing.file"))
            self._zero_unstated = np.isin(of_file, [f for f, unstated in files if unstated])
        self._last: tuple[Key, tuple[Any, Any, Any]] | None = None

    def _stored(self, *columns: Sql) -> list[NDArray[Any]]:
        """Columns of all rows of the run's files, in the order in which they are stored.

        A plain filter keeps that order; a join need not. No column may hold an empty cell.
        """
        statement = sql(
            "pairing.stored",
            columns=listed(
                sql("pairing.column", of=column, name=quoted(f"c{i}"))
                for i, column in enumerate(columns)
            ),
            stored=quoted(f"{self._side}_stored"),
        )
        with self._store.connection.cursor() as con:  # a thread must not share a connection
            found = con.sql(statement, params={"files": self._files}).to_arrow_table()
        return [column.to_numpy() for column in found.columns]

    def _sorted(self, *columns: Sql) -> list[NDArray[Any]]:
        """Columns in the order of the nesting."""
        found = self._stored(*columns)
        return found if self._take is None else [column[self._take] for column in found]

    def of(self, key: Key) -> Means:
        """Means of one analyte, in the order of ``number`` in field_sample or lab_sample."""
        plain = self._cells.of(key.key).plain
        if plain and key.key not in self._settled:
            (column,) = self._sorted(sql("pairing.number", of=plain))
            zeros = np.flatnonzero(column == 0)
            zeros = zeros[~np.signbit(column[zeros])]  # '<0' is no zero
            return self._with_zeros(nested_means_signed(column, self._nesting), zeros)
        values, codes, limits = self._rows(key)
        zeros = np.flatnonzero((values == 0) & (codes == QUANTIFIED))
        return self._with_zeros(nested_means(values, codes, limits, self._nesting), zeros)

    def _with_zeros(self, means: Means, zeros: NDArray[np.int64]) -> Means:
        """The means with those marked that rest on zeros, at these rows, of unstated meaning."""
        if isinstance(self._zero_unstated, bool):
            zeros = zeros if self._zero_unstated else zeros[:0]
        else:
            zeros = zeros[self._zero_unstated[zeros]]
        if not len(zeros):
            return means
        marked = np.zeros(self._nesting.groups, bool)
        marked[self._nesting.group[zeros]] = True
        return replace(means, zero=marked)

    def single(
        self, key: Key, numbers: NDArray[np.int64], codes: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
        """Quantified single results of the means ``numbers``: value, code of the mean, spot."""
        if self._last is None or self._last[0] != key:
            self._last = key, self._rows(key)
        value, code, _ = self._last[1]
        of_group = np.full(self._nesting.groups, -1, dtype=np.int64)
        of_group[numbers] = codes
        sample = of_group[self._nesting.group]
        kept = (sample >= 0) & (code == QUANTIFIED)
        return value[kept], sample[kept], self._nesting.spot[kept]

    def rows_of(
        self, key: Key, sources: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.int8], NDArray[np.float64], NDArray[np.int64]]:
        """Value, qualifier, limit and spot of the rows ``sources``, which must be of this side."""
        order = np.argsort(self._source, kind="stable")
        at = order[np.searchsorted(self._source, sources, sorter=order)]
        value, code, limit = self._rows(key)
        return value[at], code[at], limit[at], self._nesting.spot[at]

    def _rows(self, key: Key) -> tuple[Any, Any, Any]:
        """Value, qualifier and limit of one analyte per row, in the order of the nesting."""
        # empty cells as NaN and -1 from the statement: masks cost more than the sums
        cell = self._cells.of(key.key)
        values, codes, limits = self._sorted(
            sql("pairing.number", of=cell.value),
            sql("pairing.code", of=cell.code),
            sql("pairing.number", of=cell.limit),
        )
        if key.key in self._settled:
            values, codes = values.copy(), codes.copy()
            self._settle(key.key, values, codes)
        return values, codes, limits

    def _settle(self, key: str, values: NDArray[np.float64], codes: NDArray[np.int8]) -> None:
        """Put what the certificates settle about one analyte into its results, in place."""
        if not len(self._source):  # no laboratory result of this period yet
            return
        settled = self._settled[key]
        order = np.argsort(self._source, kind="stable")
        found = np.searchsorted(self._source, settled["source"], sorter=order)
        at = order[np.minimum(found, len(order) - 1)]
        here = self._source[at] == settled["source"]  # rows of other periods are not here
        codes[at[here]] = settled["code"].to_numpy()[here]
        values[at[here]] = settled["value"].to_numpy("float64")[here]


def _settled(store: Store) -> dict[str, pd.DataFrame]:
    """By analyte, the results that do not stand as they were given: source, code and value."""
    cells = store.frame(sql("pairing.settled"))
    return {str(key): rows for key, rows in cells.groupby("key")}


@dataclass(frozen=True, slots=True)
class _Rows:
    """The rows behind the means, sorted; shapes (rows,) and (rows - 1,)."""

    source: NDArray[np.int64]
    group: NDArray[np.int64]
    other_spot: NDArray[np.bool_]  # than the row before

    @property
    def groups(self) -> int:
        """How many means the rows belong to."""
        return int(self.group[-1]) + 1 if len(self.group) else 0


def _as_stored(store: Store, side: str) -> _Rows | None:
    """The rows sample by sample, where they are stored sorted; else None.

    Most tables list sample after sample; to look costs a third of joining and sorting
    every row.
    """
    rows = store.connection.sql(sql(f"pairing.{side}_rows_as_stored")).to_arrow_table()
    sample = rows.column("sample_id")
    other_sample, other_spot = _changes(sample), _changes(rows.column("spot"))
    place, row = (rows.column(name).to_numpy() for name in ("file_place", "row"))
    later = (place[1:] > place[:-1]) | ((place[1:] == place[:-1]) & (row[1:] > row[:-1]))
    sorted_rows = np.where(
        other_sample,
        _changes(sample, pc.greater),
        np.where(other_spot, _changes(rows.column("spot"), pc.greater), later),
    )
    group = np.zeros(len(rows), dtype=np.int64)
    np.cumsum(other_sample, out=group[1:])
    if not sorted_rows.all():
        return None
    return _Rows(rows.column("source").to_numpy(), group, other_spot)


def _changes(
    column: pa.ChunkedArray, compare: Callable[[Any, Any], Any] = pc.not_equal
) -> NDArray[np.bool_]:
    """How every value but the first compares with the one before."""
    return np.asarray(compare(column.slice(1), column.slice(0, max(len(column) - 1, 0))).to_numpy())


def _numbered(
    group: NDArray[np.int64], other_spot: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Running number of the spot of every row (rows sorted), and each spot's group."""
    if not len(group):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    new = np.ones(len(group), dtype=bool)
    new[1:] = (group[1:] != group[:-1]) | other_spot
    return np.cumsum(new) - 1, group[new]


def _places(stored: NDArray[np.int64], wanted: NDArray[np.int64]) -> NDArray[np.int64] | None:
    """Where in ``stored`` each of ``wanted`` stands; both hold row numbers, each once.

    None where they are the same.
    """
    if np.array_equal(stored, wanted):
        return None
    order = np.argsort(stored, kind="stable")
    return order[np.searchsorted(stored, wanted, sorter=order)] if len(wanted) else wanted


def average(store: Store) -> tuple[Side, Side]:
    """Prepare the sample means of both sides and join them by sample id, in DuckDB."""
    field, lab = Side(store, "field"), Side(store, "lab")
    store.connection.execute(sql("sample_pairs"))
    return field, lab
