"""Results of field and lab tables and of reference materials: columns of text -> mg/kg."""

from __future__ import annotations

import math
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.base.errors import ReconcileError
from reconcile.base.quantities import (
    ELEMENTS,
    Species,
    Unit,
    element_by_name,
    parse_species,
    parse_unit,
    unit_question,
)
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.cells import (
    EMPTY,
    REFUSED,
    SLICE,
    CellFormat,
    Cells,
    parse_column,
    parse_text,
    plain_number,
)
from reconcile.intake.headings import Column
from reconcile.intake.sheets import Body
from reconcile.intake.tables import ABOVE, BELOW, NO_RESULT, PLAIN, QUANTIFIED, Analyte
from reconcile.intake.wording import read_heading

FloatArray = npt.NDArray[np.float64]
#: A cell for quarantine: position, heading, text found, reason, advice.
Problem = tuple[int, str, str, str, str]
_WORKERS = 2


class Ledger(Protocol):
    """Where unusable rows and cells are written down."""

    def row(self, at: int, found: str, reason: str, advice: str) -> None:
        """A row for quarantine."""

    def cell(self, at: int, heading: str, found: str, reason: str, advice: str) -> None:
        """A cell for quarantine."""


@dataclass(frozen=True, slots=True)
class ResultJob:
    """What reading the results of one sheet needs."""

    table: TableSettings
    columns: tuple[Column, ...]
    body: Body
    facts: dict[str, pa.Array]
    rules: CellFormat
    layout: str  # wide | long
    place: str
    fixed: dict[str, str]


@dataclass(slots=True)
class Part:
    """One analyte: arrays over all rows, in mg/kg."""

    code: npt.NDArray[np.int8]
    value: FloatArray
    limit: FloatArray | None
    error: FloatArray | None
    odd: npt.NDArray[np.int64]
    text: pa.Array | None  # the column that ``odd`` points into

    def limit_or_nan(self) -> FloatArray:
        """The limits, or NaN for all."""
        return self.limit if self.limit is not None else np.full(len(self.code), np.nan)

    def refuse(self, at: npt.NDArray[np.int64]) -> None:
        """Take cells out; their texts stay."""
        self.code[at] = NO_RESULT
        self.value[at] = np.nan
        if self.limit is not None:
            self.limit[at] = np.nan
        if self.error is not None:
            self.error[at] = np.nan
        if self.text is not None:
            self.odd = np.union1d(self.odd, at)


#: No decimals of a few places add up to the same number under these.
_WEIGHTS = np.sqrt([2.0, 3.0, 5.0, 7.0, 11.0, 13.0])


