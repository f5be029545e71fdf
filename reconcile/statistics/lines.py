"""Lines through paired results: x is the laboratory, y the field method.

Ordinary least squares stands for reference only; the others allow for errors on both
sides. Which line leads follows the written rule of ``choose_headline``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from reconcile.statistics._values import (
    TOO_LARGE,
    Floats,
    check_level,
    estimate,
    interval_text,
    pairs,
    point,
    quiet,
    same_length,
    show,
    vector,
)
from reconcile.statistics.result import NAN, Estimate, not_estimable

Covariance = tuple[tuple[float, float], tuple[float, float]]
NO_COVARIANCE: Covariance = ((NAN, NAN), (NAN, NAN))


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope x, with its uncertainty."""

    method: str
    n: int
    intercept: Estimate
    slope: Estimate
    covariance: Covariance  # of (intercept, slope)
    residual_sd: float  # of y about the line
    x_low: float
    x_high: float
    lam: float = NAN  # var(error of y)/var(error of x), where it entered
    weights_rule: str = ""
    reason: str = ""

    def predict(self, x: ArrayLike) -> Floats:
        """y on the line."""
        return self.intercept.value + self.slope.value * vector(np.atleast_1d(x), "x")

    def invert(self, y: ArrayLike) -> Floats:
        """x on the line."""
        return (vector(np.atleast_1d(y), "y") - self.intercept.value) / self.slope.value

    def at(self, x: float) -> Estimate:
        """y on the line at one x, with the delta-method interval (t, n - 2)."""
        level = self.slope.level
        if self.reason or not self.slope.estimable:
            return not_estimable(self.n, self.reason or self.slope.reason, self.method, level)
        value = self.intercept.value + self.slope.value * x
        (c00, c01), (_, c11) = self.covariance
        variance = c00 + 2 * x * c01 + x * x * c11
        if not variance >= 0 or self.n < 3:
            return point(value, self.n, self.method, "the line has no covariance", level)
        half = float(stats.t.ppf((1 + level) / 2, self.n - 2)) * math.sqrt(variance)
        return estimate(
            value, math.sqrt(variance), value - half, value + half, self.n, level, self.method
        )

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"No line by {self.method}: {self.reason}."
        return (
            f"By {self.method}, field = {interval_text(self.intercept, unit)} + "
            f"{interval_text(self.slope)} × lab, n {self.n}."
        )


def _no_line(method: str, n: int, reason: str, level: float, lam: float = NAN) -> Line:
    nothing = not_estimable(n, reason, method, level)
    return Line(method, n, nothing, nothing, NO_COVARIANCE, NAN, NAN, NAN, lam, "", reason)


def _trouble(x: Floats, y: Floats, fewest: int = 3) -> str:
    if x.size < fewest:
        return f"fewer than {('zero', 'one', 'two', 'three')[fewest]} pairs"
    if np.ptp(x) == 0:
        return "all laboratory values are equal"
    if not (np.ptp(x) < 1e150 and np.ptp(y) < 1e150):
        return TOO_LARGE
    return ""


def _line(
    method: str,
    x: Floats,
    y: Floats,
    a: float,
    b: float,
    covariance: Covariance,
    level: float,
    lam: float = NAN,
    rule: str = "",
) -> Line:
    """A Line with t intervals from its covariance."""
    n = x.size
    half = float(stats.t.ppf((1 + level) / 2, n - 2))

    def item(value: float, variance: float) -> Estimate:
        if not variance >= 0:
            return point(value, n, method, "no standard error", level)
        se = math.sqrt(variance)
        return estimate(value, se, value - half * se, value + half * se, n, level, method)

    if not (math.isfinite(a) and math.isfinite(b)):
        return _no_line(method, n, "the slope is not determined by these pairs", level, lam)
    residual = y - a - b * x
    sd = math.sqrt(float(np.sum(residual**2)) / (n - 2))
    return Line(
        method, n, item(a, covariance[0][0]), item(b, covariance[1][1]), covariance, sd,
        float(x.min()), float(x.max()), lam, rule,
    )  # fmt: skip


@quiet
def ols(x: ArrayLike, y: ArrayLike, level: float = 0.95) -> Line:
    """Ordinary least squares of y on x, t intervals. x is taken as free of error."""
    check_level(level)
    method = "ordinary least squares"
    u, v = pairs(x, y, ("x", "y"))
    if reason := _trouble(u, v):
        return _no_line(method, u.size, reason, level)
    return _least_squares(method, u, v, np.ones_like(u), level, "")


