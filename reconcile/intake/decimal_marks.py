"""Which decimal mark a table writes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from reconcile.intake.cells import (
    DecimalMark,
    decimal_evidence,
)
from reconcile.intake.headings import Column
from reconcile.intake.sheets import Body
from reconcile.intake.vocabulary import NUMBER_FACTS

if TYPE_CHECKING:
    pass
else:  # ours, whatever else has that name where the program runs
    pass
from reconcile.intake.read_job import Job


def decimal_mark_of(
    job: Job, columns: tuple[Column, ...], body: Body, notes: list[str]
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


def needs_mark(columns: tuple[Column, ...], body: Body) -> bool:
    """Whether some text of a number reads otherwise where no cell tells the decimal mark."""
    return any(
        pc.any(pc.match_substring_regex(cells, r",|\..*\.")).as_py()
        for cells in _number_texts(columns, body)
    )
