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
_CURVE_ROUNDS, _CURVE_CLOSE, _EXCESS_CLOSE = 1000, 1e-12, 1e-11
_AIMED_ROUNDS = 100  # of these; after them only what is damped
_CELLS = 1_000_000  # pairs of all parts that are fitted at once; bounds the memory


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


def _aimed(at: Floats, off: Floats, size: Floats) -> Floats:
    """Where the last three rounds say that nothing changes any more; shape (2, rows).

    ``at`` holds slope and excess variance of these rounds, oldest first, ``off`` by how much each
    round would change them, both of shape (3, 2, rows); ``size`` what is large for either, shape
    (2, rows). The secant through all three (Anderson 1965, from memory); through the last two where
    they lie on a line.
    """
    off = off / size
    (a, c), (b, d) = off[2] - off[1], off[2] - off[0]  # columns of what the changes changed by
    e, f = off[2]
    det = a * d - b * c
    clear = np.abs(det) > 1e-3 * np.hypot(a, c) * np.hypot(b, d)
    first = np.where(clear, (e * d - b * f) / det, (a * e + c * f) / (a * a + c * c))
    second = np.where(clear, (a * f - e * c) / det, 0.0)
    ahead = at + off * size
    found: Floats = ahead[2] - first * (ahead[2] - ahead[1]) - second * (ahead[2] - ahead[0])
    return found


def _settle(
    u: Floats, v: Floats, here: Floats, sd_x: SdAt, sd_y: SdAt, excess: SdAt | None
) -> tuple[Floats, Floats]:
    """Intercepts and slopes of parts of the pairs, ``here`` 1 where a part has the pair, (rows, n).

    NaN where a part does not settle.

    Each round weighs by the SDs at the levels of the line before it. Where the last rounds show
    whither they go, the next begins there; a line that swings about its place is damped, else it
    may swing for ever.
    """
    many = len(here)
    intercepts, slopes = np.full((2, many), NAN)
    rows, n = np.arange(many), here.sum(axis=1)
    mx, my = here @ u / n, here @ v / n
    du, dv = u - mx[:, None], v - my[:, None]
    slope = (here * du * dv).sum(axis=1) / (here * du * du).sum(axis=1)
    at_x, at_y = np.tile(u, (many, 1)), np.tile(v, (many, 1))
    square, step, change = np.zeros(many), np.ones(many), np.full(many, NAN)
    at, off = np.full((2, 3, 2, many), NAN)
    for number in range(_CURVE_ROUNDS):
        if not len(rows):
            break
        var_x, var_y = np.asarray(sd_x(at_x)) ** 2, np.asarray(sd_y(at_y)) ** 2
        if excess is not None:
            beyond = np.asarray(excess(at_y)) ** 2
            var_y = var_y + square[:, None] * beyond
        sound = np.all((var_x > 0) & (var_y > 0) | (here == 0), axis=1)
        b = slope[:, None]
        size = var_y + b * b * var_x
        w = here / size
        total = w.sum(axis=1)
        mx, my = w @ u / total, w @ v / total
        du, dv = u - mx[:, None], v - my[:, None]
        wbeta = w * w * (du * var_y + b * dv * var_x)
        new = (wbeta * dv).sum(axis=1) / (wbeta * du).sum(axis=1)
        found, moved = square, np.zeros(len(rows))
        if excess is not None:
            weighted = w * (dv - new[:, None] * du) ** 2
            squares, falls = weighted.sum(axis=1), (w * beyond * weighted).sum(axis=1)
            # the sum of squares falls about as c / (h² + d): far from its place, as quickly
            further = squares / (n - 2) * (squares - (n - 2)) / falls
            found = np.where(falls > 0, np.maximum(square + further, 0.0), square)
            moved = np.abs(found - square) / np.maximum(np.maximum(found, square), 1e-300)
        swings = (new - slope) * change < 0
        change = new - slope
        sound &= np.isfinite(new)
        done = sound & (np.abs(change) <= _CURVE_CLOSE * np.abs(slope)) & (moved <= _EXCESS_CLOSE)
        intercepts[rows[done]], slopes[rows[done]] = (my - new * mx)[done], new[done]
        at = np.concatenate([at[1:], np.stack([slope, square])[None]])
        off = np.concatenate([off[1:], np.stack([change, found - square])[None]])
        large = np.stack([np.abs(slope), np.maximum(np.maximum(found, square), 1e-300)])
        aim = _aimed(at, off, large)
        aimed = np.isfinite(aim).all(axis=0) & (np.abs(aim[0] - slope) <= np.abs(slope) / 2)
        aimed &= (aim[1] >= 0) & (number < _AIMED_ROUNDS)
        step = np.where(swings & ~aimed, np.maximum(step / 2, 0.1), step)
        slope = np.where(aimed, aim[0], slope + step * change)
        square = np.where(aimed, aim[1], square + step * (found - square))
        a, b = (my - slope * mx)[:, None], slope[:, None]
        at_x = np.where(here > 0, u + b * var_x * (v - a - b * u) / (var_y + b * b * var_x), u)
        at_y = a + b * at_x
        go = sound & ~done
        if not go.all():
            rows, here, n, square, step, change, slope, at_x, at_y = (
                part[go] for part in (rows, here, n, square, step, change, slope, at_x, at_y)
            )
            at, off = at[..., go], off[..., go]
    return intercepts, slopes


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
    found = _settle_all(u, v, sd_x, sd_y, excess)
    if found is None:
        return CurveFit(no_line(YORK, n, NOT_SETTLED, level), 0.0)
    square, var_x, var_y = found
    line = york(u, v, np.sqrt(var_x), np.sqrt(var_y), level=level)
    return CurveFit(line, math.sqrt(square))


