"""The bias over months with pairs known by a limit, and pairs whose errors are known, kept.

In two stages. First every month's mean, with one scatter for all months, by maximum likelihood:
a pair known by a limit counts with the chance of what the limit says (Tobin 1958; Amemiya 1973,
from memory). Then the months' means enter the random-effects model of ``months`` as means of so
many whole pairs as have their variance. It is not the likelihood of both at once: what the
months' means share through the common scatter is added to the variance of each, and the scatter
within has as many degrees of freedom as whole pairs. ``python -m tests.validation.limited_months``
counts how often the intervals hold.

Known errors only say how much a pair weighs beside the others: the size of the scatter is that
which the pairs show, so that no interval rests on a known error alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics._likelihood import (
    LOG_ROOT_2PI,
    LogLikelihood,
    log_normal_interval,
    maximise,
)
from reconcile.statistics._values import (
    TOO_LARGE,
    Booleans,
    Floats,
    Integers,
    check_level,
    labels,
    quiet,
    same_length,
    vector,
)
from reconcile.statistics.clusters import ONE_CLUSTER
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.month_steps import Months
from reconcile.statistics.month_sums import month_sums, of_summaries, within_at
from reconcile.statistics.months import AssumedSpread, MonthsModel, no_model, of_sums


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Summaries:
    """Months on a scale near one, value = centre + unit·z: means of so many whole pairs.

    ``told``: pairs behind each month, whole or known by a limit; ``left_out``: limits of months
    in which no pair has a number, or that say nothing.
    """

    months: Months
    told: Floats
    centre: float
    unit: float
    left_out: int


def summarised(
    low: ArrayLike, high: ArrayLike, month: ArrayLike, known: ArrayLike | None = None
) -> Summaries | str:
    """Months by the pairs between ``low`` and ``high``, shape (n,): equal where there is a number.

    Ends may be infinite. Months count in the order of their first pair with a number. A reason
    where they can't be summarised. Where the limits bring no clear maximum they are left out.
    """
    x, y = vector(low, "low"), vector(high, "high")
    k = np.zeros(x.size) if known is None else vector(known, "known")
    same_length(x, y, k, names=("low", "high", "known"))
    names = labels(month, x.size, "month")
    if np.any(k < 0) or np.any(x > y):
        raise ValueError("low must not be above high, and known not below 0")
    whole = (x == y) & np.isfinite(x)
    told = whole | ((x < y) & (np.isfinite(x) | np.isfinite(y)) & np.isin(names, names[whole]))
    left_out = int(np.sum(~np.isnan(x) & ~np.isnan(y) & ~told))
    if int(whole.sum()) < 2:
        return "fewer than two pairs"
    if not float(np.abs(x[whole]).max()) < 1e150:
        return TOO_LARGE
    order = np.argsort(~whole[told], kind="stable")  # those with a number first: they name months
    x, y, k, whole, names = (v[told][order] for v in (x, y, k, whole, names))
    centre, unit = float(x[0]), float(np.std(x[whole]))
    if not unit > 1e-13 * max(float(np.abs(x[whole]).max()), 1e-300):
        return "the pairs do not scatter"
    pairs = _Pairs(
        (x - centre) / unit, (y - centre) / unit, labels(names, x.size, "month"), k / unit**2, whole
    )
    months = None if whole.all() else _of_limits(pairs)
    if months is None:  # no limits, or too little beside them
        left_out += int(np.sum(~whole))
        pairs = pairs.numbers()
        months = _of_numbers(pairs)
    return Summaries(months, pairs.by_month(np.ones(pairs.low.size)), centre, unit, left_out)


@dataclass(frozen=True, slots=True)
class _Pairs:
    low: Floats
    high: Floats
    codes: Integers
    known: Floats
    whole: Booleans

    def by_month(self, values: Floats) -> Floats:
        return np.bincount(self.codes, weights=values, minlength=int(self.codes.max()) + 1).astype(
            np.float64
        )

    def numbers(self) -> _Pairs:
        w = self.whole
        return _Pairs(self.low[w], self.high[w], self.codes[w], self.known[w], w[w])


def _scatter(p: _Pairs) -> float:
    """Variance of whole pairs beyond what is known of them (Paule & Mandel 1982)."""
    sums = month_sums(p.low, p.codes, p.known)
    df = p.low.size - sums.months
    if df < 1:
        return 0.0
    return sums.square / df if sums.exact else within_at(sums, float(df))


def _of_numbers(p: _Pairs) -> Months:
    """Weighted by the known errors; one weight for all where they are alike."""
    variance = _scatter(p) + p.known
    weight = np.ones(p.low.size)
    if float(variance.min()) > 0:
        weight = 1 / variance
        weight *= p.low.size / weight.sum()
    counts = p.by_month(weight)
    means = p.by_month(weight * p.low) / counts
    squares = p.by_month(weight * (p.low - means[p.codes]) ** 2)
    return Months(means, counts, squares, p.by_month(np.ones(p.low.size)) - 1)


def _log_likelihood(p: _Pairs) -> LogLikelihood:
    """θ = (means of the months, ln SD beyond what is known)."""
    whole, limits = np.flatnonzero(p.whole), np.flatnonzero(~p.whole)

    def f(theta: Floats) -> tuple[Floats, Floats]:
        value, slope = np.empty(len(theta)), np.empty_like(theta)
        for row, at in enumerate(theta):
            value[row], slope[row] = one(at)
        return value, slope

    def one(at: Floats) -> tuple[float, Floats]:
        square = math.exp(2 * min(float(at[-1]), 100.0))
        deviation = np.sqrt(square + p.known)
        low = (p.low - at[p.codes]) / deviation
        high = (p.high - at[p.codes]) / deviation
        log = np.empty(low.size)
        by_mean, by_deviation = np.empty(low.size), np.empty(low.size)
        z = low[whole]
        log[whole] = -LOG_ROOT_2PI - np.log(deviation[whole]) - 0.5 * z**2
        by_mean[whole], by_deviation[whole] = z, z**2 - 1
        a, b = low[limits], high[limits]
        log[limits], by_a, by_b = log_normal_interval(a, b)
        by_mean[limits] = -(by_a + by_b)
        by_deviation[limits] = -(
            by_a * np.where(np.isfinite(a), a, 0.0) + by_b * np.where(np.isfinite(b), b, 0.0)
        )
        slope = np.append(
            p.by_month(by_mean / deviation), np.sum(by_deviation * square / deviation**2)
        )
        return float(log.sum()), slope

    return f


def _of_limits(p: _Pairs) -> Months | None:
    """By maximum likelihood; None where it has no clear maximum, or too few pairs say enough."""
    plain = _of_numbers(p.numbers())
    start = np.append(plain.means, 0.5 * math.log(max(_scatter(p.numbers()), 1e-6)))
    top = maximise(_log_likelihood(p), start[None, :])
    if not (top.converged[0] and float(plain.freedom.sum()) >= 1):
        return None
    means, covariance = top.theta[0, :-1], np.linalg.inv(top.hessian[0])[:-1, :-1]
    own = np.diag(covariance)
    if not bool(np.all(own > 0)):
        return None
    # the mean of all months has this variance; its own errors alone would give the other
    share = 1 / own / np.sum(1 / own)
    own = own * max(float(share @ covariance @ share) * float(np.sum(1 / own)), 1.0)
    typical = math.exp(2 * float(top.theta[0, -1])) + float(p.known.mean())
    counts = typical / own
    if not float(counts.sum()) >= counts.size + 1:
        return None
    freedom = np.maximum(counts - 1, 0.0)
    return Months(means, counts, typical * counts, freedom)


@quiet
def limited_model(
    low: ArrayLike,
    high: ArrayLike,
    month: ArrayLike,
    known: ArrayLike | None = None,
    level: float = 0.95,
    assumed: AssumedSpread | None = None,
    widened: float = 1.0,
) -> MonthsModel:
    """``months_model`` of pairs between ``low`` and ``high``, shape (n,); see :func:`summarised`.

    ``n`` of the estimates counts the pairs, also those known by a limit. ``widened``: variance
    of a month's mean over that of as many independent pairs, where pairs are in clusters.
    """
    check_level(level)
    made = summarised(low, high, month, known)
    if isinstance(made, str):
        return no_model(made, level)
    m = made.months
    if not math.isfinite(widened):
        return no_model(ONE_CLUSTER, level, round(float(made.told.sum())), m.counts.size)
    sums = of_summaries(m.counts, m.means, float(m.squares.sum()), made.told, widened)
    return of_sums(sums, made.centre, made.unit, level, assumed)
