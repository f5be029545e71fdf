"""Distribution of interval-censored values without a model."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics._values import Floats, quiet, same_length, vector
from reconcile.statistics.result import NAN


@dataclass(frozen=True, slots=True)
class Turnbull:
    """Masses on the innermost intervals of interval-censored values (Turnbull 1976)."""

    low: Floats
    high: Floats
    mass: Floats

    def median(self) -> float:
        """Middle of the interval in which the distribution passes one half; NaN if unbounded."""
        if self.mass.size == 0:
            return NAN
        total = np.cumsum(self.mass)
        i = int(np.searchsorted(total, 0.5 - 1e-9))
        middle = float(self.low[i] / 2 + self.high[i] / 2)
        if abs(total[i] - 0.5) < 1e-9 and i + 1 < self.mass.size:
            middle = middle / 2 + float(self.low[i + 1] / 2 + self.high[i + 1] / 2) / 2
        return middle if math.isfinite(middle) else NAN


@quiet
def turnbull(low: ArrayLike, high: ArrayLike, rounds: int = 2000) -> Turnbull:
    """Distribution of values known only between bounds, by self-consistency (Turnbull 1976).

    Equal bounds are exact values; bounds may be infinite. With left censoring only this
    is the Kaplan-Meier estimate.
    """
    a, b = vector(low, "low"), vector(high, "high")
    same_length(a, b, names=("low", "high"))
    keep = ~(np.isnan(a) | np.isnan(b)) & (a <= b)
    a, b = a[keep], b[keep]
    if a.size == 0:
        empty = np.zeros(0)
        return Turnbull(empty, empty, empty)
    ends = np.concatenate([a, b])
    is_right = np.concatenate([np.zeros(a.size), np.ones(b.size)])
    exact = np.concatenate([a == b, a == b])
    # at one point: right ends of intervals, left of exact, right of exact, left of intervals
    rank = np.where(is_right == 1, np.where(exact, 2, 0), np.where(exact, 1, 3))
    order = np.lexsort((rank, ends))
    right = is_right[order] == 1
    at = np.flatnonzero(~right[:-1] & right[1:])
    left_pos, right_pos = order[at], order[at + 1]
    lo, hi = ends[left_pos], ends[right_pos]
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.arange(order.size)
    start, stop = place[: a.size], place[a.size :]
    # the intervals that a value may lie in follow each other: sums over them are differences
    first, after = np.searchsorted(at, start, side="left"), np.searchsorted(at, stop, side="left")
    mass = np.full(at.size, 1 / at.size)
    for _ in range(rounds):
        up_to = np.concatenate([[0.0], np.cumsum(mass)])
        share = 1 / (up_to[after] - up_to[first])
        edges = np.bincount(first, weights=share, minlength=at.size + 1)
        edges -= np.bincount(after, weights=share, minlength=at.size + 1)
        fresh = mass * np.cumsum(edges[:-1])
        fresh /= fresh.sum()
        change = float(np.abs(fresh - mass).max())
        mass = fresh
        if change < 1e-12:
            break
    return Turnbull(lo, hi, mass)
