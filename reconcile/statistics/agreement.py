"""Agreement of results: limits, concordance, correlation, share within a margin."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics._quantiles import noncentral_t_quantile, normal_quantile
from reconcile.statistics._values import (
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
from reconcile.statistics.bias import mean_of
from reconcile.statistics.concordance import (
    Concordance,
    Correlation,
    concordance,
    correlation,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.level_limits import (
    LevelLimits,
    ReplicateLimits,
    level_dependent_limits,
    limits_with_replicates,
)
from reconcile.statistics.proportions import clopper_pearson, howe_tolerance_factor
from reconcile.statistics.result import NAN, Estimate, not_estimable

__all__ = [
    "Concordance",
    "Correlation",
    "LevelLimits",
    "LimitsOfAgreement",
    "ReplicateLimits",
    "Scale",
    "concordance",
    "correlation",
    "level_dependent_limits",
    "limits_of_agreement",
    "limits_with_replicates",
    "share_within",
]

Scale = Literal["absolute", "relative", "log ratio"]


@equal_with_nan
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
    level: float = 0.95  # confidence of the tolerance interval

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"Limits of agreement could not be estimated: {self.reason}."
        share, n = level_text(self.coverage), f"(n {self.n})"
        sure = f"with {level_text(self.level)} confidence"
        if self.scale == "log ratio":
            ends = [show(v) for v in (self.lower.value, self.upper.value)]
            wide = [show(v) for v in (self.tolerance_low, self.tolerance_high)]
            return (
                f"{share} of field results lie between {ends[0]} and {ends[1]} times the "
                f"laboratory's {n}; {sure}, between {wide[0]} and {wide[1]} times."
            )
        write = percent if self.scale == "relative" else lambda v: with_unit(v, unit)
        ends = [write(v) for v in (self.lower.value, self.upper.value)]
        wide = [write(v) for v in (self.tolerance_low, self.tolerance_high)]
        of = " of the mean of both" if self.scale == "relative" else ""
        return (
            f"For {share} of results field minus laboratory lies between {ends[0]} and "
            f"{ends[1]}{of} {n}; {sure}, between {wide[0]} and {wide[1]}."
        )


def _scaled(x: Floats, y: Floats, scale: str) -> tuple[Floats, str]:
    if scale == "absolute":
        return y - x, ""
    if scale == "relative":
        mean = x / 2 + y / 2
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
    """Bland & Altman limits of agreement with exact intervals.

    Mean ± z·SD of the differences (Bland & Altman 1986, 1999). Intervals of each limit
    through the noncentral t distribution (Carkeet 2015, from memory), exact for normal
    differences; beside them the tolerance interval that holds ``coverage`` of single
    results with confidence ``level`` (Howe 1969). Where the spread grows with the level
    (constant CV) the absolute differences are not normal: take 'log ratio', or
    ``level_dependent_limits``. ``bias`` stays estimable where the limits are not.
    """
    check_level(level)
    check_level(coverage, "coverage")
    x, y = pairs(lab, field, ("lab", "field"))
    d, reason = _scaled(x, y, scale)
    n = int(x.size)
    method = "limits of agreement, exact interval"
    back = _back if scale == "log ratio" else lambda item: item
    size = np.ones(1) if scale != "absolute" else np.concatenate([x, y, np.zeros(1)])
    if reason:
        bias = not_estimable(n, reason, method, level)
    else:
        bias = mean_of(d, size, level, "mean, t interval")
        reason = "fewer than three pairs" if n < 3 else bias.reason
    if reason:
        nothing = not_estimable(n, reason, method, level)
        return LimitsOfAgreement(
            scale, n, back(bias), NAN, nothing, nothing, NAN, NAN, coverage, reason, level
        )
    mean, se_mean = bias.value, bias.se
    sd = se_mean * math.sqrt(n)
    z = normal_quantile(coverage)
    alpha = (1 - level) / 2
    near = noncentral_t_quantile(alpha, n - 1, z * math.sqrt(n)) * se_mean
    far = noncentral_t_quantile(1 - alpha, n - 1, z * math.sqrt(n)) * se_mean
    se = sd * math.sqrt(1 / n + z * z / (2 * (n - 1)))
    lower = estimate(mean - z * sd, se, mean - far, mean - near, n, level, method)
    upper = estimate(mean + z * sd, se, mean + near, mean + far, n, level, method)
    k = howe_tolerance_factor(n, coverage, level)
    low, high = mean - k * sd, mean + k * sd
    if scale == "log ratio":
        low, high = _exp(low), _exp(high)
    return LimitsOfAgreement(
        scale, n, back(bias), sd, back(lower), back(upper), low, high, coverage, "", level
    )


def _exp(value: float) -> float:
    return math.exp(value) if value < 700 else math.inf


def _back(item: Estimate) -> Estimate:
    """A logarithm and its interval as a ratio."""
    if not item.estimable:
        return item
    value = _exp(item.value)
    method = item.method + " of the logarithm"
    if math.isnan(item.low):
        return point(value, item.n, method, item.reason, item.level)
    return estimate(
        value, value * item.se, _exp(item.low), _exp(item.high), item.n, item.level, method
    )


@quiet
def share_within(
    lab: ArrayLike, field: ArrayLike, fraction: float, level: float = 0.95
) -> Estimate:
    """Share of pairs with |field − lab| ≤ fraction × |lab|; Clopper & Pearson 1934 interval.

    A pair exactly on the margin counts as within, whatever binary rounding makes of it.
    The interval never covers less than ``level``; being exact for counts it covers more.
    """
    check_level(level)
    if not (fraction > 0 and math.isfinite(fraction)):
        raise ValueError(f"fraction must be above zero, got {fraction}")
    x, y = pairs(lab, field, ("lab", "field"))
    slack = 4e-16 * (np.abs(x) + np.abs(y))
    count = int(np.sum(np.abs(y - x) <= fraction * np.abs(x) + slack))
    return clopper_pearson(count, int(x.size), level)
