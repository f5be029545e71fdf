"""The steps that read: files found, archived, read and stored."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import time
from collections.abc import Callable, Sequence
from dataclasses import astuple, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import duckdb
import pandas as pd

from reconcile.base import provenance
from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.regular import open_regular
from reconcile.base.settings.tables import TableSettings
from reconcile.intake import workspace as ws
from reconcile.intake.corrections import Correction
from reconcile.intake.delimited import lacks_line_end
from reconcile.intake.read import ids_that_may_be, read_file
from reconcile.intake.sources import state_of
from reconcile.intake.tables import ABSENT, TypedTable
from reconcile.intake.workspace import FoundFile, Workspace
from reconcile.pairs import pairing, twofold
from reconcile.pairs.pairing import RunFile
from reconcile.run.ahead import ahead
from reconcile.run.state import Run
from reconcile.samples import overlay
from reconcile.store import binding
from reconcile.store.binding import Binding, Doubted
from reconcile.store.cell_columns import ROW_TABLES
from reconcile.store.database import Store, StoredFile
from reconcile.store.ledger import Name, Reading
from reconcile.store.statements import sql

_Result = TypeVar("_Result")
_ENDING = re.compile(r"\.[a-z0-9]{1,16}")


def find_files(run: Run) -> Run:
    """Find the period's files; keep each once in the archive, named by its digest."""
    found, missing = ws.find_files(run.workspace, run.period)
    if not found:
        patterns = ", ".join(m.pattern for m in missing)
        raise ReconcileError(
            f"No input file of {run.period} was found in {run.workspace.folder} ({patterns}).",
            "Put the files there, or mend 'files' in reconcile.toml.",
        )
    tables = {f.table_index for f in found}
    findings = tuple(
        Finding(
            "intake",
            "serious",
            m.pattern,
            f"No file matches '{m.pattern}' ({run.workspace.table(m.table_index).kind}).",
            advice="Add the file, mend the pattern, or set required = false.",
            code=FindingCode.NO_FILE_MATCHES,
        )
        for m in missing
        # one of a table's patterns may find nothing; a file named outright may not
        if m.required and (m.table_index not in tables or not any(c in m.pattern for c in "*?["))
    )
    unreadable = tuple(
        Finding(
            "evidence", "serious", f.shown, f"{f.shown} can't be read: {problem}.",
            advice="Give a file that can be read, or take it out of 'files'.",
            code=FindingCode.DOCUMENT_UNREADABLE,
        )
        for f in found
        if run.workspace.table(f.table_index).kind == "evidence" and (problem := _problem(f.path))
    )  # fmt: skip
    return replace(run, found=found, missing=missing, findings=run.findings + findings + unreadable)


def _problem(path: Path) -> str:
    """Why a file can't be opened; '' where it can."""
    try:
        open_regular(path).close()
    except OSError as error:
        return error.strerror or str(error)
    return ""


def read_tables(run: Run) -> Run:
    """Read every file; a side may have no file yet, but not only files that can't be read."""
    run = read_found(run)
    sides = {kind: [s for _, s in run.files if s.kind == kind] for kind in ("field", "lab")}
    for kind, stored in sides.items():
        if all(s.problem for s in stored) and (stored or not any(sides.values())):
            raise ReconcileError(
                "\n".join(
                    [f"No {kind} table of {run.period} could be read."]
                    + [f"  - {f.text} {f.advice}" for f in run.findings]
                ),
                "Mend the files or the settings that are named above.",
            )
    return run


def read_found(run: Run) -> Run:
    """Read every file that the store does not hold yet; a bad file does not stop the others.

    Where the store does not hold what was read, or is damaged, it is moved aside, and every
    file is read again from the archive.
    """
    told = len(run.store.told)
    bound = Binding(run.workspace, run.store)
    try:
        read = _read_found(run, bound)
    except Doubted as doubt:
        run.store.start_afresh(str(doubt))
        read = _read_found(run, bound)
    except duckdb.Error as error:
        if run.store.is_sound():
            raise
        run.store.start_afresh(f"The store is damaged ({str(error).splitlines()[0]}).")
        read = _read_found(run, bound)
    severity = ["warning"] * told + ["serious"] * (len(run.store.told) - told)
    texts = [f"{text} Every file was read again." for text in run.store.told]
    about = [
        binding.finding("store", text, grade) for text, grade in zip(texts, severity, strict=True)
    ]
    return replace(read, told=(*about, *read.told))


