"""Checks of an instrument without a sample: when, of what, with which outcome."""

from __future__ import annotations

import pandas as pd

from .common import LARGEST_SUM_PCT, Failure, column, contract, one_of, required, run, short

SCHEMA = contract(
    {
        "instrument": column(required("instrument", "Fill in its serial number."), short("it")),
        "check": column(required("kind of check", "Write energy, or what was checked.")),
        "at": column(required("date", "Fill in when it was checked.")),
        "outcome": column(
            required("outcome", "Write passed or failed."),
            one_of(("passed", "failed"), "the outcome"),
        ),
    },
    "instrument check",
)


def failures(
    facts: pd.DataFrame,
    values: pd.DataFrame | None,
    negative_allowed: bool,
    largest_sum_pct: float = LARGEST_SUM_PCT,
) -> list[Failure]:
    """Broken rules of instrument checks, each row by itself."""
    return run(SCHEMA, facts, whole_row=True)
