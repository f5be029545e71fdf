"""Bias over months: each month has a bias of its own, drawn about a long-run bias.

y_ij = μ + m_i + e_ij for pair j of month i, on a working scale (log ratio, or difference in a
unit); m_i of SD τ between months, e_ij of variance σ² + k_ij with k_ij known (or nought).
Estimates by restricted maximum likelihood. Intervals:

- long-run bias from the evidence alone: t with months − 1 degrees of freedom on the scatter of
  the months' means, weighted by their variances (Hartung & Knapp 2001, Sidik & Jonkman 2002,
  from memory); exact in balanced data, whatever τ is;
- all others by generalised pivotal quantities (Iyer, Wang & Mathew 2004, from memory): σ² and
  τ² are what solves the within-month and the between-month sum of squares for chi-square
  values, over a fixed lattice of both. Given them all else is normal, so that each interval is
  read off a mixture of normals: no random number, the same bytes each time.

What is assumed of the spread between months before months have shown it enters as if an
earlier study had found it: ν₀·τ₀²/τ² joins the sum of squares and ν₀ its degrees of freedom.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from reconcile.statistics._values import (
    TOO_LARGE,
    Floats,
    Integers,
    check_level,
    estimate,
    labels,
    quiet,
    vector,
)
from reconcile.statistics.clusters import ONE_CLUSTER
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.month_sums import (
    MonthSums,
    month_sums,
    of_summaries,
    pivots,
    reml_variances,
)
from reconcile.statistics.normal_mixture import mixture_chance, mixture_intervals
from reconcile.statistics.result import NAN, Estimate, not_estimable

ONE_MONTH = "one month shows nothing of how the bias moves between months"


@equal_with_nan
@dataclass(frozen=True, slots=True)
class AssumedSpread:
    """SD between months (working scale) that is assumed, and how many degrees of freedom it has.

    The more degrees of freedom, the more months it takes to speak against it.
    """

    sd: float
    df: float

    def __post_init__(self) -> None:
        if not (self.sd > 0 and math.isfinite(self.sd) and self.df > 0):
            raise ValueError(f"sd and df must be above 0, got {self.sd} and {self.df}")


@dataclass(frozen=True, slots=True)
class MonthBias:
    """Bias of one month: by its own pairs, and as the model sees it beside the others."""

    raw: Estimate
    seen: Estimate


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Fitted:
    """What was fitted, on a scale near one: value = centre + unit·z."""

    sums: MonthSums
    centre: float
    unit: float
    prior: tuple[float, float]  # variance between months assumed, its degrees of freedom
    mean: float
    within: float  # variances; what is known of the pairs' errors is in it
    between: float

    def grown(self, more: int) -> MonthSums:
        """``more`` further months, all as what was found: mean, variances, pairs a month."""
        a = self.sums.months + more
        pairs = max(self.sums.n / self.sums.months, 1.0)
        # means that have just the variance that is to be expected
        place = special.ndtri((np.arange(a) + 0.5) / a)
        off = place / np.std(place, ddof=1) if a > 1 else place
        scatter = self.between + self.sums.widened * self.within / pairs
        means, counts = self.mean + off * math.sqrt(scatter), np.full(a, pairs)
        square = self.within * max(a * pairs - a, 0.0)
        return of_summaries(counts, means, square, widened=self.sums.widened)


@dataclass(frozen=True, slots=True)
class _Mixed:
    """Over the lattice: centres, and variances of the mean, of a coming month, within, between."""

    centres: Floats
    of_mean: Floats
    coming: Floats
    within: Floats
    between: Floats
    means: Floats  # of the months, shape (draws, a)
    variances: Floats


def _mixed(sums: MonthSums, prior: tuple[float, float]) -> _Mixed:
    within, between = pivots(sums, prior)
    v, means = sums.variances_of_means(within), sums.means_at(within)
    own = 1 / (between[:, None] + v)
    of_mean = 1 / own.sum(axis=1)
    centres = np.sum(own * means, axis=1) * of_mean
    return _Mixed(centres, of_mean, between + of_mean, within, between, means, v)


@dataclass(frozen=True, slots=True)
class MonthsModel:
    """Bias over months, all on the working scale; ``n`` of each estimate counts pairs.

    ``coming`` holds the bias of a month to come, ``coming_sample`` the error of a single
    sample of it. ``between`` and ``within`` are SDs. ``centres``, ``deviations`` and
    ``sample_deviations`` are the mixture behind the intervals.
    """

    n: int
    months: int
    long_run: Estimate
    between: Estimate
    within: Estimate
    coming: Estimate
    coming_sample: Estimate
    by_month: tuple[MonthBias, ...]
    assumed: AssumedSpread | None
    centres: Floats
    deviations: Floats
    long_run_deviations: Floats
    fitted: Fitted | None = None
    reason: str = ""

    def chance_outside(self, low: float, high: float) -> float:
        """Chance that the bias of a coming month lies outside ``low`` to ``high``."""
        if self.reason or not self.coming.estimable:
            return NAN
        return mixture_chance(self.centres, self.deviations, low, high)

    def confidence_of_failing(self, low: float, high: float, rate: float) -> float:
        """How sure it is that more than ``rate`` of the coming months lie outside.

        The highest confidence at which an equal-tailed interval holds only long-run biases that
        leave a month outside on one side with a chance above ``rate``, or spreads between months
        that leave no bias within. So a bias of which little is known, that may lie outside on
        either side, is not sure to.
        """
        if self.reason or not self.coming.estimable:
            return NAN
        between = np.sqrt(np.maximum(self.deviations**2 - self.long_run_deviations**2, 0.0))
        room = -float(special.ndtri(rate)) * between
        nowhere = 2 * room >= high - low
        above = special.ndtr((self.centres - (high - room)) / self.long_run_deviations)
        below = special.ndtr(((low + room) - self.centres) / self.long_run_deviations)
        surer = max(float(np.mean(np.where(nowhere, 1.0, side))) for side in (above, below))
        return max(2 * surer - 1, 0.0)

    def more_months(self, low: float, high: float, rate: float, most: int = 120) -> float:
        """Further months after which the chance is at most ``rate``, if what was found stays.

        Of as many pairs each as the months so far had; NaN where ``most`` would not do.
        """
        if self.fitted is None or not self.coming.estimable:
            return NAN
        f = self.fitted
        ends = (low - f.centre) / f.unit, (high - f.centre) / f.unit

        def holds(more: int) -> bool:
            grown = f.grown(more)
            m = _mixed(grown, f.prior)
            return mixture_chance(m.centres, np.sqrt(m.coming), *ends) <= rate

        if not holds(most):
            return NAN
        too_few, enough = 0, most
        while enough - too_few > 1:
            middle = (too_few + enough) // 2
            too_few, enough = (too_few, middle) if holds(middle) else (middle, enough)
        return float(enough)


def no_model(reason: str, level: float, n: int = 0, months: int = 0) -> MonthsModel:
    """The model where there is none, with the reason."""
    e, no = not_estimable(n, reason, "", level), np.array([], dtype=np.float64)
    return MonthsModel(n, months, e, e, e, e, e, (), None, no, no, no, reason=reason)


@quiet
def months_model(
    values: ArrayLike,
    month: ArrayLike,
    known: ArrayLike | None = None,
    level: float = 0.95,
    assumed: AssumedSpread | None = None,
    widened: float = 1.0,
) -> MonthsModel:
    """Fit the bias over months to ``values``, one per pair, shape (n,), on the working scale.

    ``month``: labels, shape (n,), any hashable; ``by_month`` follows their first appearance.
    ``known``: error variances that are known of each pair, shape (n,). ``assumed``: what is
    taken of the spread between months beside the evidence; without it one month gives no
    interval for a coming one. ``widened``: variance of a month's mean over that of as many
    independent pairs, where pairs are in clusters. With values that are known only by a limit:
    ``limited_months``.
    """
    check_level(level)
    y = vector(values)
    codes = labels(month, y.size, "month")
    k = np.zeros(y.size) if known is None else vector(known, "known")
    if k.size != y.size or np.any(k < 0):
        raise ValueError("known must hold one variance, 0 or more, for each value")
    keep = np.isfinite(y) & np.isfinite(k)
    y, k = y[keep], k[keep]
    codes = labels(codes[keep], int(keep.sum()), "month")
    n = int(y.size)
    if n < 2:
        return no_model("fewer than two pairs", level, n, n)
    if not float(np.abs(y).max()) < 1e150:
        return no_model(TOO_LARGE, level, n, int(codes.max()) + 1)
    if not math.isfinite(widened):
        return no_model(ONE_CLUSTER, level, n, int(codes.max()) + 1)
    return _fitted(y, codes, k, level, assumed, widened)


def _fitted(
    y: Floats, codes: Integers, k: Floats, level: float, assumed: AssumedSpread | None,
    widened: float = 1.0,
) -> MonthsModel:  # fmt: skip
    a, n, centre = int(codes.max()) + 1, int(y.size), float(y[0])
    unit = float(np.std(y - centre))
    if not unit > 1e-13 * max(float(np.abs(y).max()), 1e-300):
        return no_model("the pairs do not scatter", level, n, a)
    sums = month_sums((y - centre) / unit, codes, k / unit**2, widened)
    return of_sums(sums, centre, unit, level, assumed)


def of_sums(
    sums: MonthSums, centre: float, unit: float, level: float, assumed: AssumedSpread | None
) -> MonthsModel:
    """The model of sums on a scale near one; a value is centre + unit·z."""
    n, a = sums.pairs, sums.months
    prior = (0.0, 0.0) if assumed is None else ((assumed.sd / unit) ** 2, assumed.df)
    within, between = reml_variances(sums)
    variances, weights = sums.of_means(within)
    if a == 1:
        between = prior[0]
    w = 1 / (between + variances)
    mean, known_to = float(w @ sums.means(weights) / w.sum()), float(1 / w.sum())
    mixed = _mixed(sums, prior)
    drawn_within, drawn_between, v = mixed.within, mixed.between, mixed.variances
    centres, of_mean, means = mixed.centres, mixed.of_mean, mixed.means
    name = "months as random, generalised pivots"

    spread_known = a > 1 or assumed is not None
    coming_variance = mixed.coming
    # where every month has one pair, nothing shows how far its bias scatters
    shown = spread_known and sums.n > sums.months
    shrink = drawn_between[:, None] / (drawn_between[:, None] + v)
    at = centres[:, None] + shrink * (means - centres[:, None])
    of_months = shrink * v + (1 - shrink) ** 2 * of_mean[:, None]
    ends = mixture_intervals(
        np.vstack([np.tile(centres, (3, 1)), at.T if shown else at.T[:0]]),
        np.sqrt(np.vstack([
            of_mean, coming_variance, coming_variance + drawn_within + sums.usual_known,
            of_months.T if shown else at.T[:0],
        ])),
        level,
    )  # fmt: skip

    def read(value: float, variance: float, row: int, several: int = n) -> Estimate:
        low, high = (centre + unit * float(end) for end in ends[row])
        se = unit * math.sqrt(variance)
        return estimate(centre + unit * value, se, low, high, several, level, name)

    if spread_known:
        long_run = read(mean, known_to, 0)
        coming = read(mean, between + known_to, 1)
        sample = read(mean, between + known_to + within + sums.usual_known, 2)
        if assumed is None:
            long_run = _by_scatter(sums, weights, w, mean, centre, unit, level)
    else:
        coming = sample = not_estimable(n, ONE_MONTH, name, level)
        long_run = not_estimable(n, ONE_MONTH, name, level)
    by_month = []
    raw_means = sums.means(weights)
    for i in range(a):
        raw = _raw(sums, i, float(raw_means[i]), variances, centre, unit, level)
        kept = between * w[i]
        point = kept * float(variances[i]) + (1 - kept) ** 2 * known_to
        value = mean + kept * (float(raw_means[i]) - mean)
        by_month.append(MonthBias(raw, read(value, point, 3 + i, raw.n) if shown else raw))
    return MonthsModel(
        n, a, long_run, _sd(between, drawn_between, unit, level, n, a, assumed),
        _sd_within(within, drawn_within, unit, level, n, sums), coming, sample, tuple(by_month),
        assumed, centre + unit * centres, unit * np.sqrt(coming_variance),
        unit * np.sqrt(of_mean),
        Fitted(sums, centre, unit, prior, mean, within + sums.usual_known, between),
    )  # fmt: skip


def _by_scatter(
    sums: MonthSums, weights: Floats, w: Floats, mean: float, centre: float, unit: float,
    level: float,
) -> Estimate:  # fmt: skip
    """Long-run bias by the weighted scatter of the months' means, t with months − 1."""
    a = sums.months
    off = sums.means(weights) - mean
    se = math.sqrt(float(w @ off**2) / (a - 1) / float(w.sum()))
    half = float(special.stdtrit(a - 1, (1 + level) / 2)) * se
    return estimate(
        centre + unit * mean, unit * se, centre + unit * (mean - half),
        centre + unit * (mean + half), sums.pairs, level,
        "months as random, scatter of their means",
    )  # fmt: skip