def _read_found(run: Run, bound: Binding) -> Run:
    first = {"corrections": 0, "sample register": 1}  # on these the reading of others depends
    order = sorted(
        range(len(run.found)),
        key=lambda i: (first.get(run.workspace.table(run.found[i].table_index).kind, 2), i),
    )
    corrections: overlay.Corrections | None = None
    code = provenance.reading_version()
    stored: dict[int, StoredFile] = {}
    register: _Register | None = None
    tables: dict[int, _Unread] = {}
    unready: list[Finding] = []
    archive = _Archive(run)
    for index in order:
        file = run.found[index]
        table = archive.table_of(file)
        if table.kind == "evidence":
            continue
        if isinstance(taken := archive.of(file), BeingWritten):
            unready.append(
                Finding(
                    "intake",
                    "serious",
                    file.shown,
                    taken.message,
                    taken.advice,
                    code=FindingCode.FILE_NOT_KEPT,
                )
            )
            continue
        if table.kind != "corrections" and corrections is None:
            corrections = overlay.corrections_in(run.store, [s.file_id for s in stored.values()])
        if first.get(table.kind, 2) == 2 and register is None:
            register = _register(run, [stored[i].file_id for i in stored])
        met = _met(run, bound, archive, file, table, code, register, corrections or {})
        if isinstance(met, _Unread) and table.kind in first:
            stored[index] = met.into(run, bound, met.read())
        elif isinstance(met, _Unread):
            tables[index] = met
        else:
            run.tell(file.shown)
            stored[index] = met
    # no table depends on another: the next is read while one is stored
    for (index, met), read in zip(
        tables.items(), ahead([met.read for met in tables.values()]), strict=True
    ):
        stored[index] = met.into(run, bound, read)
    stored = _by_ids_met(run, bound, archive, stored, code, register, corrections or {})
    findings = tuple(
        Finding(
            "intake",
            "serious",
            s.path,
            s.problem,
            advice=s.advice,
            code=FindingCode.FILE_UNREADABLE,
        )
        for _, s in sorted(stored.items())
        if s.problem
    )
    stored, copies = _without_copies(run, stored)
    stored, twice = _without_same_cells(run, bound, stored)
    findings += (*unready, *copies, *twice, *_absent_columns(run, stored))
    numbers = [stored[i].file_id for i in sorted(stored)]
    findings += (*_asked_columns(run, numbers), *_notes_of(run, numbers))
    files = tuple((run.found[i], stored[i]) for i in sorted(stored))
    numbered = tuple(
        RunFile(
            s.file_id, place, f.of_period,
            run.workspace.table(f.table_index).cells.zero == "unstated",
        )
        for place, (f, s) in enumerate(files)
    )  # fmt: skip
    return replace(
        run,
        files=files,
        run_files=numbered,
        contents={s.file_id: bound.contents[s.file_id] for _, s in files},
        told=tuple(bound.told),
        corrections_refused=tuple(
            overlay.unmatched(
                corrections or {},
                [(s.path, s.sha256) for _, s in files],
                [f.shown for f in ws.files_of_every_month(run.workspace, *ROW_TABLES)],
                overlay.met_sheets(run.store, [s.file_id for _, s in files]),
            )
        ),
        findings=run.findings + findings,
    )


class _Archive:
    """The archived copies of a run's files, each taken once, and how each is to be read."""

    def __init__(self, run: Run) -> None:
        self._workspace = run.workspace
        self._taken: dict[Path, tuple[str, Path] | OSError | BeingWritten] = {}
        self._unended = self._without_last_line_ends(run.found)

    def of(self, file: FoundFile) -> tuple[str, Path] | OSError | BeingWritten:
        """Digest and copy, or why there is none."""
        if file.path not in self._taken:
            try:
                self._taken[file.path] = archived(self._workspace, file)
            except (OSError, BeingWritten) as error:
                self._taken[file.path] = error
        return self._taken[file.path]

    def copy_of(self, file: FoundFile) -> tuple[str, Path]:
        """Digest and copy. Raises OSError or BeingWritten where there is none."""
        taken = self.of(file)
        if isinstance(taken, Exception):
            raise taken
        return taken

    def table_of(self, file: FoundFile) -> TableSettings:
        """The settings of its [[table]], with what its files have in common."""
        table = self._workspace.table(file.table_index)
        if file.table_index in self._unended:
            return table.model_copy(update={"final_line_end": "absent"})
        return table

    def _without_last_line_ends(self, found: Sequence[FoundFile]) -> frozenset[int]:
        """The [[table]] entries of whose text files, two at least, none has a last line end.

        The program that writes them sets none, so its lack is no sign of a file that was cut off.
        """
        lacking: dict[int, dict[str, bool]] = {}
        for file in found:
            if self._workspace.table(file.table_index).kind == "evidence":
                continue
            taken = self.of(file)
            if isinstance(taken, Exception):
                continue
            digest, copy = taken
            if copy.is_file() and (lacks := lacks_line_end(copy)) is not None:
                lacking.setdefault(file.table_index, {})[digest] = lacks
        return frozenset(at for at, each in lacking.items() if len(each) > 1 and all(each.values()))


