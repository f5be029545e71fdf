"""A file that the store does not hold yet: all that its reading depends on, and the reading."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd

from reconcile.base.errors import ReconcileError
from reconcile.base.model.account import Finding
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.corrections import Correction
from reconcile.intake.read import read_file
from reconcile.intake.tables import TypedTable
from reconcile.intake.workspace import FoundFile, Workspace
from reconcile.run.archiving import Archive
from reconcile.run.state import Run
from reconcile.samples import overlay
from reconcile.store import binding
from reconcile.store.binding import Binding
from reconcile.store.database import Store, StoredFile
from reconcile.store.ledger import Name, Reading
from reconcile.store.statements import sql

_Result = TypeVar("_Result")


@dataclass(frozen=True, slots=True)
class Register:
    """The rows of the run's sample registers, and the readings that they come from."""

    rows: pd.DataFrame
    names: tuple[Name, ...]
    text: str  # of the rows


@dataclass(frozen=True, slots=True)
class Read:
    """The tables of a file, or why it can't be read as a whole; what was told of its copy."""

    tables: tuple[TypedTable, ...] | ReconcileError
    told: tuple[Finding, ...] = ()

    @property
    def size(self) -> int:
        """Rows that are stored of it; a file costs as much as some rows."""
        if isinstance(self.tables, ReconcileError):
            return _ROWS_OF_A_FILE
        return _ROWS_OF_A_FILE + sum(table.rows_in_file for table in self.tables)


_ROWS_OF_A_FILE = 500


def of_copy(
    workspace: Workspace, found: FoundFile, digest: str, copy: Path, read: Callable[[], _Result]
) -> tuple[_Result, tuple[Finding, ...]]:
    """What ``read`` gives of an archived copy, and what was told of it.

    A copy that is not what was archived is not used but restored.
    """
    of_read, result = binding.digested(copy, read)
    if of_read == digest:
        return result, ()
    told = binding.restored(workspace, found.shown, found.path, digest, copy)
    of_read, result = binding.digested(copy, read)
    if of_read != digest:
        raise ReconcileError(
            f"The archived copy of {found.shown} ({copy}) changes while it is read.",
            "Find out what writes there; nothing was released.",
        )
    return result, (told,)


@dataclass(frozen=True, slots=True)
class Unread:
    """A file that the store does not hold yet, with all that its reading depends on."""

    workspace: Workspace
    found: FoundFile
    digest: str
    key: str
    copy: Path
    table: TableSettings
    zone: str
    code: str
    register: Register | None
    corrections: Sequence[Correction]
    met_ids: frozenset[str] = frozenset()

    def read(self) -> Read:
        """Read the archived copy."""
        return Read(*of_copy(self.workspace, self.found, self.digest, self.copy, self._tables))

    def _tables(self) -> tuple[TypedTable, ...] | ReconcileError:
        try:
            return read_file(
                self.copy, self.found.shown, self.table, zone=self.zone,
                register=None if self.register is None else self.register.rows,
                corrections=self.corrections, sha256=self.digest, met_ids=self.met_ids,
            )  # fmt: skip
        except ReconcileError as error:
            return error

    def into(self, run: Run, bound: Binding, read: Read) -> StoredFile:
        """Put what was read into the store, once: two patterns may find the same file."""
        run.tell(self.found.shown)
        bound.told += read.told
        name = (self.found.shown, self.digest, self.key)
        known = bound.known(name)
        if known is not None:
            return known
        recipe = binding.recipe_of(
            table_of_reading(self.table), self.zone, self.code,
            None if self.register is None else self.register.names,
            [astuple(c) for c in self.corrections], sorted(self.met_ids),
        )  # fmt: skip
        reading = Reading(*name, "", self.copy.name, recipe)
        return bound.add(reading, self.table.kind, self.copy.stat().st_size, read.tables)


def met_or_unread(
    run: Run,
    bound: Binding,
    archive: Archive,
    file: FoundFile,
    table: TableSettings,
    code: str,
    register: Register | None,
    corrections: overlay.Corrections,
    met_ids: frozenset[str] = frozenset(),
) -> StoredFile | Unread:
    """The file as the store holds it, or what is needed to read it; archived in any case."""
    zone = run.workspace.settings.workspace.time_zone
    try:
        digest, copy = archive.copy_of(file)
    except OSError as error:
        problem = ReconcileError(
            f"{file.shown} can't be read: {error.strerror or error}.",
            "Give a file that can be read, or take it out of 'files'.",
        )
        reading = Reading(file.shown, "", f"{code}\n{problem.message}", "")  # may change tomorrow
        return bound.known(reading.name) or bound.add(reading, table.kind, 0, problem)
    looked_up = register if table.look_up == "lab_id" else None
    mine = corrections.get((file.shown, digest), ())
    rows = None if looked_up is None else looked_up.text
    key = reading_key(table, zone, code, rows, mine, met_ids)
    known = bound.known((file.shown, digest, key))
    if known is not None:
        return known
    return Unread(
        run.workspace, file, digest, key, copy, table, zone, code, looked_up, mine, met_ids
    )


def table_of_reading(table: TableSettings) -> dict[str, Any]:
    """The settings of a table that bear on how a file is read."""
    return table.model_dump(mode="json", exclude={"files", "required", "name"})


def reading_key(
    table: TableSettings,
    zone: str,
    code: str,
    register: str | None,
    corrections: Sequence[Correction] = (),
    met_ids: frozenset[str] = frozenset(),
) -> str:
    """What a reading depends on beside the file's bytes: settings, zone, code, register (see
    ``text_of_register``), corrections, and the ids by which one of several id columns is chosen."""
    content: list[Any] = [table_of_reading(table), zone, code]
    if register is not None:
        content.append(register)
    content += [list(astuple(c)) for c in corrections]
    if met_ids:
        content.append({"met ids": sorted(met_ids)})
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def register_of(run: Run, file_ids: list[int]) -> Register:
    """The sample registers of these files, with the readings that they come from."""
    names = run.store.rows(
        sql("reading.register_files"),
        [file_ids],
    )
    rows = register_rows(run.store, file_ids)
    return Register(rows, tuple((p, s, k) for p, s, k in names), text_of_register(rows))


def text_of_register(rows: pd.DataFrame) -> str:
    """The rows of a sample register as they enter a reading key."""
    return rows.to_json(date_format="iso", orient="split")


def register_rows(store: Store, file_ids: list[int]) -> pd.DataFrame:
    """The rows of the sample registers among these files."""
    return store.frame(
        sql("reading.register_rows"),
        [file_ids],
    )
