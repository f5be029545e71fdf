"""Field readings: one shot or count by LIBS or XRF."""

from __future__ import annotations

import pandas as pd

from reconcile import techniques

from .common import (
    DUPLICATE_KINDS,
    LARGEST_SUM_PCT,
    MOISTURE_BASES,
    SAMPLE_KINDS,
    Failure,
    above_zero,
    between,
    check,
    column,
    contract,
    one_of,
    required,
    run,
    short,
    value_failures,
)

SPOT_CLASSES = ("random", "raster", "targeted")
SCHEMA = contract(
    {
        "sample_id": column(
            required("sample id", "Fill it in, or name its column in the settings."),
            short("the sample id"),
        ),
        "technique": column(one_of(tuple(t.name for t in techniques.known()), "the technique")),
        "sample_kind": column(one_of(SAMPLE_KINDS, "the sample kind")),
        "duplicate_kind": column(one_of(DUPLICATE_KINDS, "the kind of duplicate")),
        "moisture_basis": column(one_of(MOISTURE_BASES, "the moisture basis")),
        "moisture_pct": column(between(0, 100, "the moisture", "%")),
        "spot_class": column(one_of(SPOT_CLASSES, "the spot class")),
        "count_time_s": column(above_zero("the count time")),
    },
    "field reading",
)


def failures(
    facts: pd.DataFrame,
    values: pd.DataFrame | None,
    negative_allowed: bool,
    largest_sum_pct: float = LARGEST_SUM_PCT,
) -> list[Failure]:
    """Broken rules of field rows and their cells."""
    result = run(SCHEMA, facts, whole_row=True)
    result += value_failures(values, negative_allowed, largest_sum_pct)
    if values is not None and "technique" in facts:
        result += _light_elements(facts, values)
    return result


def _light_elements(facts: pd.DataFrame, values: pd.DataFrame) -> list[Failure]:
    """Results of elements that the technique of their row can't report."""
    found: list[Failure] = []
    for t in techniques.known():
        own = facts["technique"].eq(t.name).fillna(False).to_numpy(dtype=bool)
        keys = [k for k in values.columns if k.split("@")[0] in t.cannot_report]
        if not keys or not own.any():
            continue
        rule = check(
            lambda s: s.isna(),
            f"a field {t.name} can't report this element: its lines do not reach the detector",
            f"Is this table really {t.name}? If so, leave the columns out: "
            'columns = { "heading" = "ignore" }; if not, correct its technique.',
            missing_too=True,
        )
        of_keys = contract({k: column(rule) for k in keys}, "light elements")
        found += run(of_keys, values.loc[own, keys], False)
    return found
