"""Bias of the field method: differences, ratios, ranks, and tests of equivalence."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from reconcile.statistics._quantiles import normal_quantile, t_quantile
from reconcile.statistics._values import (
    TOO_LARGE,
    Floats,
    check_level,
    estimate,
    level_text,
    pairs,
    percent,
    point,
    quiet,
    show,
    with_unit,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.line import ROUNDING
from reconcile.statistics.result import NAN, Estimate, not_estimable

if TYPE_CHECKING:
    from reconcile.statistics.lines import Line

_POSITIVE = "a ratio needs values above zero on both sides"
#: Where nothing scatters no interval can be given.
ALL_EQUAL = "all differences are equal, so their scatter can't be estimated"


def mean_of(values: Floats, size: Floats, level: float, method: str) -> Estimate:
    """Mean with Student's t interval; ``size`` holds numbers as large as those subtracted.

    Scatter below the rounding of ``size`` is none: then there is a mean but no interval.
    """
    n = int(values.size)
    if n == 0:
        return not_estimable(0, "no pair", method, level)
    mean = float(np.mean(values))
    if n == 1:
        return point(mean, 1, method, "one pair gives no interval", level)
    if not math.isfinite(mean):
        return not_estimable(n, TOO_LARGE, method, level)
    sd = float(np.std(values, ddof=1))
    if not math.isfinite(sd):
        return not_estimable(n, TOO_LARGE, method, level)
    if sd <= ROUNDING * max(float(np.abs(size).max()), float(np.abs(values).max())):
        return point(mean, n, method, ALL_EQUAL, level)
    se = sd / math.sqrt(n)
    half = t_quantile(n - 1, level) * se
    return estimate(mean, se, mean - half, mean + half, n, level, method)


@quiet
def mean_difference(lab: ArrayLike, field: ArrayLike, level: float = 0.95) -> Estimate:
    """Mean of field - lab with Student's t interval, in the unit of the inputs."""
    check_level(level)
    x, y = pairs(lab, field, ("lab", "field"))
    return mean_of(y - x, np.concatenate([x, y, [0]]), level, "mean difference, t interval")


@quiet
def mean_relative_difference(lab: ArrayLike, field: ArrayLike, level: float = 0.95) -> Estimate:
    """Mean of (field - lab)/lab with Student's t interval; a fraction.

    Not estimable where a lab value is zero or negative.
    """
    check_level(level)
    method = "mean relative difference, t interval"
    x, y = pairs(lab, field, ("lab", "field"))
    if x.size and np.any(x <= 0):
        why = "a relative difference needs lab values above zero"
        return not_estimable(int(x.size), why, method, level)
    return mean_of((y - x) / x, np.ones(1), level, method)


@quiet
def geometric_mean_ratio(lab: ArrayLike, field: ArrayLike, level: float = 0.95) -> Estimate:
    """exp of the mean of ln(field/lab), with the t interval of the logarithm back-transformed.

    ``se`` is that of the logarithm times the ratio (delta method).
    """
    check_level(level)
    method = "geometric mean ratio, t interval of the logarithm"
    x, y = pairs(lab, field, ("lab", "field"))
    if np.any(x <= 0) or np.any(y <= 0):
        return not_estimable(int(x.size), _POSITIVE, method, level)
    log = mean_of(np.log(y) - np.log(x), np.ones(1), level, method)
    if not log.estimable:
        return log
    if not abs(log.value) < 700:
        return not_estimable(log.n, TOO_LARGE, method, level)
    value = math.exp(log.value)
    if math.isnan(log.low):
        return point(value, log.n, method, log.reason, level)
    if not max(abs(log.low), abs(log.high)) < 700:
        return point(value, log.n, method, "the ratios differ too much for an interval", level)
    return estimate(
        value, value * log.se, math.exp(log.low), math.exp(log.high), log.n, level, method
    )


# ---- Hodges and Lehmann ------------------------------------------------------------------

_EXACT_RANKS = 60


