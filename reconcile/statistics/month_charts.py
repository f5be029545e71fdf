"""Charts of the month's bias against what earlier months say, before it joins them.

Each month's mean is set against its prediction from the months before: normal about their mean,
with its own error, theirs, and the spread between months, over the lattice of ``month_steps``.
Predictions of a bias that stays are independent, and about standard normal once brought to that
scale (self-starting charts: Hawkins 1987, Quesenberry 1991, from memory), so that run lengths of
known parameters hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special

from reconcile.statistics._values import Floats, quiet
from reconcile.statistics.cusum import Cusum, run_length, tabular_cusum
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.month_steps import Months, log_sum, weighed

_STATES = 401  # of the chain
_MOST = 8.0  # standard deviations that one month may count


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Charted:
    """Both charts after the last month; run lengths in months, without a change."""

    scores: tuple[float, ...]  # of each month but the first, standard deviations
    cusum: Cusum
    cusum_run: float
    average: float  # exponentially weighted mean of the scores
    average_limit: float
    average_run: float
    averaged_beyond: bool


@quiet
def scores(m: Months) -> Floats:
    """Each month but the first against its prediction, in standard deviations; shape (a − 1,)."""
    return np.array([_score(m, i) for i in range(1, m.means.size)], dtype=np.float64)


def _score(m: Months, i: int) -> float:
    """Not known before months of two pairs show the scatter within: 0 then."""
    before = m.part(0, i)
    if not float(before.squares.sum()) > 0:
        return 0.0
    seen = weighed(before)
    share = np.exp(seen.log - log_sum(seen.log))
    variance = seen.between + seen.within / m.counts[i] + 1 / seen.total
    z = (m.means[i] - seen.mean) / np.sqrt(variance)
    # from the nearer tail, so that nothing is lost far out
    below, above = float(share @ special.ndtr(z)), float(share @ special.ndtr(-z))
    score = special.ndtri(below) if below < above else -special.ndtri(above)
    return float(np.clip(score, -_MOST, _MOST))


@cache
def average_run_length(weight: float, limit: float, shift: float = 0.0) -> float:
    """Mean months until an exponentially weighted mean passes ±``limit``, from nought.

    ``limit`` in its own long-run standard deviations, ``shift`` in those of one month. A chain of
    states (Lucas & Saccucci 1990; Brook & Evans 1972).
    """
    edge = limit * _deviation(weight)
    width = 2 * edge / _STATES
    state = -edge + (np.arange(_STATES) + 0.5) * width
    to = (state[None, :] - (1 - weight) * state[:, None]) / weight - shift
    half = width / 2 / weight
    move = special.ndtr(to + half) - special.ndtr(to - half)
    return float(np.linalg.solve(np.eye(_STATES) - move, np.ones(_STATES))[_STATES // 2])


def _deviation(weight: float) -> float:
    return float(np.sqrt(weight / (2 - weight)))


def charted(m: Months, k: float, h: float, weight: float, limit: float) -> Charted:
    """CUSUM with ``k`` and ``h``, and the weighted mean with ``limit``; see the fields."""
    z = scores(m)
    mean, edge, beyond = 0.0, limit * _deviation(weight), False
    for one in z:
        mean += weight * (float(one) - mean)
        beyond = abs(mean) > edge
    return Charted(
        tuple(map(float, z)), tabular_cusum(z, k, h), run_length(k, h), mean, edge,
        average_run_length(weight, limit), beyond,
    )  # fmt: skip
