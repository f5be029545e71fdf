"""Where a mean is known between two limits only: qualifiers, reasons, zeros."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.reasons import Exclusion
from reconcile.pairs.averaging import Means


def holds_zero(means: Means, at: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether a result of zero is among those of each mean."""
    return np.zeros(len(at), bool) if means.zero is None else means.zero[at]


def qualifier(n: pd.Series, censored: pd.Series, high: pd.Series) -> pd.Series:
    """'' quantified, '<' all below, '>' any above, '~' some below (the mean is bounded)."""
    above = np.isposinf(high.to_numpy("float64"))
    text = np.select(
        [censored.to_numpy() == 0, above, censored.to_numpy() == n.to_numpy()],
        ["", ">", "<"],
        default="~",
    )
    return pd.Series(text, index=n.index, dtype="str")


def zero_reason(pairs: pd.DataFrame) -> pd.Series:
    """Code of why a pair rests on no measurement, zeros of which nobody says what they mean, or ''.

    One such zero is enough: the mean of the others would read too high, as they alone were seen.
    """
    field, lab = pairs["field_zero"].astype(bool), pairs["lab_zero"].astype(bool)
    code = np.select(
        [field & lab, field, lab],
        [
            Exclusion.BOTH_ZERO_UNSTATED.value,
            Exclusion.FIELD_ZERO_UNSTATED.value,
            Exclusion.LAB_ZERO_UNSTATED.value,
        ],
        default="",
    )
    return pd.Series(code, index=pairs.index, dtype="str")


def censor_reason(pairs: pd.DataFrame) -> pd.Series:
    """Code of why a pair can't enter the difference statistics for lack of two numbers, or ''."""
    field = pairs["field_qualifier"].ne("")
    lab = pairs["lab_qualifier"].ne("")
    code = np.select(
        [field & lab, field, lab],
        [
            Exclusion.BOTH_OUTSIDE_LIMITS.value,
            Exclusion.FIELD_OUTSIDE_LIMITS.value,
            Exclusion.LAB_OUTSIDE_LIMITS.value,
        ],
        default="",
    )
    return pd.Series(code, index=pairs.index, dtype="str")