@quiet
def weighted_ols(x: ArrayLike, y: ArrayLike, weights: ArrayLike, level: float = 0.95) -> Line:
    """Weighted least squares of y on x; weights are proportional to 1/variance of y."""
    check_level(level)
    method = "weighted least squares"
    u, v, w = vector(x, "x"), vector(y, "y"), vector(weights, "weights")
    same_length(u, v, w, names=("x", "y", "weights"))
    keep = np.isfinite(u) & np.isfinite(v) & np.isfinite(w) & (w > 0)
    u, v, w = u[keep], v[keep], w[keep]
    if reason := _trouble(u, v):
        return _no_line(method, u.size, reason, level)
    return _least_squares(method, u, v, w, level, "given weights")


def _least_squares(method: str, x: Floats, y: Floats, w: Floats, level: float, rule: str) -> Line:
    total = float(np.sum(w))
    mx, my = float(np.sum(w * x)) / total, float(np.sum(w * y)) / total
    sxx = float(np.sum(w * (x - mx) ** 2))
    b = float(np.sum(w * (x - mx) * (y - my))) / sxx
    a = my - b * mx
    variance = float(np.sum(w * (y - a - b * x) ** 2)) / (x.size - 2)
    covariance = (
        (variance * (1 / total + mx * mx / sxx), -variance * mx / sxx),
        (-variance * mx / sxx, variance / sxx),
    )
    return _line(method, x, y, a, b, covariance, level, NAN, rule)


# ---- Deming -------------------------------------------------------------------------------


def _deming_slope(sxx: Floats, syy: Floats, sxy: Floats, lam: float) -> Floats:
    """Slope from central sums; where Sxy is 0 the slope is not determined."""
    d = syy - lam * sxx
    root = np.sqrt(d * d + 4 * lam * sxy * sxy)
    # the form without cancellation for either sign of d
    slope = np.where(d >= 0, (d + root) / (2 * sxy), 2 * lam * sxy / (root - d))
    return np.asarray(np.where(sxy == 0, NAN, slope), dtype=np.float64)


@quiet
def deming_point(x: ArrayLike, y: ArrayLike, lam: float) -> tuple[float, float]:
    """Intercept and slope of the Deming line, without intervals."""
    u, v = pairs(x, y, ("x", "y"))
    return _weighted_point(u, v, np.ones_like(u), lam)


def _weighted_point(x: Floats, y: Floats, w: Floats, lam: float) -> tuple[float, float]:
    total = float(np.sum(w))
    mx, my = float(np.sum(w * x)) / total, float(np.sum(w * y)) / total
    dx, dy = x - mx, y - my
    b = float(
        _deming_slope(
            np.array(np.sum(w * dx * dx)),
            np.array(np.sum(w * dy * dy)),
            np.array(np.sum(w * dx * dy)),
            lam,
        )
    )
    return my - b * mx, b


def _check_lambda(lam: float) -> str:
    if math.isnan(lam):
        return "the ratio of the error variances is not known"
    if not (lam > 0 and math.isfinite(lam)):
        return "the ratio of the error variances must be above zero"
    return ""


def _jackknife(
    method: str, x: Floats, y: Floats, a: float, b: float, loo: Floats, level: float,
    lam: float, rule: str,
) -> Line:  # fmt: skip
    """Line with the jackknife covariance of leave-one-out (intercept, slope), shape (n, 2)."""
    n = x.size
    pseudo = n * np.array([a, b]) - (n - 1) * loo
    matrix = np.cov(pseudo.T, ddof=1) / n
    covariance = (
        (float(matrix[0, 0]), float(matrix[0, 1])),
        (float(matrix[1, 0]), float(matrix[1, 1])),
    )
    return _line(method, x, y, a, b, covariance, level, lam, rule)


