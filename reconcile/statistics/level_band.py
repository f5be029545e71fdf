"""Where the bias lies within a margin: a line corrected for the lab's error, and its bands.

All on one working scale: natural logarithms ("log ratio", errors in proportion) or the unit
of the values ("absolute", constant errors). The bias at a true content is the curve's value
there against that content; its limits are content/(1 + margin) and content·(1 + margin).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from reconcile.statistics._values import Booleans, Floats, Integers, pairs, quiet
from reconcile.statistics.clusters import Clustered, judged
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.line import trouble
from reconcile.statistics.result import NAN

Scale = Literal["log ratio", "absolute"]
#: Below this share of truth in the variance of the lab values no line is given.
LEAST_RELIABILITY = 0.5
#: Fewest samples, and the share of all, whose mean bias is looked at together.
FEWEST_LOCAL, LOCAL_SHARE = 10, 0.25
_POINTS = 201


@equal_with_nan
@dataclass(frozen=True, slots=True)
class TruthLine:
    """Field on true content, on the working scale, by the known error variance of the lab.

    ``scatter`` is the variance of a field value about the line at the lab's value, the lab's
    error included; ``own`` the same without it, that of a field value at a true content.
    ``lab`` holds the lab values in rising order, ``truth`` the same drawn towards their mean
    by ``reliability`` (what is to be expected of the truth given the lab value), ``field`` the
    field values beside them. ``clusters``: of what the pairs are off the line, and ``apart`` of
    field less lab, where pairs are in clusters.
    """

    scale: Scale
    n: int
    lab_mean: float
    field_mean: float
    slope: float
    slope_variance: float
    scatter: float
    own: float
    reliability: float
    lab: Floats
    truth: Floats
    field: Floats
    reason: str = ""
    clusters: Clustered | None = None
    apart: Clustered | None = None
    like: float = 1.0  # variance of the mean over that by these pairs alone, beside like studies

    @property
    def effect(self) -> float:
        """The design effect of the line: how much clusters widen its variance."""
        return 1.0 if self.clusters is None else self.clusters.effect

    def widening(self, k: int | None = None) -> float:
        """The same with the fewer degrees of freedom of clusters; of a mean of ``k`` pairs."""
        return 1.0 if self.clusters is None else self.clusters.widening(self.clusters.n - 2, k)

    @property
    def low(self) -> float:
        """Lowest lab value; NaN where there is no line."""
        return float(self.lab[0]) if self.lab.size else NAN

    @property
    def high(self) -> float:
        """Highest lab value; NaN where there is no line."""
        return float(self.lab[-1]) if self.lab.size else NAN

    @property
    def lab_error(self) -> float:
        """SD of the lab's error on the working scale, as it was known; 0 where it was not."""
        if self.n < 2 or not self.lab.size:
            return 0.0
        return math.sqrt(max((1 - self.reliability) * float(np.var(self.lab, ddof=1)), 0.0))

    def at(self, truth: ArrayLike) -> Floats:
        """The line at true contents on the working scale, shape as given."""
        u = np.asarray(truth, dtype=np.float64)
        return np.asarray(self.field_mean + self.slope * (u - self.lab_mean), dtype=np.float64)

    def variance(self, truth: ArrayLike) -> Floats:
        """Variance of :meth:`at`, shape as given, for intervals by n − 2 degrees of freedom."""
        u = np.asarray(truth, dtype=np.float64) - self.lab_mean
        alone = self.like * self.scatter / self.n + u * u * self.slope_variance
        return np.asarray(self.widening() * alone, dtype=np.float64)


def _no_line(scale: Scale, n: int, reason: str) -> TruthLine:
    nothing = np.array([], dtype=np.float64)
    return TruthLine(scale, n, NAN, NAN, NAN, NAN, NAN, NAN, NAN, nothing, nothing, nothing, reason)


