"""What pairs of one cluster (a hole, a heat, a batch of the laboratory) say again.

Pairs of one cluster have something in common that other clusters don't share. A mean of them is
known less well than so many independent pairs would know it: its variance is the design effect
times as large. The parts between and within clusters come from the analysis of variance, a part
between that comes out below zero counting as none (as restricted maximum likelihood has it in
balanced data); the degrees of freedom of the mean are Satterthwaite's (1946), in balanced data
clusters − 1, so that its t interval is exact where clusters are seen to differ (Searle,
Casella & McCulloch 1992, sections 3.3 and 3.6; both from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from reconcile.statistics._values import Floats, Integers, check_level, estimate, quiet, vector
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN, Estimate, not_estimable

ONE_CLUSTER = "all pairs are of one cluster, which shows nothing of how clusters differ"
_METHOD = "analysis of variance between clusters"


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Clustered:
    """How far ``n`` pairs in clusters are from being independent.

    ``correlation``: of two pairs of one cluster. ``effect``: variance of the mean over that of
    as many independent pairs, never below 1; infinite where there is one cluster alone.
    ``freedom`` and ``total_freedom``: degrees of freedom of the mean and of ``total``, the
    variance of one pair (between and within), in the unit of the values squared: at them
    chi-square gives the upper 95 % bound of that variance.
    """

    n: int
    clusters: int
    largest: int
    correlation: Estimate
    effect: float
    freedom: float
    total: float
    total_freedom: float
    others: tuple[Clustered, ...] = ()  # groupings that cross this one

    @property
    def effective(self) -> float:
        """So many independent pairs would know the mean as well."""
        return self.n / self.effect

    def effect_of(self, k: int) -> float:
        """The design effect of a mean of ``k`` of the pairs, lying as they may.

        No more of one cluster than the largest holds; never more than the whole effect where
        k is no smaller than what clusters hold.
        """
        if not math.isfinite(self.effect):
            return math.inf
        rho = self.correlation.value if self.correlation.estimable else 0.0
        crossing = sum(other.effect_of(k) - 1 for other in self.others)
        return 1 + (min(k, self.largest) - 1) * rho + crossing

    def in_unit(self, unit: float) -> Clustered:
        """The same of values divided by ``unit``."""
        return replace(
            self, total=self.total / unit**2, others=tuple(f.in_unit(unit) for f in self.others)
        )

    def widening(self, df: float, k: int | None = None) -> float:
        """The design effect of the mean, or of one of ``k`` pairs, for intervals of ``df``.

        It holds the square of how much further t of its own degrees of freedom reaches
        (one-sided 5 %) than t of ``df``, by which the interval is made.
        """
        effect = self.effect if k is None else self.effect_of(k)
        if not math.isfinite(effect):
            return math.inf
        t, own = (float(special.stdtrit(d, 0.95)) for d in (self.freedom, df))
        return effect * max(t / own, 1.0) ** 2


@quiet
def clustered(
    values: ArrayLike, codes: ArrayLike, lost: float = 1.0, between_lost: float = 1.0,
    level: float = 0.95,
) -> Clustered:  # fmt: skip
    """Judge one grouping of ``values``, shape (n,), by cluster ``codes`` 0, 1, … of that shape.

    ``lost``: coefficients that were fitted to the values, and ``between_lost`` how many of them
    (a share too) lie between clusters; 1 and 1 for a mean. The interval of the correlation is
    exact in balanced data (Searle, Casella & McCulloch 1992, section 3.6, from memory).
    """
    check_level(level)
    x, owner = vector(values), np.asarray(codes, dtype=np.int64)
    if owner.shape != x.shape:
        raise ValueError("every value needs its cluster")
    sizes = np.bincount(owner).astype(np.float64) if x.size else np.zeros(0)
    sizes = sizes[sizes > 0]
    n, k = int(x.size), int(sizes.size)
    if k == n or n - lost <= 0:  # each its own cluster
        return _independent(x, k, lost, level)
    largest = int(sizes.max())
    if k == 1:
        none = not_estimable(n, ONE_CLUSTER, _METHOD, level)
        total = float(np.sum((x - x.mean()) ** 2)) / (n - lost)
        return Clustered(n, 1, largest, none, math.inf, 1.0, total, 1.0)
    return _between(x, np.unique(owner, return_inverse=True)[1], sizes, lost, between_lost, level)


def _independent(x: Floats, k: int, lost: float, level: float) -> Clustered:
    n = int(x.size)
    df = max(n - lost, 0.0)
    total = float(np.sum((x - x.mean()) ** 2)) / df if df else NAN
    none = not_estimable(n, "no cluster holds two pairs", _METHOD, level)
    return Clustered(n, k, 1 if n else 0, none, 1.0, df, total, df)


def _between(
    x: Floats, owner: Integers, sizes: Floats, lost: float, between_lost: float, level: float
) -> Clustered:
    n, k = int(x.size), int(sizes.size)
    means = np.bincount(owner, weights=x) / sizes
    within = float(np.sum((x - means[owner]) ** 2))
    between = float(np.sum(sizes * (means - x.mean()) ** 2))
    df_between = max(k - between_lost, 1.0)
    df_within = max(n - k - (lost - between_lost), 1.0)
    msb, msw = between / df_between, within / df_within
    own = float(sizes @ sizes) / n  # pairs of its own cluster that a pair meets, itself too
    per = (n - own) / (k - 1)  # the same as the analysis of variance sees it
    rho = _correlation(msb, msw, per, (df_between, df_within), n, level)
    whole = n - lost
    squares, df = (msb, msw), (df_between, df_within)
    if not msb > msw:
        total = (between + within) / whole
        return Clustered(n, k, int(sizes.max()), rho, 1.0, whole, total, whole)
    part = (msb - msw) / per
    total = msw + part
    freedom = _satterthwaite((own / per, 1 - own / per), squares, df)
    spread = _freedom_of_bound((1 / per, 1 - 1 / per), squares, df)
    return Clustered(
        n, k, int(sizes.max()), rho, 1 + (own - 1) * part / total, min(freedom, whole), total,
        min(spread, whole),
    )  # fmt: skip


def _satterthwaite(
    c: tuple[float, float], squares: tuple[float, float], df: tuple[float, float]
) -> float:
    terms = [a * s for a, s in zip(c, squares, strict=True)]
    return max(sum(terms) ** 2 / sum(t * t / d for t, d in zip(terms, df, strict=True)), 1.0)


def _freedom_of_bound(
    c: tuple[float, float], squares: tuple[float, float], df: tuple[float, float]
) -> float:
    """Degrees of freedom at which chi-square gives the modified large-sample upper bound.

    The sum c₁·MS₁ + c₂·MS₂ is bounded above by itself + √Σ(c·MS·(df/χ²(0.05) − 1))² (Graybill &
    Wang 1980, from memory), which holds also where few clusters make most of it, as
    Satterthwaite's degrees of freedom do not.
    """
    terms = [a * s for a, s in zip(c, squares, strict=True)]
    reach = [t * (d / float(special.chdtri(d, 0.95)) - 1) for t, d in zip(terms, df, strict=True)]
    if not sum(terms) > 0:
        return 1.0
    ratio = 1 + math.hypot(*reach) / sum(terms)
    low, high = 0.5, 1e7
    while high / low > 1 + 1e-12:
        middle = math.sqrt(low * high)
        beyond = middle / float(special.chdtri(middle, 0.95)) > ratio
        low, high = (middle, high) if beyond else (low, middle)
    return max(high, 1.0)


def _correlation(
    msb: float, msw: float, per: float, df: tuple[float, float], n: int, level: float
) -> Estimate:
    if not msb > 0:
        return not_estimable(n, "the pairs do not differ", _METHOD, level)
    if not msw > 0:
        return estimate(1.0, NAN, 1.0, 1.0, n, level, _METHOD)
    f, tail = msb / msw, (1 - level) / 2

    def rho(ratio: float) -> float:
        return max((ratio - 1) / (ratio - 1 + per), 0.0)

    low = rho(f / float(special.fdtri(df[0], df[1], 1 - tail)))
    high = rho(f / float(special.fdtri(df[0], df[1], tail)))
    return estimate(rho(f), NAN, low, high, n, level, _METHOD)


@quiet
def judged(
    values: ArrayLike, factors: Sequence[Integers], lost: float = 1.0, x: ArrayLike | None = None,
    level: float = 0.95,
) -> Clustered | None:  # fmt: skip
    """Judge ``values`` by one or two crossing groupings; None where there is none.

    Of two (as holes and batches of the laboratory) the excess of each over 1 adds, less that of
    their intersection, which both hold (Cameron, Gelbach & Miller 2011, from memory); never less
    than that of either. ``x``: what a line was fitted to, so that a slope that lies between
    clusters costs its degree of freedom there.
    """
    found = [clustered(values, f, lost, _lost_between(x, f), level) for f in factors]
    if len(found) < 2:
        return found[0] if found else None
    first, second = found
    both = np.unique(np.stack(factors), axis=1, return_inverse=True)[1].ravel()
    shared = clustered(values, both, lost, _lost_between(x, both)).effect - 1
    least = max(first.effect, second.effect)
    leads = first if first.effect >= second.effect else second
    if not math.isfinite(least):
        return leads
    effect = max(first.effect + second.effect - 1 - shared, least)
    widened = [f for f in found if f.effect > 1] or found
    return replace(
        leads, effect=effect, freedom=min(f.freedom for f in widened),
        total=max(f.total for f in found), total_freedom=min(f.total_freedom for f in widened),
        others=tuple(f for f in found if f is not leads),
    )  # fmt: skip


def _lost_between(x: ArrayLike | None, codes: Integers) -> float:
    """One for the mean, and for a slope the share of the spread of ``x`` between clusters."""
    if x is None:
        return 1.0
    u = vector(x)
    u = u - float(u.mean())
    whole = float(u @ u)
    if not whole > 0:
        return 1.0
    sizes = np.bincount(codes)
    sums = np.bincount(codes, weights=u)
    return 1.0 + float(np.sum(sums[sizes > 0] ** 2 / sizes[sizes > 0])) / whole
