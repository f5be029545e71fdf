"""Reference materials: certified value and expanded uncertainty of one element."""

from __future__ import annotations

import pandas as pd

from reconcile.base.quantities import ELEMENTS

from .common import (
    LARGEST_SUM_PCT,
    WHOLE,
    Failure,
    between,
    check,
    column,
    contract,
    required,
    run,
)

SCHEMA = contract(
    {
        "reference_code": column(required("reference material code", "Fill it in.")),
        "element": column(
            required("element", "Fill it in."),
            check(
                lambda s: s.isin(list(ELEMENTS)), "no known element", "Write a symbol such as Cu."
            ),
        ),
        "certified_mg_kg": column(
            between(0, WHOLE, "the certified value", "mg/kg"),
        ),
        "at_most_mg_kg": column(between(0, WHOLE, "the certified limit", "mg/kg")),
        "uncertainty_mg_kg": column(between(0, WHOLE, "the uncertainty", "mg/kg")),
        "coverage_factor": column(between(1, 5, "the coverage factor", "")),
    },
    "reference material",
)


def failures(
    facts: pd.DataFrame,
    values: pd.DataFrame | None,
    negative_allowed: bool,
    largest_sum_pct: float = LARGEST_SUM_PCT,
) -> list[Failure]:
    """Broken rules of reference-material rows."""
    found = run(SCHEMA, facts, whole_row=True)
    lacking = facts["certified_mg_kg"].isna() & facts["at_most_mg_kg"].isna()
    for row in facts.index[lacking]:
        found.append(
            Failure(int(row), "", "", "no certified value", "Fill it in, or leave the row out.")
        )
    return sorted(found, key=lambda f: (f.row, f.column, f.reason))