@lru_cache(maxsize=1024)
def _signed_rank_quantile(n: int, probability: float) -> int:
    """Largest c with P(W+ < c) <= probability, for the Wilcoxon signed-rank statistic.

    Exact up to n = 60, then the normal approximation (Hollander & Wolfe 1999, section 3.1
    and 3.3, from memory).
    """
    if n <= _EXACT_RANKS:
        counts = np.ones(1)
        for rank in range(1, n + 1):
            wider = np.zeros(counts.size + rank)
            wider[: counts.size] += counts
            wider[rank:] += counts
            counts = wider
        below = np.concatenate([[0.0], np.cumsum(counts) / 2.0**n])
        return int(np.searchsorted(below, probability, side="right") - 1)
    mean = n * (n + 1) / 4
    sd = math.sqrt(n * (n + 1) * (2 * n + 1) / 24)
    return max(math.floor(mean + float(special.ndtri(probability)) * sd + 0.5), 0)


def _walsh_count(x: Floats, limit: float) -> int:
    """How many averages (x_i + x_j)/2, i <= j, are at or below ``limit``; x is sorted."""
    reach = np.searchsorted(x, 2 * limit - x, side="right")
    return int(np.sum(np.maximum(reach - np.arange(x.size), 0)))


#: Averages of up to this many values are listed: 45,150 numbers.
_LISTED = 300


def _walsh_orders(x: Floats, ranks: list[int]) -> list[float]:
    """Averages (x_i + x_j)/2, i <= j, of these ranks (1: the smallest); x is sorted."""
    if x.size > _LISTED:
        return [_walsh_order(x, k) for k in ranks]
    first, second = np.triu_indices(x.size)
    listed = np.sort((x[first] + x[second]) / 2)
    return [float(listed[k - 1]) for k in ranks]


def _walsh_order(x: Floats, k: int) -> float:
    """One of them, in O(n) memory."""
    low, high = float(x[0]), float(x[-1])
    if _walsh_count(x, low) >= k:
        return low
    for _ in range(200):
        middle = low + (high - low) / 2
        if not low < middle < high:
            break
        if _walsh_count(x, middle) >= k:
            high = middle
        else:
            low = middle
    # the largest average at or below the upper end is the one that was closed in on
    reach = np.searchsorted(x, 2 * high - x, side="right") - 1
    rows = np.flatnonzero(reach >= np.arange(x.size))
    return float(np.max((x[rows] + x[reach[rows]]) / 2))


