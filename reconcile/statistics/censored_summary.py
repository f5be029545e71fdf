"""Summaries of one method's values of which some are below a limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from reconcile.statistics import distributions as stats
from reconcile.statistics._likelihood import (
    LOG_ROOT_2PI,
    LogLikelihood,
    log_normal_interval,
    maximise,
    profile_limits,
    t_drop,
)
from reconcile.statistics._values import (
    TOO_LARGE,
    Booleans,
    Floats,
    Integers,
    check_level,
    estimate,
    flags,
    interval_text,
    point,
    quiet,
    same_length,
    show,
    vector,
    with_unit,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN, Estimate, not_estimable


def _left_censored(value: ArrayLike, nondetect: ArrayLike) -> tuple[Floats, Booleans]:
    v = vector(value, "value")
    c = flags(nondetect, "nondetect", v.size)
    keep = np.isfinite(v)
    return v[keep], c[keep]


@equal_with_nan
@dataclass(frozen=True, slots=True)
class KaplanMeier:
    """Distribution of left-censored values without a model.

    ``values`` are the distinct quantified values, ascending; ``cumulative`` is the
    share of the population below or at each; ``se`` Greenwood's standard error.
    """

    n: int
    n_nondetect: int
    values: tuple[float, ...]
    cumulative: tuple[float, ...]
    se: tuple[float, ...]
    mean: Estimate  # no interval is claimed
    mean_low: float  # with the unplaced share at zero
    mean_high: float  # with the unplaced share at its lowest limit
    median: Estimate
    unplaced: float  # share known only to lie below every quantified value
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One or two plain sentences."""
        if self.reason:
            return f"The distribution could not be estimated: {self.reason}."
        head = f"{self.n_nondetect} of {self.n} values lie below their limits. "
        if self.mean.estimable:
            mean = f"Mean {with_unit(self.mean.value, unit)}"
        else:
            mean = (
                f"The mean lies between {with_unit(self.mean_low, unit)} and "
                f"{with_unit(self.mean_high, unit)}"
            )
        return f"{head}{mean}; median {interval_text(self.median, unit)} (Kaplan-Meier)."


@quiet
def kaplan_meier(value: ArrayLike, nondetect: ArrayLike, level: float = 0.95) -> KaplanMeier:
    """Kaplan-Meier for left-censored values, by flipping (Helsel 2012, chapter 6).

    ``value`` holds the value or, where ``nondetect``, the limit. A value equal to a limit
    counts as at or above it. Greenwood's variance; the median's interval inverts the
    curve's on the arcsine-root scale (Brookmeyer & Crowley 1982; Borgan & Liestøl 1990,
    from memory), which by simulation keeps closer to its level than the plain or the
    log-log one. The mean is the area under the curve;
    its interval is not claimed, as the normal one falls short of its level for skewed
    values (use :func:`lognormal_mle`). Where the lowest values are all non-detects part
    of the distribution is unplaced, and only bounds of the mean are given.
    """
    check_level(level)
    v, c = _left_censored(value, nondetect)
    n, censored = v.size, int(np.sum(c))

    def failed(reason: str) -> KaplanMeier:
        e = not_estimable(n, reason, "Kaplan-Meier", level)
        return KaplanMeier(n, censored, (), (), (), e, NAN, NAN, e, NAN, reason)

    if n == 0:
        return failed("there is no value")
    if censored == n:
        return failed("every value lies below its limit")
    size = float(np.abs(v).max())
    if not size < 1e150:
        return failed(TOO_LARGE)
    distinct, where = np.unique(v, return_inverse=True)
    detects = np.bincount(where[~c], minlength=distinct.size).astype(np.float64)
    # at risk at x, going down: every value or limit at or below x; a limit equal to x
    # stands just below it
    at_risk = np.cumsum(np.bincount(where, minlength=distinct.size)).astype(np.float64)
    step = np.where(detects > 0, 1 - detects / at_risk, 1.0)
    # F just below x is the product of the steps at x and above; F at x excludes x itself
    below: Floats = np.cumprod(step[::-1])[::-1].astype(np.float64)
    at = np.append(below[1:], 1.0)
    with np.errstate(all="ignore"):
        terms = np.where(detects > 0, detects / (at_risk * (at_risk - detects)), 0.0)
    greenwood = np.append(np.cumsum(terms[::-1])[::-1][1:], 0.0)
    has = detects > 0
    mass = np.where(has, at - below, 0.0)
    unplaced = float(below[has][0])
    placed_mean = float(mass @ (distinct / size if size > 0 else distinct)) * (size or 1.0)
    if unplaced <= 1e-12:
        unplaced, low, high = 0.0, placed_mean, placed_mean
        mean = Estimate(
            placed_mean,
            _mean_se(distinct, at, detects, at_risk),
            NAN,
            NAN,
            n,
            level,
            "Kaplan-Meier",
            "no interval is claimed for the mean of skewed values",
        )
    else:
        first = float(distinct[has][0])
        lowest = float(np.max(v[c & (v <= first)])) if np.any(c & (v <= first)) else first
        low, high = placed_mean, placed_mean + unplaced * lowest
        mean = not_estimable(
            n,
            "the lowest values are all below limits, so the mean is only bounded",
            "Kaplan-Meier",
            level,
        )
    curve, error = at[has], np.sqrt(greenwood[has]) * at[has]
    values = np.asarray(distinct[has], dtype=np.float64)
    median = _median(values, curve, error, below[has], n, level)
    return KaplanMeier(
        n,
        censored,
        tuple(distinct[has].tolist()),
        tuple(curve.tolist()),
        tuple(error.tolist()),
        mean,
        low,
        high,
        median,
        unplaced,
    )


