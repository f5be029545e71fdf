"""The way in: one file and its settings -> typed tables, with the account of every row."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from reconcile import techniques
from reconcile.base.characters import fold, unread
from reconcile.base.errors import ReconcileError
from reconcile.base.model.tables import QUARANTINE_COLUMNS
from reconcile.base.quantities import ATOMIC_WEIGHTS_EDITION
from reconcile.base.settings.tables import TableSettings
from reconcile.intake import averages, fitting, idcolumns, result_parts, results, sideways, status
from reconcile.intake import facts as fact_work
from reconcile.intake.blocks import Block, find_block
from reconcile.intake.cells import (
    CellFormat,
    DecimalMark,
    decimal_evidence,
    parse_column,
    plain_number,
)
from reconcile.intake.corrections import Correction, lay_over, refused_again
from reconcile.intake.counting import Counted
from reconcile.intake.headings import Column, absent_columns, matching, understand
from reconcile.intake.moisture import to_dry
from reconcile.intake.plain import is_typed, plain_columns, plain_results
from reconcile.intake.setaside import set_aside
from reconcile.intake.sheets import WHOLE_ROW, Body, Broken, Sheet
from reconcile.intake.sources import digest, open_sheets, state_of
from reconcile.intake.tables import BELOW, AppliedCorrection, ColumnMeaning, TypedTable
from reconcile.intake.times import parse_times
from reconcile.intake.vocabulary import FACTS, NUMBER_FACTS, TIME_FACTS, TIME_OF_KIND

if TYPE_CHECKING:
    import schemas
else:  # ours, whatever else has that name where the program runs
    from reconcile import schemas

_TEXT = pa.string()
_TIME = pa.timestamp("us", "UTC")


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
            job = _Job(path, shown_path, sheet, table, zone, None, shown_path)
            columns = _settle(understand(block, table, shown_path), job)
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
        job = _Job(path, shown_path, sheet, table, zone, register, place, corrections, met_ids)
        try:
            read.append(_read_sheet(job))
        except _NotATable as error:
            if len(sheets) == 1 or wanted:
                raise ReconcileError(error.message, error.advice) from error
            skipped.append(error)
            notes.append(f"sheet '{sheet.name}' was not read: {error.message}")
    if not read:
        raise ReconcileError(skipped[0].message, skipped[0].advice)
    if notes:
        read[0] = replace(read[0], notes=read[0].notes + tuple(notes))
    return read


class _NotATable(ReconcileError):
    """The sheet holds no table of this kind; other sheets of the workbook may."""


@dataclass(frozen=True, slots=True)
class _Job:
    """What reading one sheet needs to know."""

    path: Path
    shown: str
    sheet: Sheet
    table: TableSettings
    zone: str
    register: pd.DataFrame | None
    place: str
    corrections: tuple[Correction, ...] = ()
    met_ids: Collection[str] = ()


@dataclass(slots=True)
class _Ledger:
    """Rows and cells that can't be used, by position, while a sheet is read."""

    rows: dict[int, tuple[str, str, str]] = field(default_factory=dict)  # found, reason, advice
    cells: dict[tuple[int, str], tuple[str, str, str]] = field(default_factory=dict)

    def row(self, at: int, found: str, reason: str, advice: str) -> None:
        """Put a row into quarantine; the first reason stands, later ones follow from it."""
        self.rows.setdefault(at, (found, reason, advice))

    def cell(self, at: int, heading: str, found: str, reason: str, advice: str) -> None:
        """Put a cell into quarantine; its row stays."""
        self.cells.setdefault((at, heading), (found, reason, advice))

    def follow(self, made_of: npt.NDArray[np.int64], lines: pa.Array) -> tuple[Broken, ...]:
        """Go over to rows that were made of the rows at ``made_of``; those of which none was made.

        ``lines`` of all rows before.
        """
        first: dict[int, int] = {}
        for new, old in enumerate(made_of.tolist()):
            first.setdefault(old, new)
        told = {at: entry for (at, _), entry in reversed(self.cells.items())} | self.rows
        nothing = ("", "no certified value", "Fill it in, or leave the row out.")
        gone = tuple(
            Broken(line, *told.get(at, nothing))
            for at, line in enumerate(lines.to_pylist())
            if at not in first
        )
        self.rows = {
            new: self.rows[old] for new, old in enumerate(made_of.tolist()) if old in self.rows
        }
        self.cells = {
            (first[at], heading): entry
            for (at, heading), entry in self.cells.items()
            if at in first
        }
        return gone


def _read_sheet(job: _Job) -> TypedTable:
    try:
        block = find_block(job.sheet, job.table, job.place)
    except ReconcileError as error:
        _check_on_its_side(job)
        raise _NotATable(error.message, error.advice) from error
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


def _check_on_its_side(job: _Job) -> None:
    """Say it in plain words where the samples stand side by side."""
    if job.table.kind in {"field", "lab"} and (names := sideways.lies_on_its_side(job.sheet.head)):
        error = sideways.fault(job.place, names)
        raise _NotATable(error.message, error.advice)


