"""Passing-Bablok lines of many parts of the same pairs, from one sorted list of their slopes."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics._values import Booleans, Floats, quiet, vector
from reconcile.statistics.line import unfit
from reconcile.statistics.pairwise_slopes import decimals
from reconcile.statistics.passing_bablok import passing_bablok
from reconcile.statistics.result import NAN

#: Of more pairs (half a million slopes) each part is fitted by itself, in n log n.
MOST_LISTED = 1000


@quiet
def passing_bablok_of_parts(x: ArrayLike, y: ArrayLike, present: Booleans) -> tuple[Floats, Floats]:
    """Intercepts and slopes of ``passing_bablok`` for parts of the pairs, all to the last digit.

    ``present``: which pairs each part has, shape (rows, n); x and y finite, shape (n,). Both
    results have shape (rows,); NaN where a part has no line. A part is a run through the sorted
    slopes of all pairs, of which it keeps those between two of its own.
    """
    u, v = vector(x, "x"), vector(y, "y")
    a, b = np.full((2, len(present)), NAN)
    alone = unfit(u, v, present)  # of these one part may still have a level line
    if u.size > MOST_LISTED:
        alone[:] = True
    for row in np.flatnonzero(alone):
        line = passing_bablok(u[present[row]], v[present[row]], interval=False)
        a[row], b[row] = line.intercept.value, line.slope.value
    rows = np.flatnonzero(~alone)
    if not rows.size:
        return a, b
    slopes, first, second, falling = _listed(u, v)
    for row in rows:
        own = present[row]
        b[row] = _middle(slopes, np.cumsum(own[first] & own[second]), falling)
        a[row] = np.median(v[own] - b[row] * u[own])
    return a, b


def _listed(u: Floats, v: Floats) -> tuple[Floats, np.ndarray, np.ndarray, int]:
    """All slopes but those of exactly −1, sorted; between which pairs; how many lie below −1."""
    x, y, _ = decimals(u, v)
    first, second = np.triu_indices(x.size, 1)
    across, up = x[second] - x[first], y[second] - y[first]
    slopes = np.where(across == 0, math.inf, up / across)
    kept = np.flatnonzero(((across != 0) | (up != 0)) & (slopes != -1))
    kept = kept[np.argsort(slopes[kept], kind="stable")]
    return slopes[kept], first[kept], second[kept], int(np.searchsorted(slopes[kept], -1.0))


def _middle(slopes: Floats, so_far: np.ndarray, falling: int) -> float:
    """The shifted median of the slopes that a part has; ``so_far`` counts them up to each."""
    count = int(so_far[-1]) if so_far.size else 0
    shift = int(so_far[falling - 1]) if falling else 0
    if count == 0 or count // 2 + 1 + shift > count:
        return NAN  # the field does not rise with the laboratory
    ranks = np.array([(count + 1) // 2, count // 2 + 1]) + shift
    low, high = slopes[np.searchsorted(so_far, ranks)]
    found = float(low) / 2 + float(high) / 2
    return found if math.isfinite(found) else NAN
