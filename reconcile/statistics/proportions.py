"""Exact binomial intervals and the tolerance factor."""

from __future__ import annotations

import math
from typing import Literal

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import check_level
from reconcile.statistics.result import NAN, Estimate, not_estimable

Side = Literal["two-sided", "upper", "lower"]


def clopper_pearson(
    count: float, n: float, level: float = 0.95, side: Side = "two-sided"
) -> Estimate:
    """Exact interval of a proportion ``count``/``n`` (Clopper & Pearson 1934).

    Counts need not be whole: those of clusters are divided by their design effect (Korn &
    Graubard 1998, from memory).

    ``side`` 'upper' or 'lower' gives the one-sided bound at ``level``, the other
    end being 0 or 1. The interval never covers less than ``level``, and for
    small n it covers more. ``se`` is the plug-in sqrt(p(1-p)/n).
    """
    check_level(level)
    if count < 0 or n < 0 or count > n:
        raise ValueError(f"need 0 <= count <= n, got count {count} of n {n}")
    method = "Clopper-Pearson, " + side
    if n == 0:
        return not_estimable(0, "nothing was counted", method, level)
    alpha = (1 - level) / 2 if side == "two-sided" else 1 - level
    low = 0.0 if count == 0 else float(stats.beta.ppf(alpha, count, n - count + 1))
    high = 1.0 if count == n else float(stats.beta.isf(alpha, count + 1, n - count))
    if side == "upper":
        low = 0.0
    elif side == "lower":
        high = 1.0
    share = count / n
    return Estimate(share, math.sqrt(share * (1 - share) / n), low, high, int(n), level, method)


def howe_tolerance_factor(n: int, coverage: float = 0.95, level: float = 0.95) -> float:
    """Factor k of the two-sided normal tolerance interval mean ± k·s (Howe 1969).

    With confidence ``level`` the interval holds the share ``coverage`` of the
    population. NaN for n < 2. Howe's approximation is within about 0.5 % of the
    exact factor from n = 10 on; the form is that of the NIST/SEMATECH
    e-Handbook, section 7.2.6.3 (from memory).
    """
    check_level(coverage, "coverage")
    check_level(level)
    if n < 2:
        return NAN
    z = float(stats.norm.isf((1 - coverage) / 2))
    chi = float(stats.chi2.isf(level, n - 1))
    return math.sqrt((n - 1) * (1 + 1 / n) * z * z / chi)