@quiet
def deming(
    x: ArrayLike,
    y: ArrayLike,
    lam: float,
    interval: Literal["jackknife"] = "jackknife",
    level: float = 0.95,
) -> Line:
    """Deming regression, errors of constant SD on both sides.

    ``lam`` = var(error of y)/var(error of x). Jackknife covariance, t with n - 2
    (Linnet 1993). Not estimable where ``lam`` is NaN: it is never taken as 1.
    """
    check_level(level)
    method = "Deming regression"
    u, v = pairs(x, y, ("x", "y"))
    reason = _check_lambda(lam) or _trouble(u, v)
    if reason:
        return _no_line(method, u.size, reason, level, lam)
    a, b = _weighted_point(u, v, np.ones_like(u), lam)
    n = u.size
    mx, my = float(np.mean(u)), float(np.mean(v))
    dx, dy = u - mx, v - my
    shrink = n / (n - 1)
    sxx = float(dx @ dx) - shrink * dx * dx
    syy = float(dy @ dy) - shrink * dy * dy
    sxy = float(dx @ dy) - shrink * dx * dy
    slopes = _deming_slope(sxx, syy, sxy, lam)
    loo = np.column_stack([(my - dy / (n - 1)) - slopes * (mx - dx / (n - 1)), slopes])
    return _jackknife(method, u, v, a, b, loo, level, lam, "")


_ROUNDS, _CLOSE = 200, 1e-12


def _weighted_rows(
    x: Floats, y: Floats, present: Floats, lam: float
) -> tuple[Floats, Floats]:
    """Weighted Deming for many subsets at once; ``present`` is (subsets, pairs) of 0 and 1.

    Weights 1/(estimated true level)² (Linnet 1990), repeated until the slope stands.
    """
    level = np.maximum((x + lam * y) / (1 + lam), 0)
    floor = 1e-9 * float(np.max(np.abs(level)))
    w = present / np.maximum(level, floor) ** 2
    b = np.full(present.shape[0], NAN)
    a = np.full(present.shape[0], NAN)
    for _ in range(_ROUNDS):
        total = w.sum(axis=1)
        mx, my = w @ x / total, w @ y / total
        sxx = w @ (x * x) / total - mx * mx
        syy = w @ (y * y) / total - my * my
        sxy = w @ (x * y) / total - mx * my
        new = _deming_slope(sxx, syy, sxy, lam)
        a = my - new * mx
        still = ~(np.abs(new - b) <= _CLOSE * np.abs(new))  # true at first, where b is NaN
        b = new
        if not still.any() and np.all(np.isfinite(b)):
            break
        residual = y - a[:, None] - b[:, None] * x
        true_x = x + b[:, None] * residual / (lam + b[:, None] ** 2)
        true_y = a[:, None] + b[:, None] * true_x
        middle = (true_x + lam * true_y) / (1 + lam)
        w = present / np.maximum(middle, floor) ** 2
    return a, b


@quiet
def weighted_deming_point(x: ArrayLike, y: ArrayLike, lam: float) -> tuple[float, float]:
    """Intercept and slope of the weighted Deming line, without intervals."""
    u, v = pairs(x, y, ("x", "y"))
    a, b = _weighted_rows(u, v, np.ones((1, u.size)), lam)
    return float(a[0]), float(b[0])


