"""The distributions and rank tests of every statistic, straight on the special functions.

``scipy.stats`` gives the same numbers by general objects: importing it cost half of a command's
start, and each call some 100 microseconds of checks. Everything here takes floats or arrays and
broadcasts; what is not defined (no degrees of freedom, a spread of nothing) is NaN, as there.
``tests/statistics/test_distributions.py`` holds each to scipy's answer.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

Number = Any  # a float or an array of them: what goes in comes out

_SQRT_2PI = math.sqrt(2 * math.pi)


def _where(known: Number, value: Number) -> Number:
    """The value where it is defined, NaN elsewhere."""
    if isinstance(known, bool | np.bool_) and np.ndim(value) == 0:
        return value if known else math.nan
    return np.where(known, value, np.nan)


class norm:
    """The normal distribution."""

    @staticmethod
    def pdf(x: Number, loc: Number = 0.0, scale: Number = 1.0) -> Number:
        """Density at x."""
        z = (np.asarray(x, float) - loc) / scale
        return _where(np.asarray(scale) > 0, np.exp(-(z**2) / 2) / _SQRT_2PI / scale)

    @staticmethod
    def cdf(x: Number) -> Number:
        """Chance of less than x."""
        return special.ndtr(x)

    @staticmethod
    def sf(x: Number) -> Number:
        """Chance of more than x."""
        return special.ndtr(-np.asarray(x, float))

    @staticmethod
    def ppf(q: Number) -> Number:
        """What is exceeded with the chance 1 - q."""
        return special.ndtri(q)

    @staticmethod
    def isf(q: Number) -> Number:
        """What is exceeded with the chance q."""
        return -special.ndtri(q)


class t:
    """Student's t with ``df`` degrees of freedom."""

    @staticmethod
    def cdf(x: Number, df: Number) -> Number:
        """Chance of less than x."""
        return _where(np.asarray(df) > 0, special.stdtr(df, x))

    @staticmethod
    def sf(x: Number, df: Number) -> Number:
        """Chance of more than x."""
        return _where(np.asarray(df) > 0, special.stdtr(df, -np.asarray(x, float)))

    @staticmethod
    def ppf(q: Number, df: Number) -> Number:
        """What is exceeded with the chance 1 - q."""
        q = np.asarray(q, float)
        inside = np.where(
            (q == 0) | (q == 1), np.where(q == 0, -np.inf, np.inf), special.stdtrit(df, q)
        )
        return _where(np.asarray(df) > 0, inside[()])

    @staticmethod
    def isf(q: Number, df: Number) -> Number:
        """What is exceeded with the chance q."""
        return -t.ppf(q, df)


class chi2:
    """Chi-squared with ``df`` degrees of freedom."""

    @staticmethod
    def sf(x: Number, df: Number) -> Number:
        """Chance of more than x; 1 where x is below 0."""
        return _where(np.asarray(df) > 0, special.chdtrc(df, np.maximum(x, 0.0)))

    @staticmethod
    def ppf(q: Number, df: Number) -> Number:
        """What is exceeded with the chance 1 - q."""
        return _where(np.asarray(df) > 0, 2 * special.gammaincinv(np.asarray(df) / 2, q))

    @staticmethod
    def isf(q: Number, df: Number) -> Number:
        """What is exceeded with the chance q."""
        return _where(np.asarray(df) > 0, special.chdtri(df, q))


def _both(first: Number, second: Number) -> Any:
    return (np.asarray(first) > 0) & (np.asarray(second) > 0)


class f:
    """F with ``above`` and ``below`` degrees of freedom."""

    @staticmethod
    def sf(x: Number, above: Number, below: Number) -> Number:
        """Chance of more than x; 1 where x is below 0."""
        return _where(_both(above, below), special.fdtrc(above, below, np.maximum(x, 0.0)))

    @staticmethod
    def ppf(q: Number, above: Number, below: Number) -> Number:
        """What is exceeded with the chance 1 - q."""
        return _where(_both(above, below), special.fdtri(above, below, q))

    @staticmethod
    def isf(q: Number, above: Number, below: Number) -> Number:
        """What is exceeded with the chance q."""
        return f.ppf(1 - np.asarray(q, float), above, below)


