"""Units of results and names of analytes, from headings, rows and settings."""

from __future__ import annotations

import math
import re

import numpy as np
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
from reconcile.intake.cells import (
    plain_number,
)
from reconcile.intake.headings import Column
from reconcile.intake.result_parts import FloatArray, Ledger, ResultJob
from reconcile.intake.wording import read_heading


def _unit_factor(text: str) -> tuple[float, str]:
    """Factor to mg/kg and, where there is none, why not."""
    unit = parse_unit(text)
    if unit is None:
        return math.nan, unit_question(text) or "the unit is not known"
    if unit.is_solution:
        return math.nan, "a concentration in solution needs its unit in the heading or in 'unit'"
    return unit.to_mg_kg, ""


def row_units(job: ResultJob, only: str | None, ledger: Ledger) -> dict[str, FloatArray]:
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


def digest_factor(job: ResultJob, columns: list[Column], ledger: Ledger) -> FloatArray | None:
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


# ---- long -----------------------------------------------------------------------------------
def analyte_in(text: str) -> tuple[Species | None, Unit | None, str]:
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


DOUBTFUL = frozenset({"CO", "NO", "HF"})  # compounds of their own


def in_one_case(text: str, capitals: bool) -> str:
    """A symbol of a column of elements that is written in one case ('se', 'co'; 'CO' beside 'CU').

    What stands there names an element or an oxide, so words and 'CO' leave no doubt; 'NO' does.
    """
    one_case = text.islower() or (capitals and text.isupper())
    if len(text) <= 2 and text.upper() != "NO" and one_case and text.capitalize() in ELEMENTS:
        return text.capitalize()
    return text


def heading_unit(column: Column) -> Unit | None:
    """The unit in brackets in a heading, where one stands there."""
    for inner in re.findall(r"[(\[]([^()\[\]]*)[)\]]", column.heading):
        unit = parse_unit(inner)
        if unit is not None:
            return unit
    return None
