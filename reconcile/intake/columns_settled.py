"""What each column of a table is, once settings and contents are asked too."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from reconcile.base.errors import ReconcileError
from reconcile.intake import sideways
from reconcile.intake.headings import Column
from reconcile.intake.sheets import Body

if TYPE_CHECKING:
    pass
else:  # ours, whatever else has that name where the program runs
    pass
from reconcile.intake.read_job import Job, NotATable
from reconcile.intake.table_facts import column_reader


# ---- what the columns are -----------------------------------------------------------------
def settle(columns: tuple[Column, ...], job: Job) -> tuple[Column, ...]:
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


def layout_of(columns: tuple[Column, ...], job: Job) -> str:
    """How the table lies: a column for each analyte, or a row; refuses what is neither."""
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
            check_on_its_side(job)
        return "wide"
    check_on_its_side(job)
    unclear = [c for c in columns if c.role == "unclear"]
    unitless = [c for c in unclear if c.question == "no unit is stated"]
    if unitless:
        raise NotATable(
            f"{job.place}: {len(unitless)} columns of results name no unit "
            f"('{unitless[0].heading}' …).",
            'Set the unit for this table, such as unit = "mg/kg".',
        )
    first = unclear[0] if unclear else None
    detail = f" '{first.heading}' {first.question}." if first else ""
    raise NotATable(
        f"{job.place}: no column of results was recognised.{detail}",
        "Name the columns in 'columns', or check the headings.",
    )


def unanswered(
    columns: tuple[Column, ...], body: Body, named: frozenset[int]
) -> tuple[Column, ...]:
    """The columns; nothing is asked of one that is empty, or that a rule of the settings reads."""
    at = column_reader(body)

    def settled(c: Column) -> str:
        if c.role != "asked" or c.fact:
            return ""
        if c.index in named:
            return "read by a rule of the settings"
        return "empty" if at(c.index).null_count == len(body.lines) else ""

    return tuple(replace(c, role="ignored", why=why) if (why := settled(c)) else c for c in columns)


def check_on_its_side(job: Job) -> None:
    """Say it in plain words where the samples stand side by side."""
    if job.table.kind in {"field", "lab"} and (names := sideways.lies_on_its_side(job.sheet.head)):
        error = sideways.fault(job.place, names)
        raise NotATable(error.message, error.advice)
