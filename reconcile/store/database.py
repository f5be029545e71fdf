"""The store of a workspace in DuckDB: what was read, by file, and what a run makes of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

from reconcile.base.errors import ReconcileError
from reconcile.base.model.tables import QUARANTINE_COLUMNS
from reconcile.base.writing import hold
from reconcile.intake.tables import TypedTable
from reconcile.store.cell_columns import (
    NUMBER_FACTS,
    ROW_TABLES,
    TIME_FACTS,
    VALUE_PARTS,
    Cells,
    kind_of,
    type_of,
)
from reconcile.store.opened import (
    STORED,
    UNFIT,
    WIDE,
    Engine,
    UnfitStore,
    busy,
    close,
    connect,
    is_held,
    left_as,
    make_tables,
    sha256,
    tables_of_files,
    unlike_expected,
)
from reconcile.store.statements import Sql, listed, quoted, sql


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
        self._within = False  # a transaction
        self._forget()
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
            raise busy(path)
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
        self._forget()
        try:
            connection = connect(str(path) if path else ":memory:", self._only_look, self._engine)
            self.connection = connection
            self._prepare()
        except duckdb.Error as error:
            if connection is not None:
                close(connection)
            text = str(error).splitlines()[0]
            if is_held(error):
                raise busy(path) from error
            raise UnfitStore(f"The store {path} can't be read ({text}).", UNFIT) from error
        except UnfitStore:
            close(connection)
            raise
        return connection

    def _forget(self) -> None:
        """Ask the database again for what it holds."""
        self._columns: dict[str, list[str]] = {}
        self._waiting: dict[Sql, list[list[Any]]] = {}  # rows, by the statement that takes them
        self._files: dict[tuple[str, str, str], StoredFile] | None = None

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file so that another run may open it, and note how it was left."""
        close(self.connection)
        if self._path is not None and not self._only_look:
            left = left_as(self._path)
            if not left.exists() and self._path.exists():
                left.write_bytes(f"{sha256(self._path)}\n".encode())
        self._release()

    def _release(self) -> None:
        if self._lock is not None:
            self._lock.release()

    def start_afresh(self, why: str) -> None:
        """Move the file aside and begin an empty one in its place; ``told`` says why."""
        close(self.connection)
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
        close(self.connection)
        try:
            self.connection = self._opened()
            for table in tables_of_files():
                self.rows(sql("database.whole", table=quoted(table)))
        except (duckdb.Error, UnfitStore):
            return False
        return True

    @contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """All or nothing; one within another is a part of it."""
        if self._within:
            yield self.connection
            return
        self.connection.begin()
        self._within = True
        try:
            yield self.connection
            self._put_in()
            self.connection.commit()
        except BaseException:
            self._forget()
            with suppress(duckdb.Error):  # a damaged file can't even be rolled back
                self.connection.rollback()
            raise
        finally:
            self._within = False

    def _prepare(self) -> None:
        found = {} if self._path is None else self._shape()
        if not found and not self._only_look:
            with self.transaction() as con:
                make_tables(con)
        elif (unlike := unlike_expected(found)) is not None:
            raise UnfitStore(f"The store {self._path} is not as this version makes it ({unlike}).",
                             UNFIT)  # fmt: skip
        for table in WIDE:
            self.widen(table, {})

    def _shape(self) -> dict[str, dict[str, str]]:
        """Columns and their types of every table, and of whatever else stands in the file."""
        shape: dict[str, dict[str, str]] = {}
        for table, column, kind in self.rows(sql("database.shape")):
            shape.setdefault(table, {})[column] = kind
        return shape

    def widen(self, table: str, columns: Mapping[str, str]) -> None:
        """Add columns (name: type) that the field or lab table lacks, and show them."""
        facts = next(facts for name, facts in ROW_TABLES.values() if name == table)
        there = {name.lower() for name in self.columns(f"{table}_stored")}
        lacking = {name: kind for name, kind in columns.items() if name.lower() not in there}
        if columns and not lacking:
            return
        for name, kind in lacking.items():
            # finding a small form for a million ids takes longer than writing them
            how = "add_text_column" if kind == "VARCHAR" else "add_column"
            self.connection.execute(
                sql(
                    f"database.{how}",
                    table=quoted(table + STORED), name=quoted(name), kind=kind_of(kind),
                )
            )  # fmt: skip
        self._columns.clear()
        stored = self.columns(f"{table}_stored")
        shown = [quoted(f) for f in ("rowid", "file_id", "sheet")]
        shown += [
            quoted(f)
            if f in stored
            else sql("database.absent", kind=kind_of(type_of(f)), name=quoted(f))
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
        return self.files().get((path, sha256, reading_key))

    def files(self) -> Mapping[tuple[str, str, str], StoredFile]:
        """Every file by path, SHA-256 and reading key."""
        if self._files is None:
            self._files = {
                (path, sha256, key): StoredFile(number, path, sha256, *others)
                for number, path, sha256, key, *others in self.rows(sql("database.files"))
            }
        return self._files

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
        if self._path is not None:
            left_as(self._path).unlink(missing_ok=True)
        with self.transaction() as con:
            ((file_id,),) = con.execute(sql("database.next_file")).fetchall()
            self._wait(
                sql("database.add_file"),
                [[file_id, path, sha256, reading_key, kind, size, problem, advice]],
            )
            for table in read:
                self._add_sheet(con, file_id, table)
            file = StoredFile(file_id, path, sha256, kind, size, problem, advice)
            if self._files is not None:
                self._files[path, sha256, reading_key] = file
        return file

    def _wait(self, statement: Sql, rows: Iterable[list[Any]]) -> None:
        """Rows of narrow tables are put in at the end of the transaction, all together."""
        self._waiting.setdefault(statement, []).extend(rows)

    def _put_in(self) -> None:
        waiting, self._waiting = self._waiting, {}
        for statement, rows in waiting.items():
            if rows:
                columns = [pa.array(column) for column in zip(*rows, strict=True)]
                names = [f"c{i}" for i in range(len(columns))]
                self.connection.register("incoming", pa.table(columns, names))
                self.connection.execute(statement)
                self.connection.unregister("incoming")

    def _add_sheet(self, con: duckdb.DuckDBPyConnection, file_id: int, table: TypedTable) -> None:
        name, facts = ROW_TABLES[table.kind]
        self._add_rows(con, name, facts, file_id, table)
        self._wait(
            sql("database.add_sheet"),
            [[
                file_id, table.sheet, table.rows_in_file, table.rows_accepted,
                table.counted.lines, table.counted.above, table.lines_joined,
            ]],
        )  # fmt: skip
        self._wait(
            sql("database.add_set_aside"),
            ([file_id, table.sheet, reason, rows] for reason, rows in table.rows_set_aside),
        )
        self._wait(
            sql("database.add_analyte"),
            (
                [file_id, a.key, a.element, a.method, a.species, a.unit, a.isotope]
                for a in table.analytes
            ),
        )
        self._wait(
            sql("database.add_column_meaning"),
            (
                [
                    file_id, table.sheet, c.index, c.heading, c.role, c.key, c.element,
                    c.species, c.unit, c.to_mg_kg, c.sigma, c.method, c.why,
                ]
                for c in table.columns
            ),
        )  # fmt: skip
        self._wait(
            sql("database.add_note"),
            ([file_id, table.sheet, note] for note in table.notes),
        )
        self._wait(
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
        wide = name in WIDE
        into = f"{name}_stored" if wide else name
        columns: dict[str, pa.ChunkedArray] = {}
        kinds: dict[str, str] = {}
        for fact in facts:
            column = table.facts.column(fact)
            if wide and column.null_count == len(column):
                continue
            kinds[fact] = type_of(fact)
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
            for mark, suffix, kind in VALUE_PARTS:
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
        if table not in self._columns:
            found = self.rows(sql("database.columns", table=quoted(table)))
            self._columns[table] = [row[0] for row in found]
        return self._columns[table]

    def frame(self, statement: Sql, values: Mapping[str, Any] | Sequence[Any] = ()) -> pd.DataFrame:
        """The answer of a statement as a DataFrame."""
        self._put_in()
        return self.connection.execute(statement, values or None).df()

    def rows(
        self, statement: Sql, values: Mapping[str, Any] | Sequence[Any] = ()
    ) -> list[tuple[Any, ...]]:
        """The answer of a statement as tuples."""
        self._put_in()
        return self.connection.execute(statement, values or None).fetchall()


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
