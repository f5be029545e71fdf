"""Results of tables with a row for each analyte."""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow.compute as pc

from reconcile.base.errors import ReconcileError
from reconcile.base.quantities import (
    ELEMENTS,
    Species,
    Unit,
    parse_unit,
    unit_question,
)
from reconcile.intake.cells import (
    EMPTY,
    REFUSED,
    Cells,
    parse_column,
)
from reconcile.intake.headings import Column
from reconcile.intake.result_cells import apply_sign_rules, refused_cells, sigma_rows
from reconcile.intake.result_parts import FloatArray, Ledger, Part, ResultJob, Results, method_of
from reconcile.intake.result_units import DOUBTFUL, analyte_in, heading_unit, in_one_case, row_units
from reconcile.intake.tables import ABOVE, BELOW, NO_RESULT, QUANTIFIED, Analyte

_LONG_QUALIFIERS = {
    "": QUANTIFIED, "=": QUANTIFIED, "<": BELOW, "<=": BELOW, "u": BELOW, "nd": BELOW,
    "bdl": BELOW, "below": BELOW, ">": ABOVE, ">=": ABOVE, "above": ABOVE,
}  # fmt: skip


def read_long(job: ResultJob, ledger: Ledger, errors: bool = True) -> Results:
    """Every analyte of a table with a row for each; refusals go to the ledger."""
    by_fact = {c.fact: c for c in job.columns if c.role == "fact"}
    n = len(job.body.lines)
    results = Results()
    element_column, value_column = by_fact["element"], by_fact["value"]
    names = pc.utf8_trim_whitespace(job.body.columns[element_column.index])
    encoded = pc.fill_null(names, "").dictionary_encode()
    texts = encoded.dictionary.to_pylist()
    places = encoded.indices.to_numpy(zero_copy_only=False)
    capitals = any(
        len(t) == 2 and t.isupper() and t not in DOUBTFUL and t.capitalize() in ELEMENTS
        for t in texts
    )
    known = [analyte_in(in_one_case(t, capitals)) for t in texts]
    text = job.body.columns[value_column.index]
    cells = parse_column(text, job.rules)
    apply_sign_rules(job, cells, value_column, text, [])
    limit = cells.limit if cells.limit is not None else np.full(n, np.nan)
    _long_qualifiers(job, cells, limit, ledger)
    unit_factor = _long_units(job, known, texts, places, ledger)
    share = np.array([k[0].element_per_species if k[0] else math.nan for k in known] or [math.nan])
    factor = unit_factor * (share[places] if n else np.empty(0))
    error = _long_errors(job, by_fact, cells, factor, results, ledger) if errors else None
    if "limit" in by_fact:
        stated = parse_column(job.body.columns[by_fact["limit"].index], job.rules)
        for problem in refused_cells(job, by_fact["limit"], stated):
            ledger.cell(*problem)
        number = np.where(np.isnan(stated.value), stated.limit if stated.limit is not None
                          else np.nan, stated.value)  # fmt: skip
        usable = np.isnan(limit) & np.isin(cells.code, (QUANTIFIED, BELOW)) & (number > 0)
        limit[usable] = number[usable]
    if job.table.cells.limit_from == "error column" and "error" in by_fact:
        stated = parse_column(job.body.columns[by_fact["error"].index], job.rules)
        usable = np.isnan(limit) & (cells.code == BELOW) & (stated.value > 0)
        limit[usable] = stated.value[usable]
    _long_settings_limits(job, known, places, cells, limit)
    value = cells.value * factor
    limit = limit * factor
    if cells.own_unit is not None and n:
        own = ~np.isnan(cells.own_unit)
        value[own] = cells.value[own] * cells.own_unit[own] * share[places][own]
    code = cells.code
    for at in np.flatnonzero((code == QUANTIFIED) & np.isnan(value)):
        if known[places[at]][0] is not None:
            ledger.row(int(at), text[int(at)].as_py() or "", "the row states no unit",
                       "Fill in the unit, or set 'unit'.")  # fmt: skip
    for problem in refused_cells(job, value_column, cells):
        ledger.cell(*problem)
    code[code == REFUSED] = NO_RESULT
    outside: list[int] = []
    analytes: list[Analyte] = []
    order = sorted(range(len(texts)), key=lambda i: _first_seen(places, i))
    for i in order:
        rows = np.flatnonzero(places == i)
        if not len(rows):
            continue
        species, unit, method = known[i]
        if species is None:
            for at in rows:
                ledger.row(
                    int(at), texts[i], f"'{texts[i]}' is no known element or oxide"
                    if texts[i] else "no element is named", "Mend the name, or set 'only'.",
                )  # fmt: skip
            continue
        if job.table.only and not {species.element, species.formula} & set(job.table.only):
            outside.extend(int(r) for r in rows)
            continue
        key = species.element + (f"@{method_of(method)}" if method else "")
        key = next((known for known in results.values if known.lower() == key.lower()), key)
        part = results.values.get(key)
        if part is None:
            part = Part(
                np.full(n, EMPTY, np.int8), np.full(n, np.nan), np.full(n, np.nan),
                np.full(n, np.nan) if error is not None else None, np.empty(0, np.int64), text,
            )  # fmt: skip
            results.values[key] = part
            results.headings[key] = value_column.heading
            shown = unit.name if unit else ("by row" if "unit" in by_fact else job.table.unit)
            analytes.append(
                Analyte(key, species.element, method_of(method), species.formula, shown)
            )
        part.code[rows] = code[rows]
        part.value[rows] = value[rows]
        assert part.limit is not None
        part.limit[rows] = limit[rows]
        if part.error is not None and error is not None:
            part.error[rows] = error[rows]
        part.odd = np.sort(np.concatenate([part.odd, np.intersect1d(cells.odd, rows)]))
    results.analytes = tuple(analytes)
    results.outside = np.array(sorted(outside), np.int64)
    results.sums = np.nan_to_num(value) / (share[places] if n else 1.0)
    return results


