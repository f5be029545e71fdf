"""Concordance and correlation, with intervals that hold for other than normal values too."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics import distributions as stats
from reconcile.statistics._jackknife import jackknife_half_width
from reconcile.statistics._quantiles import normal_quantile
from reconcile.statistics._values import (
    TOO_LARGE,
    Floats,
    check_level,
    estimate,
    interval_text,
    pairs,
    point,
    quiet,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.line import ROUNDING
from reconcile.statistics.result import NAN, Estimate, not_estimable

CorrelationInterval = Literal["jackknife", "normal"]
#: Relative difference up to which two values count as equal among ranks: some last bits.
_TIE = 4e-15


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Concordance:
    """Lin's concordance correlation with its parts."""

    ccc: Estimate
    r: float  # precision
    c_b: float  # accuracy
    location_shift: float  # (mean field − mean lab)/√(SD field × SD lab)
    scale_shift: float  # SD field / SD lab
    n: int
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"Concordance could not be estimated: {self.reason}."
        return (
            f"Concordance with the 1:1 line: {interval_text(self.ccc)}, n {self.n}; scatter alone "
            f"would give {self.r:.3f}, the shift costs a factor {self.c_b:.3f}."
            if math.isfinite(self.c_b)
            else f"Concordance with the 1:1 line: {interval_text(self.ccc)}, n {self.n}."
        )


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Correlation:
    """Pearson and Spearman correlation: printed, never the verdict."""

    r: Estimate
    r_squared: float
    spearman: float
    n: int
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"Correlation could not be estimated: {self.reason}."
        return (
            f"Correlation r {interval_text(self.r)}, r² {self.r_squared:.3f}, n {self.n}; it says "
            "nothing of bias."
        )


#: n, Σx, Σy about a centre and central sums Sxx, Syy, Sxy -> coefficient; shapes broadcast.
Coefficient = Callable[[float, Floats, Floats, Floats, Floats], Floats]


def _ccc(n: float, shift: Floats, sxx: Floats, syy: Floats, sxy: Floats) -> Floats:
    return np.asarray(2 * sxy / (sxx + syy + n * shift * shift), dtype=np.float64)


def _pearson(n: float, shift: Floats, sxx: Floats, syy: Floats, sxy: Floats) -> Floats:
    return np.asarray(sxy / np.sqrt(sxx * syy), dtype=np.float64)


def _left_out(x: Floats, y: Floats, coefficient: Coefficient) -> Floats:
    """Inverse hyperbolic tangent of the coefficient with each pair left out; shape (n,)."""
    n = x.size
    mx, my = x.mean(), y.mean()
    dx, dy = x - mx, y - my
    f = n / (n - 1)
    without = coefficient(
        n - 1,
        (my - mx) - (dy - dx) / (n - 1),
        float(dx @ dx) - f * dx * dx,
        float(dy @ dy) - f * dy * dy,
        float(dx @ dy) - f * dx * dy,
    )
    return np.asarray(np.arctanh(without), dtype=np.float64)


def _with_interval(
    x: Floats, y: Floats, value: float, coefficient: Coefficient, name: str, level: float
) -> Estimate:
    """Jackknife interval on the inverse hyperbolic tangent scale."""
    n = int(x.size)
    se, half = jackknife_half_width(_left_out(x, y, coefficient), level)
    method = f"{name}, jackknife interval on the inverse hyperbolic tangent scale"
    if n < 4 or not math.isfinite(half):
        return point(value, n, method, "too few different pairs for an interval", level)
    z = math.atanh(value)
    return estimate(
        value, se * (1 - value * value), math.tanh(z - half), math.tanh(z + half), n, level, method
    )


def _no_spread(x: Floats, y: Floats) -> str:
    if x.size < 3:
        return "fewer than three pairs"
    for side, name in ((x, "laboratory"), (y, "field")):
        if np.ptp(side) <= ROUNDING * np.abs(side).max():
            return f"all {name} values are equal"
    spread = min(np.ptp(x), np.ptp(y)), max(np.abs(x).max(), np.abs(y).max())
    return "" if spread[0] > 1e-130 and spread[1] < 1e150 else TOO_LARGE


