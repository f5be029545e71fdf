"""Limits of agreement where one SD does not do: spread by level, replicates per sample."""

from __future__ import annotations

import math
from dataclasses import dataclass

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
    quiet,
    same_length,
    show,
    vector,
    with_unit,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.least_squares import fit
from reconcile.statistics.line import ROUNDING, Line, no_line, trouble
from reconcile.statistics.result import NAN, Estimate, not_estimable
from reconcile.statistics.variance_intervals import combination_limits

FEWEST = 10
#: Mean absolute deviation of a normal distribution to its SD.
_TO_SD = math.sqrt(math.pi / 2)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class LevelLimits:
    """Limits of agreement that change with the level (Bland & Altman 1999, section 3.2).

    ``bias_line``: difference on the pair's mean; ``spread_line``: absolute residual on the
    pair's mean. Limits at a level A: bias(A) ± z·√(π/2)·spread(A).
    """

    n: int
    bias_line: Line
    spread_line: Line
    p_bias_changes: float
    p_spread_changes: float
    low: float  # range of the pair means
    high: float
    coverage: float = 0.95
    level: float = 0.95
    reason: str = ""

    def at(self, mean: float) -> tuple[Estimate, Estimate, Estimate]:
        """Bias, lower and upper limit at a level, with intervals (delta method, t, n − 2).

        Not estimable outside the range of the pair means, or where the spread would be
        negative.
        """
        method = "limits of agreement by level"

        def nothing(why: str) -> tuple[Estimate, Estimate, Estimate]:
            e = not_estimable(self.n, why, method, self.level)
            return e, e, e

        if self.reason:
            return nothing(self.reason)
        if not self.low <= mean <= self.high:
            return nothing("the level lies outside the range of the pairs")
        bias, spread = self.bias_line.at(mean), self.spread_line.at(mean)
        if not spread.value > 0:
            return nothing("the fitted spread is not above zero at this level")
        factor = normal_quantile(self.coverage) * _TO_SD
        half = factor * spread.value
        # bias and spread of symmetric differences are uncorrelated
        se = math.hypot(bias.se, factor * spread.se)
        around = math.hypot(bias.high - bias.value, factor * (spread.high - spread.value))
        ends = [
            estimate(v, se, v - around, v + around, self.n, self.level, method)
            for v in (bias.value - half, bias.value + half)
        ]
        return bias, ends[0], ends[1]

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"Limits of agreement by level could not be estimated: {self.reason}."
        parts = []
        for where in (self.low, self.high):
            _, lower, upper = self.at(where)
            if lower.estimable:
                parts.append(
                    f"between {with_unit(lower.value, unit)} and {with_unit(upper.value, unit)} "
                    f"at {with_unit(where, unit)}"
                )
        share = f"For {level_text(self.coverage)} of single results field minus laboratory lies"
        changes = f"spread changes with the level: p = {show(self.p_spread_changes, 2)}"
        if not parts:
            return f"The fitted spread falls to zero within the range ({changes}, n {self.n})."
        return f"{share} {' and '.join(parts)} ({changes}, n {self.n})."


def _p_slope(line: Line) -> float:
    if not (line.slope.estimable and line.slope.se > 0):
        return NAN
    return 2 * float(special.stdtr(line.n - 2, -abs(line.slope.value) / line.slope.se))


@quiet
def level_dependent_limits(
    lab: ArrayLike, field: ArrayLike, level: float = 0.95, coverage: float = 0.95
) -> LevelLimits:
    """Regression-based limits of agreement (Bland & Altman 1999, section 3.2).

    Differences are regressed on the pair means, then the absolute residuals on the pair
    means; for normal differences their mean is the SD times √(2/π). Standard errors allow
    any scatter (HC3). Needs ten pairs.
    """
    check_level(level)
    check_level(coverage, "coverage")
    x, y = pairs(lab, field, ("lab", "field"))
    n = int(x.size)
    mean, d = x / 2 + y / 2, y - x
    method = "limits of agreement by level"

    def failed(why: str) -> LevelLimits:
        none = no_line(method, n, why, level)
        return LevelLimits(n, none, none, NAN, NAN, NAN, NAN, coverage, level, why)

    if n < FEWEST:
        return failed(f"fewer than {FEWEST} pairs")
    if why := trouble(mean, d):
        return failed("all pair means are equal" if "equal" in why else why)
    bias = fit("difference on mean", mean, d, np.ones(n), level, "", "any")
    residual = np.abs(d - bias.predict(mean))
    # two fitted coefficients take a little of the residuals' size
    residual *= math.sqrt(n / (n - 2))
    spread = fit("absolute residual on mean", mean, residual, np.ones(n), level, "", "any")
    if math.isnan(bias.slope.low) or math.isnan(spread.slope.low):
        return failed("the differences lie on a line, so their spread can't be estimated")
    return LevelLimits(
        n,
        bias,
        spread,
        _p_slope(bias),
        _p_slope(spread),
        float(mean.min()),
        float(mean.max()),
        coverage,
        level,
    )


@equal_with_nan
@dataclass(frozen=True, slots=True)
class ReplicateLimits:
    """Limits of agreement of single results from replicates (Bland & Altman 1999, section 5)."""

    n: int  # samples that have results on both sides
    bias: Estimate
    sd: float  # of the difference of two single results
    sd_of_means: float  # of the difference of sample means
    lab_within_sd: float
    field_within_sd: float
    lower: Estimate
    upper: Estimate
    coverage: float = 0.95
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"Limits of agreement from replicates could not be estimated: {self.reason}."
        return (
            f"For {level_text(self.coverage)} of single results field minus laboratory lies "
            f"between {with_unit(self.lower.value, unit)} and "
            f"{with_unit(self.upper.value, unit)} ({self.n} samples with replicates)."
        )


