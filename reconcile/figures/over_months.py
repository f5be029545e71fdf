"""The bias over months of a stratum's pairs: on which scale, with which pairs, by which model."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.model.stratum import Stratum
from reconcile.base.settings.whole import Settings
from reconcile.figures.definition import Array
from reconcile.figures.evaluation import Evaluated
from reconcile.figures.laboratory_error import LabError, near_values
from reconcile.figures.put_back import censor_only
from reconcile.figures.repeatability import of_replicates
from reconcile.figures.shown_unit import levels_of
from reconcile.pairs import clusters
from reconcile.statistics.clusters import judged
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.limited_months import limited_model
from reconcile.statistics.months import AssumedSpread, MonthsModel
from reconcile.statistics.result import Estimate

Places = NDArray[np.int64]

MONTH = "month"  # column of a gathered table: the period of each pair


def to_fraction(value: float, logs: bool, at: float) -> float:
    """A bias of the working scale as a fraction; ``at``: of which mg/kg, for differences."""
    if logs:
        return math.expm1(value) if value < 700 else math.inf
    return value / at


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Between:
    """Variance between months on the working scale, and its degrees of freedom."""

    variance: float
    df: float


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Scaled:
    """The bias over months and the scale on which it was found."""

    model: MonthsModel
    logs: bool
    at: float  # mg/kg; NaN for ratios
    limited: int = 0  # pairs known by a limit among them
    positive: bool = False  # every field value of the pairs is above zero

    def fraction(self, e: Estimate) -> Estimate:
        """A bias of the working scale as a fraction.

        Where the field reads above zero, an interval of differences ends at −100 % of the content
        at which they are judged: below it a reading would be less than nothing. Ratios end there
        of themselves. Nothing is decided by what lies below.
        """
        if not e.estimable:
            return e
        value, low, high = (self.to_fraction(v) for v in (e.value, e.low, e.high))
        if self.positive and value >= -1:
            low = max(low, -1.0)
        se = e.se * (1 + value) if self.logs else e.se / self.at
        return Estimate(value, se, low, high, e.n, e.level, e.method, e.reason)

    def to_fraction(self, value: float) -> float:
        """One bias of the working scale as a fraction."""
        return to_fraction(value, self.logs, self.at)

    def between(self) -> Between | None:
        """What was found and what was assumed, by their degrees of freedom; None where neither."""
        m = self.model
        if m.reason or m.assumed is None:
            return None
        own, df = m.months - 1, m.assumed.df
        found = m.between.value**2 if own else 0.0
        return Between((own * found + df * m.assumed.sd**2) / (own + df), own + df)

    def limits(self, margin: float) -> tuple[float, float]:
        """Lowest and highest bias of the working scale that a margin allows."""
        if self.logs:
            return -math.log1p(margin), math.log1p(margin)
        return self.at / (1 + margin) - self.at, self.at * margin

    def span(self, span: float) -> tuple[float, float]:
        """Lowest and highest error of a sample that limits of agreement within ``span`` allow."""
        most = math.log1p(span) if self.logs else self.at * span
        return -most, most

    def spread(self, e: Estimate) -> Estimate:
        """An SD of the working scale as a fraction."""
        if not e.estimable or self.logs:
            return e
        a = self.at
        return Estimate(e.value / a, e.se, e.low / a, e.high / a, e.n, e.level, e.method, e.reason)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class OnScale:
    """Pairs as their errors on the working scale, shape (n,): log ratios or mg/kg.

    ``low`` and ``high`` are equal where both sides have a number; else the pair is known by a
    limit and lies between them. ``known``: error variance by how often the field and the laboratory
    measured, as far as that is known.
    """

    low: Array
    high: Array
    month: tuple[str, ...]
    known: Array
    logs: bool
    at: float  # mg/kg; NaN for ratios

    @property
    def limited(self) -> int:
        """Pairs known by a limit."""
        return int(np.sum(self.low < self.high))


def on_scale(
    stratum: Stratum, pairs: pd.DataFrame, logs: bool, settings: Settings,
    field: Array | None = None, through: Callable[[Array], Array] | None = None,
    lab_error: LabError | None = None,
) -> OnScale:  # fmt: skip
    """Used pairs, then those that only a limit keeps out, which name their month in MONTH.

    Where these are more than ``censored_share`` of all, none of them enters: a few numbers just
    above a limit would stand for all that lies below it.

    ``field``: other values of the used pairs, as corrected; ``through``: the same correction, for
    limits of the field. A difference is judged at the decision level within the range that lies
    nearest the middle laboratory value, else at that value.
    """
    is_used = pairs["used"].to_numpy(bool)
    used = np.flatnonzero(is_used)
    limits = np.flatnonzero(~is_used & censor_only(pairs))
    if len(limits) > settings.thresholds.censored_share * (len(used) + len(limits)):
        limits = limits[:0]
    lab = pairs["lab_mean"].to_numpy("float64")[used]
    read = pairs["field_mean"].to_numpy("float64")[used] if field is None else field
    names = ["field_low", "field_high", "lab_low", "lab_high"]
    ends = np.array([pairs[name].to_numpy("float64")[limits] for name in names])
    if through is not None:
        with np.errstate(all="ignore"):
            ends = np.vstack([np.sort(through(ends[:2]), axis=0), ends[2:]])
    elif field is not None:
        limits, ends = limits[:0], ends[:, :0]
    of_numbers = _error(read, lab, logs)
    if logs:  # a limit that a correction brings below nought
        ends = np.maximum(ends, 0.0)
    low, high = _error(ends[0], ends[3], logs), _error(ends[1], ends[2], logs)
    both = np.append(used, limits)
    at = math.nan if logs else _content(lab, [v for _, v in levels_of(stratum, settings)])
    return OnScale(
        np.append(of_numbers, low), np.append(of_numbers, high),
        tuple(pairs[MONTH].astype("str").to_numpy(dtype=object)[both].tolist()),
        _of_field(pairs, used, both, logs) + _of_laboratory(pairs, lab, both, lab_error, at),
        logs, at,
    )  # fmt: skip


def _of_field(pairs: pd.DataFrame, used: Places, both: Places, logs: bool) -> Array:
    """Error variance of each field mean by how often it was read; 0 where replicates show none."""
    spots, shots, mean, se = (
        pairs[n].to_numpy("float64") for n in ("field_spots", "field_n", "field_mean", "field_se")
    )
    often = np.where(spots >= 2, spots, shots)
    variance, _ = of_replicates(mean[used], often[used], se[used], logs)
    often = often[both]
    return np.nan_to_num(variance / np.where(often >= 1, often, 1.0), nan=0.0)


def _of_laboratory(
    pairs: pd.DataFrame, lab: Array, both: Places, error: LabError | None, at: float
) -> Array:
    """Error variance of each laboratory mean; 0 where it is not known. ``at``: NaN for ratios."""
    if error is None or not lab.size:
        return np.zeros(len(both))
    near, often = near_values(error, lab), pairs["lab_n"].to_numpy("float64")[both]
    relative = [near.of_pair(n) for n in np.where(often >= 1, often, 1.0)]
    return np.array(relative, dtype=np.float64) * (at**2 if at > 0 else 1.0)


def _error(field: Array, lab: Array, logs: bool) -> Array:
    with np.errstate(all="ignore"):
        found = np.log(field / lab) if logs else field - lab
    return np.asarray(found, dtype=np.float64)


def over_months(
    stratum: Stratum, evaluated: Evaluated, settings: Settings, field: Array | None = None,
    through: Callable[[Array], Array] | None = None,
) -> Scaled:  # fmt: skip
    """The bias over months of the pairs, on the scale that the evidence leads with.

    ``field`` and ``through`` as for :func:`on_scale`. Of the pairs as read it is found once.
    """
    if field is None and through is None:
        known = (evaluated.pairs, settings, evaluated.lab_error, evaluated.margin)
        return evaluated.once(
            "over months", known, lambda: _found(stratum, evaluated, settings, None, None)
        )
    return _found(stratum, evaluated, settings, field, through)


def _found(
    stratum: Stratum, evaluated: Evaluated, settings: Settings, field: Array | None,
    through: Callable[[Array], Array] | None,
) -> Scaled:  # fmt: skip
    s = settings.evidence
    logs = evaluated.statistics.difference_scale == "log ratio"
    p = on_scale(
        stratum, evaluated.pairs, logs, settings, field, through, evaluated.lab_error
    )  # fmt: skip
    allowed = math.log1p(evaluated.margin) if logs else evaluated.margin * p.at
    assumed = None
    if allowed > 0 and math.isfinite(allowed):
        assumed = AssumedSpread(s.assumed_spread * allowed, s.assumed_months)
    model = limited_model(
        p.low, p.high, p.month, p.known, settings.thresholds.confidence, assumed,
        _widened(p, evaluated.used, settings),
    )  # fmt: skip
    read = evaluated.used["field_mean"].to_numpy("float64") if field is None else field
    return Scaled(model, logs, p.at, p.limited, bool(np.all(read > 0)))


def _widened(p: OnScale, used: pd.DataFrame, settings: Settings) -> float:
    """How much clusters of the used pairs widen the variance of a month's mean."""
    groupings = clusters.groupings(used, settings.pairs)
    bias, months = p.low[: len(used)], np.array(p.month[: len(used)])
    known = np.isfinite(bias)
    codes = np.unique(months[known], return_inverse=True)[1]
    if not groupings or int(known.sum()) <= len(set(p.month)) + 1:
        return 1.0
    off = bias[known] - (np.bincount(codes, weights=bias[known]) / np.bincount(codes))[codes]
    lost = float(codes.max()) + 1
    found = judged(off, [g[known] for g in groupings], lost)
    return 1.0 if found is None else found.widening(off.size - lost)


