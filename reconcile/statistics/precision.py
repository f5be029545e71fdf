"""Precision from duplicates and from several laboratories."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import (
    TOO_LARGE,
    Floats,
    check_level,
    estimate,
    interval_text,
    labels,
    pairs,
    percent,
    quiet,
    vector,
    with_unit,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.proportions import clopper_pearson
from reconcile.statistics.result import NAN, Estimate, not_estimable
from reconcile.statistics.variance_intervals import (
    chi_square_limits,
    combination_limits,
    standard_error,
)


def _positive_pairs(first: ArrayLike, second: ArrayLike) -> tuple[Floats, Floats]:
    a, b = pairs(first, second, ("first", "second"))
    keep = (a >= 0) & (b >= 0) & (a + b > 0)
    return a[keep], b[keep]


def _half_differences(a: Floats, b: Floats) -> Floats:
    """|a − b|/(a + b), formed so that it cannot overflow."""
    top = np.maximum(a, b)
    ratio = np.minimum(a, b) / top
    return np.asarray((1 - ratio) / (1 + ratio), dtype=np.float64)


def _spread_of_pair_cv(mean_square: float) -> float:
    """Degrees of freedom per pair of the mean squared pair CV, normal errors.

    CV_i² = c²·z²/(1 + c·w)² with z ~ N(0, 1) and w ~ N(0, 1/2) independent; its mean is
    c²·A1 and its second moment 3·c⁴·A2, A1 and A2 expanded in c.
    """
    square = mean_square
    for _ in range(20):
        square = mean_square / (1 + 1.5 * square + 3.75 * square**2)
    square = min(square, 0.35**2)
    a1 = 1 + 1.5 * square + 3.75 * square**2
    a2 = 1 + 5 * square + 26.25 * square**2
    return 2 / (3 * a2 / a1**2 - 1)


@quiet
def duplicate_cv(first: ArrayLike, second: ArrayLike, level: float = 0.95) -> Estimate:
    """CV_RMS of duplicates, as a fraction: sqrt(mean of (first − second)²/(2·mean²)).

    Stanley & Lawie (2007), Abzalov (2008). ``n`` counts pairs; pairs with a negative
    value or a zero mean are left out. Dividing by the pair's own mean inflates CV_RMS over
    the CV of a single result, under normal errors by 3 % of itself at CV 20 % and 8 % at
    30 %, and spreads it more than chi-square on n degrees of freedom. The interval is that
    of CV_RMS itself, with degrees of freedom lowered to match that spread; above a CV of
    about 30 % it is approximate.
    """
    check_level(level)
    a, b = _positive_pairs(first, second)
    method = "CV_RMS of duplicates, chi-square interval"
    n = a.size
    if n == 0:
        return not_estimable(0, "there is no pair of duplicates", method, level)
    variance = float(np.mean(2 * _half_differences(a, b) ** 2))
    if n < 2:
        return not_estimable(n, "fewer than two pairs of duplicates", method, level)
    if variance <= 1e-30:
        return not_estimable(n, "the duplicates are all equal", method, level)
    df = n * _spread_of_pair_cv(variance)
    low, high = chi_square_limits(variance, df, level)
    cv = math.sqrt(variance)
    return estimate(cv, cv / math.sqrt(2 * df), math.sqrt(low), math.sqrt(high), n, level, method)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class HalfDifferences:
    """Half absolute relative differences |a − b|/(a + b) of duplicates, as fractions."""

    n: int
    values: tuple[float, ...]
    mean: float
    median: float
    limit: float
    share_within: Estimate  # share of pairs at or below the limit
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"Duplicates could not be compared: {self.reason}."
        return (
            f"{interval_text(self.share_within, as_percent=True)} of {self.n} duplicate pairs "
            f"have a half relative difference of at most {percent(self.limit)}; median "
            f"{percent(self.median)}."
        )


@quiet
def hard(
    first: ArrayLike, second: ArrayLike, limit: float = 0.10, level: float = 0.95
) -> HalfDifferences:
    """Half absolute relative differences and the share within ``limit``.

    A convention of the mining trade (commonly 90 % of pairs within 10 % for pulps);
    common practice, no source. CV_RMS (:func:`duplicate_cv`) uses the data better.
    """
    check_level(level)
    a, b = _positive_pairs(first, second)
    if a.size == 0:
        why = "there is no pair of duplicates"
        nothing = not_estimable(0, why, "Clopper-Pearson, two-sided", level)
        return HalfDifferences(0, (), NAN, NAN, limit, nothing, why)
    values = _half_differences(a, b)
    within = int(np.sum(values <= limit * (1 + 1e-12)))
    return HalfDifferences(
        a.size,
        tuple(float(v) for v in values),
        float(values.mean()),
        float(np.median(values)),
        limit,
        clopper_pearson(within, a.size, level),
    )


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Precision:
    """Repeatability and reproducibility (SDs in the unit of the values)."""

    n: int
    n_laboratories: int
    mean: float
    s_r: Estimate  # repeatability SD
    s_between: float  # SD between laboratories; 0 where the estimate is negative
    s_R: Estimate
    n_bar: float  # the standard's average number of replicates
    f_ratio: float
    f_df: tuple[int, int]
    p_value: float
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"Repeatability and reproducibility could not be estimated: {self.reason}."
        return (
            f"Repeatability SD {interval_text(self.s_r, unit)}, reproducibility SD "
            f"{interval_text(self.s_R, unit)}, at a mean of {with_unit(self.mean, unit)} "
            f"({self.n_laboratories} laboratories, {self.n} results)."
        )


@quiet
def repeatability_reproducibility(
    values: ArrayLike, laboratory: ArrayLike, level: float = 0.95
) -> Precision:
    """s_r, s_L and s_R of one level (ISO 5725-2:1994, section 7.4).

    One-way analysis of variance over laboratories (or days, operators, instruments);
    a negative between-laboratory variance becomes zero as the standard says. The
    interval of s_r is exact; that of s_R is the modified large-sample one
    (Graybill & Wang 1980) on unweighted means. The mean is that of all results.
    """
    check_level(level)
    x = vector(values)
    codes = labels(laboratory, x.size, "laboratory")
    keep = np.isfinite(x)
    x, codes = x[keep], codes[keep]
    codes = np.unique(codes, return_inverse=True)[1] if x.size else codes
    counts = np.bincount(codes).astype(np.float64) if x.size else np.zeros(0)
    p, n = counts.size, x.size
    method = "ISO 5725-2"

    def failed(reason: str) -> Precision:
        nothing = not_estimable(n, reason, method, level)
        mean = float(x.mean()) if n else NAN
        return Precision(
            n,
            p,
            mean if math.isfinite(mean) else NAN,
            nothing,
            NAN,
            nothing,
            NAN,
            NAN,
            (0, 0),
            NAN,
            reason,
        )

    if p < 2:
        return failed("fewer than two laboratories")
    if n - p < 1:
        return failed("no laboratory repeated a measurement")
    size = float(np.abs(x).max())
    if not size < 1e150:
        return failed(TOO_LARGE)
    unit = size if size > 0 else 1.0
    # centred first: certified sets with nine equal leading digits lose them otherwise
    centre = float(x[0])
    z = (x - centre) / unit
    means = np.bincount(codes, weights=z) / counts
    grand = float(z.mean())
    within = float(np.sum((z - means[codes]) ** 2))
    between = float(np.sum(counts * (means - grand) ** 2))
    df_b, df_w = p - 1, n - p
    if within <= n * (4 * np.finfo(np.float64).eps) ** 2:
        return failed("replicates are all equal, so their scatter cannot be estimated")
    ms_w, ms_b = within / df_w, between / df_b
    n_bar = (n - float(np.sum(counts**2)) / n) / df_b
    var_l = max((ms_b - ms_w) / n_bar, 0.0)
    low_r, high_r = chi_square_limits(ms_w, df_w, level)
    s_r = math.sqrt(ms_w)
    item_r = estimate(
        s_r * unit,
        s_r * unit / math.sqrt(2 * df_w),
        math.sqrt(low_r) * unit,
        math.sqrt(high_r) * unit,
        n,
        level,
        "ISO 5725-2, chi-square interval",
    )
    # s_R² = between unweighted means + (1 − mean of 1/n_i)·within
    h = float(np.mean(1 / counts))
    ms_u = float(np.var(means, ddof=1))
    low_big, high_big = combination_limits((1.0, 1 - h), (ms_u, ms_w), (df_b, df_w), level)
    var_big = var_l + ms_w
    se = standard_error((1.0, 1 - h), (ms_u, ms_w), (df_b, df_w))
    s_big = math.sqrt(var_big)
    item_big = estimate(
        s_big * unit,
        se / (2 * s_big) * unit,
        math.sqrt(max(low_big, 0.0)) * unit,
        math.sqrt(max(high_big, 0.0)) * unit,
        n,
        level,
        "ISO 5725-2, modified large-sample interval",
    )
    f = ms_b / ms_w
    return Precision(
        n,
        p,
        grand * unit + centre,
        item_r,
        math.sqrt(var_l) * unit,
        item_big,
        n_bar,
        f,
        (df_b, df_w),
        float(stats.f.sf(f, df_b, df_w)),
    )