def _notes_of(run: Run, file_ids: list[int]) -> tuple[Finding, ...]:
    """What the reading did or left to a person: recalculations, missing facts, doubts."""
    rows = run.store.rows(
        sql("reading.notes"),
        [file_ids, file_ids],
    )
    return tuple(
        Finding(
            "intake", "note", f"{path}, sheet {sheet}" if sheet else path,
            f"{str(text).rstrip('.')}.",
            code=FindingCode.NOTE_OF_READING,
        )
        for path, sheet, text in rows
    )  # fmt: skip


def _asked_columns(run: Run, file_ids: list[int]) -> tuple[Finding, ...]:
    """Columns that could change what the results mean, and that nothing explains."""
    return tuple(
        Finding(
            "intake", "warning", f"{path}, sheet {sheet}" if sheet else str(path),
            f"The column '{heading}' {why}.",
            advice=f'Write, for this [[table]]: columns = {{ "{heading}" = "…" }}.',
            code=FindingCode.COLUMN_ASKED,
        )
        for path, sheet, heading, why in run.store.rows(sql("reading.asked"), [file_ids, file_ids])
    )  # fmt: skip


def _absent_columns(run: Run, stored: dict[int, StoredFile]) -> tuple[Finding, ...]:
    """Headings that the settings of a [[table]] name and that none of its files has.

    A note where another name of the same meaning is met: settings may serve two spellings.
    """
    findings = []
    for number, table in enumerate(run.workspace.settings.table):
        files = {
            f.file_id: f.path
            for i, f in sorted(stored.items())
            if run.found[i].table_index == number and not f.problem
        }
        ids = list(files)
        ((sheets,),) = run.store.rows(sql("reading.sheets"), [ids])
        lacking = {
            str(heading): (int(count), str(why))
            for heading, count, why in run.store.rows(
                sql("reading.headings"),
                [ids, ABSENT, ids],
            )
        }
        met = [rule for name, rule in table.columns.items() if lacking.get(name, (0,))[0] < sheets]
        for name, rule in table.columns.items():
            count, why = lacking.get(name, (0, ""))
            if count and count == sheets:
                findings.append(
                    Finding(
                        "intake", "note" if rule in met else "warning",
                        f"table.{number + 1}.columns",
                        f"The settings name the column '{name}', and no file of this [[table]] "
                        f"({', '.join(dict.fromkeys(files.values()))}) has it: {why}.",
                        advice="Mend the heading in 'columns', or take the entry out.",
                        code=FindingCode.COLUMN_NOT_THERE,
                    )
                )  # fmt: skip
    return tuple(findings)


def _by_ids_met(
    run: Run,
    bound: Binding,
    archive: _Archive,
    stored: dict[int, StoredFile],
    code: str,
    register: _Register | None,
    corrections: overlay.Corrections,
) -> dict[int, StoredFile]:
    """Read again the files with several id columns, knowing the ids of the other side.

    These are the register's, where there is one, and those that a person entered as aliases.
    """
    doubtful = {
        index
        for index, file in stored.items()
        if file.kind in ("field", "lab") and not file.problem and run.store.rows(
            sql("reading.has_ids"), [file.file_id],
        )
    }  # fmt: skip
    if not doubtful:
        return stored
    numbers = [file.file_id for file in stored.values()]
    known = {
        str(text)
        for (text,) in run.store.rows(
            sql("reading.ids"),
            [numbers, numbers],
        )
        if text
    }
    of_register = register is not None and register.rows["sample_id"].notna().any()
    again = dict(stored)
    for index in sorted(doubtful):
        met = known
        if not of_register:
            other = "lab" if stored[index].kind == "field" else "field"
            met = known | _ids_of(run, bound, archive, stored, other, doubtful)
        file = run.found[index]
        table = archive.table_of(file)
        read = _met(run, bound, archive, file, table, code, register, corrections, frozenset(met))
        again[index] = read.into(run, bound, read.read()) if isinstance(read, _Unread) else read
    return again


