"""The DuckDB file: what was read, kept typed and wide; one transaction per step.

SQL lives in ``sql/*.sql``; values are bound, and the few identifiers that come from
files (analyte keys) are quoted. Times are stored as UTC without a zone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

from reconcile.errors import BusyError, ReconcileError
from reconcile.intake import tables as contract
from reconcile.intake.tables import TypedTable
from reconcile.model import QUARANTINE_COLUMNS
from reconcile.writing import hold

#: Table name in the store and facts, by kind of file.
ROW_TABLES: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "field": ("field", contract.FIELD_FACTS),
    "lab": ("lab", contract.LAB_FACTS),
    "sample register": ("register", contract.REGISTER_FACTS),
    "custody": ("custody_event", contract.CUSTODY_FACTS),
    "reference materials": ("reference_material", contract.REFERENCE_FACTS),
    "aliases": ("alias", contract.ALIAS_FACTS),
    "corrections": ("correction", contract.CORRECTION_FACTS),
    "specification limits": ("specification_limit", contract.LIMIT_FACTS),
}
TIME_FACTS = frozenset(
    {
        "measured_at",
        "received_at",
        "analysed_at",
        "reported_at",
        "collected_at",
        "dispatched_at",
        "at",
    }
)
NUMBER_FACTS = frozenset(
    {
        "moisture_pct",
        "count_time_s",
        "sample_mass_g",
        "digest_volume_ml",
        "containers",
        "mass_g",
        "certified_mg_kg",
        "uncertainty_mg_kg",
        "coverage_factor",
        "minimum",
        "maximum",
    }
)
#: Tables of results can have a million rows. They hold the facts that some file states, under
#: ``<name>_stored``; the view ``<name>`` shows all facts, and ``rowid``.
_WIDE = ("field", "lab")
_MIGRATIONS = ("0001_store.sql", "0002_corrections.sql", "0003_sums_and_isotopes.sql")


def quoted(identifier: str) -> str:
    """An SQL identifier that can hold any text."""
    return '"' + identifier.replace('"', '""') + '"'


@cache
def sql(name: str) -> str:
    """A statement from ``sql/``."""
    return resources.files("reconcile").joinpath("sql", f"{name}.sql").read_text(encoding="utf-8")


def _busy(path: Path | None) -> BusyError:
    return BusyError(
        f"Another run is using this workspace ({path}).",
        "Wait until it ends, then start again; nothing was changed.",
    )


@dataclass(frozen=True, slots=True)
class StoredFile:
    """One file in the store."""

    file_id: int
    path: str
    sha256: str
    kind: str
    size: int
    problem: str
    advice: str


class Store:
    """An open DuckDB file. Use as a context manager; only one process may hold it."""

    def __init__(self, path: Path | None) -> None:
        """Open (and make) the store; None keeps it in memory.

        Raises BusyError where another process holds the file, else ReconcileError.
        """
        # A lock of our own comes before DuckDB's: while one process makes the file, another would
        # find it damaged.
        try:
            self._lock = None if path is None else hold(path, 0)
        except OSError as error:
            assert path is not None
            raise ReconcileError(
                f"The folder {path.parent} can't be made or written: {error.strerror or error}.",
                "Check 'output' under [workspace] in reconcile.toml, and the permissions.",
            ) from error
        if path is not None and self._lock is None:
            raise _busy(path)
        try:
            self._open(path)
        except BaseException:
            self._release()
            raise

    def _open(self, path: Path | None) -> None:
        try:
            self.connection = duckdb.connect(
                str(path) if path else ":memory:",
                config={"autoinstall_known_extensions": False, "autoload_known_extensions": False},
            )
        except duckdb.IOException as error:
            if "lock" in str(error).lower() or "used by another process" in str(error):
                raise _busy(path) from error
            raise ReconcileError(
                f"The database {path} can't be opened: {str(error).splitlines()[0]}",
                "If the file is damaged, delete it: the next run reads every input again.",
            ) from error
        self._migrate()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file so that another run may open it."""
        self.connection.close()
        self._release()

    def _release(self) -> None:
        if self._lock is not None:
            self._lock.release()

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """All or nothing."""
        self.connection.begin()
        try:
            yield self.connection
        except BaseException:
            self.connection.rollback()
            raise
        self.connection.commit()

    def _migrate(self) -> None:
        with self.transaction() as con:
            con.execute("CREATE TABLE IF NOT EXISTS migration (name VARCHAR PRIMARY KEY)")
            done = {name for (name,) in con.execute("SELECT name FROM migration").fetchall()}
            for name in _MIGRATIONS:
                if name in done:
                    continue
                con.execute(sql(name.removesuffix(".sql")))
                con.execute("INSERT INTO migration VALUES (?)", [name])
            for table, facts in ROW_TABLES.values():  # a store made before a kind was known
                if table in _WIDE:
                    self._make_wide(table, facts)
                    continue
                columns = ", ".join(f"{quoted(f)} {_type_of(f)}" for f in facts)
                con.execute(
                    f"CREATE TABLE IF NOT EXISTS {table} "
                    f"(file_id BIGINT NOT NULL, sheet VARCHAR, {columns})"
                )
                for fact in sorted(set(facts) - set(self._columns(table))):  # not known then
                    con.execute(f"ALTER TABLE {table} ADD COLUMN {quoted(fact)} {_type_of(fact)}")

    def _make_wide(self, table: str, facts: tuple[str, ...]) -> None:
        con = self.connection
        if self.rows("SELECT 1 FROM duckdb_tables() WHERE table_name = ?", [table]):
            con.execute(f"ALTER TABLE {table} RENAME TO {table}_stored")
        con.execute(
            f"CREATE TABLE IF NOT EXISTS {table}_stored (file_id BIGINT NOT NULL, sheet VARCHAR)"
        )
        views = self.rows("SELECT 1 FROM duckdb_views() WHERE view_name = ?", [table])
        if not views or not set(facts) <= set(self._columns(table)):
            self.widen(table, {})

    def widen(self, table: str, columns: Mapping[str, str]) -> None:
        """Add columns (name: type) that the field or lab table lacks, and show them."""
        for name, kind in columns.items():
            # finding a small form for a million ids takes longer than writing them
            how = " USING COMPRESSION uncompressed" if kind == "VARCHAR" else ""
            self.connection.execute(
                f"ALTER TABLE {table}_stored ADD COLUMN IF NOT EXISTS {quoted(name)} {kind}{how}"
            )
        facts = next(facts for name, facts in ROW_TABLES.values() if name == table)
        stored = self._columns(f"{table}_stored")
        shown = ["rowid", "file_id", "sheet"]
        shown += [
            quoted(f) if f in stored else f"NULL::{_type_of(f)} AS {quoted(f)}" for f in facts
        ]
        shown += [quoted(c) for c in stored if c not in {*facts, "file_id", "sheet"}]
        self.connection.execute(
            f"CREATE OR REPLACE VIEW {table} AS SELECT {', '.join(shown)} FROM {table}_stored"
        )

    # ---- files ------------------------------------------------------------------

    def find(self, path: str, sha256: str, reading_key: str) -> StoredFile | None:
        """The file, where the same bytes were read the same way before."""
        row = self.connection.execute(
            "SELECT file_id, path, sha256, kind, size, problem, advice FROM file "
            "WHERE path = ? AND sha256 = ? AND reading_key = ?",
            [path, sha256, reading_key],
        ).fetchone()
        return StoredFile(*row) if row else None

    def add(
        self,
        path: str,
        sha256: str,
        reading_key: str,
        kind: str,
        size: int,
        read: Iterable[TypedTable] = (),
        problem: str = "",
        advice: str = "",
    ) -> StoredFile:
        """Take one file with all its sheets in one transaction."""
        with self.transaction() as con:
            found = con.execute("SELECT nextval('file_number')").fetchone()
            assert found is not None
            file_id = int(found[0])
            con.execute(
                "INSERT INTO file VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                [file_id, path, sha256, reading_key, kind, size, problem, advice],
            )
            for table in read:
                self._add_sheet(con, file_id, table)
        return StoredFile(file_id, path, sha256, kind, size, problem, advice)

    def _add_sheet(self, con: duckdb.DuckDBPyConnection, file_id: int, table: TypedTable) -> None:
        name, facts = ROW_TABLES[table.kind]
        self._add_rows(con, name, facts, file_id, table)
        con.execute(
            "INSERT INTO sheet VALUES (?, ?, ?, ?)",
            [file_id, table.sheet, table.rows_in_file, table.facts.num_rows],
        )
        _insert(
            con,
            "INSERT INTO set_aside VALUES (?, ?, ?, ?)",
            ([file_id, table.sheet, reason, rows] for reason, rows in table.rows_set_aside),
        )
        _insert(
            con,
            "INSERT INTO analyte VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                [file_id, a.key, a.element, a.method, a.species, a.unit, a.isotope]
                for a in table.analytes
            ),
        )
        _insert(
            con,
            "INSERT INTO column_meaning VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                [
                    file_id, table.sheet, c.index, c.heading, c.role, c.key, c.element,
                    c.species, c.unit, c.to_mg_kg, c.sigma, c.method, c.why,
                ]
                for c in table.columns
            ),
        )  # fmt: skip
        _insert(
            con,
            "INSERT INTO note VALUES (?, ?, ?)",
            ([file_id, table.sheet, note] for note in table.notes),
        )
        _insert(
            con,
            "INSERT INTO applied_correction VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                [
                    file_id, c.sheet, c.row, c.column, c.original, c.corrected, c.by, c.because,
                    c.entered_in, c.refused,
                ]
                for c in table.corrections
            ),
        )  # fmt: skip
        if table.sums is not None and table.sums.num_rows:
            con.register("incoming", table.sums.select(["row", "sum_pct"]))
            con.execute(
                "INSERT INTO reported_sum SELECT ?, ?, * FROM incoming", [file_id, table.sheet]
            )
            con.unregister("incoming")
        if len(table.quarantine):
            rows = table.quarantine.loc[:, list(QUARANTINE_COLUMNS)]
            con.register("incoming", rows)
            con.execute("INSERT INTO quarantine SELECT ?, * FROM incoming", [file_id])
            con.unregister("incoming")
        if table.texts.num_rows:
            con.register("incoming", table.texts.select(["row", "key", "text"]))
            con.execute("INSERT INTO cell_text SELECT ?, * FROM incoming", [file_id])
            con.unregister("incoming")

    def _add_rows(
        self,
        con: duckdb.DuckDBPyConnection,
        name: str,
        facts: tuple[str, ...],
        file_id: int,
        table: TypedTable,
    ) -> None:
        wide = name in _WIDE
        into = f"{name}_stored" if wide else name
        columns: dict[str, pa.ChunkedArray] = {}
        kinds: dict[str, str] = {}
        for fact in facts:
            column = table.facts.column(fact)
            if wide and column.null_count == len(column):
                continue
            kinds[fact] = _type_of(fact)
            if fact in TIME_FACTS:
                column = column.cast(pa.timestamp("us", "UTC")).cast(pa.timestamp("us"))
            elif fact in NUMBER_FACTS:
                column = column.cast(pa.float64())
            elif fact == "row":
                column = column.cast(pa.int64())
            else:
                column = column.cast(pa.string())
            columns[fact] = column
        for analyte in table.analytes:
            for mark, suffix, kind in _VALUE_PARTS:
                source = analyte.key + suffix
                if source in table.values.column_names:
                    columns[mark + analyte.key] = table.values.column(source)
                    kinds[mark + analyte.key] = kind
        if wide:
            self.widen(name, kinds)
        con.register("incoming", _in_large_parts(pa.table(columns)))
        con.execute(
            f"INSERT INTO {into} BY NAME SELECT ? AS file_id, ? AS sheet, * FROM incoming",
            [file_id, table.sheet],
        )
        con.unregister("incoming")

    # ---- reading back -----------------------------------------------------------

    def keys(self, table: str) -> list[str]:
        """The analytes that the field or lab table has columns of, in the order first met."""
        columns = self._columns(table)
        return list(dict.fromkeys(c[2:] for c in columns if c.startswith(("v:", "r:"))))

    def cells(self, table: str) -> Cells:
        """How statements read the analytes of the field or lab table."""
        return Cells(frozenset(name.lower() for name in self._columns(table)))

    def _columns(self, table: str) -> list[str]:
        return [row[0] for row in self.rows(f"SELECT column_name FROM (DESCRIBE {table})")]

    def frame(self, statement: str, values: Mapping[str, Any] | Sequence[Any] = ()) -> pd.DataFrame:
        """The answer of a statement as a DataFrame."""
        return self.connection.execute(statement, values or None).df()

    def rows(self, statement: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """The answer of a statement as tuples."""
        return self.connection.execute(statement, list(values) or None).fetchall()


#: Columns of one analyte: mark in the store, ending in ``TypedTable.values``, type. A row has
#: its number in ``r:`` where its table is plain (see ``tables.PLAIN``), else in the others.
_VALUE_PARTS = (
    ("v:", "", "DOUBLE"),
    ("q:", "_q", "TINYINT"),
    ("l:", "_lim", "DOUBLE"),
    ("e:", "_err", "DOUBLE"),
    ("r:", contract.PLAIN, "DOUBLE"),
)


@dataclass(frozen=True, slots=True)
class Cell:
    """SQL expressions of one analyte in a table of rows: value, qualifier, limit, error.

    ``plain`` is the column of plain results where the analyte has no other, else ''.
    """

    value: str
    code: str
    limit: str
    error: str
    plain: str


@dataclass(frozen=True, slots=True)
class Cells:
    """The columns of a table of rows in small letters: the store tells none apart by capitals."""

    columns: frozenset[str]

    def of(self, key: str) -> Cell:
        """How a statement reads one analyte; NULL where its cell is empty."""
        names = {mark: f"{mark}:{key}" for mark in "rvqle"}
        kept = {m: quoted(name) for m, name in names.items() if name.lower() in self.columns}
        plain = kept.get("r", "")
        parts = []
        for mark, kind, from_plain in (
            ("v", "DOUBLE", f"CASE WHEN NOT signbit({plain}) THEN {plain} END"),
            ("q", "TINYINT", f"signbit({plain})::TINYINT"),  # QUANTIFIED or BELOW
            ("l", "DOUBLE", f"CASE WHEN signbit({plain}) THEN -{plain} END"),
            ("e", "DOUBLE", ""),
        ):
            choices = [kept[mark]] if mark in kept else []
            choices += [from_plain] if plain and from_plain else []
            parts.append(f"coalesce({', '.join(choices)})" if choices else f"NULL::{kind}")
        value, code, limit, error = parts
        return Cell(value, code, limit, error, plain if not kept.keys() & {"v", "q", "l"} else "")


_PART = 245_760  # rows: two row groups of the store


def _in_large_parts(table: pa.Table) -> pa.Table | pa.RecordBatchReader:
    """The rows in parts that the store takes as they are; small ones it would copy together."""
    if table.num_rows <= _PART:
        return table

    def parts() -> Iterator[pa.RecordBatch]:
        for start in range(0, table.num_rows, _PART):
            part = table.slice(start, _PART).combine_chunks(pa.system_memory_pool())
            yield from part.to_batches()

    return pa.RecordBatchReader.from_batches(table.schema, parts())


def _type_of(fact: str) -> str:
    if fact in TIME_FACTS:
        return "TIMESTAMP"
    if fact in NUMBER_FACTS:
        return "DOUBLE"
    return "BIGINT" if fact == "row" else "VARCHAR"


def _insert(con: duckdb.DuckDBPyConnection, statement: str, rows: Iterable[list[Any]]) -> None:
    many = list(rows)
    if many:
        con.executemany(statement, many)
