"""Location and scale that a few wild values do not move."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import (
    TOO_LARGE,
    Floats,
    check_level,
    estimate,
    finite,
    interval_text,
    point,
    quiet,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import Estimate, not_estimable

__all__ = [
    "RobustEstimate",
    "algorithm_a",
    "huber_proposal_2",
    "median_mad",
]

#: Makes the median absolute deviation estimate the SD of a normal distribution: 1/Φ⁻¹(0.75).
MAD_TO_SD = 1.4826022185056018


@equal_with_nan
@dataclass(frozen=True, slots=True)
class RobustEstimate:
    """Robust location (with interval) and scale, in the unit of the values."""

    method: str
    n: int
    location: Estimate
    scale: Estimate
    iterations: int = 0
    reason: str = ""
    assigned_uncertainty: float = math.nan  # 1.25·s*/sqrt(n), algorithm A only

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"A robust mean could not be estimated: {self.reason}."
        return (
            f"Robust mean {interval_text(self.location, unit)}, robust SD "
            f"{interval_text(self.scale, unit)}, n = {self.n} ({self.method})."
        )


def _failed(method: str, n: int, level: float, reason: str) -> RobustEstimate:
    nothing = not_estimable(n, reason, method, level)
    return RobustEstimate(method, n, nothing, nothing, 0, reason)


def _result(
    method: str, centre: float, scale: float, se: float, n: int, level: float, rounds: int
) -> RobustEstimate:
    t = float(stats.t.isf((1 - level) / 2, n - 1))
    location = estimate(centre, se, centre - t * se, centre + t * se, n, level, method)
    if not location.estimable or not math.isfinite(scale):
        return _failed(method, n, level, TOO_LARGE)
    return RobustEstimate(
        method,
        n,
        location,
        point(scale, n, method, "no interval is claimed for a robust SD", level),
        rounds,
    )


def _start(x: Floats) -> tuple[float, float]:
    centre = float(np.median(x))
    return centre, float(np.median(np.abs(x - centre)))


@quiet
def median_mad(values: ArrayLike, level: float = 0.95) -> RobustEstimate:
    """Median with its distribution-free interval, and 1.4826 times the median absolute deviation.

    The interval is the pair of order statistics that covers at least ``level``
    (exact binomial); with fewer than six values none reaches 95 % and none is claimed.
    """
    check_level(level)
    x = np.sort(finite(values))
    method = "median and MAD"
    if x.size == 0:
        return _failed(method, 0, level, "there is no value")
    centre, mad = _start(x)
    if not (math.isfinite(centre) and math.isfinite(mad)):
        return _failed(method, x.size, level, TOO_LARGE)
    n = x.size
    # largest k with P(Bin(n, 1/2) < k) <= alpha/2, so that x[k-1] .. x[n-k] covers
    k = int(stats.binom.ppf((1 - level) / 2, n, 0.5))
    if float(stats.binom.cdf(k - 1, n, 0.5)) > (1 - level) / 2 or k < 1:
        k -= 1
    if k >= 1:
        low, high = float(x[k - 1]), float(x[n - k])
        location = Estimate(centre, math.nan, low, high, n, level, "median, order statistics")
    else:
        location = point(
            centre, n, "median, order statistics", "too few values for an interval", level
        )
    if n < 2:
        scale = not_estimable(n, "fewer than two values", method, level)
    else:
        scale = point(MAD_TO_SD * mad, n, method, "no interval is claimed for a robust SD", level)
    return RobustEstimate(method, n, location, scale)


@quiet
def algorithm_a(values: ArrayLike, level: float = 0.95) -> RobustEstimate:
    """Robust mean x* and SD s* by Algorithm A (ISO 13528:2022, annex C.3).

    Iterated winsorising at x* ± 1.5·s*, s* scaled by 1.134; start at the median and
    1.483·MAD. The standard's uncertainty of an assigned value, 1.25·s*/sqrt(n) (ISO
    13528:2022, 7.7.3, from memory), is given as ``assigned_uncertainty``; as an interval it
    covers 98 to 99 % instead of 95 % at the normal, so ``location`` carries the asymptotic
    standard error of this M estimate instead, with t on n − 1 degrees of freedom.
    """
    check_level(level)
    x = finite(values)
    method = "Algorithm A"
    if x.size < 3:
        return _failed(method, x.size, level, "fewer than three values")
    centre, mad = _start(x)
    if not (math.isfinite(centre) and math.isfinite(mad)):
        return _failed(method, x.size, level, TOO_LARGE)
    scale = 1.483 * mad
    if scale <= 1e-14 * max(abs(centre), 1e-300):
        return _failed(method, x.size, level, "more than half of the values are equal")
    rounds = 0
    for rounds in range(1, 1001):  # noqa: B007 - the count is part of the result
        winsorised = np.clip(x, centre - 1.5 * scale, centre + 1.5 * scale)
        new_centre = float(winsorised.mean())
        new_scale = 1.134 * float(winsorised.std(ddof=1))
        change = abs(new_centre - centre) + abs(new_scale - scale)
        centre, scale = new_centre, new_scale
        if change <= 1e-13 * scale:
            break
    found = _m_estimate(x, centre, scale, 1.5, method, level, rounds)
    if found.reason:
        return found
    return replace(found, assigned_uncertainty=1.25 * scale / math.sqrt(x.size))


@quiet
def huber_proposal_2(values: ArrayLike, k: float = 1.5, level: float = 0.95) -> RobustEstimate:
    """Location and scale solved together (Huber 1964, proposal 2; AMC 1989, Analyst 114:1693).

    ``k`` is the winsorising limit in SDs; the scale is consistent at the normal.
    Standard error from the asymptotic variance of the M estimate,
    s·sqrt(sum ψ²/(n − 1))·sqrt(n)/sum ψ'.
    """
    check_level(level)
    if not k > 0:
        raise ValueError(f"k must be positive, got {k}")
    x = finite(values)
    method = f"Huber proposal 2, k = {k:g}"
    if x.size < 3:
        return _failed(method, x.size, level, "fewer than three values")
    centre, mad = _start(x)
    if not (math.isfinite(centre) and math.isfinite(mad)):
        return _failed(method, x.size, level, TOO_LARGE)
    scale = MAD_TO_SD * mad
    if scale <= 1e-14 * max(abs(centre), 1e-300):
        return _failed(method, x.size, level, "more than half of the values are equal")
    theta = 2 * float(stats.norm.cdf(k)) - 1
    beta = theta + k * k * (1 - theta) - 2 * k * float(stats.norm.pdf(k))
    n = x.size
    rounds = 0
    for rounds in range(1, 1001):  # noqa: B007 - the count is part of the result
        winsorised = np.clip(x, centre - k * scale, centre + k * scale)
        new_centre = float(winsorised.mean())
        new_scale = math.sqrt(float(np.sum((winsorised - new_centre) ** 2)) / (n - 1) / beta)
        change = abs(new_centre - centre) + abs(new_scale - scale)
        centre, scale = new_centre, new_scale
        if not scale > 0 or change <= 1e-13 * scale:
            break
    return _m_estimate(x, centre, scale, k, method, level, rounds)


def _m_estimate(
    x: Floats, centre: float, scale: float, k: float, method: str, level: float, rounds: int
) -> RobustEstimate:
    psi = np.clip((x - centre) / scale, -k, k)
    inside = float(np.sum(np.abs(psi) < k))
    if inside == 0 or not scale > 0:
        return _failed(method, x.size, level, "no value lies near the middle")
    se = scale * math.sqrt(float(psi @ psi) / (x.size - 1) * x.size) / inside
    return _result(method, centre, scale, se, x.size, level, rounds)
