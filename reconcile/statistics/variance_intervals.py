"""Intervals of variances and of sums and differences of mean squares."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import Floats


def chi_square_limits(variance: float, df: float, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a normal variance from its estimate on ``df`` degrees of freedom."""
    alpha = (1 - level) / 2
    return (
        df * variance / float(stats.chi2.isf(alpha, df)),
        df * variance / float(stats.chi2.ppf(alpha, df)),
    )


def combination_limits(
    coefficients: Sequence[float],
    mean_squares: Sequence[float],
    dfs: Sequence[float],
    level: float = 0.95,
) -> tuple[float, float]:
    """Interval of a linear combination of independent mean squares, signs mixed.

    Modified large-sample method (Graybill & Wang 1980 for sums; Ting, Burdick,
    Graybill, Jeyaratnam & Lu 1990 for differences; Burdick & Graybill 1992,
    chapter 3, from memory). Not truncated at zero.
    """
    alpha = (1 - level) / 2
    c = np.array(coefficients, dtype=np.float64)
    ms = np.array(mean_squares, dtype=np.float64)
    df = np.array(dfs, dtype=np.float64)
    use = c != 0
    c, ms, df = c[use], ms[use], df[use]
    centre = float(c @ ms)
    if c.size == 0:
        return 0.0, 0.0
    size = np.abs(c) * ms
    lower_gap = 1 - df / stats.chi2.isf(alpha, df)
    upper_gap = df / stats.chi2.ppf(alpha, df) - 1
    plus, minus = np.flatnonzero(c > 0), np.flatnonzero(c < 0)
    down = float(np.sum((lower_gap[plus] * size[plus]) ** 2))
    down += float(np.sum((upper_gap[minus] * size[minus]) ** 2))
    up = float(np.sum((upper_gap[plus] * size[plus]) ** 2))
    up += float(np.sum((lower_gap[minus] * size[minus]) ** 2))
    for q in plus:
        for r in minus:
            f_high = float(stats.f.isf(alpha, df[q], df[r]))
            f_low = float(stats.f.ppf(alpha, df[q], df[r]))
            g = (f_high - 1) ** 2 - (lower_gap[q] * f_high) ** 2 - upper_gap[r] ** 2
            h = (1 - f_low) ** 2 - (upper_gap[q] * f_low) ** 2 - lower_gap[r] ** 2
            product = size[q] * size[r]
            down += float(g / f_high * product)
            up += float(h / f_low * product)
    return centre - math.sqrt(max(down, 0.0)), centre + math.sqrt(max(up, 0.0))


def standard_error(
    coefficients: Sequence[float], mean_squares: Sequence[float], dfs: Sequence[float]
) -> float:
    """Large-sample standard error of a linear combination of independent mean squares."""
    c = np.array(coefficients, dtype=np.float64)
    ms: Floats = np.array(mean_squares, dtype=np.float64)
    df = np.array(dfs, dtype=np.float64)
    use = (c != 0) & (df > 0)
    return float(np.sqrt(np.sum(2 * (c[use] * ms[use]) ** 2 / df[use])))
