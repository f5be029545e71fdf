"""Laboratories: scope and method codes."""

from __future__ import annotations

import pandas as pd

from .common import LARGEST_SUM_PCT, Failure, column, contract, required, run, short

SCHEMA = contract(
    {
        "laboratory": column(
            required("laboratory", "Fill in its name as the certificates do."), short("the name")
        ),
    },
    "laboratory",
)


def failures(
    facts: pd.DataFrame,
    values: pd.DataFrame | None,
    negative_allowed: bool,
    largest_sum_pct: float = LARGEST_SUM_PCT,
) -> list[Failure]:
    """Broken rules of laboratorys, each row by itself."""
    return run(SCHEMA, facts, whole_row=True)
