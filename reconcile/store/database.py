"""The DuckDB file: what was read, kept typed and wide; one transaction per step.

It is a cache: ``contents`` says what it holds of a file, ``ledger`` what was read, and a
store that does not fit is moved aside and filled again from the archive. SQL lives in
``sql/*.sql``; values are bound, and the few identifiers that come from files (analyte keys)
are quoted. Times are stored as UTC without a zone.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

from reconcile.base.errors import BusyError, ReconcileError
from reconcile.base.model.tables import QUARANTINE_COLUMNS
from reconcile.base.writing import hold
from reconcile.intake import tables as contract
from reconcile.intake.tables import TypedTable
from reconcile.store.statements import Sql, listed, quoted, sql

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
    "instrument checks": ("instrument_check", contract.CHECK_FACTS),
    "instruments": ("instrument", contract.INSTRUMENT_FACTS),
    "laboratories": ("laboratory", contract.LABORATORY_FACTS),
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
        "calibration_due",
        "valid_until",
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
        "position_mm",
        "at_most_mg_kg",
        "selection_probability",
    }
)
#: Tables of results can have a million rows. They hold the facts that some file states, under
#: ``<name>_stored``; the view ``<name>`` shows all facts, and ``rowid``.
_WIDE = ("field", "lab")


STORED = "_stored"
_UNFIT = "The next run moves it aside and reads every archived file again."


def _busy(path: Path | None) -> BusyError:
    return BusyError(
        f"Another run is using this workspace ({path}).",
        "Wait until it ends, then start again; nothing was changed.",
    )


def left_as(path: Path) -> Path:
    """The file that holds the SHA-256 of a store as the last command left it."""
    return path.with_name(path.name + ".sha256")


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


#: What the database may use of the machine, as DuckDB names it; no result depends on it.
Engine = Mapping[str, str | int]


def _connect(
    path: str, only_look: bool = False, engine: Engine | None = None
) -> duckdb.DuckDBPyConnection:
    config: dict[str, Any] = {
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
        **(engine or {}),
    }
    return duckdb.connect(path, read_only=only_look, config=config)


def _close(connection: duckdb.DuckDBPyConnection | None) -> None:
    if connection is not None:
        with suppress(duckdb.Error):  # of a damaged file
            connection.close()


#: DuckDB has no code for it: on Linux and macOS, on Windows, by this very process.
_HELD = ("Could not set lock on file", "used by another process", "different configuration")


def _is_held(error: duckdb.Error) -> bool:
    return any(words in str(error) for words in _HELD)


def _make_tables(con: duckdb.DuckDBPyConnection) -> None:
    con.execute(sql("store"))
    for table, facts in ROW_TABLES.values():
        if table in _WIDE:
            con.execute(sql("database.make_wide", table=quoted(table + STORED)))
            continue
        columns = listed(
            sql("database.column", name=quoted(f), kind=_kind(_type_of(f))) for f in facts
        )
        con.execute(sql("database.make", table=quoted(table), columns=columns))


@cache
def _expected_shape() -> dict[str, dict[str, str]]:
    with _connect(":memory:") as con:
        _make_tables(con)
        shape: dict[str, dict[str, str]] = {}
        for table, column, kind in con.execute(sql("database.shape")).fetchall():
            shape.setdefault(table, {})[column] = kind
        return shape


def _unlike(found: dict[str, dict[str, str]]) -> str | None:
    """What of a file is not as the program makes it; None where it fits."""
    expected = _expected_shape()
    if different := sorted({*found} ^ {*expected}):
        return different[0]
    for table, columns in found.items():
        wanted = dict(expected[table])
        if table.endswith(STORED):
            facts = next(f for name, f in ROW_TABLES.values() if name + STORED == table)
            wanted |= {f: _type_of(f) for f in facts if f in columns}
            marks = {mark: kind for mark, _, kind in _VALUE_PARTS}
            wanted |= {c: marks[c[:2]] for c in columns if c[:2] in marks}
        if columns != wanted:
            return table
    return None


@cache
def tables_of_files() -> dict[str, tuple[str, ...]]:
    """Tables that hold what was read, with their columns; the wide ones have more of these."""
    return {
        name: tuple(columns)
        for name, columns in sorted(_expected_shape().items())
        if "file_id" in columns
    }


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


class UnfitStore(ReconcileError):
    """The file is no store that this version of the program can use."""


class Store:
    """An open DuckDB file. Use as a context manager; only one process may hold it.

    ``told`` says what became of a file that could not be used, in plain words.
    """

    def __init__(
        self, path: Path | None, *, only_look: bool = False, engine: Engine | None = None
    ) -> None:
        """Open (and make) the store; None keeps it in memory.

        A file that is damaged, or made by another version of DuckDB or of this program, is
        moved aside and a new one is begun; with ``only_look`` nothing is changed and
        UnfitStore is raised instead. Raises BusyError where another process holds it.
        """
        self._path = path
        self._only_look = only_look
        self._engine = engine
        self.told: tuple[str, ...] = ()
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
            self._open()
        except BaseException:
            self._release()
            raise

    def _open(self) -> None:
        try:
            self.connection = self._opened()
        except UnfitStore as error:
            if self._only_look:
                raise
            self._begin_anew(error.message)

    def _opened(self) -> duckdb.DuckDBPyConnection:
        """A connection to a store of the right shape; raises UnfitStore."""
        path = self._path
        connection = None
        try:
            connection = _connect(str(path) if path else ":memory:", self._only_look, self._engine)
            self.connection = connection
            self._prepare()
        except duckdb.Error as error:
            if connection is not None:
                _close(connection)
            text = str(error).splitlines()[0]
            if _is_held(error):
                raise _busy(path) from error
            raise UnfitStore(f"The store {path} can't be read ({text}).", _UNFIT) from error
        except UnfitStore:
            _close(connection)
            raise
        return connection

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file so that another run may open it, and note how it was left."""
        _close(self.connection)
        if self._path is not None and not self._only_look:
            left = left_as(self._path)
            if not left.exists() and self._path.exists():
                left.write_bytes(f"{_sha256(self._path)}\n".encode())
        self._release()

    def _release(self) -> None:
        if self._lock is not None:
            self._lock.release()

    def start_afresh(self, why: str) -> None:
        """Move the file aside and begin an empty one in its place; ``told`` says why."""
        _close(self.connection)
        self._begin_anew(why)

    def _begin_anew(self, why: str) -> None:
        path = self._path
        if path is None:
            self.told += (why,)
        else:
            number = 1
            while (aside := path.with_name(f"{path.stem}.aside-{number}{path.suffix}")).exists():
                number += 1
            path.replace(aside)
            with suppress(FileNotFoundError):
                path.with_name(path.name + ".wal").replace(aside.with_name(aside.name + ".wal"))
            left_as(path).unlink(missing_ok=True)
            self.told += (f"{why} It was moved to {aside}.",)
        self.connection = self._opened()

    def is_sound(self) -> bool:
        """Whether every block of the file that holds data can be read.

        The connection is made anew; whatever was open on it is lost.
        """
        if self._path is None:
            return True
        _close(self.connection)
        try:
            self.connection = self._opened()
            for table in tables_of_files():
                self.rows(sql("database.whole", table=quoted(table)))
        except (duckdb.Error, UnfitStore):
            return False
        return True

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """All or nothing."""
        self.connection.begin()
        try:
            yield self.connection
        except BaseException:
            with suppress(duckdb.Error):  # a damaged file can't even be rolled back
                self.connection.rollback()
            raise
        self.connection.commit()

    def _prepare(self) -> None:
        found = {} if self._path is None else self._shape()
        if not found and not self._only_look:
            with self.transaction() as con:
                _make_tables(con)
        elif (unlike := _unlike(found)) is not None:
            raise UnfitStore(f"The store {self._path} is not as this version makes it ({unlike}).",
                             _UNFIT)  # fmt: skip
        for table in _WIDE:
            self.widen(table, {})

    def _shape(self) -> dict[str, dict[str, str]]:
        """Columns and their types of every table, and of whatever else stands in the file."""
        shape: dict[str, dict[str, str]] = {}
        for table, column, kind in self.rows(sql("database.shape")):
            shape.setdefault(table, {})[column] = kind
        return shape

    def widen(self, table: str, columns: Mapping[str, str]) -> None:
        """Add columns (name: type) that the field or lab table lacks, and show them."""
        for name, kind in columns.items():
            # finding a small form for a million ids takes longer than writing them
            how = "add_text_column" if kind == "VARCHAR" else "add_column"
            self.connection.execute(
                sql(
                    f"database.{how}",
                    table=quoted(table + STORED), name=quoted(name), kind=_kind(kind),
                )
            )  # fmt: skip
        facts = next(facts for name, facts in ROW_TABLES.values() if name == table)
        stored = self.columns(f"{table}_stored")
        shown = [quoted(f) for f in ("rowid", "file_id", "sheet")]
        shown += [
            quoted(f)
            if f in stored
            else sql("database.absent", kind=_kind(_type_of(f)), name=quoted(f))
            for f in facts
        ]
        shown += [quoted(c) for c in stored if c not in {*facts, "file_id", "sheet"}]
        self.connection.execute(
            # not kept in the file: what is shown is what this program says
            sql(
                "database.show",
                view=quoted(table),
                columns=listed(shown),
                table=quoted(table + STORED),
            )
        )

    # ---- files ------------------------------------------------------------------

    def find(self, path: str, sha256: str, reading_key: str) -> StoredFile | None:
        """The file, where the same bytes were read the same way before."""
        row = self.connection.execute(
            sql("database.find"),
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
        taken: Callable[[StoredFile], object] = lambda file: None,
    ) -> StoredFile:
        """Take one file with all its sheets in one transaction.

        ``taken`` is called when all is in, before it stands for good.
        """
        if self._path is not None:
            left_as(self._path).unlink(missing_ok=True)
        with self.transaction() as con:
            found = con.execute(sql("database.next_file")).fetchone()
            assert found is not None
            file_id = int(found[0])
            con.execute(
                sql("database.add_file"),
                [file_id, path, sha256, reading_key, kind, size, problem, advice],
            )
            for table in read:
                self._add_sheet(con, file_id, table)
            file = StoredFile(file_id, path, sha256, kind, size, problem, advice)
            taken(file)
        return file

    def _add_sheet(self, con: duckdb.DuckDBPyConnection, file_id: int, table: TypedTable) -> None:
        name, facts = ROW_TABLES[table.kind]
        self._add_rows(con, name, facts, file_id, table)
        con.execute(
            sql("database.add_sheet"),
            [
                file_id, table.sheet, table.rows_in_file, table.rows_accepted,
                table.counted.lines, table.counted.above, table.lines_joined,
            ],
        )  # fmt: skip
        _insert(
            con,
            sql("database.add_set_aside"),
            ([file_id, table.sheet, reason, rows] for reason, rows in table.rows_set_aside),
        )
        _insert(
            con,
            sql("database.add_analyte"),
            (
                [file_id, a.key, a.element, a.method, a.species, a.unit, a.isotope]
                for a in table.analytes
            ),
        )
        _insert(
            con,
            sql("database.add_column_meaning"),
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
            sql("database.add_note"),
            ([file_id, table.sheet, note] for note in table.notes),
        )
        _insert(
            con,
            sql("database.add_applied_correction"),
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
            con.execute(sql("database.add_reported_sum"), [file_id, table.sheet])
            con.unregister("incoming")
        if len(table.without_result):
            con.register("incoming", pa.table({"row": table.without_result}))
            con.execute(
                sql("database.add_row_without_result"),
                [file_id, table.sheet],
            )
            con.unregister("incoming")
        if len(table.quarantine):
            rows = table.quarantine.loc[:, list(QUARANTINE_COLUMNS)]
            con.register("incoming", rows)
            con.execute(sql("database.add_quarantine"), [file_id])
            con.unregister("incoming")
        if table.texts.num_rows:
            con.register("incoming", table.texts.select(["row", "key", "text"]))
            con.execute(sql("database.add_cell_text"), [file_id])
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
            sql("database.add_rows", table=quoted(into)),
            [file_id, table.sheet],
        )
        con.unregister("incoming")

    # ---- reading back -----------------------------------------------------------

    def keys(self, table: str) -> list[str]:
        """The analytes that the field or lab table has columns of, in the order first met."""
        columns = self.columns(table)
        return list(dict.fromkeys(c[2:] for c in columns if c.startswith(("v:", "r:"))))

    def cells(self, table: str) -> Cells:
        """How statements read the analytes of the field or lab table."""
        return Cells(frozenset(name.lower() for name in self.columns(table)))

    def columns(self, table: str) -> list[str]:
        """Names of a table's columns, in its order."""
        return [row[0] for row in self.rows(sql("database.columns", table=quoted(table)))]

    def frame(self, statement: Sql, values: Mapping[str, Any] | Sequence[Any] = ()) -> pd.DataFrame:
        """The answer of a statement as a DataFrame."""
        return self.connection.execute(statement, values or None).df()

    def rows(self, statement: Sql, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
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


def is_result(column: str) -> bool:
    """Whether a column of the field or lab table holds a part of an analyte's results."""
    return column[:2] in {mark for mark, _, _ in _VALUE_PARTS}


@dataclass(frozen=True, slots=True)
class Cell:
    """SQL expressions of one analyte in a table of rows: value, qualifier, limit, error.

    ``plain`` is the column of plain results where the analyte has no other, else ''.
    """

    value: Sql
    code: Sql
    limit: Sql
    error: Sql
    plain: Sql


@dataclass(frozen=True, slots=True)
class Cells:
    """The columns of a table of rows in small letters: the store tells none apart by capitals."""

    columns: frozenset[str]

    def folded(self, key: str) -> dict[str, Sql]:
        """SQL that gives a cell alike however it is stored, for ``contents``.

        'r' is the cell as a plain result, NULL where it is none; 'x' a hash of what is none.
        """
        kept = self._kept(key)
        none, no_code = sql("cells.no_number"), sql("cells.no_code")
        plain = kept.get("r", none)
        if not kept.keys() & set("vqle"):
            return {"r": plain}
        value, limit, error = (kept.get(mark, none) for mark in "vle")
        parts = {"value": value, "code": kept.get("q", no_code), "limit": limit, "error": error}
        number = sql("cells.folded_number", plain=plain, **parts)
        return {"r": number, "x": sql("cells.folded_other", number=number, **parts)}

    def _kept(self, key: str) -> dict[str, Sql]:
        names = {mark: f"{mark}:{key}" for mark in "rvqle"}
        return {m: quoted(name) for m, name in names.items() if name.lower() in self.columns}

    def of(self, key: str) -> Cell:
        """How a statement reads one analyte; NULL where its cell is empty."""
        kept = self._kept(key)
        plain = kept.get("r", Sql())
        parts = []
        for mark, empty, from_plain in (
            ("v", "no_number", "plain_value"),
            ("q", "no_code", "plain_code"),  # QUANTIFIED or BELOW
            ("l", "no_number", "plain_limit"),
            ("e", "no_number", ""),
        ):
            choices = [kept[mark]] if mark in kept else []
            choices += [sql(f"cells.{from_plain}", plain=plain)] if plain and from_plain else []
            parts.append(
                sql("cells.first", choices=listed(choices)) if choices else sql(f"cells.{empty}")
            )
        value, code, limit, error = parts
        alone = not kept.keys() & {"v", "q", "l"}
        return Cell(value, code, limit, error, plain if alone else Sql())


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


def _kind(name: str) -> Sql:
    """A type of columns, by its name."""
    return sql(f"kinds.{name.lower()}")


def _insert(con: duckdb.DuckDBPyConnection, statement: Sql, rows: Iterable[list[Any]]) -> None:
    many = list(rows)
    if many:
        con.executemany(statement, many)
