"""The one shape in which every estimate leaves the statistics."""

from __future__ import annotations

import math
from dataclasses import dataclass

from reconcile.statistics.equality import equal_with_nan

NAN = float("nan")


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Estimate:
    """One estimated quantity with its uncertainty.

    value, se, low, high are in the unit of the input arrays (or dimensionless
    for ratios and fractions); ``level`` is the confidence level of low..high;
    ``n`` counts the pairs (or values) that entered. Where nothing can be
    estimated every number is NaN and ``reason`` says why in plain words.
    """

    value: float
    se: float
    low: float
    high: float
    n: int
    level: float = 0.95
    method: str = ""
    reason: str = ""

    @property
    def estimable(self) -> bool:
        """True where ``value`` is a usable number."""
        return math.isfinite(self.value)


def not_estimable(n: int, reason: str, method: str = "", level: float = 0.95) -> Estimate:
    """An Estimate that carries no number and says why."""
    return Estimate(NAN, NAN, NAN, NAN, n, level, method, reason)