@quiet
def truth_line(
    lab: ArrayLike, field: ArrayLike, scale: Scale, lab_variance: float = NAN,
    clusters: Sequence[Integers] = (),
) -> TruthLine:  # fmt: skip
    """Line of field on true content where the lab's error variance is known.

    ``lab_variance`` is that of a pair's lab value: relative for "log ratio", in the unit
    squared for "absolute"; NaN or 0 takes the lab as without error. Slope
    m_xy/(m_xx − σ_u²), its variance [m_xx·s_vv + b²σ_u⁴]/[(n − 1)(m_xx − σ_u²)²], m_xx here the
    variance of the lab values (Fuller 1987, section 1.2, from memory). A ``reason`` and no
    line for fewer than four pairs, values without a logarithm, a lab error as large as the
    range, or points on a line. ``clusters``: one or two groupings of the pairs, each of codes
    of shape (n,); where these differ more than pairs within them, ``scatter`` is that of both.
    """
    x, y = pairs(lab, field, ("lab", "field"))
    n = int(x.size)
    if scale == "log ratio":
        if np.any(x <= 0) or np.any(y <= 0):
            return _no_line(scale, n, "a ratio needs values above zero on both sides")
        x, y = np.log(x), np.log(y)
    if why := trouble(x, y, 4):
        return _no_line(scale, n, why)
    order = np.argsort(x, kind="stable")
    x, y = x[order], y[order]
    error = lab_variance if lab_variance > 0 else 0.0
    u, v = x - x.mean(), y - y.mean()
    size = float(u @ u) / (n - 1)
    reliability = 1 - error / size
    if not reliability >= LEAST_RELIABILITY:
        return _no_line(scale, n, "the laboratory's error is as large as the range of its values")
    true_size = size - error
    slope = float(u @ v) / (n - 1) / true_size
    residual = v - slope * u
    scatter = float(residual @ residual) / (n - 2)
    if not scatter > 1e-24 * float(np.max(y * y) + np.max(x * x)):
        return _no_line(scale, n, "the points lie on a line, so its error can't be estimated")
    factors = [np.asarray(codes)[order] for codes in clusters]
    found = judged(residual, factors, 2.0, x)
    if found is not None and found.effect > 1 and math.isfinite(found.total):
        scatter = max(found.total, scatter)
    slope_variance = (size * scatter + slope**2 * error**2) / ((n - 1) * true_size**2)
    return TruthLine(
        scale, n, float(x.mean()), float(y.mean()), slope, slope_variance, scatter,
        scatter - slope**2 * error, reliability, x, x.mean() + reliability * u, y,
        clusters=found, apart=judged(y - x, factors),
    )  # fmt: skip


def beside_like(line: TruthLine, shift: float, share: float) -> TruthLine:
    """The line moved by ``shift`` (working scale), its mean's variance ``share`` of its own.

    As where a mixed model draws the mean towards that of like studies. What its pairs scatter,
    and where they lie, stays.
    """
    if line.reason:
        return line
    return replace(line, field_mean=line.field_mean + shift, like=line.like * share)


def limits_of_bias(truth: ArrayLike, margin: float, scale: Scale) -> tuple[Floats, Floats]:
    """Lowest and highest field value on the working scale that the margin allows at a truth."""
    u = np.asarray(truth, dtype=np.float64)
    if scale == "log ratio":
        return u - math.log1p(margin), u + math.log1p(margin)
    return u / (1 + margin), u * (1 + margin)


@lru_cache(maxsize=4096)
def working_hotelling(df: float, alpha: float = 0.05) -> float:
    """√(2·F) of 2 and ``df`` degrees of freedom: times its SE, a band for a whole line.

    Working & Hotelling 1929 (from memory); Scheffé's for two coefficients.
    """
    # F(2, df) has a closed upper quantile: (df/2)(alpha^(-2/df) − 1)
    return math.sqrt(df * (alpha ** (-2 / df) - 1))


