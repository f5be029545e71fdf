"""Custody events: one dated act on a sample or a dispatch."""

from __future__ import annotations

import pandas as pd

from .common import LARGEST_SUM_PCT, Failure, between, check, column, contract, required, run

SCHEMA = contract(
    {
        "event": column(
            required("event", "Say what was done: collected, sealed, relinquished …"),
        ),
        "at": column(required("date and time", "An event without a time proves nothing.")),
        "containers": column(between(0, 1e6, "the number of containers", "")),
        "mass_g": column(between(0, 1e9, "the mass", "g")),
        "what": column(
            check(
                lambda s: s,
                "neither a sample nor a dispatch is named",
                "Name what the event happened to.",
                missing_too=True,
            )
        ),
    },
    "custody event",
)


def failures(
    facts: pd.DataFrame,
    values: pd.DataFrame | None,
    negative_allowed: bool,
    largest_sum_pct: float = LARGEST_SUM_PCT,
) -> list[Failure]:
    """Broken rules of custody events."""
    named = facts["sample_id"].notna() | facts["dispatch"].notna()
    return run(SCHEMA, facts.assign(what=named), whole_row=True)
