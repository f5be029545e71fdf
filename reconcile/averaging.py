"""Sample means: shots within a spot, spots within a sample, every column in one pass.

Plain numpy over rows that are sorted by sample and spot; sums run in row order, so the
same rows give the same last digit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.intake.tables import ABOVE, BELOW, QUANTIFIED

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Nesting:
    """Which sample and spot every row belongs to; both ids sorted, from 0 without gaps."""

    group: Integers  # per row
    spot: Integers  # per row
    group_of_spot: Integers  # per spot
    groups: int

    @property
    def single(self) -> bool:
        """True where every sample has exactly one row."""
        return len(self.group) == self.groups


@dataclass(frozen=True, slots=True)
class Means:
    """Per sample; mg/kg. ``low`` and ``high`` bound the mean, equal where nothing is censored."""

    n: Integers  # shots with a result
    spots: Integers
    censored: Integers  # shots below or above a limit
    low: Floats
    high: Floats
    se: Floats  # of the mean; NaN where one shot, or where censored
    sd: Floats  # of single shots within a spot, else of spots


def nested_means(
    value: Floats, code: NDArray[np.signedinteger], limit: Floats, nesting: Nesting
) -> Means:
    """Average one analyte. Shapes: (rows,) each.

    ``code`` holds the qualifiers of ``intake.tables`` and -1 for an empty cell; ``value``
    counts where quantified, ``limit`` where below or above (NaN: limit not known). A value
    below its limit lies between 0 and the limit, one above between the limit and infinity.
    """
    below, above = code == BELOW, code == ABOVE
    quantified = code == QUANTIFIED
    valid = quantified | below | above
    low = np.where(quantified, value, np.where(above, limit, 0.0))
    high = np.where(quantified, value, np.where(above, np.inf, limit))
    if nesting.single:
        n = valid.astype(np.int64)
        nothing = np.full(nesting.groups, np.nan)
        return Means(
            n, n, (below | above).astype(np.int64),
            np.where(valid, low, np.nan), np.where(valid, high, np.nan), nothing, nothing,
        )  # fmt: skip
    with np.errstate(all="ignore"):
        return _nested(value, quantified, valid, low, high, nesting)


def _nested(
    value: Floats,
    quantified: NDArray[np.bool_],
    valid: NDArray[np.bool_],
    low: Floats,
    high: Floats,
    nesting: Nesting,
) -> Means:
    spot, of_spot, groups = nesting.spot, nesting.group_of_spot, nesting.groups
    spots = len(of_spot)

    def per_spot(values: Floats | NDArray[np.bool_]) -> Floats:
        if spots == len(spot):  # one row each, in order
            return values.astype(np.float64)
        return np.bincount(spot, weights=values, minlength=spots).astype(np.float64)

    def per_group(values: Floats | NDArray[np.bool_]) -> Floats:
        return np.bincount(of_spot, weights=values, minlength=groups).astype(np.float64)

    shots = per_spot(valid)
    read = per_spot(quantified)
    seen = shots > 0
    spot_low = per_spot(np.where(valid, low, 0.0)) / shots
    spot_high = per_spot(np.where(valid, high, 0.0)) / shots
    spot_mean = per_spot(np.where(quantified, value, 0.0)) / read
    within = per_spot(np.where(quantified, (value - spot_mean[spot]) ** 2, 0.0))

    n = per_group(shots)
    censored = per_group(shots - read)
    count = per_group(seen)
    mean_low = per_group(np.where(seen, spot_low, 0.0)) / count
    mean_high = per_group(np.where(seen, spot_high, 0.0)) / count
    between = per_group(np.where(seen, (spot_low - mean_low[of_spot]) ** 2, 0.0))
    spot_sd = np.sqrt(between / (count - 1))
    freedom = per_group(np.maximum(read - 1, 0.0))
    squares = per_group(within)
    shot_sd = np.sqrt(squares / freedom)

    whole = censored == 0
    se = np.where(
        count >= 2, spot_sd / np.sqrt(count), np.where(n >= 2, shot_sd / np.sqrt(n), np.nan)
    )
    sd = np.where(freedom > 0, shot_sd, np.where(count >= 2, spot_sd, np.nan))
    return Means(
        n.astype(np.int64),
        count.astype(np.int64),
        censored.astype(np.int64),
        mean_low,
        mean_high,
        np.where(whole, se, np.nan),
        np.where(whole, sd, np.nan),
    )
