"""Specification limits: the least and the most of one element that a grade may hold."""

from __future__ import annotations

import pandas as pd

from reconcile.base.formulas import parse
from reconcile.base.quantities import ELEMENTS, parse_unit

from .common import LARGEST_SUM_PCT, Failure, check, column, contract, required, run, short


def _is_mass_fraction(text: object) -> bool:
    unit = parse_unit(str(text))
    return unit is not None and not unit.is_solution


SCHEMA = contract(
    {
        "grade": column(required("grade", "Fill it in."), short("the grade")),
        "element": column(
            required("element", "Fill it in."),
            check(
                lambda s: s.isin(list(ELEMENTS)) | s.map(lambda t: parse(t) is not None),
                "no known element and no formula of elements",
                "Write a symbol such as Cr, or a formula such as Nb+Ta.",
            ),
        ),
        "unit": column(
            required("unit", "Fill it in, such as %."),
            check(
                lambda s: s.map(_is_mass_fraction),
                "no unit of a mass fraction",
                "Write % or mg/kg.",
            ),
        ),
        "minimum": column(check(lambda s: s >= 0, "a limit below zero", "Check the number.")),
        "maximum": column(check(lambda s: s >= 0, "a limit below zero", "Check the number.")),
    },
    "specification limit",
)


def failures(
    facts: pd.DataFrame,
    values: pd.DataFrame | None,
    negative_allowed: bool,
    largest_sum_pct: float = LARGEST_SUM_PCT,
) -> list[Failure]:
    """Broken rules of specification limits, each row by itself and the two limits together."""
    # a formula in a column of its own is what counts; the element is then its name
    written = facts["formula"].where(facts["formula"].notna(), facts["element"])
    found = run(SCHEMA, facts.assign(element=written), whole_row=True)
    low, high = facts["minimum"], facts["maximum"]
    for row in facts.index[low.isna() & high.isna()]:
        found.append(
            Failure(int(row), "", "", "neither a minimum nor a maximum",
                    "Fill one in, or leave the row out (such as that of the balance element).")
        )  # fmt: skip
    for row in facts.index[low > high]:
        found.append(
            Failure(int(row), "", f"{low[row]:g} to {high[row]:g}",
                    "the minimum is above the maximum", "Check both numbers.")
        )  # fmt: skip
    per_unit = facts["unit"].map(lambda t: getattr(parse_unit(str(t)), "to_mg_kg", float("nan")))
    for row in facts.index[(high.fillna(low) * per_unit) > 1e6]:
        found.append(
            Failure(int(row), "", f"{high.fillna(low)[row]:g} {facts['unit'][row]}",
                    "more than the whole sample", "Check the unit.")
        )  # fmt: skip
    named = facts.assign(element=facts["element"].where(facts["element"].notna(), written))
    again = named.duplicated(["grade", "element"]) & facts["grade"].notna()
    for row in facts.index[again]:
        found.append(
            Failure(int(row), "", f"{facts['grade'][row]}, {facts['element'][row]}",
                    "limits of this grade and element stand in an earlier row",
                    "Keep one of the rows.")
        )  # fmt: skip
    return sorted(found, key=lambda f: (f.row, f.column, f.reason))