def _read_block(job: _Job, block: Block, absent: tuple[ColumnMeaning, ...]) -> TypedTable:
    table, sheet = job.table, job.sheet
    fixed = fact_work.fixed_facts(table, fact_work.may_be_fixed(table.kind), job.place)
    columns = _settle(understand(block, table, job.place), job)
    layout = _layout(columns, job)
    notes: list[str] = list(sheet.notes)
    counted = sheet.count(_last_line(job, block))
    body, aside, plainly = _body(job, columns, block, layout, fixed)
    body, corrected = lay_over(body, block, sheet.name, job.corrections)
    columns, told_of_ids = idcolumns.chosen(columns, _column_reader(body), table, _met_ids(job))
    notes += told_of_ids
    n = len(body.lines)
    ledger = _Ledger()
    unbelieved = _in_doubt(job, columns, block, layout, body, corrected, ledger)
    mark = "." if plainly else _decimal_mark(job, columns, body, notes)
    rules = CellFormat.of(mark, table.cells.below_words, table.cells.no_result_words)
    if table.kind in {"field", "lab"}:
        for at in fitting.one_place_left(body, columns, rules):
            ledger.row(at, *fitting.told(body, at))
    standing = None
    if table.kind in {"field", "lab"}:
        standing = status.told(_by_fact(columns), _column_reader(body), table.cells, n)
    facts = _facts(job, columns, block, body, fixed, rules, ledger, notes)
    if standing is not None:
        facts |= {"status": standing.status, "status_reason": standing.reason}
        notes += status.notes(standing)
    named = fact_work.named_by_rules(table, block)
    columns = _unanswered(status.asked(columns, standing), body, named)
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
    told = _sums_told(job, facts, read, n)
    _validate(job, facts, read, told, ledger, n)
    finished = _finish(job, columns, body, facts, read, told, ledger, aside, notes, counted)
    finished = replace(finished, columns=finished.columns + absent)
    if not corrected:
        return finished
    headings = {c.index: c.heading for c in columns}
    again = refused_again(corrected, block, headings, finished.quarantine)
    return replace(finished, corrections=again)


def _met_ids(job: _Job) -> Collection[str]:
    """The ids of the other side: the register's lab ids where this table's are looked up."""
    if job.table.look_up != "lab_id" or job.register is None or "lab_id" not in job.register:
        return job.met_ids
    return [str(text) for text in job.register["lab_id"].dropna()]


def _last_line(job: _Job, block: Block) -> int:
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
    job: _Job,
    columns: tuple[Column, ...],
    block: Block,
    layout: str,
    body: Body,
    corrected: Sequence[AppliedCorrection],
    ledger: _Ledger,
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
    job: _Job, columns: tuple[Column, ...], block: Block, layout: str, fixed: dict[str, str]
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
    mark = _decimal_mark(job, columns, body, [])
    if mark == "." or (not mark and not _needs_mark(columns, body)):
        read = plain_results(
            body, candidates, job.table.largest_sum_pct, _all_sums_told(job, columns, fixed)
        )
        if read is not None:
            return body, aside, read
    body, aside = rows(frozenset())
    return body, aside, None


# ---- what the columns are -----------------------------------------------------------------