@equal_with_nan
@dataclass(frozen=True, slots=True)
class LevelInterval:
    """The bias at one true content as a fraction of it: interval of two one-sided tests."""

    value: float
    low: float
    high: float
    confidence: float


def bias_interval(line: TruthLine, truth: float, alpha: float = 0.05) -> LevelInterval:
    """Bias at a true content (working scale) with its 1 − 2·alpha interval (Schuirmann 1987)."""
    if line.reason:
        return LevelInterval(NAN, NAN, NAN, 1 - 2 * alpha)
    value = float(line.at(truth))
    half = float(special.stdtrit(line.n - 2, 1 - alpha)) * math.sqrt(float(line.variance(truth)))
    ends = (value, value - half, value + half)
    if line.scale == "log ratio":
        at, low, high = (_expm1(end - truth) for end in ends)
    else:
        at, low, high = (end / truth - 1 if truth > 0 else NAN for end in ends)
    return LevelInterval(at, low, high, 1 - 2 * alpha)


def _expm1(value: float) -> float:
    return math.expm1(value) if value < 700 else math.inf


@equal_with_nan
@dataclass(frozen=True, slots=True)
class ProvedRange:
    """The part of the range of the lab values in which the bias is shown to be within a margin.

    On the working scale; NaN where no part is. ``share`` is that of the pairs inside it;
    ``beyond`` that of the pairs at which the bias is shown to be outside the margin.
    """

    low: float
    high: float
    share: float
    beyond: float


_NOWHERE = ProvedRange(NAN, NAN, 0.0, 0.0)


@quiet
def proved_range(line: TruthLine, margin: float, anchor: float, alpha: float = 0.05) -> ProvedRange:
    """The range around ``anchor`` in which three looks show the bias within the margin.

    (1) The band of Working & Hotelling about the line, for the whole line at once at
    1 − alpha. (2) The curve with a square term, at each content by a t interval at
    1 − alpha: from the anchor outwards the range ends where it is first not inside, so that
    the first content that is truly outside is passed with a chance of at most alpha/2 on
    each side (a fixed sequence of tests, Maurer, Hothorn & Lehmacher 1995, from memory). (3)
    The mean bias of every stretch of neighbouring samples (a quarter of them, at least ten),
    by two one-sided tests at alpha: of a stretch that is not inside, nothing is claimed, nor
    of what lies beyond it as seen from the anchor. Where a quarter is fewer than ten samples
    the last of each end, from a quarter to nine, are looked at too. A step is seen by (3)
    alone, a bend by (2), and (1) is narrow where neither is. ``anchor``: a content chosen
    before the field values were seen, as a decision level or the middle lab value.
    """
    if line.reason or not line.low <= anchor <= line.high:
        return _NOWHERE
    points = np.unique(np.r_[np.linspace(line.low, line.high, _POINTS), anchor])
    straight = line.at(points)
    half = working_hotelling(line.n - 2, alpha) * np.sqrt(line.variance(points))
    lowest, highest = limits_of_bias(points, margin, line.scale)
    inside = (straight - half >= lowest) & (straight + half <= highest)
    curve, curve_half = _curve(line, points, alpha)
    inside &= (curve - curve_half >= lowest) & (curve + curve_half <= highest)
    # shown to be outside, by one-sided tests of the line
    least = float(special.stdtrit(line.n - 2, 1 - alpha)) * np.sqrt(line.variance(points))
    outside = (straight - least > highest) | (straight + least < lowest)
    sampled = np.interp(line.truth, points, outside.astype(np.float64))
    beyond = float(np.mean(sampled > 0.5))
    where = int(np.searchsorted(points, anchor))
    if not inside[where]:
        return ProvedRange(NAN, NAN, 0.0, beyond)
    low, high = _run(points, inside, where)
    low, high = _without_stretches(line, margin, anchor, alpha, low, high)
    if not low <= anchor <= high:
        return ProvedRange(NAN, NAN, 0.0, beyond)
    tiny = 1e-9 * (line.high - line.low)
    share = float(np.mean((line.lab >= low - tiny) & (line.lab <= high + tiny)))
    return ProvedRange(float(low), float(high), share, beyond)