def _long_settings_limits(
    job: ResultJob,
    known: list[tuple[Species | None, Unit | None, str]],
    places: npt.NDArray[Any],
    cells: Cells,
    limit: FloatArray,
) -> None:
    """Lower limits that the settings give per element, in the unit of the row."""
    limits = job.table.cells.lower_limits
    if not limits:
        return
    stated = np.array(
        [
            limits.get(k[0].formula, limits.get(k[0].element, math.nan)) if k[0] else math.nan
            for k in known
        ]
        or [math.nan]
    )
    rows = stated[places] if len(places) else np.empty(0)
    usable = np.isnan(limit) & np.isin(cells.code, (QUANTIFIED, BELOW))
    limit[usable] = rows[usable]


def _first_seen(places: npt.NDArray[Any], i: int) -> int:
    hits = np.flatnonzero(places == i)
    return int(hits[0]) if len(hits) else len(places)


def _long_qualifiers(job: ResultJob, cells: Cells, limit: FloatArray, ledger: Ledger) -> None:
    text = job.facts.get("_qualifier")
    if text is None:
        return
    encoded = pc.fill_null(text, "").dictionary_encode()
    texts = encoded.dictionary.to_pylist()
    places = encoded.indices.to_numpy(zero_copy_only=False)
    for i, word in enumerate(texts):
        meaning = _LONG_QUALIFIERS.get(word.strip().lower())
        rows = np.flatnonzero(places == i)
        if meaning is None:
            for at in rows:
                ledger.row(
                    int(at), word, f"the qualifier '{word}' is not known", "Write '<' or '>'."
                )
            continue
        if meaning == QUANTIFIED:
            continue
        numbers = rows[cells.code[rows] == QUANTIFIED]
        cells.code[numbers] = meaning
        limit[numbers] = cells.value[numbers]
        cells.value[numbers] = np.nan


def _long_units(
    job: ResultJob,
    known: list[tuple[Species | None, Unit | None, str]],
    texts: list[str],
    places: npt.NDArray[Any],
    ledger: Ledger,
) -> FloatArray:
    """Factor to mg/kg of each row's unit; NaN where none is stated."""
    n = len(places)
    general = math.nan
    if job.table.unit:
        unit = parse_unit(job.table.unit)
        if unit is None:
            question = unit_question(job.table.unit) or "write for example %, mg/kg, ug/kg or g/t"
            raise ReconcileError(
                f"{job.place}: unit '{job.table.unit}' in the settings is not known: {question}.",
                "Mend 'unit'.",
            )
        general = unit.to_mg_kg
    value_column = next(c for c in job.columns if c.fact == "value" and c.role == "fact")
    in_heading = heading_unit(value_column)
    if in_heading is not None:
        general = in_heading.to_mg_kg
    rows = row_units(job, None, ledger).get("")
    factor = np.full(n, general) if rows is None else np.where(np.isnan(rows), general, rows)
    by_name = np.array([k[1].to_mg_kg if k[1] else math.nan for k in known] or [math.nan])
    named = by_name[places] if n else np.empty(0)
    if rows is None and not job.table.unit and in_heading is None and np.isnan(named).all() and n:
        raise ReconcileError(
            f"{job.place}: the results name no unit.",
            'Set the unit for this table, such as unit = "mg/kg", or name a column of units.',
        )
    return np.where(np.isnan(named), factor, named)


def _long_errors(
    job: ResultJob,
    by_fact: dict[str, Column],
    cells: Cells,
    factor: FloatArray,
    results: Results,
    ledger: Ledger,
) -> FloatArray | None:
    column = by_fact.get("error")
    if column is None:
        return None
    sigma: float | FloatArray = math.nan
    stated = re.search(r"([1-3])\s*(?:s|sd|sigma|σ)\b", column.heading, re.I)
    if not math.isnan(column.sigma):
        sigma = column.sigma
    elif stated:
        sigma = float(stated[1])
    elif job.table.cells.error_sigma is not None:
        sigma = job.table.cells.error_sigma
    elif re.search(r"\b(sd|std|standard dev)", column.heading, re.I):
        sigma = 1.0
    else:
        rows = sigma_rows(job)
        if rows is None:
            results.notes.append(
                "the error column does not say how many standard deviations it holds; it is not "
                "used (set cells.error_sigma)"
            )
            return None
        sigma = rows
    if isinstance(sigma, float):
        results.sigma_of[column.index] = sigma
    read = parse_column(job.body.columns[column.index], job.rules)
    for problem in refused_cells(job, column, read):
        ledger.cell(*problem)
    error: FloatArray = np.abs(read.value) * factor / sigma
    error[cells.code != QUANTIFIED] = np.nan
    return error