def _ids_of(
    run: Run,
    bound: Binding,
    archive: _Archive,
    stored: dict[int, StoredFile],
    kind: str,
    doubtful: set[int],
) -> frozenset[str]:
    """The sample ids of one side; of a file that itself has several columns of ids, all."""
    found: set[str] = set()
    for index, file in stored.items():
        if file.kind != kind or file.problem:
            continue
        if index in doubtful:
            zone = run.workspace.settings.workspace.time_zone
            found_file = run.found[index]
            digest, copy = archive.copy_of(found_file)
            table = archive.table_of(found_file)
            ids = partial(ids_that_may_be, copy, file.path, table, zone)
            met, told = _of_copy(run.workspace, found_file, digest, copy, ids)
            bound.told += told
            found |= met
        else:
            found |= {*pairing.written_ids(run.store, [RunFile(file.file_id, 0, True)], kind)}
    return frozenset(found)


def _without_copies(
    run: Run, stored: dict[int, StoredFile]
) -> tuple[dict[int, StoredFile], tuple[Finding, ...]]:
    """Each file's bytes once per table: a copy under another name would count twice."""
    kept: dict[int, StoredFile] = {}
    first: dict[tuple[int, str], str] = {}
    tables: dict[int, int] = {}  # by file_id: the table that reads it so
    findings = []
    for index, file in sorted(stored.items()):
        table = run.found[index].table_index
        if (before := tables.setdefault(file.file_id, table)) != table:
            findings.append(
                Finding(
                    "intake", "warning", file.path,
                    f"The [[table]] entries {before + 1} and {table + 1} read {file.path} in the "
                    "same way; it was read once.",
                    advice="Take one of the two out of the settings.",
                    code=FindingCode.READ_TWICE_ALIKE,
                )
            )  # fmt: skip
            continue
        if file.file_id in {known.file_id for known in kept.values()}:
            continue  # two patterns of one table find the same file
        key = (run.found[index].table_index, file.sha256)
        if file.sha256 and not file.problem and key in first:
            findings.append(
                Finding(
                    "intake", "serious", file.path,
                    f"{file.path} is a copy of {first[key]}, byte for byte; it was not read again.",
                    advice="Take one of the two away.",
                    code=FindingCode.FILE_COPIED,
                )
            )  # fmt: skip
            continue
        first.setdefault(key, file.path)
        kept[index] = file
    return kept, tuple(findings)


def _without_same_cells(
    run: Run, bound: Binding, stored: dict[int, StoredFile]
) -> tuple[dict[int, StoredFile], tuple[Finding, ...]]:
    """Refuse both readings of cells that are field and laboratory at once.

    Which of the two they are only a person knows; the file stays, without rows, as one that
    could not be read.
    """
    kept, findings = dict(stored), []
    for same in twofold.same_cells(run.store, stored):
        field, lab = stored[same.field], stored[same.lab]
        entries = [run.found[i].table_index + 1 for i in (same.field, same.lab)]
        one = field.path == lab.path
        name = field.path if one else f"{field.path} and {lab.path}"
        begin = f"{name} is read twice:" if one else f"{name} hold the same bytes:"
        where = "".join(f", sheet {sheet}" for sheet in same.sheets if sheet)
        columns = ", ".join(f"'{heading}'" for heading in same.headings[:8])
        more = ", …" if len(same.headings) > 8 else ""
        text = (
            f"{begin} the [[table]] entries {entries[0]} (field) and {entries[1]} (lab) read the "
            f"same cells, {same.rows} {'row' if same.rows == 1 else 'rows'} of {columns}{more}"
            f"{where}. "
            "Compared with itself a table agrees always; neither reading was used."
        )
        advice = (
            "Let only one of the two entries find the file; where one sheet holds both sides, "
            'give each entry its own columns: columns = { "heading" = "ignore" }.'
        )
        findings.append(
            Finding(
                "intake", "serious", name, text, advice=advice, code=FindingCode.SAME_CELLS_TWICE
            )
        )
        for index, file in ((same.field, field), (same.lab, lab)):
            key = hashlib.sha256(f"{file.kind}\n{text}\n{advice}".encode()).hexdigest()
            reading = Reading(file.path, file.sha256, key, "")
            kept[index] = bound.known(reading.name) or bound.add(
                reading, file.kind, file.size, ReconcileError(text, advice)
            )
    return kept, tuple(findings)


@dataclass(frozen=True, slots=True)
class _Register:
    """The rows of the run's sample registers, and the readings that they come from."""

    rows: pd.DataFrame
    names: tuple[Name, ...]