@dataclass(slots=True)
class Results:
    """All results of one sheet: ``plain`` numbers (see ``tables``), or ``values`` in full."""

    values: dict[str, Part] = field(default_factory=dict)
    plain: dict[str, pa.ChunkedArray] = field(default_factory=dict)
    analytes: tuple[Analyte, ...] = ()
    headings: dict[str, str] = field(default_factory=dict)  # by key; of certified values by element
    sums: FloatArray | None = None
    outside: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    #: Rows of a table of both sides that have no result of this one.
    other_side: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    notes: list[str] = field(default_factory=list)
    sigma_of: dict[int, float] = field(default_factory=dict)
    made_of: npt.NDArray[np.int64] | None = None  # the row of the table of which each was made

    def text_at(self, key: str, at: int) -> str:
        """The cell as it stands in the file."""
        part = self.values[key]
        return (part.text[at].as_py() or "") if part.text is not None else ""

    def first_values(self, count: int, at: npt.NDArray[np.int64]) -> list[FloatArray]:
        """The values of the first analytes in these rows, NaN where not quantified."""
        if not self.plain:
            return [part.value[at] for part in list(self.values.values())[:count]]
        columns = list(self.plain.values())[:count]
        numbers = [column.take(pa.array(at)).to_numpy() for column in columns]
        return [np.where(np.signbit(number), np.nan, number) for number in numbers]

    def marks(self, count: int) -> FloatArray:
        """One number per row, the same where the values of the first analytes are the same."""
        columns = list(self.plain.values()) or [pa.array(p.value) for p in self.values.values()]
        columns = columns[:count]
        marks = []
        for part in pa.table(columns, [str(i) for i in range(len(columns))]).to_batches(SLICE):
            mark = np.zeros(part.num_rows)
            for weight, cells in zip(_WEIGHTS, part.columns, strict=False):
                mark += np.fmax(cells.to_numpy(zero_copy_only=False), 0.0) * weight
            marks.append(mark)
        return np.concatenate(marks) if marks else np.empty(0)

    def holds_one(self, n: int) -> npt.NDArray[np.bool_]:
        """Which rows hold a result: a number, or a mark for below or above a limit."""
        if self.plain:
            return np.ones(n, bool)  # a plain table has no row without
        found = np.zeros(n, bool)
        for part in self.values.values():
            found |= np.isin(part.code, (QUANTIFIED, BELOW, ABOVE))
            if found.all():
                break
        return found

    def table(self, mask: pa.Array | None, n: int) -> pa.Table | None:
        """The wide table of values, qualifiers, limits and errors."""
        if self.plain:
            table = pa.table({key + PLAIN: numbers for key, numbers in self.plain.items()})
            return table if mask is None else table.filter(mask)
        if not self.values:
            return None
        keep = None if mask is None else mask.to_numpy(zero_copy_only=False)
        columns: dict[str, pa.Array] = {}

        def picked(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
            return array if keep is None else array[keep]

        for key, part in self.values.items():
            code = picked(part.code)
            columns[key] = pa.array(picked(part.value), pa.float64(), from_pandas=True)
            columns[f"{key}_q"] = pa.array(code, pa.int8(), mask=code == EMPTY)
            if part.limit is None:
                columns[f"{key}_lim"] = pa.nulls(len(code), pa.float64())
            else:
                columns[f"{key}_lim"] = pa.array(picked(part.limit), pa.float64(), from_pandas=True)
            if part.error is not None:
                columns[f"{key}_err"] = pa.array(picked(part.error), pa.float64(), from_pandas=True)
        return pa.table(columns)

    def texts(self, lines: npt.NDArray[Any], keep: npt.NDArray[np.bool_]) -> pa.Table:
        """Original texts of cells that are not simply a number."""
        schema = pa.schema([("row", pa.int64()), ("key", pa.string()), ("text", pa.string())])
        tables = []
        for key, part in self.values.items():
            if part.text is None or not len(part.odd):
                continue
            at = part.odd[keep[part.odd]]
            if not len(at):
                continue
            tables.append(
                pa.table(
                    [
                        pa.array(lines[at], pa.int64()),
                        pa.array([key]).take(pa.array(np.zeros(len(at), np.int8))),
                        part.text.take(pa.array(at)),
                    ],
                    schema=schema,
                )
            )
        return pa.concat_tables(tables) if tables else schema.empty_table()


def nothing_read(n: int) -> Results:
    """For tables without results."""
    return Results()


def key_of(column: Column) -> str:
    """The analyte key of a column: element, and method where the column names one."""
    assert column.species is not None
    method = _method(column.method)
    return column.species.element + (f"@{method}" if method else "")


def analyte_of(column: Column) -> Analyte:
    """The analyte that a column of values holds."""
    assert column.species is not None
    unit = column.unit.name if column.unit else "by row"
    element, species = column.species.element, column.species.formula
    method = _method(column.method)
    return Analyte(key_of(column), element, method, species, unit, column.isotope)


def _method(text: str) -> str:
    return text.replace("_", " ").replace("@", " ").strip()


# ---- wide -----------------------------------------------------------------------------------


def read_results(job: ResultJob, ledger: Ledger, notes: list[str]) -> Results:
    """Read wide or long results; bad cells and rows are written into the ledger."""
    results = _long(job, ledger) if job.layout == "long" else _wide(job, ledger)
    _drop_empty_rows(job, results, ledger)
    return results


def _wide(job: ResultJob, ledger: Ledger) -> Results:
    value_columns = [c for c in job.columns if c.role == "value" and c.species is not None]
    n = len(job.body.lines)
    results = Results()
    row_unit = _row_units(job, None, ledger)
    digest = _digest_factor(job, value_columns, ledger) if n else None
    sigma_rows = _sigma_rows(job)

    def read(
        column: Column,
    ) -> tuple[Column, Part, list[Problem], list[str]]:
        problems: list[Problem] = []
        own_notes: list[str] = []
        part = _read_column(job, column, row_unit, digest, sigma_rows, problems, own_notes, results)
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
    sigma_rows: FloatArray | None,
    problems: list[Problem],
    notes: list[str],
    results: Results,
) -> Part:
    """One column of values with its errors and limits, in mg/kg of the element."""
    assert column.species is not None
    text = job.body.columns[column.index]
    cells = parse_column(text, job.rules)
    _apply_sign_rules(job, cells, column, text, problems)
    limit = cells.limit
    factor = _factor(column, row_unit, digest)
    heading_limit = _heading_limit(job, column)
    value = cells.value
    error = _errors(job, column, cells, sigma_rows, factor, notes, results, problems)
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
    problems += _refused_cells(job, column, cells)
    code[code == REFUSED] = NO_RESULT
    return Part(code, value, limit, error, cells.odd, text)


