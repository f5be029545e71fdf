"""Quantiles and chances of a mixture of normals, in equal parts but where it says otherwise."""

from __future__ import annotations

import numpy as np
from scipy import special

from reconcile.statistics._values import Floats
from reconcile.statistics.roots import brentq


def mixture_interval(centres: Floats, deviations: Floats, level: float) -> tuple[float, float]:
    """The two quantiles that leave (1 − level)/2 on each side; centres and SDs of shape (k,)."""
    low, high = (_quantile(centres, deviations, p) for p in ((1 - level) / 2, (1 + level) / 2))
    return low, high


def weighted_interval(
    centres: Floats, deviations: Floats, shares: Floats, level: float
) -> tuple[float, float]:
    """The same of parts that weigh ``shares``, which add up to one."""
    low, high = (
        _quantile(centres, deviations, p, shares) for p in ((1 - level) / 2, (1 + level) / 2)
    )
    return low, high


def mixture_chance(centres: Floats, deviations: Floats, low: float, high: float) -> float:
    """Chance of a value outside ``low`` to ``high``."""
    below, above = (_standardised(x, centres, deviations) for x in (low, high))
    return float(np.mean(special.ndtr(below) + special.ndtr(-above)))


def _standardised(x: float, centres: Floats, deviations: Floats) -> Floats:
    """How far ``x`` lies above each centre in its SDs; a part without scatter is a step."""
    z = np.where(x >= centres, np.inf, -np.inf)
    np.divide(x - centres, deviations, out=z, where=deviations > 0)
    return z


def _quantile(centres: Floats, deviations: Floats, p: float, shares: Floats | None = None) -> float:
    # between the smallest and the largest quantile of the parts
    ends = centres + float(special.ndtri(p)) * deviations
    low, high = float(ends.min()), float(ends.max())
    if not high - low > 1e-12 * max(abs(low), abs(high)):
        return (low + high) / 2  # they differ by no more than their last digits
    # a part without scatter is a step, at which no search would end
    deviations = np.maximum(deviations, 1e-9 * (high - low))

    def off(x: float) -> float:
        below = special.ndtr((x - centres) / deviations)
        return float(np.mean(below) if shares is None else shares @ below) - p

    return float(brentq(off, low, high, xtol=1e-12 * max(abs(low), abs(high), 1e-300)))
