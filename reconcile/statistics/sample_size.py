"""How many pairs, spots and laboratory samples a conclusion needs.

All are planning figures under the model that each docstring states.
"""

from __future__ import annotations

import math

from reconcile.statistics.result import NAN

LARGEST = 10_000_000  # beyond this nobody measures; a plan says "not attainable" (NaN)


def _ceiling(value: float, fewest: int) -> float:
    """Next whole number, at least ``fewest``; NaN where nobody could measure that many."""
    if not math.isfinite(value) or value > LARGEST:
        return NAN
    return float(max(fewest, math.ceil(value - 1e-9)))


def _square(value: float) -> float:
    return value * value  # a product overflows to infinity where a power raises


def spots_needed(cv: float, target: float) -> float:
    """Independent spots for a relative standard error ``target`` of the mean: (CV/t)²."""
    if not (cv >= 0 and target > 0):
        return NAN
    return _ceiling(_square(cv / target), 1)


def optimum_lab_fraction(r: float, cost_field: float, cost_lab: float) -> float:
    """Share of field samples to send to the laboratory so that the mean costs least.

    Double sampling with regression (Cochran, Sampling Techniques, chapter 12, from
    memory): sqrt(((1 − r²)/r²)·c_field/c_lab), at most 1. ``r`` is the correlation of
    field with lab.
    """
    if not (0 < abs(r) <= 1 and cost_field > 0 and cost_lab > 0):
        return NAN
    # a root of quotients, so that nothing underflows on the way
    share = math.sqrt(max(1 - r * r, 0.0)) / abs(r) * math.sqrt(cost_field) / math.sqrt(cost_lab)
    return min(1.0, share) if not math.isnan(share) else NAN
