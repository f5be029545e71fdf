"""Noncentral t without gaps: bounds of a normal tail and one-sided tolerance factors."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy import special

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import Floats, quiet
from reconcile.statistics.result import NAN
from reconcile.statistics.roots import brentq

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(120)


@lru_cache(maxsize=4096)
def _chi(df: float) -> tuple[Floats, Floats]:
    """Nodes and weights (sum 1) over the distribution of s/σ, a chi over the root of ``df``."""
    low = math.sqrt(float(special.chdtri(df, 1 - 1e-16)) / df) if df < 1e6 else 0.99
    high = math.sqrt(float(special.chdtri(df, 1e-16)) / df)
    u = (high - low) / 2 * _NODES + (high + low) / 2
    log_density = (
        math.log(2.0)
        + 0.5 * df * math.log(df / 2.0)
        - math.lgamma(df / 2.0)
        + (df - 1) * np.log(u)
        - 0.5 * df * u * u
    )
    weights = np.exp(log_density) * _WEIGHTS * (high - low) / 2
    return u, weights / np.sum(weights)


@quiet
def noncentral_t_cdf(t: float, df: float, noncentrality: float) -> float:
    """P(T <= t), by Gauss-Legendre quadrature over the chi distribution of s/σ.

    E Φ(t·u − noncentrality), u² ~ chi-square/df. Absolute error below 1e-12; library
    routines return NaN for large arguments, where this one goes to 0 or 1.
    """
    u, weights = _chi(df)
    return float(np.sum(weights * special.ndtr(t * u - noncentrality)))


def normal_tail_upper(k: float, n: int, level: float = 0.95) -> float:
    """Upper bound of P(Z < z) from k = (limit − mean)/s of n normal values (Owen 1968)."""
    return tail_bound(k, 1.0 / n, n - 1.0, level) if n >= 2 else NAN


def tail_bound(k: float, leverage: float, df: float, level: float = 0.95) -> float:
    """One-sided bound at ``level`` of P(Z < z), from k = (limit − fitted value)/s.

    The fitted value (a mean, a point of a line) has the variance ``leverage``·σ²; s² is
    σ²·chi-square/``df`` and independent of it. k over the root of the leverage is then
    noncentral t with noncentrality z over that root (Owen 1968 for a mean, leverage 1/n);
    the bound is at the z for which so small a k has chance 1 − level. A level below one half
    gives the lower bound: that of 1 − level.
    """
    if not (leverage > 0 and df >= 1 and math.isfinite(k)):
        return NAN
    root = 1 / math.sqrt(leverage)
    u, weights = _chi(df)
    reach = root * k * u

    def excess(z: float) -> float:
        return float(weights @ special.ndtr(reach - root * z)) - (1 - level)

    low, high, step = k - 1.0, k + 1.0, 1.0 + abs(k)
    for _ in range(80):
        if excess(low) > 0:
            break
        low, step = low - step, step * 1.5
    step = 1.0 + abs(k)
    for _ in range(80):
        if excess(high) < 0:
            break
        high, step = high + step, step * 1.5
    if not excess(low) > 0 > excess(high):
        return NAN
    return float(special.ndtr(brentq(excess, low, high, xtol=1e-10)))


def one_sided_tolerance_factor(n: int, coverage: float = 0.95, level: float = 0.95) -> float:
    """Factor k such that mean + k·s exceeds the share ``coverage`` with confidence ``level``.

    Exact (Owen 1968); NaN for n < 2. 2.396 for n = 20 at 95 %/95 % (standard tables).
    """
    if n < 2:
        return NAN
    root = math.sqrt(n)
    nc = root * float(stats.norm.ppf(coverage))

    def shortfall(k: float) -> float:
        return noncentral_t_cdf(root * k, n - 1, nc) - level

    low, high = -1.0, 2.0
    while shortfall(low) > 0 and low > -1e6:
        low *= 2
    while shortfall(high) < 0 and high < 1e6:
        high *= 2
    if not shortfall(low) < 0 < shortfall(high):
        return NAN
    return float(brentq(shortfall, low, high, xtol=1e-11))
