"""Repeatability from replicates, and the ratio of two methods' error variances."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import (
    TOO_LARGE,
    check_level,
    estimate,
    interval_text,
    labels,
    quiet,
    show,
    vector,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN, Estimate, not_estimable
from reconcile.statistics.variance_intervals import chi_square_limits

Scale = Literal["absolute", "log"]


def _within(values: ArrayLike, sample: ArrayLike, log: bool) -> tuple[float, int, int, str]:
    """Pooled within-sample variance, its degrees of freedom, values used and why not."""
    x = vector(values)
    codes = labels(sample, x.size, "sample")
    keep = np.isfinite(x) & ((x > 0) if log else True)
    x, codes = x[keep], codes[keep]
    if x.size == 0:
        return NAN, 0, 0, "there is no positive value" if log else "there is no value"
    codes = np.unique(codes, return_inverse=True)[1]
    if log:
        x = np.log(x)
    counts = np.bincount(codes)
    df = int(x.size - counts.size)
    if df == 0:
        return NAN, 0, x.size, "no sample was measured more than once"
    size = float(np.abs(x).max())
    if not size < 1e150:
        return NAN, df, x.size, TOO_LARGE
    unit = size if size > 0 else 1.0
    means = np.bincount(codes, weights=x / unit) / counts
    ss = float(np.sum((x / unit - means[codes]) ** 2))
    # below rounding error of the values themselves the scatter is none
    if ss <= x.size * (4 * np.finfo(np.float64).eps) ** 2:
        return 0.0, df, x.size, "replicates are all equal, so their scatter cannot be estimated"
    return ss / df * unit * unit, df, x.size, ""


def _sd_estimate(
    variance: float, df: int, n: int, reason: str, level: float, method: str
) -> Estimate:
    if reason:
        return not_estimable(n, reason, method, level)
    low, high = chi_square_limits(variance, df, level)
    sd = math.sqrt(variance)
    return estimate(sd, sd / math.sqrt(2 * df), math.sqrt(low), math.sqrt(high), n, level, method)


@quiet
def replicate_sd(values: ArrayLike, sample: ArrayLike, level: float = 0.95) -> Estimate:
    """Pooled SD of replicates within samples, with its exact chi-square interval.

    Same unit as ``values``; ``n`` counts values, the degrees of freedom are values
    less samples. Assumes one SD at all levels and normal errors.
    """
    check_level(level)
    return _sd_estimate(
        *_within(values, sample, False), level, "pooled replicates, chi-square interval"
    )


@equal_with_nan
@dataclass(frozen=True, slots=True)
class VarianceRatio:
    """λ = var(error of field) / var(error of lab), each of the value that enters a pair."""

    ratio: Estimate
    field_sd: float  # of the value that enters a pair
    lab_sd: float
    field_df: int
    lab_df: int
    scale: str
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return (
                "The ratio of the two methods' error variances could not be estimated: "
                f"{self.reason}."
            )
        what = "relative error SD" if self.scale == "log" else "error SD"
        return (
            f"Error variance of field over lab: {interval_text(self.ratio)}, from {what} "
            f"{show(self.field_sd)} (field, {self.field_df} degrees of freedom) and "
            f"{show(self.lab_sd)} (lab, {self.lab_df})."
        )


@quiet
def variance_ratio_of_sds(
    field_sd: float,
    field_df: int,
    lab_sd: float,
    lab_df: int,
    scale: Scale = "absolute",
    level: float = 0.95,
) -> VarianceRatio:
    """λ from two error SDs (of the values that enter a pair) and their degrees of freedom.

    Exact F interval for independent normal errors (Snedecor & Cochran). ``ratio.se``
    is that of λ on the log scale times λ.
    """
    check_level(level)
    method = "ratio of pooled variances, F interval"

    def failed(reason: str) -> VarianceRatio:
        nothing = not_estimable(field_df + lab_df, reason, method, level)
        return VarianceRatio(nothing, field_sd, lab_sd, field_df, lab_df, scale, reason)

    for sd, df, name in ((field_sd, field_df, "field"), (lab_sd, lab_df, "lab")):
        if df < 1 or not math.isfinite(sd):
            return failed(f"no {name} replicates show the {name}'s error")
        if sd <= 0:
            return failed(f"the {name} replicates show no scatter")
    root = field_sd / lab_sd
    value = root * root  # a product overflows to infinity where a power raises
    alpha = (1 - level) / 2
    low = value / float(stats.f.isf(alpha, field_df, lab_df))
    high = value / float(stats.f.ppf(alpha, field_df, lab_df))
    se = value * math.sqrt(2 / field_df + 2 / lab_df)
    item = estimate(value, se, low, high, field_df + lab_df, level, method)
    if not item.estimable:
        return failed(item.reason)
    return VarianceRatio(item, field_sd, lab_sd, field_df, lab_df, scale)


@quiet
def error_variance_ratio(
    field_values: ArrayLike,
    field_sample: ArrayLike,
    lab_values: ArrayLike,
    lab_sample: ArrayLike,
    field_per_mean: float = 1.0,
    lab_per_mean: float = 1.0,
    scale: Scale = "absolute",
    level: float = 0.95,
) -> VarianceRatio:
    """λ for Deming regression from replicates of both methods.

    ``field_values`` and ``lab_values`` are single replicates with their sample labels;
    they need not be the samples of the pairs. ``field_per_mean`` and ``lab_per_mean``
    say how many replicates are averaged into the value that enters a pair (their
    harmonic mean where it varies). ``scale`` 'log' gives the ratio of relative variances.
    Replicates show repeatability only: where shots share one spot, average per spot first.
    """
    check_level(level)
    for k, name in ((field_per_mean, "field_per_mean"), (lab_per_mean, "lab_per_mean")):
        if not k >= 1:
            raise ValueError(f"{name} must be at least 1, got {k}")
    log = scale == "log"
    field_var, field_df, _, field_reason = _within(field_values, field_sample, log)
    lab_var, lab_df, _, lab_reason = _within(lab_values, lab_sample, log)
    field_sd = math.sqrt(field_var / field_per_mean) if field_var >= 0 else NAN
    lab_sd = math.sqrt(lab_var / lab_per_mean) if lab_var >= 0 else NAN
    reasons = [
        f"{name}: {why}" for name, why in (("field", field_reason), ("lab", lab_reason)) if why
    ]
    if reasons:
        why = "; ".join(reasons)
        nothing = not_estimable(
            field_df + lab_df, why, "ratio of pooled variances, F interval", level
        )
        return VarianceRatio(nothing, field_sd, lab_sd, field_df, lab_df, scale, why)
    return variance_ratio_of_sds(field_sd, field_df, lab_sd, lab_df, scale, level)
