"""Aliases: a person's entry that two spellings name one sample."""

from __future__ import annotations

import pandas as pd

from .common import LARGEST_SUM_PCT, Failure, column, contract, required, run, short

SCHEMA = contract(
    {
        "written_id": column(required("id as written", "Fill it in."), short("the id")),
        "sample_id": column(required("sample id", "Fill it in."), short("the sample id")),
    },
    "alias",
)


def failures(
    facts: pd.DataFrame,
    values: pd.DataFrame | None,
    negative_allowed: bool,
    largest_sum_pct: float = LARGEST_SUM_PCT,
) -> list[Failure]:
    """Broken rules of aliases."""
    return run(SCHEMA, facts, whole_row=True)