def _settle(columns: tuple[Column, ...], job: _Job) -> tuple[Column, ...]:
    """Resolve columns that stand there more than once; side-by-side tables are allowed."""
    table = job.table
    looked_up = table.look_up == "lab_id"
    if looked_up and table.kind != "lab":
        raise ReconcileError(
            f"{job.place}: look_up is meant for lab tables, not for a {table.kind} table.",
            "Take 'look_up' out of this table's settings.",
        )
    has_lab_id = any(c.fact == "lab_id" for c in columns)
    settled: list[Column] = []
    named = table.sample_id_template or "sample_id" in table.fixed
    has_id = named or any(c.fact in {"sample_id", "lab_id"} for c in columns)
    first: dict[str, Column] = {}
    helpers = {"value", "error", "limit", "element", "qualifier"}
    long_layout = table.layout == "long" or (
        table.layout == "" and {"element", "value"} <= {c.fact for c in columns}
    )
    for column in columns:
        if looked_up and not has_lab_id and column.fact == "sample_id" and column.why != "settings":
            column = replace(column, fact="lab_id", why="heading; ids are lab ids by the settings")
        if (
            column.fact == "element"
            and column.index == 0
            and not long_layout
            and not has_id
            and table.kind in {"field", "lab"}
        ):
            why = "heads the row of elements; sample ids stand below"
            column = replace(column, fact="lab_id" if looked_up else "sample_id", why=why)
        if (
            column.role == "fact"
            and column.fact in helpers
            and not long_layout
            and table.kind in {"field", "lab"}
        ):
            column = replace(column, role="ignored", fact="", why="belongs to the long layout")
        if long_layout and column.role in {"value", "error", "limit"} and column.species:
            column = replace(column, role="ignored", why="the table is in long layout")
        settled.append(column)
    result: list[Column] = []
    for column in settled:
        if column.role == "fact":
            identity = f"{column.fact}/{column.species.formula if column.species else ''}"
            earlier = first.get(identity)
            if earlier is not None:
                if column.fact in {"sample_id", "lab_id"} and column.heading == earlier.heading:
                    result.append(replace(column, why="side-by-side table: must agree"))
                    continue
                if column.why == "settings" and earlier.why != "settings":
                    result[result.index(earlier)] = replace(
                        earlier, role="ignored", fact="", why="another column holds it"
                    )
                    first[identity] = column
                    result.append(column)
                    continue
                if column.why != "settings":
                    result.append(
                        replace(
                            column,
                            role="unclear",
                            question=f"'{earlier.heading}' means {column.fact} already",
                        )
                    )
                    continue
                raise ReconcileError(
                    f"{job.place}: the columns '{earlier.heading}' and '{column.heading}' are both "
                    f"to mean {column.fact}.",
                    "Name one of them in the settings.",
                )
            first[identity] = column
        elif column.role in {"value", "error", "limit"} and column.species is not None:
            # methods that differ in case alone are one method
            identity = f"{column.role}/{column.species.element}@{column.method.casefold()}"
            earlier = first.get(identity)
            if earlier is not None:
                same = earlier.species == column.species
                if same and column.role == "value":
                    raise ReconcileError(
                        f"{job.place}: the columns {earlier.index + 1} ('{earlier.heading}') and "
                        f"{column.index + 1} ('{column.heading}') both hold "
                        f"{column.species.formula}.",
                        "Say in 'columns' which one to ignore, or give each a method.",
                    )
                result.append(
                    replace(
                        column,
                        role="unclear",
                        question=f"{column.species.element} stands in '{earlier.heading}' already",
                    )
                )
                continue
            first[identity] = column
        result.append(column)
    return tuple(result)


def _layout(columns: tuple[Column, ...], job: _Job) -> str:
    table = job.table
    kind = table.kind
    if kind not in {"field", "lab", "reference materials"}:
        return ""
    long = {"element", "value"} <= {c.fact for c in columns if c.role == "fact"}
    wide = any(c.role == "value" and c.species for c in columns)
    if table.layout == "long" and not long:
        raise ReconcileError(
            f"{job.place}: a long table needs a column of elements and one of results.",
            'Name them: columns = { "…" = "element", "…" = "value" }.',
        )
    if long and table.layout != "wide":
        return "long"
    if wide:
        elements = {c.species.element for c in columns if c.role == "value" and c.species}
        # sample ids such as 'S34' across the top read as isotopes
        down = {sideways.element_of(name) for name in sideways.lies_on_its_side(job.sheet.head)}
        if down and not down & elements:
            _check_on_its_side(job)
        return "wide"
    _check_on_its_side(job)
    unclear = [c for c in columns if c.role == "unclear"]
    unitless = [c for c in unclear if c.question == "no unit is stated"]
    if unitless:
        raise _NotATable(
            f"{job.place}: {len(unitless)} columns of results name no unit "
            f"('{unitless[0].heading}' …).",
            'Set the unit for this table, such as unit = "mg/kg".',
        )
    first = unclear[0] if unclear else None
    detail = f" '{first.heading}' {first.question}." if first else ""
    raise _NotATable(
        f"{job.place}: no column of results was recognised.{detail}",
        "Name the columns in 'columns', or check the headings.",
    )


def _decimal_mark(
    job: _Job, columns: tuple[Column, ...], body: Body, notes: list[str]
) -> DecimalMark:
    """The decimal mark: by the settings, else by cells that allow one reading only."""
    told = job.table.cells.decimal_mark
    if told:
        return told
    if not job.sheet.texts_can_hold_commas and not job.sheet.typed_numbers:
        return "."
    point = comma = 0
    for cells in _number_texts(columns, body):
        with_comma = cells.filter(pc.fill_null(pc.match_substring(cells, ","), False))
        more = decimal_evidence(pc.unique(with_comma).to_pylist()[:5000])
        if not job.sheet.typed_numbers:
            with_point = cells.filter(pc.fill_null(pc.match_substring(cells, "."), False))
            less = decimal_evidence(pc.unique(with_point.slice(0, 5000)).to_pylist())
            point += less[0]
        point += more[0]
        comma += more[1]
    if comma and not point:
        notes.append("a comma is read as the decimal mark of this file")
        return ","
    if point:
        return "."
    return ""


