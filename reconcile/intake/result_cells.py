"""Cells of results: what is refused, what signs mean, and the column that belongs to another."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.intake.cells import (
    Cells,
    parse_column,
)
from reconcile.intake.headings import Column
from reconcile.intake.result_parts import FloatArray, Problem, ResultJob
from reconcile.intake.tables import BELOW, NO_RESULT, QUANTIFIED


def refused_cells(job: ResultJob, column: Column, cells: Cells) -> list[Problem]:
    """The cells of a column that can't be read, each with what stands there and why."""
    text = job.body.columns[column.index]
    return [
        (place, column.heading, (text[place].as_py() or "")[:200], reason, advice)
        for place, (reason, advice) in sorted(cells.refused.items())
    ]


def apply_sign_rules(
    job: ResultJob, cells: Cells, column: Column, text: pa.Array, problems: list[Any]
) -> None:
    """What negative results and zeros mean, by the settings."""
    rules = job.table.cells
    if rules.negative == "below limit":
        at = np.flatnonzero((cells.code == QUANTIFIED) & (cells.value < 0))
        cells.code[at] = BELOW
        cells.value[at] = np.nan
    if rules.zero in {"below limit", "no result"}:
        at = np.flatnonzero((cells.code == QUANTIFIED) & (cells.value == 0))
        cells.code[at] = BELOW if rules.zero == "below limit" else NO_RESULT
        cells.value[at] = np.nan


def partner_of(job: ResultJob, column: Column, role: str) -> Column | None:
    """The error or limit column that belongs to a column of values."""
    assert column.species is not None
    found = [
        c
        for c in job.columns
        if c.role == role and c.species is not None and c.species.formula == column.species.formula
    ]
    same = [c for c in found if c.method == column.method]
    if same:
        return same[0]
    values = [
        c
        for c in job.columns
        if c.role == "value"
        and c.species is not None
        and c.species.formula == column.species.formula
    ]
    return found[0] if len(found) == 1 and len(values) == 1 else None


def ratio_of_units(partner: Column, column: Column) -> float:
    """Factor from the partner's unit to the unit of the values."""
    if partner.unit is None or column.unit is None or partner.unit == column.unit:
        return 1.0
    ratio = partner.unit.to_mg_kg / column.unit.to_mg_kg
    return 1.0 if math.isnan(ratio) else ratio


def sigma_rows(job: ResultJob) -> FloatArray | None:
    """How many standard deviations each row states its errors as; None where no column says."""
    text = job.facts.get("_sigma")
    if text is None:
        return None
    read = parse_column(pc.replace_substring_regex(text, r"\s*(s|sd|sigma|σ)$", ""), job.rules)
    return np.where(read.value > 0, read.value, np.nan)