@quiet
def hodges_lehmann(lab: ArrayLike, field: ArrayLike, level: float = 0.95) -> Estimate:
    """Median of the pairwise averages of field - lab, with its signed-rank interval.

    Hodges & Lehmann 1963; interval by Tukey's method (Hollander & Wolfe 1999, section 3.3).
    The interval holds at least ``level`` for symmetric differences; ``se`` is its half
    width over the normal quantile. Where so few pairs cannot give the level, no interval
    is claimed.
    """
    check_level(level)
    method = "Hodges-Lehmann, signed-rank interval"
    x, y = pairs(lab, field, ("lab", "field"))
    n = x.size
    if n == 0:
        return not_estimable(0, "no pair", method, level)
    d = np.sort(y - x)
    if not max(abs(float(d[0])), abs(float(d[-1]))) < 1e150:
        return not_estimable(n, TOO_LARGE, method, level)
    count = n * (n + 1) // 2
    rank = _signed_rank_quantile(n, (1 - level) / 2)
    *middle, low, high = _walsh_orders(
        d, [(count + 1) // 2, count // 2 + 1, max(rank, 1), count + 1 - max(rank, 1)]
    )
    value = middle[0] / 2 + middle[1] / 2
    if rank < 1:
        count_text = "one pair gives" if n == 1 else f"{n} pairs give"
        why = f"{count_text} no {level_text(level)} interval by ranks"
        return point(value, n, method, why, level)
    if d[-1] - d[0] <= ROUNDING * max(float(np.abs(x).max()), float(np.abs(y).max())):
        return point(value, n, method, ALL_EQUAL, level)
    se = (high - low) / 2 / normal_quantile(level)
    return estimate(value, se, low, high, n, level, method)


# ---- equivalence --------------------------------------------------------------------------


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Equivalence:
    """Two one-sided tests against a margin agreed before the data."""

    estimate: Estimate
    low: float  # 1 - 2 alpha interval
    high: float
    p_value: float  # the larger of the two
    equivalent: bool
    margin: float
    n: int
    scale: str = "ratio"  # "ratio": the limits are 1/(1+margin) and 1+margin; "difference"
    alpha: float = 0.05
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"Equivalence could not be tested: {self.reason}."
        confidence = level_text(1 - 2 * self.alpha)
        if self.scale == "ratio":
            found = f"{percent(self.low - 1)} to {percent(self.high - 1)}"
            asked = f"±{percent(self.margin)}"
        else:
            found = f"{show(self.low)} to {with_unit(self.high, unit)}"
            asked = f"±{with_unit(self.margin, unit)}"
        if self.equivalent:
            return (
                f"The bias lies within the agreed {asked}: its {confidence} interval is {found} "
                f"(n {self.n})."
            )
        return (
            f"It is not shown that the bias lies within the agreed {asked}: its {confidence} "
            f"interval is {found} (n {self.n})."
        )


def _tost(
    scaled: Estimate, low: float, high: float, alpha: float
) -> tuple[float, float, float, bool]:
    """Interval, larger p value and claim of two one-sided t tests (Schuirmann 1987)."""
    df = scaled.n - 1
    half = t_quantile(df, 1 - 2 * alpha) * scaled.se
    p = max(
        float(special.stdtr(df, -(scaled.value - low) / scaled.se)),
        float(special.stdtr(df, -(high - scaled.value) / scaled.se)),
    )
    ends = scaled.value - half, scaled.value + half
    return *ends, p, low < ends[0] and ends[1] < high


def _check_margin(margin: float, alpha: float) -> None:
    if not (margin > 0 and math.isfinite(margin)):
        raise ValueError(f"margin must be above zero, got {margin}")
    if not 0 < alpha < 0.5:
        raise ValueError(f"alpha must lie between 0 and 0.5, got {alpha}")


@quiet
def equivalence_ratio(
    lab: ArrayLike, field: ArrayLike, margin: float, alpha: float = 0.05
) -> Equivalence:
    """Two one-sided t tests on ln(field/lab) against −ln(1 + margin) and ln(1 + margin).

    Schuirmann 1987 (from memory); equivalent where the 1 − 2·alpha interval of the ratio
    lies inside 1/(1 + margin) … 1 + margin. The chance to claim it wrongly is at most alpha.
    """
    _check_margin(margin, alpha)
    x, y = pairs(lab, field, ("lab", "field"))
    ratio = geometric_mean_ratio(x, y)
    scale = "ratio"
    if not ratio.estimable or math.isnan(ratio.low):
        return Equivalence(ratio, NAN, NAN, NAN, False, margin, ratio.n, scale, alpha, ratio.reason)
    log = mean_of(np.log(y) - np.log(x), np.ones(1), 1 - 2 * alpha, "")
    edge = math.log1p(margin)
    low, high, p, inside = _tost(log, -edge, edge, alpha)
    return Equivalence(
        ratio, math.exp(low), math.exp(high), p, inside, margin, ratio.n, scale, alpha
    )


@quiet
def bias_at(line: Line, level_x: float) -> Estimate:
    """Bias a + (b − 1)·x at a lab value x, from a fitted line (delta method, t with n − 2).

    It says nothing outside the range of the line's pairs (``x_low`` … ``x_high``), which is
    for the caller to check.
    """
    if not math.isfinite(level_x):
        why = "the level is not a finite number"
        return not_estimable(line.n, why, f"bias from {line.method}", line.slope.level)
    # a + b·x − x: the covariance is that of the line
    at = line.combination(1.0, level_x, f"bias from {line.method}, delta method")
    if not at.estimable:
        return at
    value = line.intercept.value + (line.slope.value - 1) * level_x
    if math.isnan(at.low):
        return point(value, at.n, at.method, at.reason, at.level)
    return estimate(
        value, at.se, value + (at.low - at.value), value + (at.high - at.value), at.n, at.level,
        at.method,
    )  # fmt: skip
