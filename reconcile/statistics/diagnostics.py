"""Whether a line holds: straightness, scatter, single influential pairs, thirds of the range."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import Floats, interval_text, pairs, quiet, show, with_unit
from reconcile.statistics.deming import (
    DEMING,
    WEIGHTED_DEMING,
    deming,
    deming_point,
    weighted_deming,
    weighted_deming_point,
    weighted_deming_slopes,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.least_squares import ols, polynomial
from reconcile.statistics.line import Line, on_a_line
from reconcile.statistics.passing_bablok import (
    PASSING_BABLOK,
    THEIL_SEN,
    CusumLinearity,
    cusum_linearity,
    passing_bablok,
    theil_sen,
)
from reconcile.statistics.result import NAN, Estimate, not_estimable

ALPHA = 0.05
FEWEST_IN_THIRD = 6
#: Of more pairs than this only those with the largest pull are left out one by one; ranks
#: are moved little by any.
LEFT_OUT, LEFT_OUT_OF_RANKS = 30, 8


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Third:
    """The line fitted to one third of the pairs, by lab value."""

    x_low: float
    x_high: float
    n: int
    slope: Estimate


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Diagnostics:
    """Whether the line holds.

    ``largest_influence``: the largest change of the slope when one pair is left out, in
    standard errors of the slope; ``influential_pair`` its place in the arrays given.
    ``scatter_trend``: rank correlation of the residual's size with the level (for weighted
    Deming the residual over the level), with its p value. ``curvature_p``: t test of a
    quadratic term. ``linearity`` is given for lines through ranks only: about a least-squares
    or Deming line the cumulative sums reject one straight relation in eight, not in twenty.
    """

    n: int
    slope_without_top: float
    largest_influence: float
    reason: str = ""
    influential_pair: int = -1
    linearity: CusumLinearity | None = None
    curvature_p: float = NAN
    scatter_trend: float = NAN
    scatter_trend_p: float = NAN
    thirds: tuple[Third, ...] = ()
    slope: float = NAN
    with_top: float = NAN  # lab value of the top sample

    def sentence(self, unit: str = "") -> str:
        """What was found, in a few plain sentences."""
        if self.reason:
            return f"The line could not be examined: {self.reason}."
        found = [
            f"Without the highest sample ({with_unit(self.with_top, unit)}) the slope is "
            f"{show(self.slope_without_top)} instead of {show(self.slope)}."
        ]
        if self.linearity is not None:
            found.append(self.linearity.sentence(unit))
        if self.curvature_p < ALPHA:
            found.append(f"The points bend (p {_p(self.curvature_p)} for a straight line).")
        elif self.linearity is None and math.isfinite(self.curvature_p):
            found.append(f"No bend is seen (p {_p(self.curvature_p)} for a straight line).")
        if self.scatter_trend_p < ALPHA:
            way = "grows" if self.scatter_trend > 0 else "shrinks"
            found.append(
                f"The scatter about the line {way} with the level (p {_p(self.scatter_trend_p)})."
            )
        if self.largest_influence > 1:
            found.append(
                "One pair alone moves the slope by "
                f"{show(self.largest_influence, 2)} of its standard errors."
            )
        if self.thirds:
            parts = "; ".join(
                f"{show(t.x_low)} to {with_unit(t.x_high, unit)} {interval_text(t.slope)}"
                for t in self.thirds
            )
            found.append(f"Slope by thirds of the samples: {parts}.")
        return " ".join(found)


def _p(value: float) -> str:
    return "below 0.001" if value < 0.001 else show(value, 2)


Point = Callable[[Floats, Floats], float]
Refit = Callable[[Floats, Floats], Line]
#: Slopes of parts of the pairs, by which pairs each part has: shape (rows, n) to (rows,).
RefitParts = Callable[[NDArray[np.bool_]], Floats]


def _slope_only(line: Line, refit: Refit | None) -> Point:
    """The slope of the same method for other pairs."""
    if refit is not None:
        return lambda x, y: refit(x, y).slope.value
    if line.method == DEMING:
        return lambda x, y: deming_point(x, y, line.lam)[1]
    if line.method == WEIGHTED_DEMING:
        return lambda x, y: weighted_deming_point(x, y, line.lam)[1]
    if line.method == THEIL_SEN:
        return lambda x, y: theil_sen(x, y).slope.value
    if "least squares" in line.method:
        return lambda x, y: ols(x, y).slope.value
    return lambda x, y: passing_bablok(x, y, interval=False).slope.value


def _refit(line: Line, x: Floats, y: Floats, refit: Refit | None) -> Line:
    level = line.slope.level
    if refit is not None:
        return refit(x, y)
    if line.method == DEMING:
        return deming(x, y, line.lam, level=level)
    if line.method == WEIGHTED_DEMING:
        return weighted_deming(x, y, line.lam, level=level)
    if line.method == THEIL_SEN:
        return theil_sen(x, y, level)
    if "least squares" in line.method:
        return ols(x, y, level)
    return passing_bablok(x, y, level)


def _influence(
    line: Line, x: Floats, y: Floats, slope: Point, slopes: RefitParts | None
) -> tuple[float, int]:
    """Largest change of the slope in its standard errors when one pair is left out."""
    b, se = line.slope.value, line.slope.se
    if not se > 0:
        return NAN, -1
    pull = np.abs((y - line.intercept.value - b * x) * (x - np.median(x)))
    most = LEFT_OUT_OF_RANKS if line.method in (PASSING_BABLOK, THEIL_SEN) else LEFT_OUT
    out = np.argsort(-pull, kind="stable")[:most]
    present = np.ones((out.size, x.size), dtype=np.bool_)
    present[np.arange(out.size), out] = False
    if slopes is not None:
        without = slopes(present)
    elif line.method == WEIGHTED_DEMING:
        without = weighted_deming_slopes(x, y, line.lam, present)
    else:
        without = np.array([slope(np.delete(x, i), np.delete(y, i)) for i in out])
    changes = np.abs(without - b)
    if not np.any(np.isfinite(changes)):
        return NAN, -1
    at = int(np.nanargmax(changes))
    return float(changes[at]) / se, int(out[at])


def _rank_trend(size: Floats, level: Floats) -> tuple[float, float]:
    """Spearman's rank correlation and its two-sided p value (t approximation)."""
    if np.ptp(size) == 0 or np.ptp(level) == 0:
        return NAN, NAN
    rank = float(np.corrcoef(stats.rankdata(size), stats.rankdata(level))[0, 1])
    free = size.size - 2
    if abs(rank) >= 1:
        return rank, 0.0
    t = abs(rank) * math.sqrt(free / (1 - rank * rank))
    return rank, 2 * float(special.stdtr(free, -t))


