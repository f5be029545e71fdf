"""The way in: one file and its settings -> typed tables, with the account of every row."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.intake import averages, fitting, idcolumns, result_parts, results, status
from reconcile.intake import facts as fact_work
from reconcile.intake.blocks import Block, find_block
from reconcile.intake.cells import (
    CellFormat,
)
from reconcile.intake.corrections import Correction, lay_over, refused_again
from reconcile.intake.headings import Column, absent_columns, matching, understand
from reconcile.intake.moisture import to_dry
from reconcile.intake.plain import is_typed, plain_columns, plain_results
from reconcile.intake.setaside import set_aside
from reconcile.intake.sheets import WHOLE_ROW, Body
from reconcile.intake.sources import digest, open_sheets, state_of
from reconcile.intake.tables import AppliedCorrection, ColumnMeaning, TypedTable
from reconcile.intake.vocabulary import FACTS

if TYPE_CHECKING:
    pass
else:  # ours, whatever else has that name where the program runs
    pass
from reconcile.intake.columns_settled import check_on_its_side, layout_of, settle, unanswered
from reconcile.intake.decimal_marks import decimal_mark_of, needs_mark
from reconcile.intake.finished import all_sums_told, finish, sums_told, validate
from reconcile.intake.read_job import Job, Ledger, NotATable
from reconcile.intake.table_facts import column_reader, columns_by_fact, facts_of


def read_file(
    path: Path,
    shown_path: str,
    table: TableSettings,
    *,
    zone: str,
    register: pd.DataFrame | None = None,
    corrections: Sequence[Correction] = (),
    sha256: str = "",
    met_ids: Collection[str] = (),
) -> tuple[TypedTable, ...]:
    """Read one file as its table settings say: one typed table per sheet.

    ``zone`` is the time zone of times that carry none; ``register`` holds the rows of the
    sample register (columns as in ``tables.REGISTER_FACTS``), used where the table's
    ``look_up`` is "lab_id"; ``corrections`` are laid over the cells; ``sha256`` is
    the file's digest where it is known; ``met_ids`` are ids of the register or of the other
    side, by which one of several id columns is chosen. Raises ReconcileError where the file
    can't be read as a whole; single bad rows and cells go to the quarantine of the table instead.
    """
    if table.kind not in FACTS:
        raise ReconcileError(
            f"{shown_path}: a file of kind '{table.kind}' is kept, not read as a table.",
            "Give it another kind, or leave it as it is.",
        )
    with ThreadPoolExecutor(1) as beside:
        before = state_of(path)
        digesting = beside.submit(lambda: sha256 or digest(path, shown_path))
        try:
            read = _read_sheets(
                path, shown_path, table, zone, register, tuple(corrections), met_ids
            )
        except ReconcileError:
            digesting.result()  # it knows best why a file can't be opened
            raise
        found = digesting.result()
    if state_of(path) != before:
        raise ReconcileError(
            f"{shown_path} changed while it was read: it is being written.",
            "Wait until it is whole, then start again.",
        )
    return tuple(replace(typed, sha256=found) for typed in read)


def read_balanced(
    path: Path,
    shown_path: str,
    table: TableSettings,
    *,
    zone: str,
    met_ids: Collection[str] = (),
) -> tuple[TypedTable, ...]:
    """Read a file that no run accounts for; refuses one whose rows are not all accounted for."""
    tables = read_file(path, shown_path, table, zone=zone, met_ids=met_ids)
    if lost := [t for t in tables if not t.balances]:
        sheet = f", sheet '{lost[0].sheet}'" if lost[0].sheet else ""
        raise ReconcileError(
            f"The account of {shown_path}{sheet} does not balance: {lost[0].rows_in_file} rows "
            "were counted in it, and others were read.",
            "Nothing was made of it. This is a fault of the program: please report it.",
        )
    return tables


def ids_that_may_be(path: Path, shown_path: str, table: TableSettings, zone: str) -> set[str]:
    """The texts of every column that may hold the sample ids; empty where none can be read."""
    found: set[str] = set()
    wanted = (table.sheet,) if isinstance(table.sheet, str) else table.sheet
    try:
        for sheet in open_sheets(
            path, shown_path, tuple(w for w in wanted if w), mapping=table.records
        ):
            block = find_block(sheet, table, shown_path)
            job = Job(path, shown_path, sheet, table, zone, None, shown_path)
            columns = settle(understand(block, table, shown_path), job)
            body = sheet.read_body(block.last_line, len(block.headings), frozenset())
            for column in columns:
                if column.fact == "sample_id":
                    cells = pc.unique(body.columns[column.index]).drop_null().to_pylist()
                    found.update(str(text) for text in cells)
    except ReconcileError:
        return found
    return found


def _read_sheets(
    path: Path,
    shown_path: str,
    table: TableSettings,
    zone: str,
    register: pd.DataFrame | None,
    corrections: tuple[Correction, ...],
    met_ids: Collection[str],
) -> list[TypedTable]:
    """The tables of one file; their digest is still open."""
    wanted = (table.sheet,) if isinstance(table.sheet, str) else table.sheet
    wanted = tuple(w for w in wanted if w)
    sheets = open_sheets(path, shown_path, wanted, table.final_line_end == "absent", table.records)
    read: list[TypedTable] = []
    skipped: list[ReconcileError] = []
    notes: list[str] = []
    for sheet in sheets:
        place = f"{shown_path}, sheet '{sheet.name}'" if sheet.name else shown_path
        job = Job(path, shown_path, sheet, table, zone, register, place, corrections, met_ids)
        try:
            read.append(_read_sheet(job))
        except NotATable as error:
            if len(sheets) == 1 or wanted:
                raise ReconcileError(error.message, error.advice) from error
            skipped.append(error)
            notes.append(f"sheet '{sheet.name}' was not read: {error.message}")
    if not read:
        raise ReconcileError(skipped[0].message, skipped[0].advice)
    if notes:
        read[0] = replace(read[0], notes=read[0].notes + tuple(notes))
    return read


def _read_sheet(job: Job) -> TypedTable:
    try:
        block = find_block(job.sheet, job.table, job.place)
    except ReconcileError as error:
        check_on_its_side(job)
        raise NotATable(error.message, error.advice) from error
    absent = absent_columns(block, job.table)
    try:
        return _read_block(job, block, absent)
    except ReconcileError as error:
        if not absent:
            raise
        told = "; ".join(f"'{c.heading}' {c.why}" for c in absent)
        raise type(error)(
            error.message, f"{error.advice} Mistyped in 'columns'? {told}."
        ) from error


def _read_block(job: Job, block: Block, absent: tuple[ColumnMeaning, ...]) -> TypedTable:
    table, sheet = job.table, job.sheet
    fixed = fact_work.fixed_facts(table, fact_work.may_be_fixed(table.kind), job.place)
    columns = settle(understand(block, table, job.place), job)
    layout = layout_of(columns, job)
    notes: list[str] = list(sheet.notes)
    counted = sheet.count(_last_line(job, block))
    body, aside, plainly = _body(job, columns, block, layout, fixed)
    body, corrected = lay_over(body, block, sheet.name, job.corrections)
    columns, told_of_ids = idcolumns.chosen(columns, column_reader(body), table, _met_ids(job))
    notes += told_of_ids
    n = len(body.lines)
    ledger = Ledger()
    unbelieved = _in_doubt(job, columns, block, layout, body, corrected, ledger)
    mark = "." if plainly else decimal_mark_of(job, columns, body, notes)
    rules = CellFormat.of(mark, table.cells.below_words, table.cells.no_result_words)
    if table.kind in {"field", "lab"}:
        for at in fitting.one_place_left(body, columns, rules):
            ledger.row(at, *fitting.told(body, at))
    standing = None
    if table.kind in {"field", "lab"}:
        standing = status.told(columns_by_fact(columns), column_reader(body), table.cells, n)
    facts = facts_of(job, columns, block, body, fixed, rules, ledger, notes)
    if standing is not None:
        facts |= {"status": standing.status, "status_reason": standing.reason}
        notes += status.notes(standing)
    named = fact_work.named_by_rules(table, block)
    columns = unanswered(status.asked(columns, standing), body, named)
    if layout == "long":
        facts["_long"] = pa.nulls(n)
    kind = table.kind
    if plainly is not None:
        read = plainly
    elif kind in {"field", "lab"}:
        read = results.read_results(
            result_parts.ResultJob(table, columns, body, facts, rules, layout, job.place, fixed),
            ledger,
            notes,
        )
        if len(read.outside):
            aside += (("element not asked for", len(read.outside)),)
        if len(read.other_side):
            aside += (("no result of this side", len(read.other_side)),)
            read.outside = np.union1d(read.outside, read.other_side)
    elif kind == "reference materials":
        facts, made, read = results.read_reference(
            result_parts.ResultJob(table, columns, body, facts, rules, layout, job.place, fixed),
            ledger,
            notes,
        )
        if read.made_of is not None:
            made = replace(made, broken=body.broken + ledger.follow(read.made_of, body.lines))
        body, n = made, len(made.lines)
    else:
        read = result_parts.nothing_read(n)
    if kind in {"field", "lab"}:
        averaged = averages.found(columns, body, facts, read, keep=table.cells.averages == "keep")
        if len(averaged.rows):
            read.outside = np.union1d(read.outside, averaged.rows)
            for at in averaged.rows.tolist():
                ledger.rows.pop(at, None)
            aside += tuple(
                (name, len(rows))
                for name, rows in (
                    ("average of the export", averaged.means),
                    ("spread of the export", averaged.spreads),
                )
                if len(rows)
            )
        notes += averaged.notes
    for key, rows in unbelieved.items():
        if key in read.values:
            read.values[key].refuse(np.array(rows, np.int64))
    if table.recalculate_to_dry and kind in {"field", "lab"}:
        facts, dried = to_dry(facts, read)
        notes += dried
    told = sums_told(job, facts, read, n)
    validate(job, facts, read, told, ledger, n)
    finished = finish(job, columns, body, facts, read, told, ledger, aside, notes, counted)
    finished = replace(finished, columns=finished.columns + absent)
    if not corrected:
        return finished
    headings = {c.index: c.heading for c in columns}
    again = refused_again(corrected, block, headings, finished.quarantine)
    return replace(finished, corrections=again)


def _met_ids(job: Job) -> Collection[str]:
    """The ids of the other side: the register's lab ids where this table's are looked up."""
    if job.table.look_up != "lab_id" or job.register is None or "lab_id" not in job.register:
        return job.met_ids
    return [str(text) for text in job.register["lab_id"].dropna()]


def _last_line(job: Job, block: Block) -> int:
    """The line on which the headings end; refuses headings that may have swallowed rows."""
    last, whole = 0, max(len(block.headings), 2)
    for row in job.sheet.head:
        if row.line > block.last_line:
            break
        last = row.last
        doubtful = bool(row.doubt)
        if row.line < block.first_line:  # a letterhead may be quoted, but holds no rows
            doubtful = len(row.lines) > 1 and any(
                line.count(job.sheet.delimiter) + 1 >= whole for line in row.lines
            )
        if doubtful:
            raise ReconcileError(
                f"{job.place}, line {row.line}: the quotation marks are doubtful, and the headings "
                "may hold rows of the table.",
                "Mend the quotation marks, or export the file again.",
            )
    return last


def _in_doubt(
    job: Job,
    columns: tuple[Column, ...],
    block: Block,
    layout: str,
    body: Body,
    corrected: Sequence[AppliedCorrection],
    ledger: Ledger,
) -> dict[str, list[int]]:
    """Put cells that can't be believed into quarantine; which rows of which results they are.

    A result alone is taken out of its row. Without any other cell that means something the row
    says something else, so the whole row is refused. Cells that a person corrected are believed.
    """
    mended = {
        (c.row, place) for c in corrected if not c.refused for place in matching(block, c.column)
    }
    mended |= {(line, WHOLE_ROW) for line, _ in mended}
    left = {(d.line, d.index): d for d in body.doubts if (d.line, d.index) not in mended}
    if not left:
        return {}
    lines = body.lines.to_numpy(zero_copy_only=False)
    places = {int(line): at for at, line in enumerate(lines)}
    named = fact_work.named_by_rules(job.table, block)
    results_of: dict[str, list[int]] = {}
    for (line, index), doubt in left.items():
        at = places.get(line)
        if at is None:
            continue  # a row that was set aside
        if index == WHOLE_ROW:
            ledger.row(at, fitting.shown(body, at), doubt.reason, doubt.advice)
            continue
        column = columns[index]
        if column.role == "value" and column.species and layout == "wide" and index not in named:
            results_of.setdefault(result_parts.key_of(column), []).append(at)
            ledger.cell(at, column.heading, doubt.found, doubt.reason, doubt.advice)
        elif column.role in {"value", "error", "limit", "fact"} or index in named:
            reason = f"the cell under '{column.heading}' is not sure: {doubt.reason}"
            ledger.row(at, doubt.found, reason, doubt.advice)
    return results_of


def _body(
    job: Job, columns: tuple[Column, ...], block: Block, layout: str, fixed: dict[str, str]
) -> tuple[Body, tuple[tuple[str, int], ...], result_parts.Results | None]:
    """The data rows, how many rows were set aside, and the results where they are plain."""

    def rows(numbers: frozenset[int]) -> tuple[Body, tuple[tuple[str, int], ...]]:
        body = job.sheet.read_body(block.last_line, len(block.headings), numbers)
        if job.table.kind == "corrections":  # its cells are what other tables' rows held
            return body, ()
        return set_aside(body, columns, block)

    candidates = () if job.corrections else plain_columns(columns, job.table, layout)
    if fact_work.named_by_rules(job.table, block) & {c.index for c in candidates}:
        candidates = ()  # ids and kinds are made of text
    body, aside = rows(frozenset(c.index for c in candidates))
    if not is_typed(body, candidates):
        return body, aside, None
    mark = decimal_mark_of(job, columns, body, [])
    if mark == "." or (not mark and not needs_mark(columns, body)):
        read = plain_results(
            body, candidates, job.table.largest_sum_pct, all_sums_told(job, columns, fixed)
        )
        if read is not None:
            return body, aside, read
    body, aside = rows(frozenset())
    return body, aside, None