def _refused_cells(job: ResultJob, column: Column, cells: Cells) -> list[Problem]:
    """The cells of a column that can't be read, each with what stands there and why."""
    text = job.body.columns[column.index]
    return [
        (place, column.heading, (text[place].as_py() or "")[:200], reason, advice)
        for place, (reason, advice) in sorted(cells.refused.items())
    ]


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


def _apply_sign_rules(
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


def _partner(job: ResultJob, column: Column, role: str) -> Column | None:
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


def _errors(
    job: ResultJob,
    column: Column,
    cells: Cells,
    sigma_rows: FloatArray | None,
    factor: float | FloatArray,
    notes: list[str],
    results: Results,
    problems: list[Problem],
) -> FloatArray | None:
    partner = _partner(job, column, "error")
    if partner is None:
        return None
    stated = partner.sigma
    if math.isnan(stated) and job.table.cells.error_sigma is not None:
        stated = job.table.cells.error_sigma
    sigma: float | FloatArray = stated
    if math.isnan(stated):
        if sigma_rows is None:
            notes.append(
                "the error columns do not say how many standard deviations they hold; they are "
                "not used (set cells.error_sigma)"
            )
            return None
        sigma = sigma_rows
        levels = np.unique(sigma_rows[~np.isnan(sigma_rows)])
        results.sigma_of[partner.index] = float(levels[0]) if len(levels) == 1 else math.nan
    else:
        results.sigma_of[partner.index] = stated
    read = parse_column(job.body.columns[partner.index], job.rules)
    problems += _refused_cells(job, partner, read)
    scale = _ratio(partner, column)
    error: FloatArray = np.abs(read.value) * scale * factor / sigma
    error[cells.code != QUANTIFIED] = np.nan
    return error


def _ratio(partner: Column, column: Column) -> float:
    """Factor from the partner's unit to the unit of the values."""
    if partner.unit is None or column.unit is None or partner.unit == column.unit:
        return 1.0
    ratio = partner.unit.to_mg_kg / column.unit.to_mg_kg
    return 1.0 if math.isnan(ratio) else ratio


def _limit_from_error(
    job: ResultJob, column: Column, cells: Cells, limit: FloatArray | None
) -> FloatArray | None:
    partner = _partner(job, column, "error")
    open_cells = cells.code == BELOW
    if limit is not None:
        open_cells &= np.isnan(limit)
    if partner is None or not open_cells.any():
        return limit
    read = parse_column(job.body.columns[partner.index], job.rules)
    limit = np.full(len(cells.code), np.nan) if limit is None else limit
    usable = open_cells & (read.value > 0)
    limit[usable] = read.value[usable] * _ratio(partner, column)
    return limit


def _limit_column(
    job: ResultJob,
    column: Column,
    cells: Cells,
    limit: FloatArray | None,
    problems: list[Problem],
) -> FloatArray | None:
    partner = _partner(job, column, "limit")
    if partner is None:
        return limit
    read = parse_column(job.body.columns[partner.index], job.rules)
    problems += _refused_cells(job, partner, read)
    stated = np.where(np.isnan(read.value), read.limit if read.limit is not None else np.nan,
                      read.value) * _ratio(partner, column)  # fmt: skip
    limit = np.full(len(cells.code), np.nan) if limit is None else limit
    usable = np.isnan(limit) & np.isin(cells.code, (QUANTIFIED, BELOW)) & (stated > 0)
    limit[usable] = stated[usable]
    return limit


def _sigma_rows(job: ResultJob) -> FloatArray | None:
    text = job.facts.get("_sigma")
    if text is None:
        return None
    read = parse_column(pc.replace_substring_regex(text, r"\s*(s|sd|sigma|σ)$", ""), job.rules)
    return np.where(read.value > 0, read.value, np.nan)


def _unit_factor(text: str) -> tuple[float, str]:
    """Factor to mg/kg and, where there is none, why not."""
    unit = parse_unit(text)
    if unit is None:
        return math.nan, unit_question(text) or "the unit is not known"
    if unit.is_solution:
        return math.nan, "a concentration in solution needs its unit in the heading or in 'unit'"
    return unit.to_mg_kg, ""


def _row_units(job: ResultJob, only: str | None, ledger: Ledger) -> dict[str, FloatArray]:
    """Factors to mg/kg by row: for all results (''), or by species."""
    n = len(job.body.lines)
    general = math.nan
    if job.table.unit:
        unit = parse_unit(job.table.unit)
        if unit is not None and not unit.is_solution:
            general = unit.to_mg_kg
    result: dict[str, FloatArray] = {}
    for column in job.columns:
        if column.role != "fact" or column.fact != "unit":
            continue
        text = pc.utf8_trim_whitespace(job.body.columns[column.index])
        encoded = text.dictionary_encode()
        texts = encoded.dictionary.to_pylist()
        known = [(general, "") if not t else _unit_factor(t) for t in texts]
        factors = np.array([k[0] for k in known] or [math.nan])
        valid = pc.is_valid(text).to_numpy(zero_copy_only=False)
        places = pc.fill_null(encoded.indices, 0).to_numpy(zero_copy_only=False)
        rows = np.where(valid, factors[places] if n else math.nan, general)
        for at in np.flatnonzero(valid):
            reason = known[places[at]][1]
            if reason and column.species is None:
                ledger.row(
                    int(at), texts[places[at]], f"unit '{texts[places[at]]}': {reason}",
                    "Mend the unit in this row.",
                )  # fmt: skip
        result[column.species.formula if column.species else ""] = rows
    return result


def _digest_factor(job: ResultJob, columns: list[Column], ledger: Ledger) -> FloatArray | None:
    """mg/kg per mg/L of digest, by row: volume in mL over mass in g."""
    if not any(c.unit is not None and c.unit.is_solution for c in columns):
        return None
    if job.table.kind != "lab":
        raise ReconcileError(
            f"{job.place}: results in mg/L make sense in a lab table only.", "Mend the unit."
        )
    n = len(job.body.lines)
    mass = job.facts["sample_mass_g"].to_numpy(zero_copy_only=False).astype("float64")
    volume = job.facts["digest_volume_ml"].to_numpy(zero_copy_only=False).astype("float64")
    for name, array in (("sample_mass_g", mass), ("digest_volume_ml", volume)):
        if n and np.isnan(array).all():
            raise ReconcileError(
                f"{job.place}: results in mg/L of digest need {name} to become mg/kg.",
                f"Name the column that holds {name}, look it up in the register, or set it in "
                "'fixed'.",
            )
    blank = pc.fill_null(pc.equal(job.facts["sample_kind"], "blank"), False).to_numpy(
        zero_copy_only=False
    )
    if "blank_mass_g" in job.fixed:
        nominal = plain_number(job.fixed["blank_mass_g"])
        if nominal is None:
            raise ReconcileError(
                f"{job.place}: fixed blank_mass_g = '{job.fixed['blank_mass_g']}' is no number.",
                "Mend the settings.",
            )
        mass = np.where(blank & ~(mass > 0), nominal, mass)
    usable = (mass > 0) & (volume > 0)
    for at in np.flatnonzero(~usable):
        what = "mass" if not mass[at] > 0 else "volume"
        shown = "" if np.isnan(mass[at]) else f"{mass[at]:g} g"
        ledger.row(
            int(at), shown, f"mg/L can't become mg/kg without a sample {what} above zero",
            "Give the nominal mass of blanks as fixed = { blank_mass_g = … }."
            if blank[at]
            else "Enter it in the register or in the table.",
        )  # fmt: skip
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(usable, volume / mass, np.nan)


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


# ---- long -----------------------------------------------------------------------------------


def _analyte(text: str) -> tuple[Species | None, Unit | None, str]:
    """What a cell of an element column names: species, unit, method."""
    species = parse_species(text)
    if species is not None:
        return species, None, ""
    symbol = element_by_name(text)
    if symbol:
        return parse_species(symbol), None, ""
    reading = read_heading(text)
    if reading.species is not None and reading.role == "value" and not reading.question:
        return reading.species, reading.unit, reading.method
    return None, None, ""


_DOUBTFUL = frozenset({"CO", "NO", "HF"})  # compounds of their own


def _in_one_case(text: str, capitals: bool) -> str:
    """A symbol of a column of elements that is written in one case ('se', 'co'; 'CO' beside 'CU').

    What stands there names an element or an oxide, so words and 'CO' leave no doubt; 'NO' does.
    """
    one_case = text.islower() or (capitals and text.isupper())
    if len(text) <= 2 and text.upper() != "NO" and one_case and text.capitalize() in ELEMENTS:
        return text.capitalize()
    return text


_LONG_QUALIFIERS = {
    "": QUANTIFIED, "=": QUANTIFIED, "<": BELOW, "<=": BELOW, "u": BELOW, "nd": BELOW,
    "bdl": BELOW, "below": BELOW, ">": ABOVE, ">=": ABOVE, "above": ABOVE,
}  # fmt: skip


def _long(job: ResultJob, ledger: Ledger, errors: bool = True) -> Results:
    by_fact = {c.fact: c for c in job.columns if c.role == "fact"}
    n = len(job.body.lines)
    results = Results()
    element_column, value_column = by_fact["element"], by_fact["value"]
    names = pc.utf8_trim_whitespace(job.body.columns[element_column.index])
    encoded = pc.fill_null(names, "").dictionary_encode()
    texts = encoded.dictionary.to_pylist()
    places = encoded.indices.to_numpy(zero_copy_only=False)
    capitals = any(
        len(t) == 2 and t.isupper() and t not in _DOUBTFUL and t.capitalize() in ELEMENTS
        for t in texts
    )
    known = [_analyte(_in_one_case(t, capitals)) for t in texts]
    text = job.body.columns[value_column.index]
    cells = parse_column(text, job.rules)
    _apply_sign_rules(job, cells, value_column, text, [])
    limit = cells.limit if cells.limit is not None else np.full(n, np.nan)
    _long_qualifiers(job, cells, limit, ledger)
    unit_factor = _long_units(job, known, texts, places, ledger)
    share = np.array([k[0].element_per_species if k[0] else math.nan for k in known] or [math.nan])
    factor = unit_factor * (share[places] if n else np.empty(0))
    error = _long_errors(job, by_fact, cells, factor, results, ledger) if errors else None
    if "limit" in by_fact:
        stated = parse_column(job.body.columns[by_fact["limit"].index], job.rules)
        for problem in _refused_cells(job, by_fact["limit"], stated):
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
    for problem in _refused_cells(job, value_column, cells):
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
        key = species.element + (f"@{_method(method)}" if method else "")
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
            analytes.append(Analyte(key, species.element, _method(method), species.formula, shown))
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
    in_heading = _heading_unit(value_column)
    if in_heading is not None:
        general = in_heading.to_mg_kg
    rows = _row_units(job, None, ledger).get("")
    factor = np.full(n, general) if rows is None else np.where(np.isnan(rows), general, rows)
    by_name = np.array([k[1].to_mg_kg if k[1] else math.nan for k in known] or [math.nan])
    named = by_name[places] if n else np.empty(0)
    if rows is None and not job.table.unit and in_heading is None and np.isnan(named).all() and n:
        raise ReconcileError(
            f"{job.place}: the results name no unit.",
            'Set the unit for this table, such as unit = "mg/kg", or name a column of units.',
        )
    return np.where(np.isnan(named), factor, named)


def _heading_unit(column: Column) -> Unit | None:
    for inner in re.findall(r"[(\[]([^()\[\]]*)[)\]]", column.heading):
        unit = parse_unit(inner)
        if unit is not None:
            return unit
    return None


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
        rows = _sigma_rows(job)
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
    for problem in _refused_cells(job, column, read):
        ledger.cell(*problem)
    error: FloatArray = np.abs(read.value) * factor / sigma
    error[cells.code != QUANTIFIED] = np.nan
    return error


# ---- reference materials ---------------------------------------------------------------------


def read_reference(
    job: ResultJob, ledger: Ledger, notes: list[str]
) -> tuple[dict[str, pa.Array], Body, Results]:
    """Certified values, long: one row per material and element, in mg/kg of the element."""
    if job.layout == "long":
        read = _long(job, ledger, errors=False)
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
    wide = _wide(job, ledger)
    element_of = {a.key: a.element for a in wide.analytes}
    columns = {key_of(c): c for c in job.columns if c.role == "value" and c.species}
    beside = (_partner(job, columns[key], "error") for key in element_of)
    for column in {c.index: c for c in beside if c is not None}.values():
        for problem in _refused_cells(
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
    for problem in _refused_cells(job, column, cells):
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
    partner = _partner(job, column, "error")
    if partner is None or column.unit is None or column.species is None:
        return math.nan
    cell = parse_text(job.body.columns[partner.index][at].as_py(), job.rules)
    factor = column.unit.to_mg_kg * column.species.element_per_species
    return cell.value * _ratio(partner, column) * factor