def _thirds(line: Line, x: Floats, y: Floats, refit: Refit | None) -> tuple[Third, ...]:
    order = np.argsort(x, kind="stable")
    parts = [p for p in np.array_split(order, 3) if p.size >= FEWEST_IN_THIRD]
    if len(parts) < 3:
        return ()
    found = []
    for part in parts:
        fit = _refit(line, x[part], y[part], refit)
        slope = fit.slope
        if fit.reason:
            slope = not_estimable(int(part.size), fit.reason, line.method, line.slope.level)
        found.append(Third(float(x[part].min()), float(x[part].max()), int(part.size), slope))
    return tuple(found)


@quiet
def diagnostics(
    x: ArrayLike,
    y: ArrayLike,
    line: Line,
    refit: Refit | None = None,
    slopes: RefitParts | None = None,
) -> Diagnostics:
    """Examine a line fitted to these pairs; refits use its own method and λ.

    ``refit`` fits the same line to other pairs, where the line alone does not say how (York);
    ``slopes`` gives the slopes of many parts at once, of pairs that are all finite.

    Straightness by a quadratic term, for lines through ranks by cumulative sums as well
    (Passing & Bablok 1983); scatter by the rank correlation of the residual's size with the
    level; influence by leaving out one pair (of the 30, for ranks the 8, with the largest
    product of residual and distance from the middle); the slope by thirds of the samples,
    from 18 pairs on, and without the top sample.
    """
    first, second = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    u, v = pairs(first, second, ("x", "y"))
    n = int(u.size)
    if n < 4 or line.reason or not line.slope.estimable:
        why = line.reason or line.slope.reason or "fewer than four pairs"
        return Diagnostics(n, NAN, NAN, why if n >= 4 or line.reason else "fewer than four pairs")
    a, b = line.intercept.value, line.slope.value
    slope = _slope_only(line, refit)
    top = int(np.argmax(u))
    without = slope(np.delete(u, top), np.delete(v, top))
    if on_a_line(u, v, a, b):
        return Diagnostics(n, without, NAN, slope=b, with_top=float(u[top]))
    influence, at = _influence(line, u, v, slope, slopes if u.size == first.size else None)
    residual = v - a - b * u
    proportional = line.method == WEIGHTED_DEMING
    weight = 1 / np.maximum(u + v, 1e-9 * float(np.max(u + v))) if proportional else np.ones(n)
    trend, trend_p = _rank_trend(np.abs(residual * weight), u * b + v)
    bend = polynomial(u, residual, 2, weight**2)
    curvature = NAN
    if not bend.reason and bend.standard_errors[2] > 0:
        t = abs(bend.coefficients[2]) / bend.standard_errors[2]
        curvature = 2 * float(special.stdtr(n - 3, -t))
    place = np.flatnonzero(np.isfinite(first) & np.isfinite(second))
    return Diagnostics(
        n,
        without,
        influence,
        "",
        int(place[at]) if at >= 0 else -1,
        cusum_linearity(u, v, line) if line.method in (PASSING_BABLOK, THEIL_SEN) else None,
        curvature,
        trend,
        trend_p,
        _thirds(line, u, v, refit),
        b,
        float(u[top]),
    )