def _by_sample(
    values: Floats, codes: np.ndarray, samples: int
) -> tuple[Floats, Floats, float, float]:
    """Counts and means per sample, pooled within-sample variance and its degrees of freedom."""
    count = np.bincount(codes, minlength=samples).astype(np.float64)
    mean = np.bincount(codes, values, minlength=samples) / count
    df = float(np.sum(count - 1))
    within = float(np.sum((values - mean[codes]) ** 2)) / df if df > 0 else NAN
    return count, mean, within, df


@quiet
def limits_with_replicates(
    lab: ArrayLike,
    lab_sample: ArrayLike,
    field: ArrayLike,
    field_sample: ArrayLike,
    level: float = 0.95,
    coverage: float = 0.95,
) -> ReplicateLimits:
    """Limits of agreement of single results where samples have replicates on either side.

    ``lab`` and ``field``: all results, with their sample labels beside them; numbers of
    replicates may differ. Bland & Altman 1999, sections 5.1 and 5.2: the variance of the
    difference of sample means, plus (1 − mean of 1/m) of each side's within-sample
    variance. Intervals of the limits join those of the mean and of the variances (Zou 2013;
    modified large-sample method of Graybill & Wang 1980). Samples without a result on both
    sides are left out.
    """
    check_level(level)
    check_level(coverage, "coverage")
    x, y = vector(lab, "lab"), vector(field, "field")
    names_x, names_y = np.asarray(lab_sample), np.asarray(field_sample)
    if names_x.shape != x.shape or names_y.shape != y.shape:
        raise ValueError("every result needs its sample label")
    keep_x, keep_y = np.isfinite(x), np.isfinite(y)
    x, y, names_x, names_y = x[keep_x], y[keep_y], names_x[keep_x], names_y[keep_y]
    there = set(names_y.tolist())
    order = {
        name: i for i, name in enumerate(dict.fromkeys(k for k in names_x.tolist() if k in there))
    }
    n = len(order)
    method = "limits of agreement from replicates"

    def failed(why: str) -> ReplicateLimits:
        none = not_estimable(n, why, method, level)
        return ReplicateLimits(n, none, NAN, NAN, NAN, NAN, none, none, coverage, why)

    if n < 3:
        return failed("fewer than three samples have results on both sides")
    code_x = np.array([order.get(k, -1) for k in names_x.tolist()])
    code_y = np.array([order.get(k, -1) for k in names_y.tolist()])
    x, y = x[code_x >= 0], y[code_y >= 0]
    code_x, code_y = code_x[code_x >= 0], code_y[code_y >= 0]
    same_length(x, code_x.astype(np.float64), names=("lab", "lab_sample"))
    unit = max(float(np.abs(x).max()), float(np.abs(y).max()))
    if not (unit == 0 or 1e-130 < unit < 1e150):
        return failed(TOO_LARGE)
    unit = unit if unit > 0 else 1.0
    # in units of the largest value, so that squares of variances stay numbers
    x, y = x / unit, y / unit
    mx, mean_x, within_x, df_x = _by_sample(x, code_x, n)
    my, mean_y, within_y, df_y = _by_sample(y, code_y, n)
    d = mean_y - mean_x
    between = float(np.var(d, ddof=1))
    coefficients, squares, dfs = [1.0], [between], [float(n - 1)]
    for m, within, df in ((mx, within_x, df_x), (my, within_y, df_y)):
        extra = 1 - float(np.mean(1 / m))
        if df > 0 and extra > 0:
            coefficients.append(extra)
            squares.append(within)
            dfs.append(df)
    variance = float(np.dot(coefficients, squares))
    if variance <= ROUNDING**2:
        return failed("all differences are equal, so their spread can't be estimated")
    mean, se_mean = float(np.mean(d)), math.sqrt(between / n)
    half = t_quantile(n - 1, level) * se_mean
    sd, z = math.sqrt(variance), normal_quantile(coverage)
    low, high = combination_limits(coefficients, squares, dfs, level)
    down, up = z * (sd - math.sqrt(max(low, 0.0))), z * (math.sqrt(high) - sd)
    se_sd = math.sqrt(
        sum(2 * (c * v) ** 2 / k for c, v, k in zip(coefficients, squares, dfs, strict=True))
    ) / (2 * sd)
    se = math.hypot(se_mean, z * se_sd)

    def item(value: float, se: float, down: float, up: float, how: str) -> Estimate:
        ends = unit * (value - down), unit * (value + up)
        return estimate(unit * value, unit * se, *ends, n, level, how)

    return ReplicateLimits(
        n,
        item(mean, se_mean, half, half, "mean, t interval"),
        unit * sd,
        unit * math.sqrt(between),
        unit * math.sqrt(within_x) if df_x > 0 else NAN,
        unit * math.sqrt(within_y) if df_y > 0 else NAN,
        item(mean - z * sd, se, math.hypot(half, up), math.hypot(half, down), method),
        item(mean + z * sd, se, math.hypot(half, down), math.hypot(half, up), method),
        coverage,
    )
