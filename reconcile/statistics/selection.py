"""Means of samples that were chosen with known, unequal chances; mean relative differences."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics._quantiles import t_quantile
from reconcile.statistics._values import check_level, estimate, quiet, same_length, vector
from reconcile.statistics.result import Estimate, not_estimable


@quiet
def weighted_mean(values: ArrayLike, chances: ArrayLike, level: float = 0.95) -> Estimate:
    """The mean of all samples from those chosen with these chances; shapes (n,).

    Each value weighs the inverse of its chance (Hajek 1971; Horvitz & Thompson 1952). The
    standard error is that of a ratio of two sums by linearisation (Sarndal, Swensson &
    Wretman 1992, section 5.6, from memory), with n_eff - 1 degrees of freedom, n_eff =
    (sum w)²/sum w² (Kish 1965). Equal chances give the plain mean and its t interval. Raises
    ValueError where shapes differ or a chance is not within 0 (excluded) and 1.
    """
    check_level(level)
    x, p = vector(values, "values"), vector(chances, "chances")
    same_length(x, p, names=("values", "chances"))
    if np.any((p <= 0) | (p > 1)):
        raise ValueError("a chance must be above 0 and at most 1")
    method, n = "mean weighted by the inverse of the chance of being chosen", int(x.size)
    w = 1 / p
    effective = float(np.sum(w) ** 2 / np.sum(w**2)) if n else 0.0
    if n < 3 or effective < 2:
        return not_estimable(n, "fewer than three pairs", method, level)
    mean = float(np.sum(w * x) / np.sum(w))
    variance = n / (n - 1) * float(np.sum((w * (x - mean)) ** 2)) / float(np.sum(w)) ** 2
    se = math.sqrt(variance)
    half = t_quantile(effective - 1, level) * se
    return estimate(mean, se, mean - half, mean + half, n, level, method)


@quiet
def mean_relative_difference(lab: ArrayLike, field: ArrayLike, level: float = 0.95) -> Estimate:
    """Mean of |field - lab| over the mean of both, as a fraction; shapes (n,), values above zero.

    t interval, not below zero.
    """
    check_level(level)
    x, y = vector(lab, "lab"), vector(field, "field")
    same_length(x, y, names=("lab", "field"))
    usable = (x + y) > 0
    d = 2 * np.abs(y[usable] - x[usable]) / (x[usable] + y[usable])
    method, n = "mean absolute relative percent difference", int(d.size)
    if n < 2:
        return not_estimable(n, "fewer than two pairs", method, level)
    se = float(d.std(ddof=1)) / math.sqrt(n)
    half = t_quantile(n - 1, level) * se
    value = float(d.mean())
    return estimate(value, se, max(value - half, 0.0), value + half, n, level, method)