def _number_texts(columns: tuple[Column, ...], body: Body) -> Iterator[pa.Array]:
    """The columns of numbers that still are text; cut numbers hold no comma."""
    for column in columns:
        numeric_fact = column.role == "fact" and (
            column.fact in NUMBER_FACTS or column.fact in {"value", "error", "limit"}
        )
        cells = body.columns[column.index]
        if (numeric_fact or column.role in {"value", "error", "limit"}) and not (
            pa.types.is_floating(cells.type)
        ):
            yield cells


def _needs_mark(columns: tuple[Column, ...], body: Body) -> bool:
    """Whether some text of a number reads otherwise where no cell tells the decimal mark."""
    return any(
        pc.any(pc.match_substring_regex(cells, r",|\..*\.")).as_py()
        for cells in _number_texts(columns, body)
    )


# ---- facts ----------------------------------------------------------------------------------


def _facts(
    job: _Job,
    columns: tuple[Column, ...],
    block: Block,
    body: Body,
    fixed: dict[str, str],
    rules: CellFormat,
    ledger: _Ledger,
    notes: list[str],
) -> dict[str, pa.Array]:
    """All facts of the kind, one array each; helpers of the reading are kept beside them."""
    table = job.table
    kind = table.kind
    n = len(body.lines)
    at = _column_reader(body)
    by_fact = _by_fact(columns)
    wanted = [f for f in FACTS[kind] if f != "row"]
    facts: dict[str, pa.Array] = {}
    nothing = pa.nulls(n, _TEXT)
    for name in wanted:
        if name in TIME_FACTS or name in NUMBER_FACTS:
            continue
        source = by_fact.get(name)
        text = at(source.index) if source else nothing
        facts[name] = fact_work.normal(name, text)
    for name in ("unit", "sigma", "qualifier"):
        if name in by_fact:
            facts[f"_{name}"] = at(by_fact[name].index)
    id_columns = _ids(job, by_fact, block, at, facts, n)
    _check_side_by_side(columns, by_fact, at, ledger)
    if "sample_id" in facts:
        _check_line_breaks(facts, ledger)
        notes += _odd_ids(facts["sample_id"])
    numbers_of = _numbers(wanted, by_fact, at, fixed, rules, ledger, n, job.place)
    facts.update(numbers_of)
    _times(job, wanted, by_fact, at, facts, ledger, notes, n)
    for name, value in fixed.items():
        if name in facts and name not in NUMBER_FACTS and name not in TIME_FACTS:
            notes += _contradiction(name, value, facts[name], by_fact)
            facts[name] = pc.coalesce(facts[name], pa.scalar(value, _TEXT))
            facts[name] = fact_work.normal(name, facts[name])
    fact_work.roles_of(facts)
    if "duplicate_of" in facts:
        marked = pc.and_(pc.is_valid(facts["duplicate_of"]), pc.is_null(facts["sample_kind"]))
        facts["sample_kind"] = fact_work.set_where(
            facts["sample_kind"], marked.to_numpy(zero_copy_only=False), "duplicate"
        )
    if kind in {"field", "lab", "sample register"}:
        if table.look_up == "lab_id":
            _look_up(job, facts, ledger)
        fact_work.apply_kind_rules(facts, table, block, at, id_columns, job.place)
    elif table.kind_rules:
        raise ReconcileError(
            f"{job.place}: kind rules have no meaning in a {kind} table.", "Take them out."
        )
    return facts


def _contradiction(name: str, value: str, told: pa.Array, by_fact: dict[str, Column]) -> list[str]:
    """What the rows say against a fact that the settings fix for all of them."""
    if name not in by_fact:
        return []
    (spelled,) = fact_work.normal(name, pa.array([value], _TEXT)).to_pylist()
    other = pc.fill_null(pc.not_equal(pc.utf8_lower(told), str(spelled).lower()), False)
    rows = int(pc.sum(other).as_py() or 0)
    if not rows:
        return []
    first = told.filter(other)[0].as_py()
    return [
        f"the column '{by_fact[name].heading}' says '{first}' where the settings fix {name} = "
        f"'{value}' ({rows} {'row' if rows == 1 else 'rows'}); what the column says holds there"
    ]


def _by_fact(columns: tuple[Column, ...]) -> dict[str, Column]:
    by_fact: dict[str, Column] = {}
    for column in columns:
        if column.role == "fact" and not column.species:
            by_fact.setdefault(column.fact, column)
    return by_fact


def _unanswered(
    columns: tuple[Column, ...], body: Body, named: frozenset[int]
) -> tuple[Column, ...]:
    """The columns; nothing is asked of one that is empty, or that a rule of the settings reads."""
    at = _column_reader(body)

    def settled(c: Column) -> str:
        if c.role != "asked" or c.fact:
            return ""
        if c.index in named:
            return "read by a rule of the settings"
        return "empty" if at(c.index).null_count == len(body.lines) else ""

    return tuple(replace(c, role="ignored", why=why) if (why := settled(c)) else c for c in columns)


def _column_reader(body: Body) -> Any:
    known: dict[int, pa.Array] = {}

    def at(index: int) -> pa.Array:
        if index not in known:
            known[index] = fact_work.trimmed(body.columns[index])
        return known[index]

    return at


