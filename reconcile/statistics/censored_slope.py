"""Slope of a line through censored pairs without a distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import (
    Floats,
    check_level,
    estimate,
    interval_text,
    point,
    quiet,
    same_length,
    show,
    vector,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN, Estimate, not_estimable
from reconcile.statistics.turnbull_masses import turnbull

Signs = NDArray[np.int8]

LARGEST = 4000  # pairs of pairs grow with the square


@equal_with_nan
@dataclass(frozen=True, slots=True)
class CensoredLine:
    """Line y = intercept + slope·x through censored pairs (logarithms where ``scale`` 'log')."""

    scale: str
    n: int
    n_censored: int  # pairs with at least one censored value
    n_comparable: int  # pairs of pairs whose order in x is known
    slope: Estimate
    intercept: Estimate
    tau: float  # Kendall's correlation of y and x, undecided pairs counted as ties
    p_value: float  # slope zero
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"A slope through censored pairs could not be estimated: {self.reason}."
        on = " of the logarithms" if self.scale == "log" else ""
        return (
            f"Slope{on} {interval_text(self.slope)} with {self.n_censored} of {self.n} pairs "
            f"censored (Kendall's tau {show(self.tau)}; it does not allow for the lab's error, "
            "which flattens it)."
        )


def _known_sign(low: Floats, high: Floats) -> Signs:
    """Sign of item i less item j where the bounds decide it, else 0; shape (n, n)."""
    closed = low == high
    above = (low[:, None] > high[None, :]) | (
        (low[:, None] == high[None, :]) & ~(closed[:, None] & closed[None, :])
    )
    return np.asarray(above.astype(np.int8) - above.T.astype(np.int8))


def score_variance(a: Signs, b: Signs) -> float:
    """Permutation variance of sum over i<j of a_ij·b_ij (Daniels 1944; Kendall & Gibbons 1990).

    ``a`` and ``b`` are antisymmetric score matrices.
    """
    n = a.shape[0]
    if n < 3:
        return NAN
    row_a, row_b = (m.sum(axis=1, dtype=np.int64).astype(np.float64) for m in (a, b))
    sa, sb = float(row_a @ row_a), float(row_b @ row_b)
    qa, qb = float(np.count_nonzero(a)), float(np.count_nonzero(b))
    total = 4 * (sa - qa) * (sb - qb) / (n * (n - 1) * (n - 2)) + 2 * qa * qb / (n * (n - 1))
    return float(total / 4)  # the full double sum counts every pair twice


def _ends(xl: Floats, xh: Floats, yl: Floats, yh: Floats) -> Floats:
    """The slopes at which two residuals stop to rise for sure, and begin to fall for sure.

    Two of every pair of pairs whose order in x is known (see ``_known_sign``), in no order. In
    the order of their upper bounds, those below one x are the first so many.
    """
    closed = xl == xh
    order = np.lexsort((closed, xh))  # at one bound open ones first: they are below a value there
    upper, shut = xh[order], closed[order]
    below = np.searchsorted(upper, xl, side="left")
    level = np.searchsorted(upper, xl, side="right")
    opened = np.concatenate([[0], np.cumsum(~shut)])
    counts = np.where(closed, below + opened[level] - opened[below], level)
    low_x, low_y, high_y = xl[order], yl[order], yh[order]
    ends = np.empty(2 * int(counts.sum()))
    done = 0
    for i in np.flatnonzero(counts):
        many = int(counts[i])
        dx_low, dx_high = np.maximum(xl[i] - upper[:many], 0.0), xh[i] - low_x[:many]
        dy_low, dy_high = yl[i] - high_y[:many], yh[i] - low_y[:many]
        # residuals surely rise while slope < rise, surely fall once slope > fall
        rise = dy_low / np.where(dy_low > 0, dx_high, dx_low)
        fall = dy_high / np.where(dy_high > 0, dx_low, dx_high)
        lost = np.isnan(rise)
        if lost.any():
            rise[lost] = np.where(dy_low[lost] >= 0, 0.0, -np.inf)
        lost = np.isnan(fall)
        if lost.any():
            fall[lost] = np.where(dy_high[lost] <= 0, 0.0, np.inf)
        ends[done : done + many], ends[done + many : done + 2 * many] = rise, fall
        done += 2 * many
    return ends


@quiet
def akritas_theil_sen(
    x_low: ArrayLike,
    x_high: ArrayLike,
    y_low: ArrayLike,
    y_high: ArrayLike,
    scale: Literal["absolute", "log"] = "log",
    level: float = 0.95,
) -> CensoredLine:
    """Theil-Sen slope with censoring on either variable (Akritas, Murphy & LaValley 1995).

    The slope at which Kendall's score between x and the residuals is zero, a pair of pairs
    counting only where the bounds decide its order. For every comparable pair of pairs the
    residuals are surely rising below one slope and surely falling above another; the score
    is zero at the median of all those ends, so the search is exact. The interval inverts
    the score with its permutation variance. Bounds as in the other functions; ``scale``
    'log' uses natural logarithms of positive bounds. The intercept is the median of the
    residuals by Turnbull's (1976) estimate; no interval is claimed for it. With y censored
    the score is centred on the true slope; with x censored too it is not quite, and the
    interval covers 1 to 2 % less than its level. Errors in x flatten the slope, as with any
    least-squares or rank line.
    """
    check_level(level)
    names = ("x_low", "x_high", "y_low", "y_high")
    arrays = [vector(v, n) for v, n in zip((x_low, x_high, y_low, y_high), names, strict=True)]
    same_length(*arrays, names=names)
    keep = ~np.isnan(np.stack(arrays)).any(axis=0)
    for low, high in ((arrays[0], arrays[1]), (arrays[2], arrays[3])):
        keep &= (low <= high) & ~(np.isinf(low) & (low == high))
        if scale == "log":
            keep &= (high > 0) & ~((low <= 0) & (low == high))
    xl, xh, yl, yh = (v[keep] for v in arrays)
    if scale == "log":
        xl, xh, yl, yh = (np.log(np.maximum(v, 0.0)) for v in (xl, xh, yl, yh))
    n = xl.size
    censored = int(np.sum((xl < xh) | (yl < yh)))
    method = "Akritas-Theil-Sen"

    def failed(reason: str, comparable: int = 0) -> CensoredLine:
        e = not_estimable(n, reason, method, level)
        return CensoredLine(scale, n, censored, comparable, e, e, NAN, NAN, reason)

    if n < 3:
        return failed("fewer than three pairs")
    if n > LARGEST:
        return failed(f"more than {LARGEST} pairs; the method compares every pair with every other")
    sign_x = _known_sign(xl, xh)
    ends = _ends(xl, xh, yl, yh)
    m = ends.size // 2
    if m == 0:
        return failed("no two pairs have laboratory values whose order is known")
    ends.partition([m - 1, m])
    middle_two = ends[m - 1 : m + 1]
    slope = float(middle_two.mean()) if np.isfinite(middle_two).all() else NAN
    if not math.isfinite(slope):
        return failed("too many values are censored for their order to fix a slope", m)
    r_low, r_high = _residuals(xl, xh, yl, yh, slope)
    # at the very slope some residuals tie by construction; a hair beside it they do not,
    # and only the pairs that censoring leaves undecided remain undecided
    finite = np.isfinite(ends)
    width = np.max(ends, where=finite, initial=-np.inf) - np.min(ends, where=finite, initial=np.inf)
    hair = 1e-9 * max(float(width), abs(slope), 1e-12)
    sign_r = _known_sign(*_residuals(xl, xh, yl, yh, slope + hair))
    variance = score_variance(sign_x, sign_r)
    half = float(stats.norm.isf((1 - level) / 2)) * math.sqrt(variance) if variance > 0 else NAN
    item = point(slope, n, method, "the pairs are too few or too alike for an interval", level)
    if math.isfinite(half):
        lower, upper = math.floor(m - half), math.ceil(m + half) + 1
        if lower >= 1 and upper <= 2 * m:
            ends.partition([lower - 1, upper - 1])
            bottom, top = float(ends[lower - 1]), float(ends[upper - 1])
            if math.isfinite(bottom) and math.isfinite(top):
                z = float(stats.norm.isf((1 - level) / 2))
                item = estimate(slope, (top - bottom) / (2 * z), bottom, top, n, level, method)
    middle = turnbull(r_low, r_high).median()
    intercept = (
        point(middle, n, method, "no interval is claimed for the intercept", level)
        if math.isfinite(middle)
        else not_estimable(n, "the median residual lies beyond a limit", method, level)
    )
    sign_y = _known_sign(yl, yh)
    score = float(np.sum(sign_x * sign_y, dtype=np.int64) / 2)
    tau = score / (n * (n - 1) / 2)
    var0 = score_variance(sign_x, sign_y)
    z0 = (abs(score) - 1) / math.sqrt(var0) if var0 > 0 else NAN
    p = float(2 * stats.norm.sf(max(z0, 0.0))) if math.isfinite(z0) else NAN
    return CensoredLine(scale, n, censored, m, item, intercept, tau, min(p, 1.0), "")


def _residuals(
    xl: Floats, xh: Floats, yl: Floats, yh: Floats, slope: float
) -> tuple[Floats, Floats]:
    """Bounds of y − slope·x."""
    if slope == 0:
        return yl, yh
    first, last = (xh, xl) if slope > 0 else (xl, xh)
    return yl - slope * first, yh - slope * last
