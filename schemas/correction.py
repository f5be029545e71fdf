"""Corrections: a person's entry that one cell of a file should have held something else."""

from __future__ import annotations

import pandas as pd

from .common import LARGEST_SUM_PCT, Failure, check, column, contract, required, run, short

SCHEMA = contract(
    {
        "file": column(required("file", "Keep the row as quarantine.csv gave it.")),
        "file_row": column(
            required("row", "Keep the row as quarantine.csv gave it."),
            check(
                lambda s: s.str.fullmatch(r"[0-9]{1,9}(\.0+)?"),
                "the row is no whole number",
                "Keep the row as quarantine.csv gave it.",
            ),
        ),
        "sha256": column(
            required(
                "digest of the file",
                "Keep the column sha256 of quarantine.csv: it says which version was corrected.",
            ),
            check(
                lambda s: s.str.fullmatch(r"[0-9a-fA-F]{64}"),
                "the digest is no SHA-256",
                "Keep the column sha256 of quarantine.csv.",
            ),
        ),
        "corrected_by": column(
            required("name of who corrected", "Say who stands for the correction."),
            short("the name"),
        ),
        "corrected_because": column(
            required("reason of the correction", "Say why, for example what the field book says.")
        ),
    },
    "correction",
)


def failures(
    facts: pd.DataFrame,
    values: pd.DataFrame | None,
    negative_allowed: bool,
    largest_sum_pct: float = LARGEST_SUM_PCT,
) -> list[Failure]:
    """Broken rules of corrections; rows without a corrected value are left open."""
    entered = facts["corrected_value"].notna()
    return run(SCHEMA, facts.loc[entered], whole_row=True)
