"""A store file is opened, made, and compared with the shape that it should have."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import duckdb

from reconcile.base.errors import BusyError, ReconcileError
from reconcile.store.cell_columns import ROW_TABLES, VALUE_PARTS, kind_of, type_of
from reconcile.store.statements import listed, quoted, sql

#: Tables of results can have a million rows. They hold the facts that some file states, under
#: ``<name>_stored``; the view ``<name>`` shows all facts, and ``rowid``.
WIDE = ("field", "lab")

STORED = "_stored"
#: Such a table of results by the name that it is stored under.
WIDE_STORED = {name + STORED: name for name in WIDE}

UNFIT = "The next run moves it aside and reads every archived file again."


def busy(path: Path | None) -> BusyError:
    """What to tell who meets a store that another process holds."""
    return BusyError(
        f"Another run is using this workspace ({path}).",
        "Wait until it ends, then start again; nothing was changed.",
    )


def left_as(path: Path) -> Path:
    """The file that holds the SHA-256 of a store as the last command left it."""
    return path.with_name(path.name + ".sha256")


def sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


#: What the database may use of the machine, as DuckDB names it; no result depends on it.
Engine = Mapping[str, str | int]


def connect(
    path: str, only_look: bool = False, engine: Engine | None = None
) -> duckdb.DuckDBPyConnection:
    """A connection to a store file, with the limits of the settings."""
    config: dict[str, Any] = {
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
        **(engine or {}),
    }
    return duckdb.connect(path, read_only=only_look, config=config)


def close(connection: duckdb.DuckDBPyConnection | None) -> None:
    """Close a connection, if there is one."""
    if connection is not None:
        with suppress(duckdb.Error):  # of a damaged file
            connection.close()


#: DuckDB has no code for it: on Linux and macOS, on Windows, by this very process.
_HELD = ("Could not set lock on file", "used by another process", "different configuration")


def is_held(error: duckdb.Error) -> bool:
    """Whether DuckDB refused since another process holds the file."""
    return any(words in str(error) for words in _HELD)


def make_tables(con: duckdb.DuckDBPyConnection) -> None:
    """Every table of the store, empty."""
    con.execute(sql("store"))
    for table, facts in ROW_TABLES.values():
        if table in WIDE:
            con.execute(sql("database.make_wide", table=quoted(table + STORED)))
            continue
        columns = listed(
            sql("database.column", name=quoted(f), kind=kind_of(type_of(f))) for f in facts
        )
        con.execute(sql("database.make", table=quoted(table), columns=columns))


@cache
def expected_shape() -> dict[str, dict[str, str]]:
    """Columns and types of every table, by name."""
    with connect(":memory:") as con:
        make_tables(con)
        shape: dict[str, dict[str, str]] = {}
        for table, column, kind in con.execute(sql("database.shape")).fetchall():
            shape.setdefault(table, {})[column] = kind
        return shape


def unlike_expected(found: dict[str, dict[str, str]]) -> str | None:
    """What of a file is not as the program makes it; None where it fits."""
    expected = expected_shape()
    if different := sorted({*found} ^ {*expected}):
        return different[0]
    for table, columns in found.items():
        wanted = dict(expected[table])
        if wide := WIDE_STORED.get(table):
            facts = next(f for name, f in ROW_TABLES.values() if name == wide)
            wanted |= {f: type_of(f) for f in facts if f in columns}
            marks = {mark: kind for mark, _, kind in VALUE_PARTS}
            wanted |= {c: marks[c[:2]] for c in columns if c[:2] in marks}
        if columns != wanted:
            return table
    return None


@cache
def tables_of_files() -> dict[str, tuple[str, ...]]:
    """Tables that hold what was read, with their columns; the wide ones have more of these."""
    return {
        name: tuple(columns)
        for name, columns in sorted(expected_shape().items())
        if "file_id" in columns
    }


class UnfitStore(ReconcileError):
    """The file is no store that this version of the program can use."""
