"""Results of tables with a column for each analyte."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from reconcile.intake.cells import (
    REFUSED,
    SLICE,
    Cells,
    parse_column,
    parse_text,
)
from reconcile.intake.headings import Column
from reconcile.intake.result_cells import (
    apply_sign_rules,
    partner_of,
    ratio_of_units,
    refused_cells,
    sigma_rows,
)
from reconcile.intake.result_parts import (
    FloatArray,
    Ledger,
    Part,
    Problem,
    ResultJob,
    Results,
    analyte_of,
    key_of,
)
from reconcile.intake.result_units import digest_factor, row_units
from reconcile.intake.tables import ABOVE, BELOW, NO_RESULT, QUANTIFIED

_WORKERS = 2


def read_wide(job: ResultJob, ledger: Ledger) -> Results:
    """Every analyte of a table that has a column for each; refusals go to the ledger."""
    value_columns = [c for c in job.columns if c.role == "value" and c.species is not None]
    n = len(job.body.lines)
    results = Results()
    row_unit = row_units(job, None, ledger)
    digest = digest_factor(job, value_columns, ledger) if n else None
    sigmas = sigma_rows(job)

    def read(
        column: Column,
    ) -> tuple[Column, Part, list[Problem], list[str]]:
        problems: list[Problem] = []
        own_notes: list[str] = []
        part = _read_column(job, column, row_unit, digest, sigmas, problems, own_notes, results)
        return column, part, problems, own_notes

    if n * len(value_columns) > 1_000_000:
        with ThreadPoolExecutor(_WORKERS) as pool:
            done = list(pool.map(read, value_columns))
    else:
        done = [read(c) for c in value_columns]
    analytes = []
    reported: dict[str, list[tuple[FloatArray, float]]] = {}
    for column, part, problems, own_notes in done:
        assert column.species is not None
        key = key_of(column)
        results.values[key] = part
        results.headings[key] = column.heading
        analytes.append(analyte_of(column))
        for problem in problems:
            ledger.cell(*problem)
        results.notes += [note for note in own_notes if note not in results.notes]
        reported.setdefault(column.species.element, []).append(
            (part.value, column.species.element_per_species)
        )
    results.sums = _row_sums(reported, n)
    results.analytes = tuple(analytes)
    return results


def _row_sums(reported: dict[str, list[tuple[FloatArray, float]]], n: int) -> FloatArray:
    """Sum of each row as reported (oxides as oxides), each element once, mg/kg."""
    total = np.zeros(n)
    for parts in reported.values():
        for start in range(0, n, SLICE):
            here = slice(start, start + SLICE)
            largest = np.zeros(len(total[here]))
            for value, share in parts:
                possible = np.where(value[here] <= 1e6, value[here], 0.0)  # others are refused
                np.fmax(largest, possible / share, out=largest)
            total[here] += largest
    return total


def _read_column(
    job: ResultJob,
    column: Column,
    row_unit: dict[str, FloatArray],
    digest: FloatArray | None,
    sigmas: FloatArray | None,
    problems: list[Problem],
    notes: list[str],
    results: Results,
) -> Part:
    """One column of values with its errors and limits, in mg/kg of the element."""
    assert column.species is not None
    text = job.body.columns[column.index]
    cells = parse_column(text, job.rules)
    apply_sign_rules(job, cells, column, text, problems)
    limit = cells.limit
    factor = _factor(column, row_unit, digest)
    heading_limit = _heading_limit(job, column)
    value = cells.value
    error = _errors(job, column, cells, sigmas, factor, notes, results, problems)
    if job.table.cells.limit_from == "error column":
        limit = _limit_from_error(job, column, cells, limit)
        if error is not None:
            error[cells.code != QUANTIFIED] = np.nan
    limit = _limit_column(job, column, cells, limit, problems)
    if not math.isnan(heading_limit[0]) or not math.isnan(heading_limit[1]):
        limit = np.full(len(value), np.nan) if limit is None else limit
        open_below = np.isnan(limit) & np.isin(cells.code, (QUANTIFIED, BELOW))
        limit[open_below] = heading_limit[0]
        limit[np.isnan(limit) & (cells.code == ABOVE)] = heading_limit[1]
    share = column.species.element_per_species
    if isinstance(factor, float) and factor == 1.0:
        pass
    else:
        value *= factor
        if limit is not None:
            limit *= factor
    if cells.own_unit is not None:
        own = ~np.isnan(cells.own_unit)
        plain = np.broadcast_to(np.asarray(factor, "float64"), value.shape)[own]
        again = cells.own_unit[own] * share / plain
        value[own] *= again
        if limit is not None:
            limit[own] *= again
    code = cells.code
    lost = (code == QUANTIFIED) & np.isnan(value)
    for at in np.flatnonzero(lost):
        problems.append(
            (
                int(at), column.heading, text[int(at)].as_py() or "",
                "the row states no unit for this result", "Fill in the unit, or set 'unit'.",
            )
        )  # fmt: skip
        code[at] = NO_RESULT
    problems += refused_cells(job, column, cells)
    code[code == REFUSED] = NO_RESULT
    return Part(code, value, limit, error, cells.odd, text)


def _factor(
    column: Column, row_unit: dict[str, FloatArray], digest: FloatArray | None
) -> float | FloatArray:
    assert column.species is not None
    share = column.species.element_per_species
    if column.unit is None:
        rows = row_unit.get(column.species.formula, row_unit.get(""))
        assert rows is not None
        return rows * share
    if column.unit.is_solution:
        assert digest is not None
        return digest * (column.unit.per_litre * share)
    return column.unit.to_mg_kg * share


def _heading_limit(job: ResultJob, column: Column) -> tuple[float, float]:
    """Lower and upper limit from heading rows or settings, in the column's unit."""
    assert column.species is not None
    lower = upper = math.nan
    if column.lower:
        cell = parse_text(column.lower, job.rules)
        lower = cell.value if cell.code == QUANTIFIED else cell.limit
    if column.upper:
        cell = parse_text(column.upper, job.rules)
        upper = cell.value if cell.code == QUANTIFIED else cell.limit
    limits = job.table.cells.lower_limits
    for name in (key_of(column), column.species.formula, column.species.element):
        if name in limits:
            lower = limits[name]
            break
    return lower, upper


