"""Instruments: serial, make, model, software, calibration and when it is due, licence."""

from __future__ import annotations

import pandas as pd

from .common import LARGEST_SUM_PCT, Failure, column, contract, required, run, short

SCHEMA = contract(
    {
        "instrument": column(
            required("instrument", "Fill in its serial number."), short("the serial number")
        ),
    },
    "instrument",
)


def failures(
    facts: pd.DataFrame,
    values: pd.DataFrame | None,
    negative_allowed: bool,
    largest_sum_pct: float = LARGEST_SUM_PCT,
) -> list[Failure]:
    """Broken rules of instruments, each row by itself."""
    return run(SCHEMA, facts, whole_row=True)
