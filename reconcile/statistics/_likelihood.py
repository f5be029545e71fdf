"""Maximum likelihood and profile intervals for many small data sets at once.

A 'study' is one data set. A log-likelihood takes parameters of shape (studies, k)
and returns values (studies,) and gradients (studies, k).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import Booleans, Floats

LogLikelihood = Callable[[Floats], tuple[Floats, Floats]]

STEP = 1e-5
LOG_ROOT_2PI = 0.9189385332046727


@dataclass(frozen=True, slots=True)
class Maximum:
    """Where the likelihood is largest; arrays over studies."""

    theta: Floats
    value: Floats
    gradient: Floats
    hessian: Floats  # of the negative log-likelihood, over the free parameters
    converged: Booleans


def _hessian(f: LogLikelihood, theta: Floats, free: NDArray[np.int64]) -> Floats:
    """Negative second derivatives by central differences of the gradient."""
    studies = theta.shape[0]
    out = np.empty((studies, free.size, free.size))
    for column, j in enumerate(free):
        up, down = theta.copy(), theta.copy()
        up[:, j] += STEP
        down[:, j] -= STEP
        out[:, :, column] = -(f(up)[1][:, free] - f(down)[1][:, free]) / (2 * STEP)
    return (out + np.swapaxes(out, 1, 2)) / 2


def _newton_step(hessian: Floats, gradient: Floats) -> tuple[Floats, Floats, Floats]:
    """Ascent step, its expected gain and the lowest eigenvalue."""
    roots, vectors = np.linalg.eigh(hessian)
    floor = 1e-8 * np.maximum(np.abs(roots).max(axis=1, keepdims=True), 1e-8)
    along = np.einsum("sij,si->sj", vectors, gradient)
    step = np.einsum("sij,sj->si", vectors, along / np.maximum(np.abs(roots), floor))
    step *= np.minimum(1.0, 1.5 / np.maximum(np.abs(step).max(axis=1, keepdims=True), 1e-300))
    return step, np.sum(step * gradient, axis=1), roots[:, 0]


def maximise(
    f: LogLikelihood,
    start: Floats,
    free: NDArray[np.int64] | None = None,
    rounds: int = 60,
    active: Booleans | None = None,
    hessian: Floats | None = None,
) -> Maximum:
    """Damped Newton steps, safeguarded by the eigenvalues and by halving.

    ``hessian`` from a point nearby saves the first evaluation of the second derivatives;
    with it, or with some parameters held, those at the end may belong to the step before.
    """
    theta = start.copy()
    studies, k = theta.shape
    where = np.arange(k) if free is None else free
    moving = np.ones(studies, dtype=np.bool_) if active is None else active.copy()
    converged = ~moving
    value, gradient = f(theta)
    fresh = False
    curvature = np.tile(np.eye(where.size), (studies, 1, 1)) if hessian is None else hessian.copy()
    stale = hessian is not None

    def refresh() -> None:
        new = _hessian(f, theta, where)
        new[~np.isfinite(new).all(axis=(1, 2))] = np.eye(where.size)
        curvature[moving] = new[moving]

    for _ in range(rounds):
        g = np.where(np.isfinite(gradient[:, where]), gradient[:, where], 0.0)
        tolerance = 1e-12 * np.maximum(1.0, np.abs(value))
        if stale:
            step, gain, lowest = _newton_step(curvature, g)
            done = moving & (gain < tolerance) & (lowest > 0) & np.isfinite(value)
            converged |= done
            moving = moving & ~done
            if not moving.any():
                break
            # one chord step on borrowed curvature, then true ones
            fresh = hessian is not None and _ == 0
        if not fresh:
            refresh()
            step, gain, lowest = _newton_step(curvature, g)
            done = moving & (gain < tolerance)
            converged |= done & (lowest > 0) & np.isfinite(value)
            moving = moving & ~done
            if not moving.any():
                break
        fresh, stale = False, True
        step[~moving] = 0.0
        scale = np.ones(studies)
        better = np.zeros(studies, dtype=np.bool_)
        for _halving in range(25):
            trial = theta.copy()
            trial[:, where] += scale[:, None] * step
            trial_value, trial_gradient = f(trial)
            better = np.isfinite(trial_value) & (
                trial_value >= value + 1e-4 * scale * gain - 1e-11 * np.abs(value)
            )
            if (better | ~moving).all():
                break
            scale = np.where(better | ~moving, scale, scale / 2)
        take = better & moving
        theta[take] = trial[take]
        value = np.where(take, trial_value, value)
        gradient = np.where(take[:, None], trial_gradient, gradient)
        blocked = moving & ~better
        converged |= blocked & (lowest > 0) & (gain < 1e-4)
        moving = moving & ~blocked
    if free is None:
        moving = np.ones(studies, dtype=np.bool_)
        refresh()
        positive = np.linalg.eigvalsh(curvature)[:, 0] > 0
        converged &= positive
    return Maximum(theta, value, gradient, curvature, converged)


def profile_limits(
    f: LogLikelihood, top: Maximum, index: int, se: Floats, drop: Floats
) -> tuple[Floats, Floats]:
    """Ends of the profile-likelihood interval of parameter ``index``.

    ``drop`` is the allowed value of 2·(maximum − profile). NaN where no end is found.
    The root of the drop is nearly linear in the parameter and its slope is known (the
    others being at their best), so bracketed Newton steps on it need few rounds.
    """
    return _one_side(f, top, index, se, drop, -1.0), _one_side(f, top, index, se, drop, 1.0)


def _one_side(
    f: LogLikelihood, top: Maximum, index: int, se: Floats, drop: Floats, sign: float
) -> Floats:
    studies, k = top.theta.shape
    others = np.array([j for j in range(k) if j != index])
    block = top.hessian[:, others[:, None], others[None, :]]
    # how the other parameters follow this one near the maximum
    follow = np.zeros((studies, k))
    known = top.converged
    if known.any():
        follow[np.ix_(known, others)] = -np.linalg.solve(
            block[known], top.hessian[known][:, others, index][:, :, None]
        )[:, :, 0]
    follow[:, index] = 1.0
    target = np.sqrt(drop)
    centre = top.theta[:, index]
    active = top.converged & np.isfinite(se) & (se > 0)
    safe_se = np.where(active, se, 1.0)
    # distances from the maximum that are surely too near and too far
    inside, outside = np.zeros(studies), np.full(studies, np.inf)
    seen_outside = np.zeros(studies, dtype=np.bool_)
    distance = safe_se * target
    theta = top.theta.copy()
    found = np.full(studies, np.nan)
    for _ in range(40):
        if not active.any():
            break
        move = centre + sign * distance - theta[:, index]
        theta += move[:, None] * follow
        fit = maximise(f, theta, others, rounds=30, active=active, hessian=block)
        good = active & fit.converged & np.isfinite(fit.value)
        theta = np.where(good[:, None], fit.theta, top.theta)
        root = np.sqrt(np.maximum(2 * (top.value - fit.value), 0.0))
        finished = good & (np.abs(root - target) < 1e-7 * np.maximum(target, 1.0))
        found = np.where(finished, centre + sign * distance, found)
        active = active & ~finished
        lower = good & (root < target)
        upper = active & ~lower  # a failed fit is treated as too far out
        inside = np.where(lower, distance, inside)
        outside = np.where(upper, distance, outside)
        seen_outside |= upper & good
        slope = -sign * fit.gradient[:, index] / root
        newton = distance + (target - root) / slope
        closed = np.isfinite(outside)
        width = outside - inside
        limit = np.where(closed, outside - 0.02 * width, 4 * distance)
        reliable = good & np.isfinite(newton) & (slope > 0)
        reliable &= (newton > inside + np.where(closed, 0.02 * width, 0)) & (newton < limit)
        fallback = np.where(closed, (inside + outside) / 2, 2 * distance)
        distance = np.where(reliable, newton, fallback)
        stuck = active & closed & (width < 1e-9 * np.maximum(outside, 1e-300))
        found = np.where(stuck & seen_outside, centre + sign * inside, found)
        active = active & ~stuck & (distance < 1e6 * safe_se)
        distance = np.where(active, distance, safe_se * target)
    return found


def t_drop(n: Floats, level: float) -> Floats:
    """Allowed drop of twice the log-likelihood for a mean, exact for n normal values.

    n·ln(1 + t²/(n − 1)) with t on n − 1 degrees of freedom, in place of the chi-square
    quantile, which is too small for few values.
    """
    t = stats.t.isf((1 - level) / 2, n - 1)
    return np.asarray(n * np.log1p(t * t / (n - 1)))


def log_normal_interval(a: Floats, b: Floats) -> tuple[Floats, Floats, Floats]:
    """ln(Φ(b) − Φ(a)) and its derivatives by a and by b, stable in both tails."""
    flip = a > 0
    low, high = np.where(flip, -b, a), np.where(flip, -a, b)
    log_high, log_low = special.log_ndtr(high), special.log_ndtr(low)
    value = log_high + np.log1p(-np.exp(np.minimum(log_low - log_high, 0.0)))
    by_a = np.where(np.isfinite(a), -np.exp(-0.5 * a * a - LOG_ROOT_2PI - value), 0.0)
    by_b = np.where(np.isfinite(b), np.exp(-0.5 * b * b - LOG_ROOT_2PI - value), 0.0)
    return value, by_a, by_b


def bivariate_normal_cdf(h: Floats, k: Floats, rho: Floats) -> Floats:
    """P(X < h, Y < k) of standard normals with correlation ``rho``, exact through Owen's T.

    Owen (1956). Absolute error about 1e-15; ends may be infinite.
    """
    h, k = np.clip(h, -40.0, 40.0), np.clip(k, -40.0, 40.0)
    h = np.where(np.abs(h) < 1e-100, 1e-100, h)
    k = np.where(np.abs(k) < 1e-100, 1e-100, k)
    root = np.sqrt((1 - rho) * (1 + rho))
    t_h = special.owens_t(h, (k - rho * h) / (h * root))
    t_k = special.owens_t(k, (h - rho * k) / (k * root))
    half = np.where((h > 0) == (k > 0), 0.0, 0.5)
    out = 0.5 * (special.ndtr(h) + special.ndtr(k)) - t_h - t_k - half
    return np.asarray(np.clip(out, 0.0, 1.0))
