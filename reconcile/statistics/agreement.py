"""Agreement of single results: limits, concordance, correlation, share within a margin."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from reconcile.statistics._values import (
    Floats,
    check_level,
    estimate,
    interval_text,
    pairs,
    percent,
    point,
    quiet,
    with_unit,
)
from reconcile.statistics.proportions import clopper_pearson, howe_tolerance_factor
from reconcile.statistics.result import NAN, Estimate, not_estimable

Scale = Literal["absolute", "relative", "log ratio"]


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement:
    """The interval that holds 95 % of field against lab, on one scale.

    ``absolute``: differences in the unit of the inputs; ``relative``: differences over
    the pair's mean, fractions; ``log ratio``: ratios field/lab (back-transformed), with
    ``sd`` the SD of the natural logarithm.
    """

    scale: str
    n: int
    bias: Estimate
    sd: float
    lower: Estimate
    upper: Estimate
    tolerance_low: float
    tolerance_high: float
    coverage: float = 0.95
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"Limits of agreement could not be estimated: {self.reason}."
        share = f"{100 * self.coverage:g} % of single results"
        if self.scale == "log ratio":
            return (
                f"{share} lie between {self.lower.value:.2f} and {self.upper.value:.2f} times the "
                f"laboratory's (n {self.n})."
            )
        if self.scale == "relative":
            return (
                f"{share} lie between {percent(self.lower.value)} and {percent(self.upper.value)} "
                f"of the laboratory's (n {self.n})."
            )
        return (
            f"{share} lie between {with_unit(self.lower.value, unit)} and "
            f"{with_unit(self.upper.value, unit)} of the laboratory's (n {self.n})."
        )


def _scaled(x: Floats, y: Floats, scale: str) -> tuple[Floats, str]:
    if scale == "absolute":
        return y - x, ""
    if scale == "relative":
        mean = (x + y) / 2
        if np.any(mean <= 0):
            return x, "a relative difference needs pair means above zero"
        return (y - x) / mean, ""
    if scale == "log ratio":
        if np.any(x <= 0) or np.any(y <= 0):
            return x, "a ratio needs values above zero on both sides"
        return np.log(y) - np.log(x), ""
    raise ValueError(f"scale must be absolute, relative or log ratio, got {scale!r}")


@quiet
def limits_of_agreement(
    lab: ArrayLike,
    field: ArrayLike,
    scale: Scale = "absolute",
    level: float = 0.95,
    coverage: float = 0.95,
) -> LimitsOfAgreement:
    """Bland & Altman limits with exact intervals.

    Bland & Altman 1986, 1999 (mean ± z SD of the differences). Intervals of each limit
    through the non-central t distribution (Carkeet 2015, from memory), exact for normal
    differences; beside them the tolerance interval that holds ``coverage`` of results
    with confidence ``level`` (Howe 1969).
    """
    check_level(level)
    check_level(coverage, "coverage")
    x, y = pairs(lab, field, ("lab", "field"))
    d, reason = _scaled(x, y, scale)
    n = x.size
    method = "limits of agreement, exact interval"
    sd = float(np.std(d, ddof=1)) if n >= 2 and not reason else NAN
    if not reason:
        if n < 3:
            reason = "fewer than three pairs"
        elif not math.isfinite(sd):
            reason = "the values are too large to calculate with"
        elif sd <= 1e-14 * float(np.max(np.abs(d))) or sd == 0:
            reason = "all differences are equal, so their spread cannot be estimated"
    if reason:
        nothing = not_estimable(n, reason, method, level)
        return LimitsOfAgreement(
            scale, n, nothing, NAN, nothing, nothing, NAN, NAN, coverage, reason
        )
    mean = float(np.mean(d))
    z = float(stats.norm.ppf((1 + coverage) / 2))
    se_mean = sd / math.sqrt(n)
    alpha = (1 - level) / 2
    near = float(stats.nct.ppf(alpha, n - 1, z * math.sqrt(n))) * se_mean
    far = float(stats.nct.ppf(1 - alpha, n - 1, z * math.sqrt(n))) * se_mean
    se = sd * math.sqrt(1 / n + z * z / (2 * (n - 1)))
    half = float(stats.t.ppf(1 - alpha, n - 1)) * se_mean
    k = howe_tolerance_factor(n, coverage, level)
    bias = estimate(mean, se_mean, mean - half, mean + half, n, level, "mean, t interval")
    lower = estimate(mean - z * sd, se, mean - far, mean - near, n, level, method)
    upper = estimate(mean + z * sd, se, mean + near, mean + far, n, level, method)
    low, high = mean - k * sd, mean + k * sd
    if scale == "log ratio":
        bias, lower, upper = (_back(item) for item in (bias, lower, upper))
        low, high = math.exp(low), math.exp(high)
    return LimitsOfAgreement(scale, n, bias, sd, lower, upper, low, high, coverage)


def _back(item: Estimate) -> Estimate:
    """A logarithm and its interval as a ratio."""
    value = math.exp(item.value)
    return estimate(
        value, value * item.se, math.exp(item.low), math.exp(item.high), item.n, item.level,
        item.method + " of the logarithm",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Concordance:
    """Lin's concordance correlation with its parts."""

    ccc: Estimate
    r: float  # precision
    c_b: float  # accuracy
    location_shift: float  # (mean field - mean lab)/sqrt(sd field x sd lab)
    scale_shift: float  # sd field / sd lab
    n: int
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"Concordance could not be estimated: {self.reason}."
        return (
            f"Concordance with the 1:1 line: {interval_text(self.ccc)}, n {self.n}; scatter alone "
            f"would give {self.r:.3f}, the shift costs a factor {self.c_b:.3f}."
        )