def _ids(
    job: _Job,
    by_fact: dict[str, Column],
    block: Block,
    at: Any,
    facts: dict[str, pa.Array],
    n: int,
) -> tuple[int, ...]:
    """Build and tidy sample ids; returns the columns that they come from."""
    table = job.table
    if "sample_id" not in facts:
        return ()
    used: tuple[int, ...] = ()
    if table.sample_id_template:
        facts["sample_id"], used = fact_work.build_ids(
            table.sample_id_template, block, at, n, job.place
        )
    elif "sample_id" in by_fact:
        used = (by_fact["sample_id"].index,)
    elif (
        table.kind in {"field", "lab", "sample register", "aliases"}
        and table.look_up == ""
        and "sample_id" not in table.fixed
    ):
        known = ", ".join(f"'{h.names[-1]}'" for h in block.headings if h.names)
        raise _NotATable(
            f"{job.place}: no column holds the sample id (headings: {known[:300]}).",
            'Name it: columns = { "heading" = "sample_id" }; a column without a heading is '
            'called "column 1", "column 2" ….',
        )
    if table.look_up == "lab_id" and "lab_id" not in by_fact:
        raise _NotATable(
            f"{job.place}: no column holds the lab id.",
            'Name it: columns = { "heading" = "lab_id" }.',
        )
    facts["sample_id"] = fact_work.apply_id_rules(facts["sample_id"], table.sample_id_rules)
    return used


def _check_line_breaks(facts: dict[str, pa.Array], ledger: _Ledger) -> None:
    """An id over several lines has swallowed rows between unbalanced quotation marks."""
    for name in ("sample_id", "lab_id"):
        if name not in facts:
            continue
        broken = pc.fill_null(pc.match_substring(facts[name], "\n"), False)
        for at in np.flatnonzero(broken.to_numpy(zero_copy_only=False)):
            ledger.row(
                int(at),
                str(facts[name][int(at)]),
                "the id runs over several lines: quotation marks are unbalanced, and rows stand "
                "within this cell",
                "Mend the quotation marks in the file.",
            )


def _odd_ids(ids: pa.Array) -> list[str]:
    """Ids with superscripts and the like: they stay as they are, and a person is told."""
    plain = pc.fill_null(pc.string_is_ascii(ids), True)
    if pc.all(plain).as_py() is not False:
        return []
    odd = [t for t in pc.unique(ids.filter(pc.invert(plain))).to_pylist() if unread(fold(t))]
    if not odd:
        return []
    held = (
        f"1 id holds a character such as {unread(fold(odd[0]))}"
        if len(odd) == 1
        else (f"{len(odd)} ids hold characters such as {unread(fold(odd[0]))}")
    )
    return [f"{held}, as in '{odd[0]}': it is not read as a digit, and only ids written alike join"]


def _check_side_by_side(
    columns: tuple[Column, ...], by_fact: dict[str, Column], at: Any, ledger: _Ledger
) -> None:
    """Rows of side-by-side tables must name the same sample throughout."""
    for column in columns:
        first = by_fact.get(column.fact)
        if (
            first is None
            or first.index == column.index
            or column.role != "fact"
            or column.fact not in {"sample_id", "lab_id"}
        ):
            continue
        here, there = at(first.index), at(column.index)
        differ = pc.fill_null(
            pc.not_equal(here, there), pc.xor(pc.is_null(here), pc.is_null(there))
        )
        for i in np.flatnonzero(differ.to_numpy(zero_copy_only=False)):
            ledger.row(
                int(i),
                f"{here[int(i)]} | {there[int(i)]}",
                f"tables stand side by side, and '{column.heading}' differs between them in this "
                "row",
                "Split the tables, or put their rows into the same order.",
            )


def _numbers(
    wanted: list[str],
    by_fact: dict[str, Column],
    at: Any,
    fixed: dict[str, str],
    rules: CellFormat,
    ledger: _Ledger,
    n: int,
    place: str,
) -> dict[str, pa.Array]:
    result: dict[str, pa.Array] = {}
    for name in wanted:
        if name not in NUMBER_FACTS:
            continue
        values = np.full(n, np.nan)
        column = by_fact.get(name)
        if column is not None:
            text = at(column.index)
            cells = parse_column(text, rules)
            values = cells.value * column.factor
            if name == "moisture_pct" and cells.own_unit is not None:
                percent = ~np.isnan(cells.own_unit)
                values[percent] *= cells.own_unit[percent] / 1e4
            for i in np.flatnonzero((cells.code != 0) & (cells.code >= -2) & (cells.code != -1)):
                if cells.code[i] in {3}:
                    continue
                reason, advice = cells.refused.get(
                    int(i), ("a limit stands where a number is needed", "Give the number.")
                )
                ledger.cell(int(i), column.heading, str(text[int(i)]), reason, advice)
        if name in fixed:
            constant = plain_number(fixed[name])
            if constant is None:
                raise ReconcileError(
                    f"{place}: fixed {name} = '{fixed[name]}' is no number.", "Mend the settings."
                )
            values = np.where(np.isnan(values), constant, values)
        result[name] = pa.array(values, pa.float64(), from_pandas=True)
    return result


