"""The sample register: one row per sample (or per portion sent to the laboratory)."""

from __future__ import annotations

import pandas as pd

from .common import (
    DUPLICATE_KINDS,
    LARGEST_SUM_PCT,
    MOISTURE_BASES,
    SAMPLE_KINDS,
    Failure,
    between,
    column,
    contract,
    one_of,
    required,
    run,
    short,
)

SCHEMA = contract(
    {
        "sample_id": column(
            required("sample id", "Fill it in, or name its column in the settings."),
            short("the sample id"),
        ),
        "lab_id": column(short("the lab id")),
        "sample_kind": column(one_of(SAMPLE_KINDS, "the sample kind")),
        "duplicate_kind": column(one_of(DUPLICATE_KINDS, "the kind of duplicate")),
        "moisture_basis": column(one_of(MOISTURE_BASES, "the moisture basis")),
        "moisture_pct": column(between(0, 100, "the moisture", "%")),
        "selection_probability": column(between(1e-9, 1, "the chance of being chosen", "")),
        "sample_mass_g": column(between(0, 1e6, "the sample mass", "g")),
    },
    "sample",
)


def failures(
    facts: pd.DataFrame,
    values: pd.DataFrame | None,
    negative_allowed: bool,
    largest_sum_pct: float = LARGEST_SUM_PCT,
) -> list[Failure]:
    """Broken rules of register rows."""
    return run(SCHEMA, facts, whole_row=True)