@quiet
def concordance(lab: ArrayLike, field: ArrayLike, level: float = 0.95) -> Concordance:
    """Lin's concordance correlation coefficient (Lin 1989, 2000).

    Moments with divisor n; standard error with n - 2 and the interval on the inverse
    hyperbolic tangent scale. The interval assumes bivariate normal data.
    """
    check_level(level)
    method = "concordance (Lin 1989), inverse hyperbolic tangent interval"
    x, y = pairs(lab, field, ("lab", "field"))
    n = x.size
    reason = ""
    if n < 3:
        reason = "fewer than three pairs"
    elif np.ptp(x) == 0 or np.ptp(y) == 0:
        reason = "all values of one side are equal"
    if reason:
        return Concordance(not_estimable(n, reason, method, level), NAN, NAN, NAN, NAN, n, reason)
    mx, my = float(np.mean(x)), float(np.mean(y))
    sxx, syy = float(np.mean((x - mx) ** 2)), float(np.mean((y - my) ** 2))
    sxy = float(np.mean((x - mx) * (y - my)))
    shift = mx - my
    ccc = 2 * sxy / (sxx + syy + shift * shift)
    r = sxy / math.sqrt(sxx * syy) if sxx * syy > 0 else NAN
    if not (math.isfinite(ccc) and math.isfinite(r)):
        reason = "the values are too large or too small to calculate with"
        return Concordance(not_estimable(n, reason, method, level), NAN, NAN, NAN, NAN, n, reason)
    r = max(-1.0, min(1.0, r))
    u = shift / math.sqrt(math.sqrt(sxx * syy))
    c_b = ccc / r if r != 0 else NAN
    location, scale = (my - mx) / math.sqrt(math.sqrt(sxx * syy)), math.sqrt(syy / sxx)
    if abs(r) >= 1 - 1e-15 or r == 0 or abs(ccc) >= 1:
        why = "the points lie on a line" if r != 0 else "the correlation is zero"
        return Concordance(point(ccc, n, method, why, level), r, c_b, location, scale, n)
    variance = (
        (1 - r * r) * ccc**2 * (1 - ccc**2) / r**2
        + 2 * ccc**3 * (1 - ccc) * u * u / r
        - ccc**4 * u**4 / (2 * r * r)
    ) / (n - 2)
    if not variance > 0:
        return Concordance(
            point(ccc, n, method, "its standard error can't be estimated", level),
            r, c_b, location, scale, n,
        )  # fmt: skip
    se = math.sqrt(variance)
    z, se_z = math.atanh(ccc), se / (1 - ccc * ccc)
    half = float(stats.norm.ppf((1 + level) / 2)) * se_z
    item = estimate(ccc, se, math.tanh(z - half), math.tanh(z + half), n, level, method)
    return Concordance(item, r, c_b, location, scale, n)


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


