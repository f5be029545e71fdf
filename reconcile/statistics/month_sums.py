"""Sums of pairs by month, the variances that they give, and their pivots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special

from reconcile.statistics._values import Floats, Integers
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.variance_search import lowest

#: A lattice of Fibonacci numbers: even in both directions at once (Niederreiter 1992).
POINTS, _STRIDE = 610, 377
_ROUNDS, _CLOSE = 200, 1e-13


@equal_with_nan
@dataclass(frozen=True, slots=True)
class MonthSums:
    """Pairs on a scale near one: values, months 0 … a − 1 and known variances, shape (n,).

    Where nothing is known of single pairs all follows from count, mean and the sum of squares
    within months; else from the pairs.
    """

    values: Floats
    codes: Integers
    known: Floats
    counts: Floats  # of pairs in each month, shape (a,)
    plain_means: Floats  # shape (a,)
    square: float  # Σ (y − mean of its month)²
    exact: bool  # nothing is known of single pairs
    told: Floats | None = None  # pairs of each month, where ``counts`` is what they weigh
    widened: float = 1.0  # variance of a month's mean over that of as many independent pairs

    @property
    def n(self) -> int:
        """Pairs by what they weigh: their scatter has as many degrees of freedom, less months."""
        return round(float(self.counts.sum()))

    @property
    def of_month(self) -> Floats:
        """Pairs of each month, shape (a,)."""
        return self.counts if self.told is None else self.told

    @property
    def pairs(self) -> int:
        """Pairs."""
        return round(float(self.of_month.sum()))

    @property
    def months(self) -> int:
        """Months."""
        return int(self.counts.size)

    @property
    def usual_known(self) -> float:
        """Mean of the known variances: that of a pair to come."""
        return 0.0 if self.exact else float(self.known.mean())

    def _by_month(self, weights: Floats) -> Floats:
        return np.bincount(self.codes, weights=weights, minlength=self.months).astype(np.float64)

    def of_means(self, within: float) -> tuple[Floats, Floats]:
        """Variances of the months' means at one variance within, and weights of the pairs."""
        if self.exact:
            return self.widened * within / self.counts, np.array([], dtype=np.float64)
        w = 1 / (within + self.known)
        return self.widened / self._by_month(w), w

    def means(self, weights: Floats) -> Floats:
        """Means of the months by the weights of :meth:`of_means`."""
        if self.exact:
            return self.plain_means
        return self._by_month(weights * self.values) / self._by_month(weights)

    def variances_of_means(self, within: Floats) -> Floats:
        """Shape (draws, a)."""
        if self.exact:
            return np.asarray(self.widened * within[:, None] / self.counts, dtype=np.float64)
        return np.array([self.of_means(float(s))[0] for s in within])

    def means_at(self, within: Floats) -> Floats:
        """Shape (draws, a)."""
        if self.exact:
            return np.broadcast_to(self.plain_means, (within.size, self.months))
        return np.array([self.means(self.of_means(float(s))[1]) for s in within])

    def square_within(self, within: float) -> tuple[float, float]:
        """Weighted sum of squares within months and its derivative by the variance within."""
        w = 1 / (within + self.known)
        off = self.values - self.means(w)[self.codes]
        return float(w @ off**2), -float(w**2 @ off**2)


def month_sums(values: Floats, codes: Integers, known: Floats, widened: float = 1.0) -> MonthSums:
    """Sums of values of a scale near one; months coded 0, 1, … without a gap."""
    counts = np.bincount(codes).astype(np.float64)
    means = np.bincount(codes, weights=values) / counts
    square = float(np.sum((values - means[codes]) ** 2))
    exact = not bool(np.any(known > 0))
    return MonthSums(values, codes, known, counts, means, square, exact, widened=widened)


def of_summaries(
    counts: Floats, means: Floats, square: float, told: Floats | None = None,
    widened: float = 1.0,
) -> MonthSums:  # fmt: skip
    """The same of months of which only count, mean and the sum of squares within are given."""
    nothing = np.array([], dtype=np.float64)
    return MonthSums(
        nothing, np.array([], dtype=np.int64), nothing, counts, means, square, True, told,
        widened,
    )  # fmt: skip


# ---- restricted maximum likelihood -----------------------------------------------------


def _added(sums: MonthSums, values: Any) -> Any:
    """Sums by month; bincount adds real weights only."""
    if np.iscomplexobj(values):
        return _added(sums, values.real) + 1j * _added(sums, values.imag)
    return np.bincount(sums.codes, weights=values, minlength=sums.months)