@dataclass(frozen=True, slots=True)
class _Read:
    """The tables of a file, or why it can't be read as a whole; what was told of its copy."""

    tables: tuple[TypedTable, ...] | ReconcileError
    told: tuple[Finding, ...] = ()


def _of_copy(
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
class _Unread:
    """A file that the store does not hold yet, with all that its reading depends on."""

    workspace: Workspace
    found: FoundFile
    digest: str
    key: str
    copy: Path
    table: TableSettings
    zone: str
    code: str
    register: _Register | None
    corrections: Sequence[Correction]
    met_ids: frozenset[str] = frozenset()

    def read(self) -> _Read:
        """Read the archived copy."""
        return _Read(*_of_copy(self.workspace, self.found, self.digest, self.copy, self._tables))

    def _tables(self) -> tuple[TypedTable, ...] | ReconcileError:
        try:
            return read_file(
                self.copy, self.found.shown, self.table, zone=self.zone,
                register=None if self.register is None else self.register.rows,
                corrections=self.corrections, sha256=self.digest, met_ids=self.met_ids,
            )  # fmt: skip
        except ReconcileError as error:
            return error

    def into(self, run: Run, bound: Binding, read: _Read) -> StoredFile:
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


def _met(
    run: Run,
    bound: Binding,
    archive: _Archive,
    file: FoundFile,
    table: TableSettings,
    code: str,
    register: _Register | None,
    corrections: overlay.Corrections,
    met_ids: frozenset[str] = frozenset(),
) -> StoredFile | _Unread:
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
    rows = None if looked_up is None else looked_up.rows
    key = reading_key(table, zone, code, rows, mine, met_ids)
    known = bound.known((file.shown, digest, key))
    if known is not None:
        return known
    return _Unread(
        run.workspace, file, digest, key, copy, table, zone, code, looked_up, mine, met_ids
    )


_ATTEMPTS = 4
_PAUSE_S = 0.2  # before the second attempt; longer before each further one


class BeingWritten(ReconcileError):
    """A file that changed each time that it was copied."""


def archived(workspace: Workspace, file: FoundFile) -> tuple[str, Path]:
    """Digest and archived copy; what is read later is the copy, whatever becomes of the file.

    The digest is that of one state of the file: one that changes meanwhile is taken again.
    Raises BeingWritten where it changes every time.
    """
    ending = file.path.suffix.lower()
    if not _ENDING.fullmatch(ending):  # another file system may not take it
        ending = ""
    for attempt in range(_ATTEMPTS):
        time.sleep(_PAUSE_S * attempt)
        working = None
        with open_regular(file.path) as stream:
            before = state_of(file.path)
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
            copy = workspace.archive / f"{digest}{ending}"
            if not copy.exists():
                workspace.archive.mkdir(parents=True, exist_ok=True)
                working = copy.with_name(f".unfinished-{copy.name}")
                stream.seek(0)
                with working.open("wb") as target:
                    shutil.copyfileobj(stream, target, 1 << 20)
        if state_of(file.path) == before and (working is None or ws.sha256_of(working) == digest):
            if working is not None:
                working.replace(copy)
            return digest, copy
        if working is not None:
            working.unlink()
    raise BeingWritten(
        f"{file.shown} is being written; it was not read this time.",
        "Run again when it is whole.",
    )


def table_of_reading(table: TableSettings) -> dict[str, Any]:
    """The settings of a table that bear on how a file is read."""
    return table.model_dump(mode="json", exclude={"files", "required", "name"})


def reading_key(
    table: TableSettings,
    zone: str,
    code: str,
    register: pd.DataFrame | None,
    corrections: Sequence[Correction] = (),
    met_ids: frozenset[str] = frozenset(),
) -> str:
    """What a reading depends on beside the file's bytes: settings, zone, code, register,
    corrections, and the ids by which one of several id columns is chosen."""
    content: list[Any] = [table_of_reading(table), zone, code]
    if register is not None:
        content.append(register.to_json(date_format="iso", orient="split"))
    content += [list(astuple(c)) for c in corrections]
    if met_ids:
        content.append({"met ids": sorted(met_ids)})
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def _register(run: Run, file_ids: list[int]) -> _Register:
    names = run.store.rows(
        sql("reading.register_files"),
        [file_ids],
    )
    return _Register(register_rows(run.store, file_ids), tuple((p, s, k) for p, s, k in names))


def register_rows(store: Store, file_ids: list[int]) -> pd.DataFrame:
    """The rows of the sample registers among these files."""
    return store.frame(
        sql("reading.register_rows"),
        [file_ids],
    )