def _mean_se(distinct: Floats, at: Floats, detects: Floats, at_risk: Floats) -> float:
    """Greenwood-type standard error of the mean: areas below each step."""
    width = np.diff(distinct, prepend=distinct[0])
    # area under F from the lowest value up to x
    before = np.append(0.0, at[:-1])
    area = np.cumsum(width * before)
    with np.errstate(all="ignore"):
        terms = area**2 * detects / (at_risk * (at_risk - detects))
    terms = np.where((detects > 0) & (at_risk > detects), terms, 0.0)
    return float(np.sqrt(np.sum(terms)))


def _median(
    values: Floats, curve: Floats, error: Floats, below: Floats, n: int, level: float
) -> Estimate:
    method = "Kaplan-Meier median, arcsine interval"
    if below[0] >= 0.5:
        return not_estimable(n, "more than half lies below the quantified values", method, level)
    centre = float(values[np.argmax(curve >= 0.5 - 1e-12)])
    if abs(curve[np.argmax(curve >= 0.5 - 1e-12)] - 0.5) < 1e-12:
        after = np.flatnonzero(curve > 0.5 + 1e-12)
        if after.size:
            centre = (centre + float(values[after[0]])) / 2
    z = float(stats.norm.isf((1 - level) / 2))
    # x stays in the interval while F(x) or F just below x cannot be told from one half
    inner = (curve > 0) & (curve < 1) & (error > 0)
    share = np.where(inner, curve, 0.5)
    gap = np.arcsin(np.sqrt(share)) - math.asin(math.sqrt(0.5))
    score = gap * 2 * np.sqrt(share * (1 - share)) / np.where(inner, error, 1.0)
    small = np.where(inner, score < -z, curve <= 0)
    large = np.where(inner, score > z, curve >= 1)
    low_at, high_at = np.flatnonzero(~small), np.flatnonzero(large)
    # the top step has F = 1 and so always ends the interval above
    low = float(values[low_at[0]]) if low_at.size else NAN
    high = float(values[high_at[0]]) if high_at.size else NAN
    if low_at.size and low_at[0] == 0:
        return point(centre, n, method, "too few values below the median for an interval", level)
    if high_at.size and high_at[0] == values.size - 1 and not inner[-1] and values.size < 2:
        return point(centre, n, method, "too few values for an interval", level)
    return estimate(centre, NAN, low, high, n, level, method)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class OrderStatistics:
    """Regression on order statistics: a line through the quantified values' logarithms."""

    n: int
    n_nondetect: int
    intercept: float  # mean of ln value
    slope: float  # SD of ln value
    fitted: tuple[float, ...]  # all values ascending, non-detects replaced by the model's
    mean: float
    sd: float
    median: float
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"The summary of values below limits could not be made: {self.reason}."
        return (
            f"With the {self.n_nondetect} of {self.n} values below their limits modelled on the "
            f"others, mean {with_unit(self.mean, unit)}, SD {with_unit(self.sd, unit)}, median "
            f"{with_unit(self.median, unit)} (regression on order statistics; no interval)."
        )