def month_effects(p: OnScale, used: pd.DataFrame, settings: Settings) -> Array:
    """Design effect of each month's mean, months in order of time, shape (a,); 1 without clusters.

    By the used pairs of that month and those before it, so that no later month changes what an
    earlier one said. No more than the pairs of the month: as if they were one.
    """
    known = np.isfinite(p.low[: len(used)])
    bias, months = p.low[: len(used)][known], np.array(p.month[: len(used)])[known]
    names, codes, counts = np.unique(months, return_inverse=True, return_counts=True)
    out = np.ones(names.size)
    groupings = [g[known] for g in clusters.groupings(used, settings.pairs)]
    if not groupings:
        return out
    off = bias - (np.bincount(codes, weights=bias) / counts)[codes]
    for i in range(names.size):
        till, lost = codes <= i, float(i + 1)
        if till.sum() > lost:
            found = judged(off[till], [g[till] for g in groupings], lost)
            out[i] = 1.0 if found is None else found.effect
    return np.minimum(out, counts)


def _content(lab: Array, levels: list[float]) -> float:
    if not lab.size:
        return math.nan
    middle = float(np.median(lab))
    inside = [v for v in levels if float(lab.min()) <= v <= float(lab.max())]
    return min(inside, key=lambda v: abs(v - middle), default=middle)
