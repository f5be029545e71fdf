"""How far two spots of one sample differ: what replicates of the field show."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def repeatability(used: pd.DataFrame, relative: bool) -> tuple[float, float]:
    """Pooled variance of one spot and the harmonic mean number of spots; NaN where unknown.

    A reading or shot stands for a spot where a sample has one spot. The variance is
    relative to the mean where ``relative``, else in (mg/kg)². ``used``: used pairs
    (PAIR_COLUMNS).
    """
    mean, spots, shots, se = (
        used[name].to_numpy("float64")
        for name in ("field_mean", "field_spots", "field_n", "field_se")
    )
    return of_replicates(mean, np.where(spots >= 2, spots, shots), se, relative)


def of_replicates(
    mean: Floats, count: Floats, standard_error: Floats, relative: bool
) -> tuple[float, float]:
    """The same of means (mg/kg), their numbers of spots and their SDs, shape (n,) each."""
    se = standard_error / (np.abs(mean) if relative else 1.0)
    keep = np.isfinite(se) & (count >= 2)
    if not keep.any():
        return float("nan"), float("nan")
    freedom = count[keep] - 1
    variance = float(np.sum(freedom * count[keep] * se[keep] ** 2) / np.sum(freedom))
    return variance, float(1 / np.mean(1 / np.maximum(count, 1)))
