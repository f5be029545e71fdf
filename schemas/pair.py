"""Pairs: one sample's field mean and lab result for one stratum."""

from __future__ import annotations

import pandas as pd

from .common import Failure, check, column, contract, one_of, required, run

SCHEMA = contract(
    {
        "stratum": column(required("stratum", "The pair belongs to no stratum.")),
        "sample_id": column(required("sample id", "The pair belongs to no sample.")),
        "field_qualifier": column(one_of(("", "<", ">", "~"), "the field qualifier")),
        "lab_qualifier": column(one_of(("", "<", ">", "~"), "the lab qualifier")),
        "field_n": column(
            check(lambda s: s >= 1, "fewer than one shot", "Check the averaging of shots.")
        ),
        "lab_n": column(
            check(lambda s: s >= 1, "fewer than one determination", "Check the averaging.")
        ),
        "custody": column(
            one_of(("complete", "deviation", "broken", "not recorded"), "the custody state")
        ),
        "balanced": column(
            check(
                lambda s: s,
                "a pair that is not used carries no reason, or one that is used carries one",
                "Every pair left out says why.",
                missing_too=True,
            )
        ),
        "ordered": column(
            check(
                lambda s: s,
                "the lower bound lies above the upper bound",
                "Check the censored means.",
                missing_too=True,
            )
        ),
    },
    "pair",
)


def failures(pairs: pd.DataFrame) -> list[Failure]:
    """Broken rules of the pair table (columns as in ``model.PAIR_COLUMNS``)."""
    used = pairs["used"].astype(bool)
    balanced = used == pairs["reason_code"].fillna("").eq("")
    ordered = ~((pairs["field_low"] > pairs["field_high"]) | (pairs["lab_low"] > pairs["lab_high"]))
    return run(SCHEMA, pairs.assign(balanced=balanced, ordered=ordered), whole_row=True)