def _minus_two_log(sums: MonthSums, variances: Any) -> Any:
    """At variances within and between; complex ones give exact derivatives. No constants.

    |V_i| of a month is Π d_ij·(1 + τ²·Σ 1/d_ij) by the matrix determinant lemma.
    """
    within, between = variances
    if sums.exact:
        means, v = sums.plain_means, sums.widened * within / sums.counts
        inside = (sums.n - sums.months) * np.log(within) + sums.square / within
    else:
        w = 1 / (within + sums.known)
        alone = 1 / _added(sums, w)
        v = sums.widened * alone
        means = alone * _added(sums, w * sums.values)
        square = np.sum(w * (sums.values - means[sums.codes]) ** 2)
        inside = square - np.sum(np.log(w)) - np.sum(np.log(alone))
    p = 1 / (between + v)
    total = np.sum(p)
    off = means - np.sum(p * means) / total
    return inside - np.sum(np.log(p)) + np.log(total) + np.sum(p * off**2)


def reml_variances(sums: MonthSums) -> tuple[float, float]:
    """Variances within and between months, each held at zero where it wants to be negative.

    One month gives no variance between, months of one pair each none within.
    """
    a, n = sums.months, sums.n
    spread = float(np.var(sums.plain_means, ddof=1)) if a > 1 else 0.0
    if n == a:
        return 0.0, spread
    within = sums.square / (n - a) - sums.usual_known
    if a == 1 and sums.exact:
        return within, 0.0
    floor = 1e-6 * (sums.square / (n - a) + spread)
    at = np.array([max(within, floor), max(spread - within / (n / a), floor) if a > 1 else 0.0])
    bound = sums.exact or not bool(np.all(sums.known > 0))
    found = lowest(
        lambda v: _minus_two_log(sums, v), at, [0, 1] if a > 1 else [0], (0,) if bound else ()
    )
    return float(found[0]), float(found[1])


# ---- pivots ----------------------------------------------------------------------------


def pivots(sums: MonthSums, prior: tuple[float, float]) -> tuple[Floats, Floats]:
    """Variances within and between months over the lattice, each of shape (POINTS,).

    ``prior``: variance between months as an earlier study would have found it, and its degrees
    of freedom (0: none).
    """
    place = (np.arange(POINTS) + 0.5) / POINTS
    other = np.modf(place * _STRIDE)[0]
    df, between_df = sums.n - sums.months, sums.months - 1 + prior[1]
    within = np.zeros(POINTS)
    if df > 0:
        square = special.chdtri(df, 1 - place)
        if sums.exact:
            within = sums.square / square
        else:
            within = np.array([within_at(sums, float(s)) for s in square])
    if not between_df > 0:
        return within, np.zeros(POINTS)
    target = special.chdtri(between_df, 1 - other)
    v, means = sums.variances_of_means(within), sums.means_at(within)
    return within, _between_at(v, means, target, prior)


def within_at(sums: MonthSums, target: float) -> float:
    """The variance within at which the sum of squares is ``target``; 0 where none is."""
    scale = sums.square / target
    floor = 0.0 if bool(np.all(sums.known > 0)) else 1e-12 * scale
    at = max(scale - float(sums.known.max()), floor)  # never too large: no weight is below this
    for _ in range(_ROUNDS):
        value, slope = sums.square_within(at)
        if value <= target:
            return at
        # the sum falls and bends upwards, so that Newton never steps too far
        step = (value - target) / -slope
        at += step
        if step <= _CLOSE * at:
            break
    return at


def _between_at(v: Floats, means: Floats, target: Floats, prior: tuple[float, float]) -> Floats:
    """The variance between at which the sum of squares of the means, and what was assumed, fit."""
    assumed = prior[0] * prior[1]
    # never too large: the months add to what was assumed, and no weight is below that of largest v
    square = np.sum((means - means.mean(axis=1, keepdims=True)) ** 2, axis=1)
    at = np.maximum(assumed / target, square / target - v.max(axis=1))
    for _ in range(_ROUNDS):
        p = 1 / (at[:, None] + v)
        total = p.sum(axis=1, keepdims=True)
        off = means - np.sum(p * means, axis=1, keepdims=True) / total
        value = np.sum(p * off**2, axis=1) - target
        slope = np.sum(p**2 * off**2, axis=1)
        if assumed > 0:
            value, slope = value + assumed / at, slope + assumed / at**2
        step = np.where(value > 0, value / np.maximum(slope, 1e-300), 0.0)
        at = at + step
        if not bool(np.any(step > _CLOSE * at)):
            break
    return np.asarray(at, dtype=np.float64)