def plotting_positions(value: Floats, nondetect: Booleans) -> Floats:
    """Weibull-type positions for several detection limits (Helsel & Cohn 1988, appendix)."""
    limits = np.unique(value[nondetect])
    bins = np.searchsorted(limits, value, side="right")  # limits at or below the value
    positions = np.empty(value.size)
    # exceedance probability at each limit, from the top; a last one at minus infinity
    exceed = np.zeros(limits.size + 1)
    edges = np.append(limits, np.inf)
    counts = [
        int(np.sum(~nondetect & (value >= edges[j]) & (value < edges[j + 1])))
        for j in range(limits.size)
    ]
    for j in range(limits.size - 1, -1, -1):
        under = int(np.sum(~nondetect & (value < limits[j]))) + int(
            np.sum(nondetect & (value <= limits[j]))
        )
        total = counts[j] + under
        share = counts[j] / total if total else 0.0
        exceed[j] = exceed[j + 1] + share * (1 - exceed[j + 1])
    lowest = np.append(1.0, exceed[:-1]) if limits.size else np.array([1.0, 0.0])
    upper = exceed if limits.size else np.array([0.0, 0.0])
    for j in range(limits.size + 1):
        inside = np.flatnonzero(~nondetect & (bins == j))
        top = lowest[j] if limits.size else 1.0
        bottom = upper[j] if limits.size else 0.0
        order = inside[np.argsort(value[inside], kind="stable")]
        rank = np.arange(1, order.size + 1)
        positions[order] = (1 - top) + (top - bottom) * rank / (order.size + 1)
    for j, limit in enumerate(limits):
        inside = np.flatnonzero(nondetect & (value == limit))
        rank = np.arange(1, inside.size + 1)
        positions[inside] = (1 - exceed[j]) * rank / (inside.size + 1)
    return positions


@quiet
def regression_on_order_statistics(value: ArrayLike, nondetect: ArrayLike) -> OrderStatistics:
    """Robust regression on order statistics (Helsel & Cohn 1988, WRR 24:1997).

    ``value`` holds the value or, where ``nondetect``, the limit; all must be positive.
    Non-detects are given values from the log-normal line for the summary only, never for
    a pair. A limit above every quantified value carries no rank and is lowered to
    nothing: such values are left out and counted in ``reason`` if too many.
    """
    v, c = _left_censored(value, nondetect)
    keep = v > 0
    v, c = v[keep], c[keep]
    n, censored = v.size, int(np.sum(c))

    def failed(reason: str) -> OrderStatistics:
        return OrderStatistics(n, censored, NAN, NAN, (), NAN, NAN, NAN, reason)

    if n - censored < 3:
        return failed("fewer than three quantified positive values")
    top = float(v[~c].max())
    usable = ~(c & (v > top))
    v, c = v[usable], c[usable]
    n, censored = v.size, int(np.sum(c))
    if censored > 0.8 * n:
        return failed("more than 80 % of the values lie below their limits")
    order = np.lexsort((~c, v))
    v, c = v[order], c[order]
    logs = np.log(v)
    if np.ptp(logs[~c]) <= 1e-12:
        return failed("all quantified values are equal")
    q = special.ndtri(plotting_positions(v, c))
    qd, ld = q[~c], logs[~c]
    slope = float((qd - qd.mean()) @ (ld - ld.mean()) / ((qd - qd.mean()) @ (qd - qd.mean())))
    intercept = float(ld.mean() - slope * qd.mean())
    fitted = np.sort(np.where(c, np.exp(intercept + slope * q), v))
    mean, sd = float(fitted.mean()), float(fitted.std(ddof=1))
    if not (math.isfinite(mean) and math.isfinite(sd)):
        return failed(TOO_LARGE)
    return OrderStatistics(
        n, censored, intercept, slope, tuple(fitted.tolist()), mean, sd, float(np.median(fitted))
    )


