"""Determinations: what the laboratory's certificate gives."""

from __future__ import annotations

import pandas as pd

from .common import (
    DUPLICATE_KINDS,
    LARGEST_SUM_PCT,
    MOISTURE_BASES,
    SAMPLE_KINDS,
    Failure,
    above_zero,
    between,
    column,
    contract,
    one_of,
    required,
    run,
    short,
    value_failures,
)

DIGESTION_CLASSES = ("partial", "near-total", "total")
SCHEMA = contract(
    {
        "sample_id": column(
            required("sample id", "Fill it in, or name its column in the settings."),
            short("the sample id"),
        ),
        "sample_kind": column(one_of(SAMPLE_KINDS, "the sample kind")),
        "duplicate_kind": column(one_of(DUPLICATE_KINDS, "the kind of duplicate")),
        "moisture_basis": column(one_of(MOISTURE_BASES, "the moisture basis")),
        "moisture_pct": column(between(0, 100, "the moisture", "%")),
        "digestion_class": column(one_of(DIGESTION_CLASSES, "the digestion class")),
        "sample_mass_g": column(between(0, 1e5, "the sample mass", "g")),
        "digest_volume_ml": column(above_zero("the digest volume")),
    },
    "determination",
)


def failures(
    facts: pd.DataFrame,
    values: pd.DataFrame | None,
    negative_allowed: bool,
    largest_sum_pct: float = LARGEST_SUM_PCT,
) -> list[Failure]:
    """Broken rules of laboratory rows and their cells."""
    return run(SCHEMA, facts, whole_row=True) + value_failures(
        values, negative_allowed, largest_sum_pct
    )
