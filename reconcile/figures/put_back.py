"""The ratio with pairs put back that a reason keeps out."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.base.model.further import Further, Key
from reconcile.base.reasons import CENSORED, Exclusion
from reconcile.figures import further
from reconcile.statistics import bias, censoring
from reconcile.statistics.result import Estimate


def censor_only(pairs: pd.DataFrame) -> pd.Series:
    """Pairs that nothing but a limit keeps out, as a column of truths."""
    return pairs["reason_code"].isin(CENSORED)


def that_may_count(pairs: pd.DataFrame) -> pd.DataFrame:
    """Used pairs and those that only a limit keeps out."""
    return pairs.loc[pairs["used"].astype(bool) | censor_only(pairs)]


def censored_ratio(pairs: pd.DataFrame, level: float) -> Estimate | None:
    """Bias with censored pairs kept, where there are any (maximum likelihood)."""
    eligible = that_may_count(pairs)
    if not censor_only(eligible).any():
        return None
    bounds = eligible[["lab_low", "lab_high", "field_low", "field_high"]].to_numpy("float64")
    bounds = bounds[~np.isnan(bounds).any(axis=1)]
    lab_low, lab_high, field_low, field_high = bounds.T
    return censoring.censored_log_ratio_bias(
        lab_low, lab_high, field_low, field_high, level=level
    ).ratio


#: What may be put back, and the reasons of those pairs.
_PUT_BACK: tuple[tuple[Key[Estimate], frozenset[str]], ...] = (
    (
        Further.BATCHES_BACK,
        frozenset({Exclusion.BATCH_FAILED, Exclusion.OPEN_TO_CONTAMINATION}),
    ),
    (Further.CUSTODY_BACK, frozenset({Exclusion.CUSTODY_BROKEN})),
    (Further.ALL_BACK, frozenset(Exclusion) - {Exclusion.REPEATED}),
)


def put_back(pairs: pd.DataFrame, used: int, level: float) -> list[further.Item]:
    """The geometric mean ratio with pairs put back that a reason keeps out; only where any is."""
    both = pairs.loc[pairs["lab_mean"].notna() & pairs["field_mean"].notna()]
    found: list[further.Item] = []
    for key, codes in _PUT_BACK:
        taken = both.loc[both["used"].astype(bool) | both["reason_code"].isin(codes)]
        if len(taken) > used:
            ratio = bias.geometric_mean_ratio(
                taken["lab_mean"].to_numpy("float64"),
                taken["field_mean"].to_numpy("float64"),
                level,
            )
            found.append((key, ratio))
    return found
