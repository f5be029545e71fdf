"""Whether the bias stayed within a margin all through the period: its mean in stretches of time.

A method that moves within the period has no one bias: a mean over all of it hides what its last
results read. Each stretch of samples, in the order in which they were read, is looked at by two
one-sided t tests; a method truly outside the margin in any whole stretch passes with a chance of
at most alpha (an intersection-union test: Berger & Hsu 1996, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from reconcile.statistics._values import Floats, quiet, same_length, vector

#: Most stretches, the samples that each should hold, and the fewest that one can be judged by.
STRETCHES, WISHED, FEWEST = 3, 10, 3


@dataclass(frozen=True, slots=True)
class Stretch:
    """Mean error of neighbours in time; ends of the interval of two one-sided t tests.

    ``deviation``: SD of one sample about that mean. ``first`` and ``last``: times as they were
    given. ``least`` and ``most``: ends beyond which the mean is shown not to lie, one-sided at
    alpha for all stretches together (Bonferroni).
    """

    n: int
    first: float
    last: float
    value: float
    low: float
    high: float
    least: float
    most: float
    deviation: float


@quiet
def stretches_in_time(
    errors: ArrayLike, times: ArrayLike, alpha: float = 0.05
) -> tuple[Stretch, ...]:
    """Three stretches of equal numbers, two where they would hold fewer than ten samples each.

    ``errors`` and ``times``: shape (n,), errors on any scale on which a mean makes sense, times
    as numbers in any unit; a sample with NaN in either is left out. Schuirmann 1987 (from
    memory). Empty where fewer than six samples have a time, or all have the same.
    """
    x, t = vector(errors, "errors"), vector(times, "times")
    same_length(x, t, names=("errors", "times"))
    known = np.isfinite(x) & np.isfinite(t)
    x, t = x[known], t[known]
    if t.size < 2 * FEWEST or t.min() == t.max():
        return ()
    order = np.argsort(t, kind="stable")
    number = max(2, min(STRETCHES, t.size // WISHED))
    return tuple(_stretch(x[p], t[p], alpha, number) for p in np.array_split(order, number))


def _stretch(errors: Floats, times: Floats, alpha: float, number: int) -> Stretch:
    n = int(errors.size)
    mean, sd = float(errors.mean()), float(errors.std(ddof=1))
    half, wide = (
        float(special.stdtrit(n - 1, 1 - a)) * sd / math.sqrt(n) for a in (alpha, alpha / number)
    )
    return Stretch(
        n, float(times[0]), float(times[-1]), mean, mean - half, mean + half, mean - wide,
        mean + wide, sd,
    )  # fmt: skip
