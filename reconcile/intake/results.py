"""Results of any table as typed arrays, and the certified values of reference materials."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pyarrow as pa

from reconcile.intake.cells import (
    EMPTY,
    parse_column,
    parse_text,
)
from reconcile.intake.headings import Column
from reconcile.intake.long_results import read_long
from reconcile.intake.result_cells import partner_of, ratio_of_units, refused_cells
from reconcile.intake.result_parts import Ledger, ResultJob, Results, key_of
from reconcile.intake.sheets import Body
from reconcile.intake.tables import BELOW, NO_RESULT
from reconcile.intake.wide_results import read_wide


# ---- wide -----------------------------------------------------------------------------------
def read_results(job: ResultJob, ledger: Ledger, notes: list[str]) -> Results:
    """Read wide or long results; bad cells and rows are written into the ledger."""
    results = read_long(job, ledger) if job.layout == "long" else read_wide(job, ledger)
    _drop_empty_rows(job, results, ledger)
    return results


def _drop_empty_rows(job: ResultJob, results: Results, ledger: Ledger) -> None:
    """Rows without any result are no readings."""
    n = len(job.body.lines)
    if not results.values:
        return
    any_result = np.zeros(n, bool)
    for part in results.values.values():
        any_result |= part.code != EMPTY
        if any_result.all():
            return
    any_result[results.outside] = True
    if job.table.take:
        results.other_side = np.flatnonzero(~any_result)
        return
    ids = job.facts["sample_id"]
    for at in np.flatnonzero(~any_result):
        ledger.row(
            int(at), ids[int(at)].as_py() or "", "the row holds no result", "Repeat the reading."
        )


# ---- reference materials ---------------------------------------------------------------------
def read_reference(
    job: ResultJob, ledger: Ledger, notes: list[str]
) -> tuple[dict[str, pa.Array], Body, Results]:
    """Certified values, long: one row per material and element, in mg/kg of the element."""
    if job.layout == "long":
        read = read_long(job, ledger, errors=False)
        n = len(job.body.lines)
        element = np.array([None] * n, object)
        value, at_most = np.full((2, n), np.nan)
        element_of = {a.key: a.element for a in read.analytes}
        for key, part in read.values.items():
            rows = np.flatnonzero(part.code != EMPTY)
            element[rows] = element_of[key]
            value[rows] = part.value[rows]
            below = np.flatnonzero(part.code == BELOW)
            at_most[below] = part.limit_or_nan()[below]
        facts = dict(job.facts)
        facts["element"] = pa.array(element, pa.string())
        facts["certified_mg_kg"] = pa.array(value, pa.float64(), from_pandas=True)
        facts["at_most_mg_kg"] = pa.array(at_most, pa.float64(), from_pandas=True)
        facts["uncertainty_mg_kg"] = _uncertainty_long(job, read, ledger)
        return facts, job.body, Results(outside=read.outside, notes=read.notes)
    wide = read_wide(job, ledger)
    element_of = {a.key: a.element for a in wide.analytes}
    columns = {key_of(c): c for c in job.columns if c.role == "value" and c.species}
    beside = (partner_of(job, columns[key], "error") for key in element_of)
    for column in {c.index: c for c in beside if c is not None}.values():
        for problem in refused_cells(
            job, column, parse_column(job.body.columns[column.index], job.rules)
        ):
            ledger.cell(*problem)
    at_rows: list[int] = []
    elements: list[str] = []
    certified: list[float] = []
    limits: list[float] = []
    uncertainty: list[float] = []
    for at in range(len(job.body.lines)):
        for key, symbol in element_of.items():
            part = wide.values[key]
            if part.code[at] in (EMPTY, NO_RESULT):
                continue
            at_rows.append(at)
            elements.append(symbol)
            certified.append(float(part.value[at]))
            limits.append(float(part.limit_or_nan()[at]) if part.code[at] == BELOW else np.nan)
            uncertainty.append(_uncertainty_wide(job, columns[key], at))
    picks = pa.array(at_rows, pa.int64())
    facts = {name: column.take(picks) for name, column in job.facts.items()}
    facts["element"] = pa.array(elements, pa.string())
    facts["certified_mg_kg"] = pa.array(certified, pa.float64(), from_pandas=True)
    facts["at_most_mg_kg"] = pa.array(limits, pa.float64(), from_pandas=True)
    facts["uncertainty_mg_kg"] = pa.array(uncertainty, pa.float64(), from_pandas=True)
    body = replace(
        job.body,
        columns=tuple(c.take(picks) for c in job.body.columns),
        lines=job.body.lines.take(picks),
    )
    notes.append("one row per certified value was made from each row of the table")
    made_of = np.array(at_rows, np.int64)
    headings = {element_of[key]: heading for key, heading in wide.headings.items()}
    return facts, body, Results(notes=wide.notes, headings=headings, made_of=made_of)


def _uncertainty_long(job: ResultJob, read: Results, ledger: Ledger) -> pa.Array:
    """The uncertainty as certified (expanded), recalculated to mg/kg of the element."""
    n = len(job.body.lines)
    column = next((c for c in job.columns if c.fact == "error" and c.role == "fact"), None)
    if column is None:
        return pa.nulls(n, pa.float64())
    cells = parse_column(job.body.columns[column.index], job.rules)
    for problem in refused_cells(job, column, cells):
        ledger.cell(*problem)
    plain = parse_column(
        job.body.columns[next(c.index for c in job.columns if c.fact == "value")], job.rules
    )
    factor = np.full(n, np.nan)
    for part in read.values.values():
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = part.value / plain.value
        factor = np.where(np.isnan(factor), ratio, factor)
    return pa.array(cells.value * factor, pa.float64(), from_pandas=True)


def _uncertainty_wide(job: ResultJob, column: Column, at: int) -> float:
    partner = partner_of(job, column, "error")
    if partner is None or column.unit is None or column.species is None:
        return math.nan
    cell = parse_text(job.body.columns[partner.index][at].as_py(), job.rules)
    factor = column.unit.to_mg_kg * column.species.element_per_species
    return cell.value * ratio_of_units(partner, column) * factor
