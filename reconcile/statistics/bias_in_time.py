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
from reconcile.statistics.clusters import Clustered
from reconcile.statistics.equality import equal_with_nan

#: Most stretches, the samples that each should hold, and the fewest that one can be judged by.
STRETCHES, WISHED, FEWEST = 3, 10, 3


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Stretch:
    """Mean error of neighbours in time; ends of the interval of two one-sided t tests.

    ``deviation``: SD of one sample about that mean. ``first`` and ``last``: times as they were
    given. ``least`` and ``most``: ends beyond which the mean is shown not to lie, one-sided at
    alpha for all stretches together (Bonferroni). ``wider``: half the interval over that of as
    many independent samples.
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
    wider: float = 1.0


@quiet
def stretches_in_time(
    errors: ArrayLike, times: ArrayLike, alpha: float = 0.05, clusters: Clustered | None = None
) -> tuple[Stretch, ...]:
    """Three stretches of equal numbers, two where they would hold fewer than ten samples each.

    ``errors`` and ``times``: shape (n,), errors on any scale on which a mean makes sense, times
    as numbers in any unit; a sample with NaN in either is left out. ``clusters`` widen the
    intervals by what they are in all samples. Schuirmann 1987 (from memory). Empty where fewer
    than six samples have a time, or all have the same.
    """
    x, t = vector(errors, "errors"), vector(times, "times")
    same_length(x, t, names=("errors", "times"))
    known = np.isfinite(x) & np.isfinite(t)
    x, t = x[known], t[known]
    if t.size < 2 * FEWEST or t.min() == t.max():
        return ()
    order = np.argsort(t, kind="stable")
    number = max(2, min(STRETCHES, t.size // WISHED))
    parts = np.array_split(order, number)
    return tuple(_stretch(x[p], t[p], alpha, number, clusters) for p in parts)


def _stretch(
    errors: Floats, times: Floats, alpha: float, number: int, clusters: Clustered | None
) -> Stretch:
    n = int(errors.size)
    mean, sd = float(errors.mean()), float(errors.std(ddof=1))
    df, effect = n - 1.0, 1.0
    if clusters is not None:
        effect = clusters.effect_of(n)
        # a stretch can hold few clusters, whose own scatter says little: that of all stands
        sd = max(sd, math.sqrt(clusters.total)) if effect > 1 else sd
        df = min(df, clusters.freedom)
    half, wide = (
        float(special.stdtrit(df, 1 - a)) * sd * math.sqrt(effect / n)
        for a in (alpha, alpha / number)
    )
    t, alone = (float(special.stdtrit(d, 1 - alpha)) for d in (df, n - 1))
    return Stretch(
        n, float(times[0]), float(times[-1]), mean, mean - half, mean + half, mean - wide,
        mean + wide, sd, t / alone * math.sqrt(effect),
    )  # fmt: skip
