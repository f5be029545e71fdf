"""Cumulative sums of standardised values: small shifts that no single value shows."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from reconcile.statistics._values import vector
from reconcile.statistics.equality import equal_with_nan

_STATES = 400  # of the chain; the run lengths differ from their limit by less than 0.1 %


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Cusum:
    """Upper and lower sums after each value, and the values at which one passed ``h``."""

    upper: tuple[float, ...]
    lower: tuple[float, ...]
    alarms: tuple[int, ...]  # places from 0
    k: float
    h: float

    @property
    def alarmed(self) -> bool:
        """Whether a sum stands beyond ``h`` after the last value."""
        return bool(self.alarms) and self.alarms[-1] == len(self.upper) - 1


def tabular_cusum(z: ArrayLike, k: float, h: float) -> Cusum:
    """Tabular CUSUM of standardised values (Page 1954; Montgomery, Statistical Quality Control).

    C⁺ = max(0, C⁺ + z − k), C⁻ = max(0, C⁻ − z − k), both from 0; an alarm where one is above
    ``h``. ``k`` and ``h`` in standard deviations; k is best at half the shift that matters.
    """
    if not (k >= 0 and h > 0):
        raise ValueError(f"k must be at least 0 and h above 0, got {k} and {h}")
    up = down = 0.0
    upper, lower, alarms = [], [], []
    for place, value in enumerate(vector(z, "z")):
        up, down = max(0.0, up + float(value) - k), max(0.0, down - float(value) - k)
        upper.append(up)
        lower.append(down)
        if max(up, down) > h:
            alarms.append(place)
    return Cusum(tuple(upper), tuple(lower), tuple(alarms), k, h)


@cache
def run_length(k: float, h: float, shift: float = 0.0) -> float:
    """Mean number of values until one of both sums passes ``h``, from nought.

    ``shift`` in standard deviations. Of each side by a chain of states (Brook & Evans 1972);
    of both 1/L = 1/L⁺ + 1/L⁻ (Kemp 1961).
    """
    return 1 / (1 / _one_sided(k, h, shift) + 1 / _one_sided(k, h, -shift))


def _one_sided(k: float, h: float, shift: float) -> float:
    width = 2 * h / (2 * _STATES - 1)
    state = np.arange(_STATES) * width
    # from state i to state j: the sum ends within half a width of j, or at or below 0
    edges = state[None, :] - state[:, None] + k - shift
    high = special.ndtr(edges + width / 2)
    move = high - special.ndtr(edges - width / 2)
    move[:, 0] = high[:, 0]
    return float(np.linalg.solve(np.eye(_STATES) - move, np.ones(_STATES))[0])
