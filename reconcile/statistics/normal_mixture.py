"""Quantiles and chances of a mixture of normals, in equal parts but where it says otherwise."""

from __future__ import annotations

import numpy as np
from scipy import special

from reconcile.statistics._values import Floats

_ROUNDS = 200
_ROOT_2PI = float(np.sqrt(2 * np.pi))


def mixture_intervals(centres: Floats, deviations: Floats, level: float) -> Floats:
    """The two quantiles that leave (1 − level)/2 on each side, of many mixtures at once.

    Centres and SDs of shape (mixtures, k); the result has shape (mixtures, 2).
    """
    tails = np.array([(1 - level) / 2, (1 + level) / 2])
    rows = len(centres)
    found = _quantiles(
        np.repeat(centres, 2, axis=0), np.repeat(deviations, 2, axis=0), np.tile(tails, rows)
    )
    return found.reshape(rows, 2)


def weighted_interval(
    centres: Floats, deviations: Floats, shares: Floats, level: float
) -> tuple[float, float]:
    """The same of one mixture, shape (k,), of parts that weigh ``shares``, which add up to one."""
    both = np.array([(1 - level) / 2, (1 + level) / 2])
    low, high = _quantiles(np.tile(centres, (2, 1)), np.tile(deviations, (2, 1)), both, shares)
    return float(low), float(high)


def mixture_chance(centres: Floats, deviations: Floats, low: float, high: float) -> float:
    """Chance of a value outside ``low`` to ``high``."""
    below, above = (_standardised(x, centres, deviations) for x in (low, high))
    return float(np.mean(special.ndtr(below) + special.ndtr(-above)))


def _standardised(x: float, centres: Floats, deviations: Floats) -> Floats:
    """How far ``x`` lies above each centre in its SDs; a part without scatter is a step."""
    z = np.where(x >= centres, np.inf, -np.inf)
    np.divide(x - centres, deviations, out=z, where=deviations > 0)
    return z


def _quantiles(
    centres: Floats, deviations: Floats, p: Floats, shares: Floats | None = None
) -> Floats:
    """Where the chance of less is ``p``, shape (rows,), of a mixture in each row.

    By Newton's steps between the smallest and the largest quantile of the parts. Where a step
    would leave what still holds the root, or the one before came no nearer, it is halved.
    """
    weight = np.full(centres.shape[1], 1 / centres.shape[1]) if shares is None else shares
    ends = centres + special.ndtri(p)[:, None] * deviations
    low, high = ends.min(axis=1), ends.max(axis=1)
    size = np.maximum(np.abs(low), np.abs(high))
    at: Floats = (low + high) / 2  # stays, where they differ by no more than their last digits
    rows = np.flatnonzero(high - low > 1e-12 * size)
    # a part without scatter is a step, at which no search would end
    sd = np.maximum(deviations[rows], 1e-9 * (high - low)[rows, None])
    middle, p, low, high, close = centres[rows], p[rows], low[rows], high[rows], 1e-14 * size[rows]
    before = np.full(rows.size, np.inf)
    mean = middle @ weight
    spread = np.sqrt((sd**2 + (middle - mean[:, None]) ** 2) @ weight)
    at[rows] = np.clip(mean + special.ndtri(p) * spread, low, high)  # as if it were one normal
    for _ in range(_ROUNDS):
        if not rows.size:
            break
        x = at[rows]
        z = (x[:, None] - middle) / sd
        off = special.ndtr(z) @ weight - p
        slope = (np.exp(-0.5 * z * z) / sd) @ weight / _ROOT_2PI
        low, high = np.where(off < 0, x, low), np.where(off > 0, x, high)
        with np.errstate(all="ignore"):
            step = x - off / slope
        good = (step >= low) & (step <= high) & (np.abs(off) <= before / 2)
        at[rows] = np.where(off == 0, x, np.where(good, step, (low + high) / 2))
        go = ((np.abs(at[rows] - x) > close) | ~good) & (high - low > close) & (off != 0)
        rows, middle, sd, p, low, high, close, before = (
            part[go] for part in (rows, middle, sd, p, low, high, close, np.abs(off))
        )
    return at