def _raw(
    sums: MonthSums, i: int, mean: float, variances: Floats, centre: float, unit: float,
    level: float,
) -> Estimate:  # fmt: skip
    """A month's mean with a t interval on the scatter within all months."""
    count, df = int(sums.of_month[i]), sums.n - sums.months
    if df == 0:
        return not_estimable(count, "no month has two pairs", "mean of the month", level)
    se = math.sqrt(float(variances[i]))
    half = float(special.stdtrit(df, (1 + level) / 2)) * se
    at = centre + unit * mean
    return estimate(
        at, unit * se, at - unit * half, at + unit * half, count, level, "mean of the month"
    )


def _sd(
    value: float, drawn: Floats, unit: float, level: float, n: int, a: int,
    assumed: AssumedSpread | None,
) -> Estimate:  # fmt: skip
    """SD between months: REML, with the quantiles of what the pivots give."""
    if a == 1:
        return not_estimable(n, ONE_MONTH, "REML", level)
    low, high = (unit * math.sqrt(float(q)) for q in _quantiles(drawn, level))
    return estimate(unit * math.sqrt(value), NAN, low, high, n, level, "REML")


def _sd_within(
    value: float, drawn: Floats, unit: float, level: float, n: int, sums: MonthSums
) -> Estimate:
    if sums.n == sums.months:
        return not_estimable(n, "no month has two pairs", "REML", level)
    low, high = (unit * math.sqrt(float(q)) for q in _quantiles(drawn, level))
    return estimate(unit * math.sqrt(value), NAN, low, high, n, level, "REML")


def _quantiles(drawn: Floats, level: float) -> Floats:
    return np.asarray(np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2]), dtype=np.float64)
