"""Whether the bias over months stays: a step or a drift, looked for anew with every month.

ȳ_i = μ + m_i + e_i, as in ``months``: m_i of variance τ² between months, e_i of variance σ²/n_i.
At each look, with a months so far, a step before each month but the first and a straight drift
are set against no change. What is compared is the restricted likelihood, averaged over a lattice
of σ² (its pivots by the scatter within months) and of τ (nought, and steps of a factor 2 over a
month's own error): how far the months may differ anyway is learned from them alone, so that with
few months only a large step can be told from a spread. The distance is √(2·ln ratio), in the
manner of standard deviations.

A change point of unknown place, size and variance, looked for at every new value: Hawkins, Qiu &
Kang 2003 (Journal of Quality Technology 35, 355); there with one variance and its t statistic,
which this becomes where the spread between months is large. The limits of ``step_limits`` hold
the chance of a false signal at each look, given none before.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy import special

from reconcile.statistics._values import Floats, estimate, quiet
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.normal_mixture import weighted_interval
from reconcile.statistics.result import NAN, Estimate
from reconcile.statistics.step_limits import FIRST_LOOK, limit_at

#: Points of the lattice: of σ², and of τ over a month's own standard error.
WITHIN_POINTS = 5
RATIOS = np.array([0.0, *0.5 * 2.0 ** np.arange(10)])
#: How much each of these weighs: with six for none, steps are called best (by simulation).
SHARES = np.array([6.0, *[1.0] * 10]) / 16


class Change(StrEnum):
    """What kind of change the months show."""

    STEP = "step"
    DRIFT = "drift"


@dataclass(frozen=True, slots=True)
class Months:
    """Months in order of time: mean, pairs behind it and scatter within, each of shape (a,).

    ``squares``: sums of squares about the month's mean, with ``freedom``. Counts may be broken
    numbers: of pairs known by a limit, what they tell in whole pairs.
    """

    means: Floats
    counts: Floats
    squares: Floats
    freedom: Floats

    def part(self, begin: int, end: int) -> Months:
        """Months ``begin`` to ``end``, the last not included."""
        at = slice(begin, end)
        return Months(self.means[at], self.counts[at], self.squares[at], self.freedom[at])

    def of_clusters(self, effects: Floats) -> Months:
        """Each month's mean with ``effects``, shape (a,), times the variance of its pairs' mean."""
        return replace(self, counts=self.counts / effects)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Moved:
    """A change that was signalled: places count months from 0.

    ``first`` is the first month after a step, ``seen`` the month at whose look it was signalled.
    ``size``: after less before; of a drift, per month. Its interval takes the place as given.
    """

    change: Change
    first: int
    seen: int
    size: Estimate
    distance: float
    limit: float


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Looked:
    """What all the looks gave: changes in order of time, and the last look of the last stretch."""

    moved: tuple[Moved, ...]
    begins: int  # first month since the last change
    distance: float  # NaN before there is a look
    limit: float


@dataclass(frozen=True, slots=True)
class Weighed:
    """Months under every point of the lattice, shapes (g, a) and (g,)."""

    weights: Floats
    total: Floats
    mean: Floats
    off: Floats
    log: Floats  # restricted likelihood without a change, up to a constant
    within: Floats
    between: Floats


def weighed(m: Months) -> Weighed:
    """Weights, means and restricted likelihoods; needs scatter within months."""
    df = float(m.freedom.sum())
    place = (np.arange(WITHIN_POINTS) + 0.5) / WITHIN_POINTS
    drawn = float(m.squares.sum()) / special.chdtri(df, 1 - place)
    between = np.outer(RATIOS**2, drawn * float(np.mean(1 / m.counts))).ravel()
    within = np.tile(drawn, RATIOS.size)
    w = 1 / (between[:, None] + within[:, None] / m.counts)
    total = w.sum(axis=1)
    mean = (w @ m.means) / total
    off = m.means - mean[:, None]
    log = 0.5 * (np.log(w).sum(axis=1) - np.log(total) - np.sum(w * off**2, axis=1))
    log += np.repeat(np.log(SHARES), WITHIN_POINTS)
    return Weighed(w, total, mean, off, log, within, between)


def _contrast(seen: Weighed, x: Floats) -> tuple[Floats, Floats]:
    """Estimates of a change of the form ``x``, shape (a,), and their information; (g,) each."""
    middle = (seen.weights @ x) / seen.total
    apart = x - middle[:, None]
    information = np.sum(seen.weights * apart**2, axis=1)
    return np.sum(seen.weights * apart * seen.off, axis=1) / information, information


def log_sum(log: Floats) -> float:
    """Logarithm of the sum of what ``log``, shape (g,), are logarithms of."""
    top = float(log.max())
    return top + math.log(float(np.sum(np.exp(log - top))))


def changes(a: int) -> list[tuple[Change, int, Floats]]:
    """Every change that a look at ``a`` months tells apart: kind, first month after, its form."""
    time = np.arange(a, dtype=np.float64)
    steps = [(Change.STEP, k, np.asarray(time >= k, dtype=np.float64)) for k in range(1, a)]
    return [*steps, (Change.DRIFT, 0, time)]


def _distance(seen: Weighed, x: Floats) -> float:
    size, information = _contrast(seen, x)
    gain = seen.log + size**2 * information / 2
    return math.sqrt(max(2 * (log_sum(gain) - log_sum(seen.log)), 0.0))


def _size(seen: Weighed, x: Floats, n: int, level: float) -> Estimate:
    """The change by its likelihood under every point of the lattice."""
    sizes, information = _contrast(seen, x)
    log = seen.log + sizes**2 * information / 2 - np.log(information) / 2
    share = np.exp(log - log_sum(log))
    deviations = 1 / np.sqrt(information)
    value = float(share @ sizes)
    se = math.sqrt(float(share @ (deviations**2 + (sizes - value) ** 2)))
    low, high = weighted_interval(sizes, deviations, share, level)
    return estimate(value, se, low, high, n, level, "restricted likelihood over months")


def look(m: Months) -> tuple[float, Change, int]:
    """Largest distance of the changes at one look, its kind and the first month after it.

    After a drift the months go on from the best step: what lies behind it speaks least for now.
    """
    seen = weighed(m)
    found = [(_distance(seen, x), change, k) for change, k, x in changes(m.means.size)]
    far, change, first = max(found, key=lambda f: f[0])
    if change is Change.DRIFT:
        first = max(found[:-1], key=lambda f: f[0])[2]
    return far, change, first


@quiet
def looks(m: Months, rate: float, level: float = 0.95) -> Looked:
    """Look with every month from the fourth of a stretch on; after a change the months begin anew.

    ``rate``: chance of a false signal in any twelve looks. A look knows nothing of later months,
    so that what was signalled once is signalled again whenever the same months are looked at.
    """
    moved: list[Moved] = []
    begins, far, limit = 0, NAN, NAN
    for end in range(FIRST_LOOK, m.means.size + 1):
        part = m.part(begins, end)
        a = end - begins
        if a < FIRST_LOOK or not float(part.squares.sum()) > 0:
            continue
        far, change, first = look(part)
        limit = limit_at(a, rate)
        if far > limit:
            form = next(x for c, k, x in changes(a) if c is change and k in (first, 0))
            n = round(float(part.counts.sum()))
            size = _size(weighed(part), form, n, level)
            moved.append(Moved(change, begins + first, end - 1, size, far, limit))
            begins, far, limit = begins + first, NAN, NAN
    return Looked(tuple(moved), begins, far, limit)