def _times(
    job: _Job,
    wanted: list[str],
    by_fact: dict[str, Column],
    at: Any,
    facts: dict[str, pa.Array],
    ledger: _Ledger,
    notes: list[str],
    n: int,
) -> None:
    main = TIME_OF_KIND.get(job.table.kind, "")
    for name in wanted:
        if name not in TIME_FACTS:
            continue
        column = by_fact.get(name)
        text = at(column.index) if column else None
        heading = column.heading if column else ""
        if text is None and name == main:
            text, heading = _date_and_time(by_fact, at)
        if text is None and name in job.table.fixed:
            text, heading = pa.array([str(job.table.fixed[name])] * n, _TEXT), name
        if text is None:
            facts[name] = pa.nulls(n, _TIME)
            continue
        read = parse_times(
            text, job.zone, job.table.cells.day_first, f"{job.place}, column '{heading}'"
        )
        facts[name] = read.values
        notes += [note for note in read.notes if note not in notes]
        for i, reason in read.bad.items():
            ledger.cell(i, heading, str(text[i]), reason, "Mend the date, or set cells.day_first.")


def _date_and_time(by_fact: dict[str, Column], at: Any) -> tuple[pa.Array | None, str]:
    date, time = by_fact.get("date"), by_fact.get("time")
    if date is not None and time is not None:
        day = pc.replace_substring_regex(at(date.index), r"[T ]00:00(:00)?(\.0+)?$", "")
        clock = pc.replace_substring_regex(
            at(time.index), r"^(1899-12-3[01]|1900-01-0[0-9])[T ]", ""
        )
        joined = pc.binary_join_element_wise(
            day, pc.fill_null(clock, ""), " ", null_handling="emit_null"
        )
        return fact_work.trimmed(joined), f"{date.heading} {time.heading}"
    one = date or time
    return (at(one.index), one.heading) if one is not None else (None, "")


def _look_up(job: _Job, facts: dict[str, pa.Array], ledger: _Ledger) -> None:
    wanted = tuple(f for f in facts if not f.startswith("_"))
    missing = pc.is_null(facts["lab_id"]).to_numpy(zero_copy_only=False)
    problems = fact_work.look_up(facts, job.register, wanted, job.place)
    for i, (reason, advice) in problems.items():
        ledger.row(i, str(facts["lab_id"][i]), reason, advice)
    for at in np.flatnonzero(missing):
        ledger.row(int(at), "", "no lab id", "Fill it in.")


# ---- the contract and the account ---------------------------------------------------------


def _all_sums_told(job: _Job, columns: tuple[Column, ...], fixed: dict[str, str]) -> bool:
    """True where it is known before the rows are read that none is refused for its sum."""
    rule = job.table.above_largest_sum
    if rule or job.table.kind != "field" or any(c.fact == "technique" for c in columns):
        return rule == "tell"
    stated = pa.array([fixed.get("technique")], _TEXT)
    name = fact_work.normal("technique", stated)[0].as_py()
    technique = techniques.of(name) if name else None
    return technique is not None and not technique.sums_close


def _sums_told(
    job: _Job, facts: dict[str, pa.Array], read: result_parts.Results, n: int
) -> npt.NDArray[np.bool_]:
    """Rows that are not refused for their sum: the settings say so, or of a technique whose
    rows need not close to the whole.
    """
    rule = job.table.above_largest_sum
    if rule or job.table.kind != "field" or read.sums is None:
        return np.full(n, rule == "tell")
    loose = pa.array([t.name for t in techniques.known() if not t.sums_close], _TEXT)
    found = pc.is_in(facts["technique"], value_set=loose)
    return np.asarray(found.to_numpy(zero_copy_only=False), dtype=bool)


def _validate(
    job: _Job,
    facts: dict[str, pa.Array],
    read: result_parts.Results,
    told: npt.NDArray[np.bool_],
    ledger: _Ledger,
    n: int,
) -> None:
    if n == 0:
        return
    kind = job.table.kind
    frame = pd.DataFrame(
        {
            k: v.to_pandas()
            for k, v in facts.items()
            if not k.startswith("_") and schemas.looks_at(kind, k, v.null_count == n)
        },
        index=range(n),
    )
    values = None
    if read.values:
        columns = {key: part.value for key, part in read.values.items()}
        if read.sums is not None:
            columns[schemas.SUM_COLUMN] = np.where(told, np.nan, read.sums)
        values = pd.DataFrame(columns, index=range(n), copy=False)
    outside = set(read.outside.tolist())
    refused: dict[str, list[int]] = {}
    failures = schemas.validate(
        kind,
        frame,
        values,
        negative_allowed=job.table.cells.negative != "refuse",
        largest_sum_pct=job.table.largest_sum_pct,
    )
    for failure in failures:
        if failure.row in outside:
            continue
        if failure.column == "":
            ledger.row(failure.row, failure.found, failure.reason, failure.advice)
            continue
        if failure.column not in read.values:
            ledger.row(failure.row, failure.found, failure.reason, failure.advice)
            continue
        refused.setdefault(failure.column, []).append(failure.row)
        ledger.cell(
            failure.row,
            read.headings.get(failure.column, failure.column),
            read.text_at(failure.column, failure.row) or failure.found,
            failure.reason,
            failure.advice,
        )
    for key, rows in refused.items():
        read.values[key].refuse(np.array(rows, np.int64))


