"""Whether a place of a part differs from the rest of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from reconcile.statistics._values import quiet, same_length, vector
from reconcile.statistics.equality import equal_with_nan

REPLICATES, PLACES_ALONE = "replicates within places", "places beside each other"
_DRAWS, _SEED = 40_000, 20  # of the distribution of the two-group ratio
_FEWEST_FREEDOM = 2


@equal_with_nan
@dataclass(frozen=True, slots=True)
class PlaceTest:
    """Which of m places differ; shapes (m,). ``reason``: why nothing was tested."""

    differs: tuple[bool, ...]
    p_values: tuple[float, ...]  # NaN where only the limits of the whole procedure are known
    shifts: tuple[float, ...]  # value less the reference, in the values' unit
    reference: float
    method: str = ""  # REPLICATES or PLACES_ALONE
    reason: str = ""
    upper: tuple[bool, ...] = ()  # of two groups, the one that reads higher; () where there is one
    p_groups: float = math.nan


@quiet
def differing(
    values: ArrayLike, counts: ArrayLike, sds: ArrayLike, level: float, reference: ArrayLike
) -> PlaceTest:
    """Test every place of one part at ``level`` for all places together.

    ``values``: means of m places, shape (m,); ``counts``: spots of each; ``sds``: SD between
    the spots of each, NaN for one spot; ``reference``: shape (m,), True for the places with
    which all are compared (such as base metal), none: all.

    With replicates within places each place is held against the median of the reference by a
    t test with the pooled SD within places (Snedecor and Cochran, from memory), the level
    shared by Bonferroni's inequality; two places are held against each other. Without
    replicates, by the generalised ESD procedure over the places, at most every second place
    but one, the level shared by the steps (Rosner 1983; NIST/SEMATECH e-Handbook, section
    1.3.5.17.3); needs three places.
    Raises ValueError where shapes differ.
    """
    x, n, sd = vector(values, "values"), vector(counts, "counts"), vector(sds, "sds")
    same_length(x, n, names=("values", "counts"))
    same_length(x, sd, names=("values", "sds"))
    among = np.asarray(reference, dtype=bool)
    if among.shape != x.shape:
        raise ValueError("one mark of reference per value is needed")
    if not among.any():
        among = np.ones(len(x), dtype=bool)
    middle = float(np.median(x[among])) if len(x) else math.nan
    if len(x) < 2:
        return _none(x, middle, "one place only")
    known = np.isfinite(sd) & (n >= 2)
    freedom = float(np.sum(n[known] - 1))
    variance = float(np.sum((n[known] - 1) * sd[known] ** 2)) / freedom if freedom else 0.0
    if freedom >= _FEWEST_FREEDOM and variance > 0:
        return _against_reference(x, n, variance, freedom, among, level)
    if len(x) < 3:
        return _none(x, middle, "two places without replicates")
    most = (len(x) - 1) // 2
    # the limits hold for one step; with few values several steps find too much. Places that
    # differ and places in two groups are two looks at one part: each has half of the level
    outside = generalised_esd(x, level / 2 / most, most)
    differs = np.zeros(len(x), dtype=bool)
    differs[outside] = True
    rest = float(np.median(x[~differs]))
    upper, p = two_groups(x) if not outside else ((), math.nan)
    return PlaceTest(
        tuple(differs.tolist()), (math.nan,) * len(x), tuple((x - rest).tolist()), rest,
        PLACES_ALONE, "", upper if p < level / 2 else (), p,
    )  # fmt: skip


@quiet
def two_groups(values: ArrayLike) -> tuple[tuple[bool, ...], float]:
    """Whether single values of one part fall into two groups of two or more, and p.

    The values in order are cut where the ratio of the mean square between the two parts to the
    one within is largest; p is the chance of such a ratio among as many normal values of one
    group, from a fixed set of draws (Engelman and Hartigan 1969, Percentage points of a test for
    clusters, JASA 64, 1647-1648; from memory). Fewer than four values: none, NaN. A gradient
    along a part gives two groups too.
    """
    x = vector(values, "values")
    if len(x) < 4 or not np.isfinite(x).all() or np.ptp(x) == 0:
        return (), math.nan
    order = np.argsort(x, kind="stable")
    ratio, cut = _ratios(x[order][None, :])
    drawn = _drawn_ratios(len(x))
    p = (1 + int(np.sum(drawn >= ratio[0]))) / (len(drawn) + 1)
    upper = np.zeros(len(x), dtype=bool)
    upper[order[int(cut[0]) :]] = True
    return tuple(upper.tolist()), p


def _ratios(ordered: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """The largest ratio of each row and how many values lie below its cut; shape (rows, m)."""
    m = ordered.shape[1]
    centred = ordered - ordered.mean(axis=1, keepdims=True)
    below = np.cumsum(centred, axis=1)[:, 1 : m - 2]  # sums of the lowest 2 .. m - 2
    k = np.arange(2, m - 1)
    between = below**2 * m / (k * (m - k))
    whole = np.sum(centred**2, axis=1, keepdims=True)
    ratio = between * (m - 2) / np.maximum(whole - between, np.finfo(float).tiny)
    best = np.argmax(ratio, axis=1)
    return ratio[np.arange(len(ratio)), best], k[best]


@cache
def _drawn_ratios(m: int) -> NDArray[np.float64]:
    """Ratios of normal values of one group, each time the same draws."""
    draws = max(_DRAWS * 10 // max(m, 10), 2_000)
    rng = np.random.default_rng(_SEED)
    return _ratios(np.sort(rng.standard_normal((draws, m)), axis=1))[0]


def _none(x: NDArray[np.float64], middle: float, why: str) -> PlaceTest:
    m = len(x)
    return PlaceTest((False,) * m, (math.nan,) * m, tuple((x - middle).tolist()), middle, "", why)


def _against_reference(
    x: NDArray[np.float64], n: NDArray[np.float64], variance: float, freedom: float,
    among: NDArray[np.bool_], level: float,
) -> PlaceTest:  # fmt: skip
    m = len(x)
    if m == 2:
        middles, spread = x[::-1], 1 / n[::-1]
        tests = 1
    else:
        middles = np.full(m, float(np.median(x[among])))
        # a median of three or more varies by pi/2 more than a mean (normal values)
        times = math.pi / 2 if among.sum() >= 3 else 1.0
        spread = np.full(m, times / float(np.sum(n[among])))
        tests = m
    t = (x - middles) / np.sqrt(variance * (1 / n + spread))
    p = np.minimum(2 * special.stdtr(freedom, -np.abs(t)) * tests, 1.0)
    return PlaceTest(
        tuple((p < level).tolist()), tuple(p.tolist()), tuple((x - middles).tolist()),
        float(middles[0]) if m > 2 else math.nan, REPLICATES,
    )  # fmt: skip


@quiet
def esd_steps(values: ArrayLike, level: float, most: int) -> list[tuple[int, float, float]]:
    """Steps of the generalised ESD procedure: position taken out, its statistic, its limit.

    Rosner (1983): R = max |x - mean| / s of what is left, against (n - i)t / sqrt((n - i - 1 +
    t²)(n - i + 1)), t at 1 - level / (2(n - i + 1)) with n - i - 1 degrees of freedom.
    """
    x = vector(values, "values")
    left = np.arange(len(x))
    steps = []
    for i in range(1, most + 1):
        now = x[left]
        s = float(now.std(ddof=1)) if len(now) > 1 else 0.0
        freedom = len(x) - i - 1
        if not s > 0 or freedom < 1:
            break
        apart = np.abs(now - now.mean())
        far = int(np.argmax(apart))
        t = float(special.stdtrit(freedom, 1 - level / (2 * (len(x) - i + 1))))
        limit = (len(x) - i) * t / math.sqrt((freedom + t**2) * (len(x) - i + 1))
        steps.append((int(left[far]), float(apart[far]) / s, limit))
        left = np.delete(left, far)
    return steps


def generalised_esd(values: ArrayLike, level: float, most: int) -> list[int]:
    """Positions of the values outside, at most ``most``; none where all values are alike."""
    steps = esd_steps(values, level, most)
    last = max((i for i, (_, r, limit) in enumerate(steps, 1) if r > limit), default=0)
    return [at for at, _, _ in steps[:last]]
