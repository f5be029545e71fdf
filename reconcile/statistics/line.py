"""A fitted straight line: x is the laboratory, y the field method."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from reconcile.statistics._quantiles import t_quantile
from reconcile.statistics._values import (
    TOO_LARGE,
    Booleans,
    Floats,
    estimate,
    interval_text,
    point,
    quiet,
    vector,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN, Estimate, not_estimable

Covariance = tuple[tuple[float, float], tuple[float, float]]
NO_COVARIANCE: Covariance = ((NAN, NAN), (NAN, NAN))
ON_A_LINE = "the points lie on a line, so its error can't be estimated"
#: Spread below this share of the values is rounding, not scatter.
ROUNDING = 1e-13


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope x, with its uncertainty.

    ``covariance`` is that of (intercept, slope); ``residual_sd`` the scatter of y about
    the line, in the unit of y; ``lam`` = var(error of y)/var(error of x) where it entered;
    ``x_low`` … ``x_high`` the range of x that the line was fitted to.
    """

    method: str
    n: int
    intercept: Estimate
    slope: Estimate
    covariance: Covariance
    residual_sd: float
    x_low: float
    x_high: float
    lam: float = NAN
    weights_rule: str = ""
    reason: str = ""

    @quiet
    def predict(self, x: ArrayLike) -> Floats:
        """y on the line; NaN where there is no line."""
        return self.intercept.value + self.slope.value * vector(np.atleast_1d(x), "x")

    @quiet
    def invert(self, y: ArrayLike) -> Floats:
        """x on the line; not finite where the line is flat."""
        return (vector(np.atleast_1d(y), "y") - self.intercept.value) / self.slope.value

    def at(self, x: float) -> Estimate:
        """y on the line at one x, with the delta-method interval (t, n − 2)."""
        return self.combination(1.0, x, self.method)

    @quiet
    def combination(self, of_intercept: float, of_slope: float, method: str) -> Estimate:
        """A sum of multiples of intercept and slope, delta method, t with n − 2."""
        level = self.slope.level
        if not (self.slope.estimable and self.intercept.estimable):
            why = self.reason or self.slope.reason or self.intercept.reason
            return not_estimable(self.n, why, method, level)
        value = of_intercept * self.intercept.value + of_slope * self.slope.value
        (c00, c01), (_, c11) = self.covariance
        variance = of_intercept * of_intercept * c00 + of_slope * of_slope * c11
        variance += 2 * of_intercept * of_slope * c01
        known = 0 <= variance < math.inf and not math.isnan(self.slope.low)
        if self.n < 3 or not known:
            why = self.slope.reason or self.intercept.reason or "the line has no standard error"
            return point(value, self.n, method, why, level)
        se = math.sqrt(variance)
        # where the intervals of both allow for a poorly known variance, so does this one
        wider = [(e.high - e.low) / (2 * e.se) for e in (self.intercept, self.slope) if e.se > 0]
        half = max([t_quantile(self.n - 2, level), *([min(wider)] if len(wider) == 2 else [])]) * se
        return estimate(value, se, value - half, value + half, self.n, level, method)

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"No line by {self.method}: {self.reason}."
        text = (
            f"By {self.method}, field = {interval_text(self.intercept, unit)} + "
            f"{interval_text(self.slope)} × lab, n {self.n}"
        )
        why = self.slope.reason or self.intercept.reason
        return f"{text}; {why}." if why else f"{text}."


def no_line(method: str, n: int, reason: str, level: float, lam: float = NAN) -> Line:
    """A Line without numbers that says why."""
    nothing = not_estimable(n, reason, method, level)
    return Line(method, n, nothing, nothing, NO_COVARIANCE, NAN, NAN, NAN, lam, "", reason)


def trouble(x: Floats, y: Floats, fewest: int = 3) -> str:
    """Why no line can be fitted to these finite pairs; empty where one can."""
    if x.size < fewest:
        return f"fewer than {('zero', 'one', 'two', 'three', 'four', 'five')[fewest]} pairs"
    spread_x, spread_y = float(np.ptp(x)), float(np.ptp(y))
    if spread_x <= ROUNDING * float(np.abs(x).max()):
        return "all laboratory values are equal"
    if not (1e-130 < spread_x < 1e150 and (spread_y == 0 or 1e-130 < spread_y < 1e150)):
        return TOO_LARGE
    return ""


def flat(y: Floats) -> str:
    """Why a line with errors on both sides can't be fitted to these field values."""
    if float(np.ptp(y)) <= ROUNDING * float(np.abs(y).max()):
        return "all field values are equal"
    return ""


@quiet
def unfit(x: Floats, y: Floats, present: Booleans, fewest: int = 3) -> Booleans:
    """Which parts of these pairs (rows of ``present``, shape (rows, n)) allow no line.

    The same as :func:`trouble` and :func:`flat` part by part; all values must be finite.
    """

    def spread(values: Floats) -> tuple[Floats, Floats]:
        low = np.where(present, values, np.inf).min(axis=1)
        high = np.where(present, values, -np.inf).max(axis=1)
        return high - low, np.maximum(np.abs(low), np.abs(high))

    (of_x, size_x), (of_y, size_y) = spread(x), spread(y)
    sound = (of_x > ROUNDING * size_x) & (of_x > 1e-130) & (of_x < 1e150)
    sound &= (of_y > ROUNDING * size_y) & (of_y > 1e-130) & (of_y < 1e150)
    return np.asarray(~sound | (present.sum(axis=1) < fewest), dtype=np.bool_)


def on_a_line(x: Floats, y: Floats, a: float, b: float) -> bool:
    """Whether the residuals are no more than rounding."""
    size = float(np.abs(y).max()) + abs(b) * float(np.abs(x).max())
    return float(np.abs(y - a - b * x).max()) <= 4 * ROUNDING * size


def line_of(
    method: str,
    x: Floats,
    y: Floats,
    a: float,
    b: float,
    covariance: Covariance,
    level: float,
    lam: float = NAN,
    rule: str = "",
    freedom: tuple[float, float] | None = None,
) -> Line:
    """A Line with t intervals from its covariance.

    ``freedom``: degrees of freedom of the variances of intercept and slope, else n − 2.
    """
    n = int(x.size)
    if not (math.isfinite(a) and math.isfinite(b)):
        return no_line(method, n, "the slope is not determined by these pairs", level, lam)
    exact = on_a_line(x, y, a, b)

    def item(value: float, variance: float, df: float) -> Estimate:
        if exact:
            return point(value, n, method, ON_A_LINE, level)
        if not variance >= 0:
            return point(value, n, method, "its standard error can't be estimated", level)
        se = math.sqrt(variance)
        half = float(special.stdtrit(df, (1 + level) / 2)) * se
        return estimate(value, se, value - half, value + half, n, level, method)

    df = freedom or (n - 2.0, n - 2.0)
    sd = math.sqrt(float(np.sum((y - a - b * x) ** 2)) / (n - 2))
    return Line(
        method,
        n,
        item(a, covariance[0][0], df[0]),
        item(b, covariance[1][1], df[1]),
        covariance,
        sd,
        float(x.min()),
        float(x.max()),
        lam,
        rule,
    )