@equal_with_nan
@dataclass(frozen=True, slots=True)
class LogNormalFit:
    """Log-normal distribution by maximum likelihood with censored values kept."""

    n: int
    n_censored: int
    mu: float  # of ln value
    sigma: float  # of ln value, divisor n
    mean: Estimate  # arithmetic
    sd: float
    median: Estimate  # geometric mean
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"A log-normal distribution could not be fitted: {self.reason}."
        return (
            f"Mean {interval_text(self.mean, unit)}, median {interval_text(self.median, unit)}, "
            f"with {self.n_censored} of {self.n} values beyond a limit kept as such "
            f"(log-normal, SD of logarithms {show(self.sigma)})."
        )


def _marginal(
    study: Integers, studies: int, low: Floats, high: Floats, mean_scale: bool
) -> LogLikelihood:
    """θ = (μ, ln σ), or (μ + σ²/2, ln σ) where ``mean_scale``."""
    exact = low == high
    at_exact: NDArray[np.int64] = np.flatnonzero(exact)
    at_interval: NDArray[np.int64] = np.flatnonzero(~exact)

    def f(theta: Floats) -> tuple[Floats, Floats]:
        sigma = np.exp(theta[:, 1])
        shift = sigma**2 / 2 if mean_scale else np.zeros(studies)
        mu = theta[:, 0] - shift
        total, d_mu, d_ls = np.zeros(studies), np.zeros(studies), np.zeros(studies)
        for at, is_exact in ((at_exact, True), (at_interval, False)):
            if not at.size:
                continue
            w = study[at]
            if is_exact:
                u = (low[at] - mu[w]) / sigma[w]
                value = -LOG_ROOT_2PI - theta[w, 1] - 0.5 * u * u
                by_mu, by_ls = u / sigma[w], u * u - 1
            else:
                a, b = (low[at] - mu[w]) / sigma[w], (high[at] - mu[w]) / sigma[w]
                value, by_a, by_b = log_normal_interval(a, b)
                a0, b0 = np.where(np.isfinite(a), a, 0.0), np.where(np.isfinite(b), b, 0.0)
                by_mu, by_ls = -(by_a + by_b) / sigma[w], -(by_a * a0 + by_b * b0)
            total += np.bincount(w, weights=value, minlength=studies)
            d_mu += np.bincount(w, weights=by_mu, minlength=studies)
            d_ls += np.bincount(w, weights=by_ls, minlength=studies)
        if mean_scale:
            d_ls = d_ls - d_mu * sigma**2
        far = np.abs(theta).max(axis=1) > 80
        return np.where(far, -np.inf, total), np.stack([d_mu, d_ls], axis=1)

    return f