def _finish(
    job: _Job,
    columns: tuple[Column, ...],
    body: Body,
    facts: dict[str, pa.Array],
    read: result_parts.Results,
    told: npt.NDArray[np.bool_],
    ledger: _Ledger,
    aside: tuple[tuple[str, int], ...],
    notes: list[str],
    counted: Counted,
) -> TypedTable:
    table = job.table
    n = len(body.lines)
    keep = np.ones(n, bool)
    keep[read.outside] = False
    outside = ~keep
    for at in ledger.rows:
        keep[at] = False
    lines = body.lines.to_numpy(zero_copy_only=False)
    headings: dict[int, str] = {}  # of rows that are but one cell of a row otherwise accepted
    if read.made_of is not None:
        accepted = set(lines[keep].tolist())
        headings = {
            at: read.headings[facts["element"][at].as_py()]
            for at in ledger.rows
            if int(lines[at]) in accepted
        }
    quarantine = _quarantine(job, lines, ledger, outside, body, headings)
    everything = bool(keep.all())
    mask = None if everything else pa.array(keep)
    row = body.lines if mask is None else body.lines.filter(mask)
    names = [f for f in FACTS[table.kind] if f != "row"]
    fact_table = pa.table(
        {"row": row, **{f: facts[f] if mask is None else facts[f].filter(mask) for f in names}}
    )
    value_table = read.table(mask, n)
    if value_table is None:
        value_table = fact_table.select([])
    texts = read.texts(lines, keep)
    sums, high = _sums(job.table.largest_sum_pct, read, told & keep, lines)
    notes = notes + high + list(read.notes) + _kind_notes(job, facts, read, keep)
    empty = keep & ~read.holds_one(n) if table.kind in {"field", "lab"} else np.zeros(n, bool)
    if body.blank:
        aside += (("empty row", body.blank),)
    if counted.lines == counted.above:
        notes.append("no row stands below the headings")
    return TypedTable(
        kind=table.kind,
        path=job.shown,
        sheet=job.sheet.name,
        sha256="",
        facts=fact_table,
        values=value_table,
        analytes=read.analytes,
        texts=texts,
        columns=tuple(_meaning(c, read) for c in columns),
        quarantine=quarantine,
        rows_in_file=counted.records + body.parted,
        counted=counted,
        lines_joined=body.joined,
        rows_set_aside=aside,
        notes=tuple(dict.fromkeys(notes)),
        sums=sums,
        without_result=pa.array(lines[empty], pa.int64()),
    )


def _sums(
    limit: float, read: result_parts.Results, kept: npt.NDArray[np.bool_], lines: npt.NDArray[Any]
) -> tuple[pa.Table | None, list[str]]:
    """Sums of the rows kept whatever they are, and what is told of those above the limit."""
    if read.sums is None or not kept.any():
        return None, []
    at = np.flatnonzero(kept & (read.sums > 0))
    percent = read.sums[at] / 1e4
    above = int(np.count_nonzero(percent > limit))
    told = []
    if above:
        told = [
            f"{above} of {int(kept.sum())} rows add up to more than {limit:g} % as reported "
            f"(largest {percent.max():.4g} %); they were kept, and the mean of each sample is "
            "judged instead"
        ]
    return pa.table({"row": pa.array(lines[at], pa.int64()), "sum_pct": percent}), told


