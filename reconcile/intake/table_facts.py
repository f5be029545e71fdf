"""Facts of the rows: ids, times, numbers, and what columns and settings say of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.base.characters import fold, unread
from reconcile.base.errors import ReconcileError
from reconcile.intake import facts as fact_work
from reconcile.intake.blocks import Block
from reconcile.intake.cells import (
    CellFormat,
    parse_column,
    plain_number,
)
from reconcile.intake.headings import Column
from reconcile.intake.sheets import Body
from reconcile.intake.times import parse_times
from reconcile.intake.vocabulary import FACTS, NUMBER_FACTS, TIME_FACTS, TIME_OF_KIND

if TYPE_CHECKING:
    pass
else:  # ours, whatever else has that name where the program runs
    pass
from reconcile.intake.read_job import TEXT, TIME, Job, Ledger, NotATable


# ---- facts ----------------------------------------------------------------------------------
def facts_of(
    job: Job,
    columns: tuple[Column, ...],
    block: Block,
    body: Body,
    fixed: dict[str, str],
    rules: CellFormat,
    ledger: Ledger,
    notes: list[str],
) -> dict[str, pa.Array]:
    """All facts of the kind, one array each; helpers of the reading are kept beside them."""
    table = job.table
    kind = table.kind
    n = len(body.lines)
    at = column_reader(body)
    by_fact = columns_by_fact(columns)
    wanted = [f for f in FACTS[kind] if f != "row"]
    facts: dict[str, pa.Array] = {}
    nothing = pa.nulls(n, TEXT)
    for name in wanted:
        if name in TIME_FACTS or name in NUMBER_FACTS:
            continue
        source = by_fact.get(name)
        text = at(source.index) if source else nothing
        facts[name] = fact_work.normal(name, text)
    for name in ("unit", "sigma", "qualifier"):
        if name in by_fact:
            facts[f"_{name}"] = at(by_fact[name].index)
    id_columns = ids_of(job, by_fact, block, at, facts, n)
    check_side_by_side(columns, by_fact, at, ledger)
    if "sample_id" in facts:
        check_line_breaks(facts, ledger)
        notes += odd_ids(facts["sample_id"])
    numbers = numbers_of(wanted, by_fact, at, fixed, rules, ledger, n, job.place)
    facts.update(numbers)
    times_of(job, wanted, by_fact, at, facts, ledger, notes, n)
    for name, value in fixed.items():
        if name in facts and name not in NUMBER_FACTS and name not in TIME_FACTS:
            notes += _contradiction(name, value, facts[name], by_fact)
            facts[name] = pc.coalesce(facts[name], pa.scalar(value, TEXT))
            facts[name] = fact_work.normal(name, facts[name])
    fact_work.roles_of(facts)
    if "duplicate_of" in facts:
        marked = pc.and_(pc.is_valid(facts["duplicate_of"]), pc.is_null(facts["sample_kind"]))
        facts["sample_kind"] = fact_work.set_where(
            facts["sample_kind"], marked.to_numpy(zero_copy_only=False), "duplicate"
        )
    if kind in {"field", "lab", "sample register"}:
        if table.look_up == "lab_id":
            look_up(job, facts, ledger)
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
    (spelled,) = fact_work.normal(name, pa.array([value], TEXT)).to_pylist()
    other = pc.fill_null(pc.not_equal(pc.utf8_lower(told), str(spelled).lower()), False)
    rows = int(pc.sum(other).as_py() or 0)
    if not rows:
        return []
    first = told.filter(other)[0].as_py()
    return [
        f"the column '{by_fact[name].heading}' says '{first}' where the settings fix {name} = "
        f"'{value}' ({rows} {'row' if rows == 1 else 'rows'}); what the column says holds there"
    ]


def columns_by_fact(columns: tuple[Column, ...]) -> dict[str, Column]:
    """The column of each fact."""
    by_fact: dict[str, Column] = {}
    for column in columns:
        if column.role == "fact" and not column.species:
            by_fact.setdefault(column.fact, column)
    return by_fact


def column_reader(body: Body) -> Any:
    """Reads a column by its index, blanks cut, each once."""
    known: dict[int, pa.Array] = {}

    def at(index: int) -> pa.Array:
        if index not in known:
            known[index] = fact_work.trimmed(body.columns[index])
        return known[index]

    return at


def ids_of(
    job: Job,
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
        raise NotATable(
            f"{job.place}: no column holds the sample id (headings: {known[:300]}).",
            'Name it: columns = { "heading" = "sample_id" }; a column without a heading is '
            'called "column 1", "column 2" ….',
        )
    if table.look_up == "lab_id" and "lab_id" not in by_fact:
        raise NotATable(
            f"{job.place}: no column holds the lab id.",
            'Name it: columns = { "heading" = "lab_id" }.',
        )
    facts["sample_id"] = fact_work.apply_id_rules(facts["sample_id"], table.sample_id_rules)
    return used


def check_line_breaks(facts: dict[str, pa.Array], ledger: Ledger) -> None:
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


def odd_ids(ids: pa.Array) -> list[str]:
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


def check_side_by_side(
    columns: tuple[Column, ...], by_fact: dict[str, Column], at: Any, ledger: Ledger
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


def numbers_of(
    wanted: list[str],
    by_fact: dict[str, Column],
    at: Any,
    fixed: dict[str, str],
    rules: CellFormat,
    ledger: Ledger,
    n: int,
    place: str,
) -> dict[str, pa.Array]:
    """Facts that are numbers; cells that are none go to the ledger."""
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


def times_of(
    job: Job,
    wanted: list[str],
    by_fact: dict[str, Column],
    at: Any,
    facts: dict[str, pa.Array],
    ledger: Ledger,
    notes: list[str],
    n: int,
) -> None:
    """Facts that are times, in UTC; cells that are none go to the ledger."""
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
            text, heading = pa.array([str(job.table.fixed[name])] * n, TEXT), name
        if text is None:
            facts[name] = pa.nulls(n, TIME)
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


def look_up(job: Job, facts: dict[str, pa.Array], ledger: Ledger) -> None:
    """Puts the sample id of the register in the place of the one it is looked up by."""
    wanted = tuple(f for f in facts if not f.startswith("_"))
    missing = pc.is_null(facts["lab_id"]).to_numpy(zero_copy_only=False)
    problems = fact_work.look_up(facts, job.register, wanted, job.place)
    for i, (reason, advice) in problems.items():
        ledger.row(i, str(facts["lab_id"][i]), reason, advice)
    for at in np.flatnonzero(missing):
        ledger.row(int(at), "", "no lab id", "Fill it in.")
