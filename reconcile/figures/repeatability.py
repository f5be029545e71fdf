"""How far two spots of one sample differ: what replicates of the field show."""

from __future__ import annotations

import numpy as np
import pandas as pd


def repeatability(used: pd.DataFrame, relative: bool) -> tuple[float, float]:
    """Pooled variance of one spot and the harmonic mean number of spots; NaN where unknown.

    A reading or shot stands for a spot where a sample has one spot. The variance is
    relative to the mean where ``relative``, else in (mg/kg)². ``used``: used pairs
    (PAIR_COLUMNS).
    """
    mean = used["field_mean"].to_numpy("float64")
    spots = used["field_spots"].to_numpy("float64")
    shots = used["field_n"].to_numpy("float64")
    count = np.where(spots >= 2, spots, shots)
    se = used["field_se"].to_numpy("float64") / (np.abs(mean) if relative else 1.0)
    keep = np.isfinite(se) & (count >= 2)
    if not keep.any():
        return float("nan"), float("nan")
    freedom = count[keep] - 1
    variance = float(np.sum(freedom * count[keep] * se[keep] ** 2) / np.sum(freedom))
    return variance, float(1 / np.mean(1 / np.maximum(count, 1)))