def _quarantine(
    job: _Job,
    lines: npt.NDArray[Any],
    ledger: _Ledger,
    outside: npt.NDArray[np.bool_],
    body: Body,
    headings: dict[int, str],
) -> pd.DataFrame:
    entries: list[tuple[int, int, str, str, str, str]] = []
    for at, (found, reason, advice) in ledger.rows.items():
        if not outside[at]:
            entries.append((int(lines[at]), -1, headings.get(at, ""), found, reason, advice))
    entries = list(dict.fromkeys(entries))  # rows made of one row are refused once
    order: dict[str, int] = {}
    for (at, heading), (found, reason, advice) in ledger.cells.items():
        if at in ledger.rows or outside[at]:
            continue
        place = order.setdefault(heading, len(order))
        entries.append((int(lines[at]), place, heading, found, reason, advice))
    for broken in body.broken:
        entries.append((broken.line, -1, "", broken.found, broken.reason, broken.advice))
    entries.sort(key=lambda e: (e[0], e[1], e[4]))
    frame = pd.DataFrame(
        {
            "file": [job.shown] * len(entries),
            "sheet": [job.sheet.name] * len(entries),
            "row": pd.array([e[0] for e in entries], dtype="int64"),
            "column": [e[2] for e in entries],
            "found": [e[3][:200] for e in entries],
            "reason": [e[4] for e in entries],
            "advice": [e[5] for e in entries],
        },
        columns=list(QUARANTINE_COLUMNS),
    )
    text = [c for c in QUARANTINE_COLUMNS if c != "row"]
    return frame.astype(dict.fromkeys(text, "str"))


def _meaning(column: Column, read: result_parts.Results) -> ColumnMeaning:
    species = column.species
    factor = float("nan")
    if species is not None and column.unit is not None and not column.unit.is_solution:
        factor = column.unit.to_mg_kg * species.element_per_species
    key = column.fact
    if column.role in {"value", "error", "limit"} and species is not None:
        key = result_parts.key_of(column)
    why = column.why
    if column.role in {"unclear", "asked"}:
        why = column.question or why
    sigma = read.sigma_of.get(column.index, column.sigma)
    return ColumnMeaning(
        index=column.index,
        heading=column.heading,
        role=column.role,
        key=key if column.role != "unclear" or key in idcolumns.ID_FACTS else "",
        element=species.element if species else "",
        species=species.formula if species else "",
        unit=column.unit.name if column.unit else "",
        to_mg_kg=factor,
        sigma=sigma if column.role == "error" else float("nan"),
        method=column.method,
        why=why,
    )


def _repeated_readings(
    facts: dict[str, pa.Array], read: result_parts.Results, keep: npt.NDArray[np.bool_]
) -> int:
    """Rows that are the same reading as an earlier one; only where readings are told apart."""
    names = [
        n
        for n in ("reading_no", "spot_no", "shot_no", "measured_at", "analysed_at")
        if n in facts and facts[n].null_count < len(facts[n])
    ]
    if not names or len(read.analytes) < 2 or "_long" in facts:
        return 0
    # a quick sum first: only rows that share it are compared in full
    mark = read.marks(6)
    order = np.sort(mark[keep])
    shared = np.unique(order[1:][order[1:] == order[:-1]])
    at = np.flatnonzero(keep & np.isin(mark, shared)) if len(shared) else shared
    if len(at) < 2:
        return 0
    picks = pa.array(at)
    stated = [n for n in ("operator", "group") if n in facts]  # these tell readings apart too
    columns: dict[str, Any] = {
        n: facts[n].take(picks).to_pandas() for n in ("sample_id", *names, *stated)
    }
    columns |= {str(i): value for i, value in enumerate(read.first_values(6, at))}
    return int(pd.DataFrame(columns).duplicated().sum())


def _kind_notes(
    job: _Job, facts: dict[str, pa.Array], read: result_parts.Results, keep: npt.NDArray[np.bool_]
) -> list[str]:
    notes: list[str] = []
    if job.table.kind not in {"field", "lab"}:
        return notes
    recalculated = sorted({(a.species, a.element) for a in read.analytes if a.species != a.element})
    if recalculated:
        shown = ", ".join(f"{s} to {e}" for s, e in recalculated)
        notes.append(f"recalculated: {shown}, by {ATOMIC_WEIGHTS_EDITION}")
    again = _repeated_readings(facts, read, keep)
    if again:
        notes.append(
            f"{again} rows repeat an earlier row in sample, reading, time and results: an export "
            "may stand in the file twice"
        )
    unlimited = sum(
        int(((part.code == BELOW) & np.isnan(part.limit_or_nan()) & keep).sum())
        for part in read.values.values()
    )
    if unlimited:
        notes.append(
            f"{unlimited} cells say 'below the limit' without a known limit; they are kept as such"
        )
    if job.table.kind == "field":
        technique = facts["technique"]
        if technique.null_count and len(technique):
            notes.append(
                f"{technique.null_count} rows name no technique; set fixed = {{ technique = … }} "
                f"to one of {', '.join(t.name for t in techniques.known())}"
            )
        for t in techniques.known():
            own = pc.fill_null(pc.equal(technique, t.name), False)
            for name, what in t.told_when_missing:
                lacking = pc.sum(pc.and_(own, pc.is_null(facts[name]))).as_py() or 0
                if lacking:
                    notes.append(f"{lacking} {t.name} rows name no {what}")
        targeted = pc.sum(pc.fill_null(pc.equal(facts["spot_class"], "targeted"), False)).as_py()
        if targeted:
            notes.append(
                f"{targeted} rows are targeted spots; they identify minerals and are kept out of "
                "means"
            )
    return notes
