"""Quantiles that every interval needs, without the cost of general distribution objects."""

from __future__ import annotations

import math
from functools import lru_cache

from scipy import special

from reconcile.statistics.noncentral_t import noncentral_t_cdf
from reconcile.statistics.result import NAN
from reconcile.statistics.roots import brentq


@lru_cache(maxsize=4096)
def normal_quantile(level: float = 0.95) -> float:
    """z such that a standard normal value lies within ±z with probability ``level``."""
    return float(special.ndtri((1 + level) / 2))


@lru_cache(maxsize=16384)
def t_quantile(df: float, level: float = 0.95) -> float:
    """t such that Student's t on ``df`` lies within ±t with probability ``level``."""
    return float(special.stdtrit(df, (1 + level) / 2))


@lru_cache(maxsize=4096)
def noncentral_t_quantile(probability: float, df: float, noncentrality: float) -> float:
    """Quantile of the noncentral t by root search on its distribution; NaN where none is found."""
    # start from the normal approximation of Johnson & Kramer (1959), from memory
    z = float(special.ndtri(probability))
    c = 1 - 1 / (4 * df) if df > 1 else 0.8
    spread = max(c * c - z * z / (2 * df), 0.05)
    centre = (
        noncentrality * c + z * math.sqrt(max(spread + noncentrality**2 / (2 * df), 0.0))
    ) / spread
    low, high, step = centre - 1.0, centre + 1.0, 1.0 + 0.05 * abs(centre)
    for _ in range(100):
        if noncentral_t_cdf(low, df, noncentrality) < probability:
            break
        low, step = low - step, 1.6 * step
    step = 1.0 + 0.05 * abs(centre)
    for _ in range(100):
        if noncentral_t_cdf(high, df, noncentrality) > probability:
            break
        high, step = high + step, 1.6 * step
    ends = [noncentral_t_cdf(v, df, noncentrality) - probability for v in (low, high)]
    if not ends[0] < 0 < ends[1]:
        return NAN
    return float(
        brentq(
            lambda v: noncentral_t_cdf(v, df, noncentrality) - probability,
            low,
            high,
            xtol=1e-12,
            rtol=1e-14,
        )
    )