class beta:
    """The beta distribution."""

    @staticmethod
    def sf(x: Number, a: Number, b: Number) -> Number:
        """Chance of more than x."""
        return _where(_both(a, b), special.betaincc(a, b, x))

    @staticmethod
    def ppf(q: Number, a: Number, b: Number) -> Number:
        """What is exceeded with the chance 1 - q."""
        return _where(_both(a, b), special.betaincinv(a, b, q))

    @staticmethod
    def isf(q: Number, a: Number, b: Number) -> Number:
        """What is exceeded with the chance q."""
        return _where(_both(a, b), special.betainccinv(a, b, q))


class cauchy:
    """The standard Cauchy distribution."""

    @staticmethod
    def sf(x: Number) -> Number:
        """Chance of more than x."""
        return np.arctan2(1.0, x) / np.pi


class binom:
    """The number of hits among ``n`` with the chance ``p`` (between 0 and 1, neither)."""

    @staticmethod
    def cdf(k: float, n: int, p: float) -> float:
        """Chance of at most k hits."""
        k = math.floor(k)
        if k < 0:
            return 0.0
        return 1.0 if k >= n else float(special.betainc(n - k, k + 1, 1 - p))

    @staticmethod
    def ppf(q: float, n: int, p: float) -> float:
        """The fewest hits k with at least the chance q of at most k."""
        spread = math.sqrt(n * p * (1 - p))
        k = min(max(math.floor(n * p + float(special.ndtri(q)) * spread), 0), n)
        while k > 0 and binom.cdf(k - 1, n, p) >= q:
            k -= 1
        while k < n and binom.cdf(k, n, p) < q:
            k += 1
        return float(k)


def rankdata(values: Any) -> NDArray[np.float64]:
    """Ranks from 1; equal values share the mean of theirs; all NaN where one is."""
    values = np.asarray(values)
    if values.dtype.kind == "f" and np.isnan(values).any():
        return np.full(values.shape, np.nan)
    _, at, count = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    return np.asarray((last - (count - 1) / 2)[at.reshape(values.shape)], float)


def spearman(x: Any, y: Any) -> float:
    """Spearman's rank correlation; NaN where one side is all the same."""
    ranks = rankdata(x), rankdata(y)
    if any(r.size < 2 or bool(np.all(r == r[0])) for r in ranks):
        return math.nan
    return float(np.corrcoef(*ranks)[0, 1])


class _Tested(NamedTuple):
    statistic: float
    pvalue: float


def levene(*groups: Any) -> _Tested:
    """Whether groups scatter alike, by distances from their medians.

    Brown & Forsythe 1974, J. Am. Stat. Assoc. 69, 364. Returns W and its p from F(k - 1, n - k).
    """
    away = [np.abs(np.asarray(g, float) - np.median(g)) for g in groups]
    sizes = np.array([g.size for g in away])
    n, k = int(sizes.sum()), len(away)
    means = np.array([np.mean(g) for g in away])
    grand = float(np.sum(means * sizes)) / n
    between = (n - k) * float(np.sum(sizes * (means - grand) ** 2))
    within = (k - 1) * float(sum(np.sum((g - m) ** 2) for g, m in zip(away, means, strict=True)))
    with np.errstate(divide="ignore", invalid="ignore"):
        w = float(np.divide(between, within))
    return _Tested(w, float(f.sf(w, k - 1, n - k)))


def false_discovery_control(p: NDArray[np.float64]) -> NDArray[np.float64]:
    """p-values adjusted for the share of false discoveries.

    Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289.
    """
    order = np.argsort(p)
    scaled = p[order] * (p.size / np.arange(1, p.size + 1))
    adjusted = np.empty(p.size)
    adjusted[order] = np.minimum.accumulate(scaled[::-1])[::-1]
    return np.clip(adjusted, 0.0, 1.0)