@quiet
def correlation(lab: ArrayLike, field: ArrayLike, level: float = 0.95) -> Correlation:
    """Pearson's r with Fisher's z interval, r² and Spearman's rank correlation."""
    check_level(level)
    method = "Pearson, Fisher z interval"
    x, y = pairs(lab, field, ("lab", "field"))
    n = x.size
    if n < 3:
        reason = "fewer than three pairs"
        return Correlation(not_estimable(n, reason, method, level), NAN, NAN, n, reason)
    if np.ptp(x) == 0 or np.ptp(y) == 0:
        reason = "all values of one side are equal"
        return Correlation(not_estimable(n, reason, method, level), NAN, NAN, n, reason)
    dx, dy = (v - np.mean(v) for v in (x, y))
    dx, dy = dx / np.max(np.abs(dx)), dy / np.max(np.abs(dy))
    r = float(np.sum(dx * dy) / math.sqrt(float(np.sum(dx * dx)) * float(np.sum(dy * dy))))
    r = max(-1.0, min(1.0, r))
    if not math.isfinite(r):
        reason = "the values are too large or too small to calculate with"
        return Correlation(not_estimable(n, reason, method, level), NAN, NAN, n, reason)
    ranks_x, ranks_y = stats.rankdata(x), stats.rankdata(y)
    spearman = float(np.corrcoef(ranks_x, ranks_y)[0, 1])
    if n < 4 or abs(r) >= 1 - 1e-15:
        why = "fewer than four pairs give no interval" if n < 4 else "the points lie on a line"
        return Correlation(point(r, n, method, why, level), r * r, spearman, n)
    half = float(stats.norm.ppf((1 + level) / 2)) / math.sqrt(n - 3)
    z = math.atanh(r)
    se = (1 - r * r) / math.sqrt(n - 1)
    item = estimate(r, se, math.tanh(z - half), math.tanh(z + half), n, level, method)
    return Correlation(item, r * r, spearman, n)


@quiet
def share_within(
    lab: ArrayLike, field: ArrayLike, fraction: float, level: float = 0.95
) -> Estimate:
    """Share of pairs with |field - lab| <= fraction x |lab|; Clopper & Pearson 1934 interval."""
    check_level(level)
    if not fraction > 0:
        raise ValueError(f"fraction must be above zero, got {fraction}")
    x, y = pairs(lab, field, ("lab", "field"))
    count = int(np.sum(np.abs(y - x) <= fraction * np.abs(x)))
    return clopper_pearson(count, int(x.size), level)


@quiet
def rms_difference(lab: ArrayLike, field: ArrayLike) -> float:
    """Root mean square of field - lab, in the unit of the inputs; NaN without pairs."""
    x, y = pairs(lab, field, ("lab", "field"))
    return float(np.sqrt(np.mean((y - x) ** 2))) if x.size else NAN


@quiet
def mean_relative_percent_difference(
    lab: ArrayLike, field: ArrayLike, level: float = 0.95
) -> Estimate:
    """Mean of 100 |field - lab| over the pair's mean, in percent, with t interval."""
    check_level(level)
    method = "mean relative percent difference, t interval"
    x, y = pairs(lab, field, ("lab", "field"))
    mean = (x + y) / 2
    if np.any(mean <= 0):
        return not_estimable(x.size, "it needs pair means above zero", method, level)
    if x.size < 2:
        return not_estimable(x.size, "fewer than two pairs", method, level)
    d = 100 * np.abs(y - x) / mean
    value, se = float(np.mean(d)), float(np.std(d, ddof=1)) / math.sqrt(x.size)
    half = float(stats.t.ppf((1 + level) / 2, x.size - 1)) * se
    return estimate(value, se, value - half, value + half, int(x.size), level, method)