@quiet
def concordance(
    lab: ArrayLike,
    field: ArrayLike,
    level: float = 0.95,
    interval: CorrelationInterval = "jackknife",
    scale: Literal["absolute", "log"] = "absolute",
) -> Concordance:
    """Lin's concordance correlation coefficient (Lin 1989), moments with divisor n.

    Intervals on the inverse hyperbolic tangent scale. 'normal': Lin's variance with n − 2
    (Lin 1989, corrected 2000), for bivariate normal values only; measured coverage of its
    95 % interval is 97.6 % for uniformly spread levels, 87 to 88 % at constant CV over 1.3
    decades and 68 to 76 % for log-normal levels of a GSD of 2.2. 'jackknife' (default): its
    standard error, with degrees of freedom that fall where few pairs carry the variance; in
    those cases 95 to 96 %, 94 to 95 %, and 91, 92.5 and 94 % at n = 20, 40 and 100.
    ``scale='log'``: concordance of the logarithms, the better question at constant CV; 95 to
    96 % there, whatever the levels.
    """
    check_level(level)
    x, y = pairs(lab, field, ("lab", "field"))
    n = int(x.size)
    name = "concordance (Lin 1989)"

    def failed(why: str) -> Concordance:
        nothing = not_estimable(n, why, name, level)
        return Concordance(nothing, NAN, NAN, NAN, NAN, n, why)

    if scale == "log":
        name = "concordance of logarithms (Lin 1989)"
        if np.any(x <= 0) or np.any(y <= 0):
            return failed("logarithms need values above zero on both sides")
        x, y = np.log(x), np.log(y)
    if why := _no_spread(x, y):
        return failed(why)
    mx, my = float(np.mean(x)), float(np.mean(y))
    dx, dy = x - mx, y - my
    sxx, syy, sxy = float(dx @ dx) / n, float(dy @ dy) / n, float(dx @ dy) / n
    shift = my - mx
    ccc = 2 * sxy / (sxx + syy + shift * shift)
    r = sxy / math.sqrt(sxx) / math.sqrt(syy)
    if not (math.isfinite(ccc) and math.isfinite(r)):
        return failed(TOO_LARGE)
    r = max(-1.0, min(1.0, r))
    root = math.sqrt(math.sqrt(sxx) * math.sqrt(syy))
    c_b = ccc / r if abs(r) > 1e-12 else NAN
    parts = (r, c_b, shift / root, math.sqrt(syy / sxx), n)
    if abs(r) >= 1 - 1e-13:
        return Concordance(point(ccc, n, name, "the points lie on a line", level), *parts)
    if interval != "normal":
        item = _with_interval(x, y, ccc, _ccc, name, level)
        return Concordance(item, *parts)
    method = f"{name}, normal values, interval on the inverse hyperbolic tangent scale"
    if n < 4 or abs(r) <= 1e-12:
        why = "fewer than four pairs give no interval" if n < 4 else "the correlation is zero"
        return Concordance(point(ccc, n, method, why, level), *parts)
    u = shift / root
    variance = (
        (1 - r * r) * ccc**2 * (1 - ccc**2) / r**2
        + 2 * ccc**3 * (1 - ccc) * (u * u) / r
        - ccc**4 * (u * u) * (u * u) / (2 * r * r)
    ) / (n - 2)
    if not variance > 0:
        why = "its standard error can't be estimated"
        return Concordance(point(ccc, n, method, why, level), *parts)
    se = math.sqrt(variance)
    z, half = math.atanh(ccc), normal_quantile(level) * se / (1 - ccc * ccc)
    item = estimate(ccc, se, math.tanh(z - half), math.tanh(z + half), n, level, method)
    return Concordance(item, *parts)


def _ranks(values: Floats) -> Floats:
    """Ranks with ties averaged; values that differ by rounding only are ties."""
    order = np.argsort(values, kind="stable")
    ascending = values[order]
    group = np.zeros(values.size, dtype=np.int64)
    group[1:] = np.cumsum(np.diff(ascending) > _TIE * np.abs(ascending[1:]))
    ranks = np.empty(values.size)
    ranks[order] = stats.rankdata(group)
    return ranks


@quiet
def correlation(
    lab: ArrayLike,
    field: ArrayLike,
    level: float = 0.95,
    interval: CorrelationInterval = "jackknife",
) -> Correlation:
    """Pearson's r with an interval, r² and Spearman's rank correlation.

    ``interval``: 'normal' is Fisher's z, for bivariate normal values only (measured: 84 to
    88 % at constant CV); 'jackknife' as in ``concordance``.
    """
    check_level(level)
    name = "Pearson"
    x, y = pairs(lab, field, ("lab", "field"))
    n = int(x.size)
    why = _no_spread(x, y)
    r = NAN
    if not why:
        dx, dy = (v - np.mean(v) for v in (x, y))
        dx, dy = dx / np.max(np.abs(dx)), dy / np.max(np.abs(dy))
        r = float(np.sum(dx * dy) / math.sqrt(float(np.sum(dx * dx)) * float(np.sum(dy * dy))))
        why = "" if math.isfinite(r) else TOO_LARGE
    if why:
        return Correlation(not_estimable(n, why, name, level), NAN, NAN, n, why)
    r = max(-1.0, min(1.0, r))
    spearman = float(np.corrcoef(_ranks(x), _ranks(y))[0, 1])
    if n < 4 or abs(r) >= 1 - 1e-13:
        why = "fewer than four pairs give no interval" if n < 4 else "the points lie on a line"
        return Correlation(point(r, n, name, why, level), r * r, spearman, n)
    if interval != "normal":
        item = _with_interval(x, y, r, _pearson, name, level)
        return Correlation(item, r * r, spearman, n)
    half = normal_quantile(level) / math.sqrt(n - 3)
    z, se = math.atanh(r), (1 - r * r) / math.sqrt(n - 1)
    method = "Pearson, Fisher z interval"
    item = estimate(r, se, math.tanh(z - half), math.tanh(z + half), n, level, method)
    return Correlation(item, r * r, spearman, n)
