"""Bootstrap and jackknife of paired statistics, all resamples and all elements at once.

Most figures of a reconciliation are functions of six sums per element: the number of
pairs, Σx, Σy, Σx², Σy² and Σxy. A resample is a row of counts (how often each sample was
drawn), so the sums of all resamples and elements are one matrix product, and a statistic
is a few array operations on them. All elements share the draws: a sample is the unit.
Where samples belong to groups (holes, batches, heats), whole groups are drawn.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from reconcile.statistics._quantiles import normal_quantile, t_quantile
from reconcile.statistics._values import Floats, check_level, labels, quiet
from reconcile.statistics.deming import slope_of_sums
from reconcile.statistics.result import NAN, Estimate, not_estimable

Interval = Literal["BCa", "percentile", "normal"]

#: Resamples that are multiplied at once; bounds the memory at this times the pairs.
BLOCK = 512
FEWEST = 3  # pairs (or groups) below which nothing is resampled


@dataclass(frozen=True, slots=True)
class Moments:
    """Weighted moments of pairs; every array has shape (resamples, elements).

    ``n``: pairs counted with their weights; ``xx``, ``yy``, ``xy``: central sums.
    """

    n: Floats
    mean_x: Floats
    mean_y: Floats
    xx: Floats
    yy: Floats
    xy: Floats


#: A statistic of moments: returns shape (..., resamples, elements).
Statistic = Callable[[Moments], Floats]


def mean_difference(m: Moments) -> Floats:
    """Mean of y − x."""
    return m.mean_y - m.mean_x


def difference_sd(m: Moments) -> Floats:
    """SD of y − x (divisor n − 1)."""
    return np.asarray(np.sqrt(np.maximum(m.xx + m.yy - 2 * m.xy, 0) / (m.n - 1)), np.float64)


def limits(coverage: float = 0.95) -> Statistic:
    """Lower and upper limit of agreement: mean ∓ z·SD of y − x; shape (2, …)."""
    check_level(coverage, "coverage")
    z = normal_quantile(coverage)

    def statistic(m: Moments) -> Floats:
        mean, spread = mean_difference(m), z * difference_sd(m)
        return np.stack([mean - spread, mean + spread])

    return statistic


def ratio_of_means(m: Moments) -> Floats:
    """Mean of y over mean of x."""
    return m.mean_y / m.mean_x


def pearson(m: Moments) -> Floats:
    """Pearson's r."""
    return np.asarray(m.xy / np.sqrt(m.xx * m.yy), dtype=np.float64)


def concordance(m: Moments) -> Floats:
    """Lin's concordance correlation (divisor n)."""
    return 2 * m.xy / (m.xx + m.yy + m.n * (m.mean_x - m.mean_y) ** 2)


def ols_line(m: Moments) -> Floats:
    """Intercept and slope of least squares of y on x; shape (2, …)."""
    slope = m.xy / m.xx
    return np.stack([m.mean_y - slope * m.mean_x, slope])


def deming_line(lam: ArrayLike) -> Statistic:
    """Intercept and slope of the Deming line; ``lam`` a number or one per element."""
    ratio = np.asarray(lam, dtype=np.float64)

    def statistic(m: Moments) -> Floats:
        # with x in units of √lam the ratio is 1, so that each element may have its own
        root = np.sqrt(ratio)
        slope = slope_of_sums(m.xx * ratio, m.yy, m.xy * root, 1.0) * root
        return np.stack([m.mean_y - slope * m.mean_x, slope])

    return statistic


def at_level(line: Statistic, x: ArrayLike) -> Statistic:
    """Bias a + (b − 1)·x of a line at a level; ``x`` a number or one per element."""
    level = np.asarray(x, dtype=np.float64)

    def statistic(m: Moments) -> Floats:
        a, b = line(m)
        return np.asarray(a + (b - 1) * level, dtype=np.float64)

    return statistic


