"""York regression: every point with its own standard uncertainties, given or by curves."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics._values import (
    Booleans,
    Floats,
    check_level,
    pairs,
    quiet,
    same_length,
    vector,
)
from reconcile.statistics.deming import NOT_SETTLED
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.least_squares import fit
from reconcile.statistics.line import Line, flat, line_of, no_line, trouble, unfit
from reconcile.statistics.result import NAN

YORK = "York regression"
_ROUNDS = 2000
_CURVE_ROUNDS, _CURVE_CLOSE = 1000, 1e-12


@quiet
def york(
    x: ArrayLike,
    y: ArrayLike,
    sx: ArrayLike,
    sy: ArrayLike,
    r: ArrayLike | float = 0.0,
    level: float = 0.95,
    scale: Literal["never below one", "given", "residual"] = "never below one",
) -> Line:
    """Line for points with their own SDs ``sx``, ``sy`` and error correlation ``r``.

    York, Evensen, Martínez & De Basabe 2004 (unified equations; standard errors at the
    adjusted points). Points without a finite SD above zero are left out. ``scale`` says
    what the covariance is multiplied with: 'given' keeps that of the given SDs,
    'residual' takes the reduced chi-square, the default the larger of both, which covers
    more than its level where the SDs are right (measured 95 to 98 %).
    """
    check_level(level)
    u, v = vector(x, "x"), vector(y, "y")
    p, q = vector(sx, "sx"), vector(sy, "sy")
    rho = np.broadcast_to(np.asarray(r, dtype=np.float64), u.shape).copy()
    same_length(u, v, p, q, names=("x", "y", "sx", "sy"))
    if np.any(np.abs(rho) > 1):
        raise ValueError("r must lie between −1 and 1")
    keep = np.isfinite(u) & np.isfinite(v) & (p > 0) & (q > 0) & np.isfinite(p) & np.isfinite(q)
    keep &= np.isfinite(rho)
    u, v, p, q, rho = u[keep], v[keep], p[keep], q[keep], rho[keep]
    if reason := trouble(u, v) or flat(v):
        return no_line(YORK, u.size, reason, level)
    wx, wy = 1 / p**2, 1 / q**2
    alpha = np.sqrt(wx * wy)
    b = fit(YORK, u, v, wy / wy.max(), level, "").slope.value
    beta = u
    previous = NAN
    converged = False
    for _ in range(_ROUNDS):
        w = wx * wy / (wx + b * b * wy - 2 * b * rho * alpha)
        mx, my = float(w @ u / w.sum()), float(w @ v / w.sum())
        du, dv = u - mx, v - my
        beta = w * (du / wy + b * dv / wx - (b * du + dv) * rho / alpha)
        new = float((w * beta) @ dv / ((w * beta) @ du))
        # rounding can make the last digit swing between two values for ever
        converged = abs(new - b) <= 4e-16 * abs(new) or new == previous
        previous, b = b, new
        if converged or not math.isfinite(b):
            break
    if not converged and not abs(b - previous) <= 1e-9 * abs(b):
        return no_line(YORK, u.size, NOT_SETTLED, level)
    w = wx * wy / (wx + b * b * wy - 2 * b * rho * alpha)
    mx, my = float(w @ u / w.sum()), float(w @ v / w.sum())
    a = my - b * mx
    adjusted = mx + beta
    centre = float(w @ adjusted / w.sum())
    vb = float(1 / (w @ (adjusted - centre) ** 2))
    va = float(1 / w.sum()) + centre * centre * vb
    reduced = float(w @ (v - a - b * u) ** 2) / (u.size - 2)
    factor = {"given": 1.0, "residual": reduced}.get(scale, max(reduced, 1.0))
    covariance = ((va * factor, -centre * vb * factor), (-centre * vb * factor, vb * factor))
    return line_of(YORK, u, v, a, b, covariance, level, NAN, "1 / (SD of each point)²")


#: SDs at true levels; arrays of shape (n,) in and out.
SdAt = Callable[[Floats], Floats]


@equal_with_nan
@dataclass(frozen=True, slots=True)
class CurveFit:
    """A York line by curves, and the SD beyond them that the scatter about it asks for.

    ``excess`` multiplies the curve of excess: a relative SD where that is the level itself.
    """

    line: Line
    excess: float  # 0 where the scatter is no more than the curves explain


@quiet
def york_with_excess(
    x: ArrayLike, y: ArrayLike, sd_x: SdAt, sd_y: SdAt, excess: SdAt | None, level: float = 0.95
) -> CurveFit:
    """:func:`york_by_curves`, with an SD of y beyond ``sd_y`` found from the scatter.

    The variance of y is sd_y² + h²·excess²; h² is that at which the weighted sum of squares is
    n − 2 (the moment estimator of Mandel & Paule 1970), or 0. ``excess`` None: h is 0.
    """
    check_level(level)
    u, v = pairs(x, y, ("x", "y"))
    n = u.size
    if reason := trouble(u, v) or flat(v):
        return CurveFit(no_line(YORK, n, reason, level), 0.0)
    none = CurveFit(no_line(YORK, n, NOT_SETTLED, level), 0.0)
    at_x, at_y = u, v
    b = fit(YORK, u, v, np.ones(n), level, "").slope.value
    square, step = 0.0, 1.0
    change = NAN
    for _ in range(_CURVE_ROUNDS):
        var_x, var_y = np.asarray(sd_x(at_x)) ** 2, np.asarray(sd_y(at_y)) ** 2
        beyond = np.asarray(excess(at_y)) ** 2 if excess is not None else np.zeros(n)
        var_y = var_y + square * beyond
        if not (np.all(var_x > 0) and np.all(var_y > 0)):
            return none
        w = 1 / (var_y + b * b * var_x)
        mx, my = float(w @ u / w.sum()), float(w @ v / w.sum())
        du, dv = u - mx, v - my
        beta = w * (du * var_y + b * dv * var_x)
        new = float((w * beta) @ dv / ((w * beta) @ du))
        residual = dv - new * du
        moved = 0.0
        if excess is not None:
            too_much = float(w @ residual**2) - (n - 2)
            falls = float((w * w * beyond) @ residual**2)
            found = max(square + too_much / falls, 0.0) if falls > 0 else square
            moved = abs(found - square) / max(found, square, 1e-300) if found != square else 0.0
            square += step * (found - square)
        # a fit that swings about its slope is damped, else it may swing for ever
        if (new - b) * change < 0:
            step = max(step / 2, 0.1)
        change = new - b
        if not np.isfinite(new):
            return none
        b += step * change
        if abs(change) <= _CURVE_CLOSE * abs(b) and moved <= 1e-9:
            break
        a = my - b * mx
        off = v - a - b * u
        size = var_y + b * b * var_x
        at_x = u + b * var_x * off / size
        at_y = a + b * at_x
    else:
        return none
    line = york(u, v, np.sqrt(var_x), np.sqrt(var_y), level=level)
    return CurveFit(line, float(np.sqrt(square)))


@quiet
def york_of_parts(
    x: ArrayLike, y: ArrayLike, sd_x: SdAt, sd_y: SdAt, excess: SdAt | None, present: Booleans
) -> tuple[Floats, Floats]:
    """Intercepts and slopes of :func:`york_with_excess` for parts of the pairs, all at once.

    ``present``: which pairs each part has, shape (rows, n); x and y finite, shape (n,). Both
    results have shape (rows,); NaN where a part has no line.
    """
    u, v = vector(x, "x"), vector(y, "y")
    none = unfit(u, v, present)
    a, b = np.full((2, len(present)), NAN)
    rows = np.flatnonzero(~none)
    here = present[rows].astype(np.float64)
    n = here.sum(axis=1)
    mx, my = here @ u / n, here @ v / n
    du, dv = u - mx[:, None], v - my[:, None]
    slope = (here * du * dv).sum(axis=1) / (here * du * du).sum(axis=1)
    at_x, at_y = np.tile(u, (len(rows), 1)), np.tile(v, (len(rows), 1))
    square, step, change = np.zeros(len(rows)), np.ones(len(rows)), np.full(len(rows), NAN)
    for _ in range(_CURVE_ROUNDS):
        if not len(rows):
            break
        var_x, var_y = np.asarray(sd_x(at_x)) ** 2, np.asarray(sd_y(at_y)) ** 2
        beyond = np.asarray(excess(at_y)) ** 2 if excess is not None else np.zeros_like(at_y)
        var_y = var_y + square[:, None] * beyond
        sound = np.all((var_x > 0) & (var_y > 0) | (here == 0), axis=1)
        w = np.where(here > 0, 1 / (var_y + (slope**2)[:, None] * var_x), 0.0)
        total = w.sum(axis=1)
        mx, my = (w * u).sum(axis=1) / total, (w * v).sum(axis=1) / total
        du, dv = u - mx[:, None], v - my[:, None]
        wbeta = w * w * (du * var_y + slope[:, None] * dv * var_x)
        new = (wbeta * dv).sum(axis=1) / (wbeta * du).sum(axis=1)
        moved = np.zeros(len(rows))
        if excess is not None:
            off2 = (dv - new[:, None] * du) ** 2
            too_much = (w * off2).sum(axis=1) - (n - 2)
            falls = (w * w * beyond * off2).sum(axis=1)
            found = np.where(falls > 0, np.maximum(square + too_much / falls, 0.0), square)
            larger = np.maximum(np.maximum(found, square), 1e-300)
            moved = np.abs(found - square) / larger
            square = square + step * (found - square)
        step = np.where((new - slope) * change < 0, np.maximum(step / 2, 0.1), step)
        change = new - slope
        sound &= np.isfinite(new)
        slope = slope + step * change
        done = sound & (np.abs(change) <= _CURVE_CLOSE * np.abs(slope)) & (moved <= 1e-9)
        a[rows[done]], b[rows[done]] = (my - slope * mx)[done], slope[done]
        off = v - (my - slope * mx)[:, None] - slope[:, None] * u
        size = var_y + (slope**2)[:, None] * var_x
        at_x = np.where(here > 0, u + slope[:, None] * var_x * off / size, u)
        at_y = (my - slope * mx)[:, None] + slope[:, None] * at_x
        go = sound & ~done
        rows, here, n, square, step, change, slope = (
            part[go] for part in (rows, here, n, square, step, change, slope)
        )
        at_x, at_y = at_x[go], at_y[go]
    return a, b