def _run(points: Floats, inside: Booleans, where: int) -> tuple[float, float]:
    """Ends of the unbroken run of ``inside`` that holds the point ``where``."""
    gaps = np.flatnonzero(~inside)
    before, after = gaps[gaps < where], gaps[gaps > where]
    first = int(before[-1]) + 1 if before.size else 0
    last = int(after[0]) - 1 if after.size else len(points) - 1
    return float(points[first]), float(points[last])


def _curve(line: TruthLine, points: Floats, alpha: float) -> tuple[Floats, Floats]:
    """Least squares with a square term on what is expected of the truth; value, half width."""
    n = line.n
    middle, reach = line.lab_mean, max(line.high - line.low, 1e-300)
    design = np.vander((line.truth - middle) / reach, 3, increasing=True)
    q, r = np.linalg.qr(design)
    if n < 5 or abs(r[2, 2]) < 1e-9 * abs(r[0, 0]):  # three contents at most: no bend is seen
        return line.at(points), np.full(len(points), math.inf)
    coefficients = np.linalg.solve(r, q.T @ line.field)
    residual = line.field - design @ coefficients
    scatter = float(residual @ residual) / (n - 3) * line.widening()
    at = np.vander((points - middle) / reach, 3, increasing=True)
    leverage = np.sum(np.linalg.solve(r.T, at.T) ** 2, axis=0)
    half = float(special.stdtrit(n - 3, 1 - alpha / 2)) * np.sqrt(scatter * leverage)
    return at @ coefficients, half


def _without_stretches(
    line: TruthLine, margin: float, anchor: float, alpha: float, low: float, high: float
) -> tuple[float, float]:
    """The range cut at every stretch of samples whose mean bias is not shown to be inside.

    It ends the lab's error short of the stretch: whose lab value lies outside may be inside.
    """
    quarter = math.ceil(LOCAL_SHARE * line.n)
    k = min(max(quarter, FEWEST_LOCAL), line.n)
    failing, first, last = _stretches(line, margin, alpha, k)
    if bool(np.any(failing & (first <= anchor) & (anchor <= last))):
        return NAN, NAN
    above, below = [first[failing & (first > anchor)]], [last[failing & (last < anchor)]]
    for size in range(quarter, k):  # few samples: a step near an end fills no whole stretch
        failing, first, last = _stretches(line, margin, alpha, size)
        if failing[-1] and first[-1] > anchor:
            above.append(first[-1:])
        if failing[0] and last[0] < anchor:
            below.append(last[:1])
    short = float(special.ndtri(1 - alpha)) * line.lab_error
    return (
        max([low, *(np.concatenate(below) + short)]),
        min([high, *(np.concatenate(above) - short)]),
    )


def _stretches(
    line: TruthLine, margin: float, alpha: float, k: int
) -> tuple[Booleans, Floats, Floats]:
    """Of every k neighbours: is their mean bias not shown inside, first and last lab value."""
    n = line.n
    half = float(special.stdtrit(n - 2, 1 - alpha))
    half *= math.sqrt(line.scatter * line.widening(k) / k)
    field = _means(line.field - line.field_mean, k) + line.field_mean
    truth = _means(line.truth - line.lab_mean, k) + line.lab_mean
    lowest, highest = limits_of_bias(truth, margin, line.scale)
    failing = (field - half < lowest) | (field + half > highest)
    return failing, line.lab[: n - k + 1], line.lab[k - 1 :]


def _means(values: Floats, k: int) -> Floats:
    """Mean of every stretch of k neighbours."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray((sums[k:] - sums[:-k]) / k, dtype=np.float64)
