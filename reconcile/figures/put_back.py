"""The ratio with pairs put back that a reason keeps out."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.model.further import Further, Key
from reconcile.base.reasons import CENSORED, Exclusion
from reconcile.figures import further
from reconcile.statistics import bias, censoring
from reconcile.statistics.result import Estimate

Floats = NDArray[np.float64]
Truths = NDArray[np.bool_]


def kept_out_by(pairs: pd.DataFrame, codes: frozenset[Exclusion]) -> Truths:
    """Which pairs have one of these reasons, shape (pairs,)."""
    reasons = pairs["reason_code"].tolist()
    return np.fromiter((code in codes for code in reasons), np.bool_, len(pairs))


def censor_only(pairs: pd.DataFrame) -> Truths:
    """Which pairs nothing but a limit keeps out, shape (pairs,)."""
    return kept_out_by(pairs, CENSORED)


def that_may_count(pairs: pd.DataFrame) -> pd.DataFrame:
    """Used pairs and those that only a limit keeps out."""
    return pairs.loc[pairs["used"].to_numpy(bool) | censor_only(pairs)]


def bounds_of(pairs: pd.DataFrame) -> Floats:
    """Ends of what may count: lab_low, lab_high, field_low, field_high, mg/kg, shape (4, n).

    Of used pairs and those that only a limit keeps out, where all four are known.
    """
    names = ("lab_low", "lab_high", "field_low", "field_high")
    ends = np.array([pairs[name].to_numpy("float64") for name in names])
    kept = pairs["used"].to_numpy(bool) | censor_only(pairs)
    found: Floats = ends[:, kept & ~np.isnan(ends).any(axis=0)]
    return found


def censored_ratio(pairs: pd.DataFrame, level: float) -> Estimate | None:
    """Bias with censored pairs kept, where there are any (maximum likelihood)."""
    if not censor_only(pairs).any():
        return None
    lab_low, lab_high, field_low, field_high = bounds_of(pairs)
    return censoring.censored_log_ratio_bias(
        lab_low, lab_high, field_low, field_high, level=level
    ).ratio


#: What may be put back, and the reasons of those pairs.
_PUT_BACK: tuple[tuple[Key[Estimate], frozenset[Exclusion]], ...] = (
    (
        Further.BATCHES_BACK,
        frozenset({Exclusion.BATCH_FAILED, Exclusion.OPEN_TO_CONTAMINATION}),
    ),
    (Further.CUSTODY_BACK, frozenset({Exclusion.CUSTODY_BROKEN})),
    (Further.ALL_BACK, frozenset(Exclusion) - {Exclusion.REPEATED}),
)


def put_back(pairs: pd.DataFrame, used: int, level: float) -> list[further.Item]:
    """The geometric mean ratio with pairs put back that a reason keeps out; only where any is."""
    lab, field = (pairs[name].to_numpy("float64") for name in ("lab_mean", "field_mean"))
    both, of_used = ~np.isnan(lab) & ~np.isnan(field), pairs["used"].to_numpy(bool)
    found: list[further.Item] = []
    for key, codes in _PUT_BACK:
        taken = both & (of_used | kept_out_by(pairs, codes))
        if int(taken.sum()) > used:
            found.append((key, bias.geometric_mean_ratio(lab[taken], field[taken], level)))
    return found