def _settle_all(
    u: Floats, v: Floats, sd_x: SdAt, sd_y: SdAt, excess: SdAt | None
) -> tuple[float, Floats, Floats] | None:
    """Excess variance and the variances of all pairs, by the rounds of :func:`_settle`."""
    n = u.size
    at_x, at_y = u, v
    b = fit(YORK, u, v, np.ones(n), 0.95, "").slope.value
    square, step, change = 0.0, 1.0, NAN
    before: list[tuple[float, float, float, float]] = []  # slope, excess, by how much they change
    for number in range(_CURVE_ROUNDS):
        var_x, var_y = np.asarray(sd_x(at_x)) ** 2, np.asarray(sd_y(at_y)) ** 2
        if excess is not None:
            beyond = np.asarray(excess(at_y)) ** 2
            var_y = var_y + square * beyond
        if not (var_x.min() > 0 and var_y.min() > 0):
            return None
        w = 1 / (var_y + b * b * var_x)
        total = float(w.sum())
        mx, my = float(w @ u) / total, float(w @ v) / total
        du, dv = u - mx, v - my
        wbeta = w * w * (du * var_y + b * dv * var_x)
        new = float(wbeta @ dv) / float(wbeta @ du)
        found, moved = square, 0.0
        if excess is not None:
            weighted = w * (dv - new * du) ** 2
            squares, falls = float(weighted.sum()), float((w * beyond) @ weighted)
            if falls > 0:
                found = max(square + squares / (n - 2) * (squares - (n - 2)) / falls, 0.0)
            moved = abs(found - square) / max(found, square, 1e-300)
        swings = (new - b) * change < 0
        change = new - b
        if not math.isfinite(new):
            return None
        if abs(change) <= _CURVE_CLOSE * abs(b) and moved <= _EXCESS_CLOSE:
            return square, var_x, var_y
        before = [*before[-2:], (b, square, change, found - square)]
        aim = (NAN, NAN)
        if len(before) == 3 and number < _AIMED_ROUNDS:
            aim = _aim(before, abs(b), max(found, square, 1e-300))
        if abs(aim[0] - b) <= abs(b) / 2 and 0 <= aim[1] < math.inf:
            b, square = aim
        else:
            step = max(step / 2, 0.1) if swings else step
            b, square = b + step * change, square + step * (found - square)
        a = my - b * mx
        at_x = u + b * var_x * (v - a - b * u) / (var_y + b * b * var_x)
        at_y = a + b * at_x
    return None


def _aim(
    rounds: list[tuple[float, float, float, float]], large_b: float, large_square: float
) -> tuple[float, float]:
    """:func:`_aimed` of one fit."""
    (b0, s0, f0, g0), (b1, s1, f1, g1), (b2, s2, f2, g2) = rounds
    a, c = (f2 - f1) / large_b, (g2 - g1) / large_square
    b, d = (f2 - f0) / large_b, (g2 - g0) / large_square
    e, f = f2 / large_b, g2 / large_square
    det, size = a * d - b * c, a * a + c * c
    if abs(det) > 1e-3 * math.sqrt(size) * math.hypot(b, d):
        first, second = (e * d - b * f) / det, (a * f - e * c) / det
    elif size > 0:
        first, second = (a * e + c * f) / size, 0.0
    else:
        return NAN, NAN
    slope = b2 + f2 - first * (b2 + f2 - b1 - f1) - second * (b2 + f2 - b0 - f0)
    square = s2 + g2 - first * (s2 + g2 - s1 - g1) - second * (s2 + g2 - s0 - g0)
    return slope, square


@quiet
def york_of_parts(
    x: ArrayLike, y: ArrayLike, sd_x: SdAt, sd_y: SdAt, excess: SdAt | None, present: Booleans
) -> tuple[Floats, Floats]:
    """Intercepts and slopes of :func:`york_with_excess` for parts of the pairs, all at once.

    ``present``: which pairs each part has, shape (rows, n); x and y finite, shape (n,). Both
    results have shape (rows,); NaN where a part has no line.
    """
    u, v = vector(x, "x"), vector(y, "y")
    a, b = np.full((2, len(present)), NAN)
    fit_for = np.flatnonzero(~unfit(u, v, present))
    block = max(1, _CELLS // max(u.size, 1))
    for start in range(0, len(fit_for), block):
        rows = fit_for[start : start + block]
        a[rows], b[rows] = _settle(u, v, present[rows].astype(np.float64), sd_x, sd_y, excess)
    return a, b
