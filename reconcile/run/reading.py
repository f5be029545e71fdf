"""The steps that find the month's files and read them into the store."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import duckdb

from reconcile.base import provenance
from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.regular import open_regular
from reconcile.intake import workspace as ws
from reconcile.intake.tables import ABSENT
from reconcile.pairs.pairing import RunFile
from reconcile.run.ahead import ahead, in_parts
from reconcile.run.archiving import Archive, BeingWritten
from reconcile.run.state import Run
from reconcile.run.twice import by_ids_met, without_copies, without_same_cells
from reconcile.run.unread import Register, Unread, met_or_unread, register_of
from reconcile.samples import overlay
from reconcile.store import binding
from reconcile.store.binding import Binding, Doubted
from reconcile.store.cell_columns import ROW_TABLES
from reconcile.store.database import StoredFile
from reconcile.store.statements import sql

#: Rows of files that are stored in one transaction; a file counts for some rows.
_TOGETHER = 100_000


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
    register: Register | None = None
    tables: dict[int, Unread] = {}
    unready: list[Finding] = []
    archive = Archive(run)
    bound.look_ahead({file.shown for file in run.found})
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
            register = register_of(run, [stored[i].file_id for i in stored])
        met = met_or_unread(run, bound, archive, file, table, code, register, corrections or {})
        if isinstance(met, Unread) and table.kind in first:
            stored[index] = met.into(run, bound, met.read())
        elif isinstance(met, Unread):
            tables[index] = met
        else:
            run.tell(file.shown)
            stored[index] = met
    # no table depends on another: the next is read while one is stored, small ones together
    reads = zip(tables.items(), ahead([met.read for met in tables.values()]), strict=True)
    for part in in_parts(reads, lambda one: one[1].size, _TOGETHER):
        with bound.together():
            for (index, met), read in part:
                stored[index] = met.into(run, bound, read)
    stored = by_ids_met(run, bound, archive, stored, code, register, corrections or {})
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
    stored, copies = without_copies(run, stored)
    stored, twice = without_same_cells(run, bound, stored)
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