@quiet
def batch_lognormal(
    study: Integers,
    studies: int,
    low: Floats,
    high: Floats,
    level: float = 0.95,
    mean_scale: bool = False,
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Parameter, ln σ, standard error and profile limits per study; bounds in logarithms."""
    middle = np.where(np.isneginf(low), high - 0.7, np.where(np.isposinf(high), low + 0.7, 0.0))
    middle = np.where(np.isfinite(low) & np.isfinite(high), (low + high) / 2, middle)
    n = np.bincount(study, minlength=studies).astype(np.float64)
    mean = np.bincount(study, weights=middle, minlength=studies) / n
    var = np.bincount(study, weights=(middle - mean[study]) ** 2, minlength=studies) / n
    ls = 0.5 * np.log(np.maximum(var, 1e-12))
    start = np.stack([mean + (np.exp(2 * ls) / 2 if mean_scale else 0.0), ls], axis=1)
    f = _marginal(study, studies, low, high, mean_scale)
    top = maximise(f, start)
    inverse = np.full((studies, 2, 2), np.nan)
    if top.converged.any():
        inverse[top.converged] = np.linalg.inv(top.hessian[top.converged])
    se = np.sqrt(np.where(inverse[:, 0, 0] > 0, inverse[:, 0, 0], np.nan))
    quantified = np.bincount(study, weights=low == high, minlength=studies)
    ends = profile_limits(f, top, 0, se, t_drop(np.maximum(quantified, 3.0), level))
    return top.theta[:, 0], top.theta[:, 1], se, ends[0], ends[1]


@quiet
def lognormal_mle(low: ArrayLike, high: ArrayLike, level: float = 0.95) -> LogNormalFit:
    """Mean and median of a log-normal distribution, censored values kept.

    Every value lies between its bounds (equal for a quantified one; 0 and the limit for
    '<'; the limit and infinity for '>'). Maximum likelihood (Helsel 2012, chapter 6);
    profile-likelihood intervals with the drop that is exact for the mean of uncensored
    logarithms. ``sd`` is that of the fitted distribution.
    """
    check_level(level)
    a, b = vector(low, "low"), vector(high, "high")
    same_length(a, b, names=("low", "high"))
    keep = ~(np.isnan(a) | np.isnan(b)) & (a <= b) & (b > 0) & (a < np.inf)
    keep &= ~((a <= 0) & (a == b)) & ~((a <= 0) & np.isposinf(b))
    a, b = np.maximum(a[keep], 0.0), b[keep]
    exact = a == b
    n, censored = a.size, int(np.sum(~exact))
    method = "maximum likelihood, censored log-normal"

    def failed(reason: str) -> LogNormalFit:
        e = not_estimable(n, reason, method, level)
        return LogNormalFit(n, censored, NAN, NAN, e, NAN, e, reason)

    if n - censored < 3:
        return failed("fewer than three quantified positive values")
    la, lb = np.log(a), np.log(b)
    if np.ptp(la[exact]) <= 1e-9:
        return failed("all quantified values are equal")
    study = np.zeros(n, dtype=np.int64)
    mu, ls, se, lo, hi = (float(v[0]) for v in batch_lognormal(study, 1, la, lb, level))
    if not (math.isfinite(se) and math.isfinite(mu)):
        return failed("the likelihood has no clear maximum; too few values are quantified")
    sigma = math.exp(ls)
    _, _, se_mean, lo_mean, hi_mean = (
        float(v[0]) for v in batch_lognormal(study, 1, la, lb, level, mean_scale=True)
    )
    log_mean = mu + sigma * sigma / 2
    if log_mean > 300 or sigma > 15:
        return failed("the values spread too far for a mean")
    mean, median = math.exp(log_mean), math.exp(mu)

    def item(value: float, error: float, lower: float, upper: float) -> Estimate:
        if not (math.isfinite(lower) and math.isfinite(upper)):
            return point(value, n, method, "the values do not bound it on both sides", level)
        top = math.exp(upper) if upper < 700 else math.inf
        return estimate(value, value * error, math.exp(lower), top, n, level, method)

    sd = mean * math.sqrt(math.expm1(sigma * sigma))
    return LogNormalFit(
        n,
        censored,
        mu,
        sigma,
        item(mean, se_mean, lo_mean, hi_mean),
        sd,
        item(median, se, lo, hi),
    )