@dataclass(frozen=True, slots=True)
class Resampled:
    """A statistic of every element with its resampled interval; arrays (..., elements).

    NaN where an element has too few pairs, or where more than 5 % of its resamples have no
    value (then no interval is claimed).
    """

    value: Floats
    se: Floats
    low: Floats
    high: Floats
    n: NDArray[np.int64]  # pairs per element
    level: float
    resamples: int  # 0 for the jackknife
    units: int  # groups where a group was given, else samples
    method: str

    def estimates(self) -> list[Estimate]:
        """One Estimate per element; for a statistic that has one value per element."""
        if self.value.ndim != 1:
            raise ValueError("the statistic has several parts: use part(k) first")
        found = []
        for value, se, low, high, n in zip(
            self.value, self.se, self.low, self.high, self.n, strict=True
        ):
            if not math.isfinite(value):
                why = "too few pairs" if n < FEWEST else "the statistic has no value here"
                found.append(not_estimable(int(n), why, self.method, self.level))
                continue
            known = math.isfinite(low) and math.isfinite(high)
            ends = (float(se), float(low), float(high)) if known else (NAN, NAN, NAN)
            why = "" if known else "the resamples give no interval"
            found.append(Estimate(float(value), *ends, int(n), self.level, self.method, why))
        return found

    def part(self, k: int) -> Resampled:
        """One part of a statistic that has several, such as intercept (0) and slope (1)."""
        return Resampled(
            self.value[k], self.se[k], self.low[k], self.high[k],
            self.n, self.level, self.resamples, self.units, self.method,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Table:
    """Six columns per element, centred so that sums of squares keep their digits."""

    columns: Floats  # (samples, 6·elements)
    shift_x: Floats
    shift_y: Floats
    codes: NDArray[np.int64]  # group of each sample
    units: int

    @property
    def elements(self) -> int:
        return int(self.shift_x.size)

    def moments(self, weights: Floats) -> Moments:
        """``weights``: (resamples, samples) counts."""
        return self._from_sums((weights @ self.columns).reshape(-1, 6, self.elements))

    def left_out(self) -> Moments:
        """Each unit (sample or group) left out once; shape (units, elements)."""
        total = self.columns.sum(axis=0)
        if self.units == self.codes.size:
            each = self.columns[np.argsort(self.codes, kind="stable")]
        else:
            each = np.zeros((self.units, self.columns.shape[1]))
            np.add.at(each, self.codes, self.columns)
        return self._from_sums((total - each).reshape(-1, 6, self.elements))

    def _from_sums(self, sums: Floats) -> Moments:
        n, sx, sy, xx, yy, xy = (sums[:, k] for k in range(6))
        mx, my = sx / n, sy / n
        return Moments(
            n,
            mx + self.shift_x,
            my + self.shift_y,
            np.maximum(xx - n * mx * mx, 0.0),
            np.maximum(yy - n * my * my, 0.0),
            xy - n * mx * my,
        )


def _table(x: ArrayLike, y: ArrayLike, group: ArrayLike | None) -> tuple[_Table, Floats]:
    u, v = (np.array(side, dtype=np.float64) for side in (x, y))
    if u.ndim == 1:
        u = u[:, None]
    if v.ndim == 1:
        v = v[:, None]
    if u.ndim != 2 or u.shape != v.shape:
        raise ValueError(f"x and y must both be (samples, elements), got {u.shape}, {v.shape}")
    there = np.isfinite(u) & np.isfinite(v)
    n = there.sum(axis=0)
    mask = there.astype(np.float64)
    fewest = np.maximum(n, 1)
    shift_x = np.where(there, u, 0).sum(axis=0) / fewest
    shift_y = np.where(there, v, 0).sum(axis=0) / fewest
    dx, dy = np.where(there, u - shift_x, 0.0), np.where(there, v - shift_y, 0.0)
    columns = np.concatenate([mask, dx, dy, dx * dx, dy * dy, dx * dy], axis=1)
    codes = (
        np.arange(u.shape[0], dtype=np.int64)
        if group is None
        else labels(group, u.shape[0], "group")
    )
    units = int(codes.max()) + 1 if codes.size else 0
    return _Table(columns, shift_x, shift_y, codes, units), n.astype(np.float64)


def draw(rng: np.random.Generator, units: int, resamples: int) -> Floats:
    """How often each unit is drawn; (resamples, units) counts, each row of sum ``units``."""
    picks = rng.integers(0, units, (resamples, units))
    picks += (np.arange(resamples) * units)[:, None]
    counts = np.bincount(picks.ravel(), minlength=resamples * units)
    return counts.reshape(resamples, units).astype(np.float64)


def _in_parts(value: Floats) -> Floats:
    """Statistic values as (parts, resamples, elements)."""
    return value if value.ndim == 3 else value[None]


@quiet
def bootstrap(
    x: ArrayLike,
    y: ArrayLike,
    statistic: Statistic,
    rng: np.random.Generator,
    resamples: int = 2000,
    group: ArrayLike | None = None,
    level: float = 0.95,
    interval: Interval = "BCa",
    expanded: bool = True,
) -> Resampled:
    """Bootstrap a statistic of every element; ``x``, ``y``: (samples, elements) or (samples,).

    A pair with NaN on either side is left out of its element only. Whole groups are drawn
    where ``group`` (samples,) is given; with fewer than about 20 groups the intervals are
    too narrow whatever the method. ``interval``: 'BCa' (bias corrected and accelerated,
    Efron 1987, acceleration from the jackknife), 'percentile', or 'normal' (value ± z·SE).
    ``expanded`` (default): z is replaced by √(n/(n − 1))·t with n − 1, as resamples scatter
    less than samples (Hesterberg 2015, from memory).

    Measured coverage of that 95 % BCa interval at n = 20, 40 and 100, levels spread uniformly,
    constant SD: mean difference, Deming slope and concordance 94 to 95.5 %; SD of differences
    and limits of agreement 91.5, 92.5 and 95 %, for which the exact intervals are better.
    """
    check_level(level)
    if resamples < 2:
        raise ValueError(f"resamples must be at least 2, got {resamples}")
    table, n = _table(x, y, group)
    ones = np.ones((1, table.codes.size))
    value = _in_parts(statistic(table.moments(ones)))[:, 0]
    method = f"bootstrap, {interval} interval"
    parts, elements = value.shape
    found = np.full((parts, resamples, elements), NAN)
    if table.units >= FEWEST:
        for start in range(0, resamples, BLOCK):
            stop = min(start + BLOCK, resamples)
            counts = draw(rng, table.units, stop - start)
            weights = counts if group is None else counts[:, table.codes]
            found[:, start:stop] = _in_parts(statistic(table.moments(weights)))
    good = np.isfinite(found)
    enough = (good.mean(axis=1) >= 0.95) & (n >= FEWEST)
    found = np.where(good, found, NAN)
    found[:, :, n < FEWEST] = NAN
    value = np.where(n >= FEWEST, value, NAN)
    with np.errstate(all="ignore"):
        se = _nan_sd(found)
        # scatter that is only rounding is none
        enough &= se > 1e-13 * np.abs(value)
    z = normal_quantile(level)
    if expanded and table.units > 1:
        z = math.sqrt(table.units / (table.units - 1)) * t_quantile(table.units - 1, level)
    if interval == "normal":
        half = z * se
        low, high = value - half, value + half
    else:
        tail = float(special.ndtr(-z))
        shares = np.broadcast_to(np.array([tail, 1 - tail])[:, None, None], (2, parts, elements))
        if interval == "BCa":
            shares = _bca_shares(value, found, _in_parts(statistic(table.left_out())), z)
        elif interval != "percentile":
            raise ValueError(f"interval must be BCa, percentile or normal, got {interval!r}")
        low, high = _quantiles(found, shares)
    low, high, se = (np.where(enough, side, NAN) for side in (low, high, se))
    ends = (value, se, low, high)
    return _resampled(ends, n, level, resamples, table.units, method)


def _resampled(
    ends: tuple[Floats, Floats, Floats, Floats],
    n: Floats,
    level: float,
    resamples: int,
    units: int,
    method: str,
) -> Resampled:
    """The result, without the axis of parts where the statistic has one part only."""
    value, se, low, high = (side if side.shape[0] > 1 else side[0] for side in ends)
    return Resampled(value, se, low, high, n.astype(np.int64), level, resamples, units, method)


def _nan_sd(found: Floats) -> Floats:
    good = np.isfinite(found)
    count = good.sum(axis=1)
    mean = np.where(good, found, 0).sum(axis=1) / count
    off = np.where(good, found - mean[:, None], 0)
    return np.asarray(np.sqrt((off * off).sum(axis=1) / (count - 1)), dtype=np.float64)


def _bca_shares(value: Floats, found: Floats, left_out: Floats, z: float) -> Floats:
    """Which quantiles of the resamples bound the interval; (2, parts, elements)."""
    good = np.isfinite(found)
    centre = value[:, None]
    below = (good & (found < centre)).sum(axis=1) + 0.5 * (good & (found == centre)).sum(axis=1)
    z0 = special.ndtri(below / good.sum(axis=1))
    usable = np.isfinite(left_out)
    mean = np.where(usable, left_out, 0).sum(axis=1) / usable.sum(axis=1)
    off = np.where(usable, mean[:, None] - left_out, 0)
    acceleration = (off**3).sum(axis=1) / (6 * (off * off).sum(axis=1) ** 1.5)
    acceleration = np.where(np.isfinite(acceleration), acceleration, 0.0)
    out = []
    for side in (-z, z):
        w = z0 + side
        out.append(special.ndtr(z0 + w / (1 - acceleration * w)))
    return np.asarray(np.stack(out), dtype=np.float64)


def _quantiles(found: Floats, shares: Floats) -> tuple[Floats, Floats]:
    """Quantiles along the resamples, each element at its own share; NaN sort last."""
    ordered = np.sort(found, axis=1)
    count = np.isfinite(found).sum(axis=1)
    ends = []
    for share in shares:
        place = np.clip(np.where(np.isfinite(share), share, 0.5) * (count + 1) - 1, 0, count - 1)
        place = np.maximum(place, 0)
        lower = np.floor(place).astype(np.int64)
        upper = np.minimum(lower + 1, np.maximum(count - 1, 0))
        a = np.take_along_axis(ordered, lower[:, None], axis=1)[:, 0]
        b = np.take_along_axis(ordered, upper[:, None], axis=1)[:, 0]
        end = a + (b - a) * (place - lower)
        ends.append(np.where(np.isfinite(share) & (count > 1), end, NAN))
    return ends[0], ends[1]


@quiet
def jackknife(
    x: ArrayLike,
    y: ArrayLike,
    statistic: Statistic,
    group: ArrayLike | None = None,
    level: float = 0.95,
) -> Resampled:
    """Leave each sample (or group) out once: value, SE and t interval of every element.

    Groups of different sizes are weighted as in Busing, Meijer & Van der Leeden 1999 (from
    memory). t with units − 1 degrees of freedom.
    """
    check_level(level)
    table, n = _table(x, y, group)
    value = _in_parts(statistic(table.moments(np.ones((1, table.codes.size)))))[:, 0]
    parts, elements = value.shape
    nothing = np.full((parts, elements), NAN)
    se, low, high = nothing, nothing, nothing
    counts = np.zeros((table.units, elements))
    if table.units >= FEWEST:
        loo = _in_parts(statistic(table.left_out()))
        # pairs of each unit in each element; units without any change nothing
        np.add.at(counts, table.codes, table.columns[:, :elements])
        present = counts > 0
        units = present.sum(axis=0)
        share = np.where(present, n / np.where(present, counts, 1), 0.0)  # h_j = n / m_j
        pseudo = share * value[:, None] - (share - 1) * loo
        centre = np.where(present, (1 - counts / n) * loo, 0).sum(axis=1)
        whole = units * value - centre
        off = np.where(present, (pseudo - whole[:, None]) ** 2 / np.where(present, share - 1, 1), 0)
        se = np.sqrt(off.sum(axis=1) / units)
        half = np.array([t_quantile(max(int(k) - 1, 1), level) for k in units]) * se
        good = (units >= FEWEST) & np.isfinite(se)
        se, low, high = (np.where(good, side, NAN) for side in (se, value - half, value + half))
    value = np.where(n >= FEWEST, value, NAN)
    ends = (value, se, low, high)
    return _resampled(ends, n, level, 0, table.units, "jackknife, t interval")