@quiet
def weighted_deming(
    x: ArrayLike,
    y: ArrayLike,
    lam: float,
    interval: Literal["jackknife"] = "jackknife",
    level: float = 0.95,
) -> Line:
    """Weighted Deming regression, errors of constant coefficient of variation.

    ``lam`` = (CV of y / CV of x)² (Linnet 1990, 1993). Needs values above zero.
    Jackknife covariance, t with n - 2.
    """
    check_level(level)
    method = "weighted Deming regression"
    rule = "1 / (estimated level)²"
    u, v = pairs(x, y, ("x", "y"))
    reason = _check_lambda(lam) or _trouble(u, v)
    if not reason and (np.any(u <= 0) or np.any(v <= 0)):
        reason = "weights by level need values above zero"
    if reason:
        return _no_line(method, u.size, reason, level, lam)
    n = u.size
    a, b = _weighted_rows(u, v, np.ones((1, n)), lam)
    loo = np.empty((n, 2))
    block = max(1, 4_000_000 // n)
    for start in range(0, n, block):
        stop = min(start + block, n)
        present = np.ones((stop - start, n))
        present[np.arange(stop - start), np.arange(start, stop)] = 0
        loo[start:stop, 0], loo[start:stop, 1] = _weighted_rows(u, v, present, lam)
    return _jackknife(method, u, v, float(a[0]), float(b[0]), loo, level, lam, rule)


@quiet
def york(
    x: ArrayLike,
    y: ArrayLike,
    sx: ArrayLike,
    sy: ArrayLike,
    r: ArrayLike | float = 0.0,
    level: float = 0.95,
) -> Line:
    """Line for points with their own SDs ``sx``, ``sy`` and error correlation ``r``.

    York, Evensen, Martínez & De Basabe 2004 (unified equations). The covariance is that
    of the given SDs, multiplied by the reduced chi-square where that is above 1.
    """
    check_level(level)
    method = "York regression"
    u, v = vector(x, "x"), vector(y, "y")
    p, q = vector(sx, "sx"), vector(sy, "sy")
    rho = np.broadcast_to(np.asarray(r, dtype=np.float64), u.shape).copy()
    same_length(u, v, p, q, names=("x", "y", "sx", "sy"))
    keep = np.isfinite(u) & np.isfinite(v) & (p > 0) & (q > 0) & np.isfinite(p) & np.isfinite(q)
    u, v, p, q, rho = u[keep], v[keep], p[keep], q[keep], rho[keep]
    if reason := _trouble(u, v):
        return _no_line(method, u.size, reason, level)
    wx, wy = 1 / p**2, 1 / q**2
    alpha = np.sqrt(wx * wy)
    b = _least_squares(method, u, v, wy, level, "").slope.value
    beta = u
    for _ in range(1000):
        w = wx * wy / (wx + b * b * wy - 2 * b * rho * alpha)
        mx, my = float(w @ u / w.sum()), float(w @ v / w.sum())
        du, dv = u - mx, v - my
        beta = w * (du / wy + b * dv / wx - (b * du + dv) * rho / alpha)
        new = float((w * beta) @ dv / ((w * beta) @ du))
        done = abs(new - b) <= 1e-15 * abs(new)
        b = new
        if done or not math.isfinite(b):
            break
    w = wx * wy / (wx + b * b * wy - 2 * b * rho * alpha)
    mx, my = float(w @ u / w.sum()), float(w @ v / w.sum())
    a = my - b * mx
    adjusted = mx + beta
    centre = float(w @ adjusted / w.sum())
    vb = 1 / float(w @ (adjusted - centre) ** 2)
    va = 1 / float(w.sum()) + centre**2 * vb
    scale = max(float(w @ (v - a - b * u) ** 2) / (u.size - 2), 1.0)
    covariance = ((va * scale, -centre * vb * scale), (-centre * vb * scale, vb * scale))
    return _line(method, u, v, a, b, covariance, level, NAN, "1 / (SD of each point)²")


# ---- ranks --------------------------------------------------------------------------------


def _slopes(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    i, j = np.triu_indices(x.size, 1)
    return x[j] - x[i], y[j] - y[i]


@quiet
def passing_bablok(
    x: ArrayLike, y: ArrayLike, level: float = 0.95, interval: bool = True
) -> Line:
    """Passing & Bablok 1983: shifted median of all pairwise slopes, rank intervals."""
    check_level(level)
    method = "Passing-Bablok regression"
    u, v = pairs(x, y, ("x", "y"))
    n = u.size
    if reason := _trouble(u, v):
        return _no_line(method, n, reason, level)
    dx, dy = _slopes(u, v)
    keep = (dx != 0) | (dy != 0)
    s = dy[keep] / dx[keep]
    s = np.sort(s[s != -1])
    below = int(np.sum(s < -1))
    count = s.size
    ranks = ((count + 1) // 2 + below, count // 2 + 1 + below)
    if count == 0 or ranks[1] > count:
        return _no_line(method, n, "field does not rise with lab", level)
    b = float((s[ranks[0] - 1] + s[ranks[1] - 1]) / 2)
    if not math.isfinite(b):
        return _no_line(method, n, "the slope is not determined by these pairs", level)
    a = float(np.median(v - b * u))
    width = float(stats.norm.ppf((1 + level) / 2)) * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = int(round((count - width) / 2))
    last = count - first + 1
    if first < 1 or last + below > count or not interval:
        why = "too few pairs for a rank interval" if interval else "no interval asked"
        slope, intercept = point(b, n, method, why, level), point(a, n, method, why, level)
    else:
        low, high = float(s[first + below - 1]), float(s[last + below - 1])
        z = float(stats.norm.ppf((1 + level) / 2))
        slope = estimate(b, (high - low) / 2 / z, low, high, n, level, method)
        ends = (float(np.median(v - high * u)), float(np.median(v - low * u)))
        intercept = estimate(a, (ends[1] - ends[0]) / 2 / z, *ends, n, level, method)
    centre = float(np.median(u))
    c11 = slope.se**2
    covariance = ((intercept.se**2, -centre * c11), (-centre * c11, c11))
    sd = float(stats.median_abs_deviation(v - a - b * u, scale="normal"))
    return Line(
        method, n, intercept, slope, covariance, sd, float(u.min()), float(u.max())
    )


@quiet
def theil_sen(x: ArrayLike, y: ArrayLike, level: float = 0.95) -> Line:
    """Median of the pairwise slopes (Theil 1950), interval by Kendall's score (Sen 1968)."""
    check_level(level)
    method = "Theil-Sen"
    u, v = pairs(x, y, ("x", "y"))
    n = u.size
    if reason := _trouble(u, v):
        return _no_line(method, n, reason, level)
    dx, dy = _slopes(u, v)
    s = np.sort(dy[dx != 0] / dx[dx != 0])
    b = float(np.median(s))
    a = float(np.median(v) - b * np.median(u))
    _, ties_x = np.unique(u, return_counts=True)
    _, ties_y = np.unique(v, return_counts=True)
    variance = (
        n * (n - 1) * (2 * n + 5)
        - float(np.sum(ties_x * (ties_x - 1) * (2 * ties_x + 5)))
        - float(np.sum(ties_y * (ties_y - 1) * (2 * ties_y + 5)))
    ) / 18
    z = float(stats.norm.ppf((1 + level) / 2))
    low = int(round((s.size - z * math.sqrt(max(variance, 0))) / 2)) - 1
    high = s.size - 1 - low
    if low < 0:
        slope = point(b, n, method, "too few pairs for a rank interval", level)
    else:
        slope = estimate(b, float(s[high] - s[low]) / 2 / z, float(s[low]), float(s[high]), n,
                         level, method)  # fmt: skip
    intercept = point(a, n, method, "no interval claimed", level)
    sd = float(stats.median_abs_deviation(v - a - b * u, scale="normal"))
    return Line(method, n, intercept, slope, NO_COVARIANCE, sd, float(u.min()), float(u.max()))


# ---- the written rule ---------------------------------------------------------------------

FEWEST_FOR_RANKS = 20


@dataclass(frozen=True, slots=True)
class Headline:
    """Which line leads, and the rule that says so."""

    method: str  # "deming", "weighted deming" or "passing-bablok"
    rule_text: str

    def sentence(self, unit: str = "") -> str:
        """The rule in words."""
        return self.rule_text


def choose_headline(structure: str, lam: float, n: int) -> Headline:
    """The written rule: error structure and λ decide, never the nicer result.

    ``structure``: constant SD, constant CV, mixed or unknown. Constant SD with a known
    ratio of error variances: Deming. Constant CV with a known ratio: weighted Deming.
    Anything else: Passing-Bablok, which needs neither.
    """
    if math.isfinite(lam) and lam > 0 and structure == "constant SD":
        return Headline(
            "deming",
            "Errors of constant size and a measured ratio of error variances "
            f"(λ = {show(lam)}): Deming regression leads.",
        )
    if math.isfinite(lam) and lam > 0 and structure == "constant CV":
        return Headline(
            "weighted deming",
            "Errors that grow with the level and a measured ratio of error variances "
            f"(λ = {show(lam)}): weighted Deming regression leads.",
        )
    why = (
        "The ratio of the error variances is not known"
        if not math.isfinite(lam)
        else "The structure of the errors is not known"
    )
    few = "" if n >= FEWEST_FOR_RANKS else f" With {n} pairs its interval is wide."
    return Headline(
        "passing-bablok", f"{why}: Passing-Bablok regression leads, which needs neither.{few}"
    )


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """Whether the line holds: largest influence, and the slope without the top sample."""

    n: int
    slope_without_top: float
    largest_influence: float  # change of the slope without one pair, in its standard errors
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"The line could not be examined: {self.reason}."
        return f"Without the highest sample the slope is {show(self.slope_without_top)}."


@quiet
def diagnostics(x: ArrayLike, y: ArrayLike, line: Line) -> Diagnostics:
    """Slope without the top sample (Passing-Bablok or Deming alike by its own λ)."""
    u, v = pairs(x, y, ("x", "y"))
    if u.size < 4 or line.reason:
        return Diagnostics(u.size, NAN, NAN, line.reason or "fewer than four pairs")
    keep = np.arange(u.size) != int(np.argmax(u))
    if line.method == "Deming regression":
        b = deming_point(u[keep], v[keep], line.lam)[1]
    elif line.method == "weighted Deming regression":
        b = weighted_deming_point(u[keep], v[keep], line.lam)[1]
    else:
        b = passing_bablok(u[keep], v[keep], interval=False).slope.value
    return Diagnostics(u.size, b, abs(b - line.slope.value) / line.slope.se)