def _errors(
    job: ResultJob,
    column: Column,
    cells: Cells,
    sigmas: FloatArray | None,
    factor: float | FloatArray,
    notes: list[str],
    results: Results,
    problems: list[Problem],
) -> FloatArray | None:
    partner = partner_of(job, column, "error")
    if partner is None:
        return None
    stated = partner.sigma
    if math.isnan(stated) and job.table.cells.error_sigma is not None:
        stated = job.table.cells.error_sigma
    sigma: float | FloatArray = stated
    if math.isnan(stated):
        if sigmas is None:
            notes.append(
                "the error columns do not say how many standard deviations they hold; they are "
                "not used (set cells.error_sigma)"
            )
            return None
        sigma = sigmas
        levels = np.unique(sigmas[~np.isnan(sigmas)])
        results.sigma_of[partner.index] = float(levels[0]) if len(levels) == 1 else math.nan
    else:
        results.sigma_of[partner.index] = stated
    read = parse_column(job.body.columns[partner.index], job.rules)
    problems += refused_cells(job, partner, read)
    scale = ratio_of_units(partner, column)
    error: FloatArray = np.abs(read.value) * scale * factor / sigma
    error[cells.code != QUANTIFIED] = np.nan
    return error


def _limit_from_error(
    job: ResultJob, column: Column, cells: Cells, limit: FloatArray | None
) -> FloatArray | None:
    partner = partner_of(job, column, "error")
    open_cells = cells.code == BELOW
    if limit is not None:
        open_cells &= np.isnan(limit)
    if partner is None or not open_cells.any():
        return limit
    read = parse_column(job.body.columns[partner.index], job.rules)
    limit = np.full(len(cells.code), np.nan) if limit is None else limit
    usable = open_cells & (read.value > 0)
    limit[usable] = read.value[usable] * ratio_of_units(partner, column)
    return limit


def _limit_column(
    job: ResultJob,
    column: Column,
    cells: Cells,
    limit: FloatArray | None,
    problems: list[Problem],
) -> FloatArray | None:
    partner = partner_of(job, column, "limit")
    if partner is None:
        return limit
    read = parse_column(job.body.columns[partner.index], job.rules)
    problems += refused_cells(job, partner, read)
    stated = np.where(np.isnan(read.value), read.limit if read.limit is not None else np.nan,
                      read.value) * ratio_of_units(partner, column)  # fmt: skip
    limit = np.full(len(cells.code), np.nan) if limit is None else limit
    usable = np.isnan(limit) & np.isin(cells.code, (QUANTIFIED, BELOW)) & (stated > 0)
    limit[usable] = stated[usable]
    return limit
