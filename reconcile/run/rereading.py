"""Archived files, read again in the way that the ledger wrote down."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass

import duckdb
import pandas as pd
from pydantic import ValidationError

from reconcile.base import provenance
from reconcile.base.errors import ReconcileError
from reconcile.base.model.account import Finding
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.corrections import Correction
from reconcile.intake.read import read_file
from reconcile.intake.tables import TypedTable
from reconcile.intake.workspace import Workspace
from reconcile.run.unread import reading_key, register_rows, text_of_register
from reconcile.store import binding, contents, ledger
from reconcile.store.binding import Binding, Doubted
from reconcile.store.database import Store
from reconcile.store.ledger import Ledger, Reading
from reconcile.store.statements import sql

_ADVICE = "'reconcile run' reads the file again where it is needed."


@dataclass(frozen=True, slots=True)
class Again:
    """What an archived file gives now."""

    kind: str
    size: int
    tables: tuple[TypedTable, ...] | ReconcileError


def can_be_repeated(reading: Reading) -> bool:
    """Whether this version of the program reads as the reading was made."""
    return reading.recipe is not None and reading.recipe["reader"] == provenance.reading_version()


def read_again(workspace: Workspace, reading: Reading, book: Ledger) -> Again:
    """Read the archived copy by its recipe.

    Raises ReconcileError where the copy is not what was read, or the recipe is not the
    reading's own.
    """
    recipe = reading.recipe or {}
    try:
        table = TableSettings(**recipe["table"], files=("as read",))
        zone = str(recipe["zone"])
        corrections = [Correction(*entry) for entry in recipe["corrections"]]
        named = recipe["register"]
        register = None if named is None else _register(workspace, book, named)
        met_ids = frozenset(map(str, recipe["met_ids"]))
        text = None if register is None else text_of_register(register)
        key = reading_key(table, zone, str(recipe["reader"]), text, corrections, met_ids)
    except (KeyError, TypeError, ValueError, ValidationError) as error:
        raise _unknown(reading) from error
    if key != reading.key:
        raise _unknown(reading)
    copy = workspace.archive / reading.copy
    if copy.parent != workspace.archive or copy.is_symlink() or not copy.is_file():
        raise ReconcileError(f"The archived copy of {reading.path} is not there.", _ADVICE)

    def tables() -> tuple[TypedTable, ...] | ReconcileError:
        try:
            return read_file(
                copy, reading.path, table, zone=zone, register=register, corrections=corrections,
                sha256=reading.sha256, met_ids=met_ids,
            )  # fmt: skip
        except ReconcileError as error:
            return error

    digest, read = binding.digested(copy, tables)
    if digest != reading.sha256:
        raise ReconcileError(f"The archived copy of {reading.path} is not what was read.", _ADVICE)
    return Again(table.kind, copy.stat().st_size, read)


def contents_again(workspace: Workspace, reading: Reading, book: Ledger) -> str:
    """Digest of what the archived copy gives now; raises as ``read_again``."""
    again = read_again(workspace, reading, book)
    with Store(None) as store:
        return contents.digest_of(store, _added(store, reading, again))


def _register(workspace: Workspace, book: Ledger, named: list[list[str]]) -> pd.DataFrame:
    with Store(None) as store:
        numbers = []
        for path, sha256, key in named:
            reading = book.readings[path, sha256, key]
            numbers.append(_added(store, reading, read_again(workspace, reading, book)))
        return register_rows(store, numbers)


def _added(store: Store, reading: Reading, again: Again) -> int:
    if isinstance(again.tables, ReconcileError):
        problem, advice = again.tables.message, again.tables.advice
        return store.add(*reading.name, again.kind, again.size, (), problem, advice).file_id
    return store.add(*reading.name, again.kind, again.size, again.tables).file_id


def _unknown(reading: Reading) -> ReconcileError:
    return ReconcileError(f"How {reading.path} was read is not known any more.", _ADVICE)


def made_sound(workspace: Workspace, store: Store) -> tuple[Finding, ...]:
    """Make the store hold what was read of every file, as far as this can be repeated.

    For commands that look at what was read without reading the period's files themselves.
    """
    bound = Binding(workspace, store)
    try:
        for name in store.rows(sql("rereading.files")):
            bound.known(name)
    except Doubted as doubt:
        store.start_afresh(str(doubt))
    except duckdb.Error as error:
        if store.is_sound():
            raise
        store.start_afresh(f"The store is damaged ({str(error).splitlines()[0]}).")
    if store.told:
        book = ledger.read(workspace.ledger_file)
        for reading in book.readings.values():
            if can_be_repeated(reading):
                with contextlib.suppress(ReconcileError):  # what is altered is not taken
                    again = read_again(workspace, reading, book)
                    bound.add(reading, again.kind, again.size, again.tables)
    told = [f"{text} The archived files were read again." for text in store.told]
    return (*bound.told, *(binding.finding("store", text) for text in told))
