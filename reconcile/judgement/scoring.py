"""The factor in force on this month's pairs, before anything is fitted again.

A factor is scored only on pairs that it has not seen: of a later period, inside its range.
Where no factor is in force the newest proposal is tried, and the score says which it was.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.verdict import CorrectionFactor
from reconcile.base.settings.thresholds import Thresholds
from reconcile.figures.over_months import Between
from reconcile.judgement import factor_proposal
from reconcile.pairs.clusters import Codes
from reconcile.statistics import distributions as stats
from reconcile.statistics.clusters import ONE_CLUSTER, judged
from reconcile.statistics.cusum import Cusum, tabular_cusum
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.proportions import clopper_pearson
from reconcile.statistics.result import Estimate, not_estimable

Array = NDArray[np.float64]

KEEP, WATCH, WITHDRAW, NOT_JUDGED = "keep", "watch", "withdraw", "not judged"
_FEWEST = 5  # pairs below which no call is made
#: Of months that do not differ but by the errors of their pairs.
NO_SPREAD = Between(0.0, math.inf)
#: Shares of the agreed rate of false alarms that the tests of the month's shift and of the
#: coverage take; the rest is for the sums over months.
_SHIFT_SHARE, _COVERAGE_SHARE = 0.8, 0.1


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Past:
    """One earlier score of the same stratum, for the chart over months."""

    period: str
    factor_id: str
    shift: float
    low: float
    high: float
    call: str
    relative: bool | None = None  # scale of the figures; None: not kept by that release
    mean: float = math.nan  # mean error, of logarithms where relative; NaN in older releases
    month_variance: float = math.nan  # of that mean, from the month's pairs
    fit_variance: float = math.nan  # of that mean, from the factor's coefficients
    n: int = 0
    month_freedom: float = math.nan  # of month_variance; NaN: n - 1

    @property
    def freedom(self) -> float:
        """Degrees of freedom of ``month_variance``."""
        return self.month_freedom if math.isfinite(self.month_freedom) else self.n - 1


@equal_with_nan
@dataclass(frozen=True, slots=True)
class FactorScore:
    """How one factor did on pairs that it had not seen.

    ``error`` and ``shift`` are of corrected over laboratory results, as fractions where
    ``relative``, else in mg/kg.
    """

    factor_id: str
    stratum: str  # key
    label: str
    release_id: str  # that proposed the factor
    form: str
    relative: bool
    n: int
    outside: int  # pairs outside the factor's range, not corrected
    error: float  # root mean square
    expected_error: float  # of the pairs that the factor was fitted to
    shift: Estimate  # mean error, the factor's own uncertainty included
    p_value: float  # of no shift
    coverage: Estimate  # share of laboratory results inside the stated intervals (k = 2)
    coverage_p: float  # chance of so few, were 95 % right
    alarm_rate: float
    call: str  # keep, watch, withdraw or not judged
    why: str
    history: tuple[Past, ...] = ()
    edges: tuple[float, float] = (math.nan, math.nan)  # a proved shift beyond one: withdraw
    in_force: bool = False  # approved for this month; else the newest proposal
    mean: float = math.nan  # as in Past
    month_variance: float = math.nan
    month_freedom: float = math.nan
    fit_variance: float = math.nan
    sums: Cusum | None = None  # over the months in which this factor was scored
    between: Between = NO_SPREAD  # of logarithms where relative

    def sentence(self, unit: str = "mg/kg", per_mg_kg: float = 1.0) -> str:
        """What the score says of the factor; ``per_mg_kg`` turns mg/kg into ``unit``."""
        what = "in force" if self.in_force else "the newest proposal, none is in force"
        head = f"Factor {self.factor_id} (form {self.form}; {what}) on {self.n} new pairs"
        if self.outside:
            head += f", {self.outside} more outside its range"
        if self.call == NOT_JUDGED:
            return f"{head}: not judged, {self.why}."

        def shown(value: float, sign: str = "") -> str:
            if self.relative:
                return f"{value:{sign}.1%}"
            return f"{float(f'{value * per_mg_kg:.3g}'):{sign}.10g} {unit}"

        s, c = self.shift, self.coverage
        return (
            f"{head}: mean error {shown(s.value, '+')} ({s.level:.0%} interval "
            f"{shown(s.low, '+')} to {shown(s.high, '+')}{self._between(shown)}), typical error "
            f"{shown(self.error)} against {shown(self.expected_error)} when fitted; "
            f"{round(c.value * c.n)} of {c.n} laboratory results inside the stated 95 % intervals "
            f"({c.level:.0%} interval {c.low:.0%} to {c.high:.0%}){self._sums()}. "
            f"{self.call.capitalize()}: {self.why}."
        )

    def _between(self, shown: Callable[[float], str]) -> str:
        if not self.between.variance > 0:
            return ""
        return f" with an SD between months of {shown(math.sqrt(self.between.variance))}"

    def _sums(self) -> str:
        if self.sums is None or len(self.sums.upper) < 2:
            return ""
        s = self.sums
        return (
            f"; CUSUM over {len(s.upper)} months {s.upper[-1]:.2f} up and {s.lower[-1]:.2f} down, "
            f"alarm above {s.h:g}"
        )


def score(
    factor: CorrectionFactor,
    release_id: str,
    lab: Array,
    field: Array,
    spots: Array,
    alarm_rate: float,
    margin: float,
    level: float = 0.95,
    past: Sequence[Past] = (),
    limits: tuple[float, float] = (0.5, 4.5),
    between: Between = NO_SPREAD,
    groupings: Sequence[Codes] = (),
) -> FactorScore:
    """Score one factor on pairs (mg/kg) that it has not seen.

    Shift: t test of the mean error against zero; its variance is that of this month's
    errors over n plus that of the factor's coefficients plus that ``between`` months, of this
    one and of the mean of those behind the factor, with the
    degrees of freedom of Welch (1947) and Satterthwaite (1946). Without the second part a factor
    would be called shifted for the scatter of its own pairs, without the third for what every
    month differs by. Coverage: one-sided exact binomial test
    against 95 %. Pairs of one cluster (``groupings``: codes of all pairs) count by their design
    effect in both. CUSUM with ``limits`` k and h over the months of ``past`` in which the same
    factor was scored, and this one. All together give false alarms at no more than about
    ``alarm_rate``. Called: 'withdraw' where a shift is proved, by the month or by the sums, and
    is at least half of ``margin``, or is proved by the month and the spread has grown too;
    'watch' where one of them alone says so.
    """
    corrected, inside = factor_proposal.correct(factor, field)
    with np.errstate(all="ignore"):
        usable = inside & np.isfinite(corrected) & np.isfinite(lab)
        if factor.residual_relative:
            usable &= (lab > 0) & (corrected > 0)
    x, truth, y = corrected[usable], lab[usable], field[usable]
    error = np.log(x / truth) if factor.residual_relative else x - truth
    n = len(error)
    base = FactorScore(
        factor.factor_id, factor.stratum.key, factor.stratum.label, release_id, factor.form,
        factor.residual_relative, n, int(len(lab) - n),
        float(np.sqrt(np.mean(error**2))) if n else math.nan, _expected(factor),
        not_estimable(n, "too few pairs", level=level), math.nan,
        not_estimable(n, "too few pairs", level=level), math.nan, alarm_rate, NOT_JUDGED,
        f"fewer than {_FEWEST} pairs in its range",
    )  # fmt: skip
    spread = float(np.std(error, ddof=1)) if n >= 2 else 0.0
    if n < _FEWEST or not spread > 0:
        return base if n < _FEWEST else replace(base, why="all errors are equal")
    together = judged(error, [codes[usable] for codes in groupings])
    effect, month_freedom = (
        (1.0, n - 1.0) if together is None else (together.effect, together.freedom)
    )
    if not math.isfinite(effect):
        return replace(base, why=ONE_CLUSTER)
    mean = float(np.mean(error))
    variance = spread**2 if together is None else together.total
    month, fit = effect * variance / n, _fit_variance(factor, x)
    # what this month differs by, and what the mean of the months behind the factor does
    moves = between.variance * (1 + 1 / max(factor.months, 1))
    freedom = (month + fit + moves) ** 2 / (
        month**2 / month_freedom
        + (fit**2 / max(factor.n - 2, 1) if fit else 0.0)
        + moves**2 / between.df
    )
    se = math.sqrt(month + fit + moves)
    half = float(stats.t.isf((1 - level) / 2, freedom)) * se
    p_shift = float(2 * stats.t.sf(abs(mean) / se, freedom))
    u = factor_proposal.standard_uncertainty(factor, y, spots[usable])
    low, high = factor_proposal.interval(factor, x, u)
    hits = int(np.sum((low <= truth) & (truth <= high)))
    # exact binomial, of counts that need not be whole where pairs are in clusters
    p_cover = 1.0 if hits == n else float(
        stats.beta.sf(0.95, hits / effect + 1, (n - hits) / effect)
    )  # fmt: skip
    shifted = p_shift < _SHIFT_SHARE * alarm_rate
    grown = p_cover < _COVERAGE_SHARE * alarm_rate
    now = Past(
        "", factor.factor_id, mean, math.nan, math.nan, "", factor.residual_relative,
        mean, month, fit, n, month_freedom,
    )  # fmt: skip
    sums = cusum_over([*past, now], *limits, between, factor.months)
    drifted = sums.alarmed and len(sums.upper) > 1
    scale = 1.0 if factor.residual_relative else float(np.median(truth))
    large = abs(mean) >= margin / 2 * abs(scale)
    if (shifted and (large or grown)) or (drifted and large):
        call, why = WITHDRAW, "the corrected results have moved from the laboratory's"
    elif shifted:
        call, why = WATCH, "a small shift is proved"
    elif drifted:
        call, why = WATCH, "small shifts of several months have added up"
    elif grown:
        call, why = WATCH, "errors are larger than stated"
    else:
        call, why = KEEP, "no shift is proved and the stated intervals hold"

    def back(value: float) -> float:
        return math.expm1(value) if factor.residual_relative else value

    return replace(
        base,
        shift=Estimate(
            back(mean), se, back(mean - half), back(mean + half), n, level,
            "mean error with the factor's own uncertainty, t",
        ),
        p_value=p_shift,
        coverage=replace(clopper_pearson(hits / effect, n / effect, level), n=n),
        coverage_p=p_cover,
        call=call,
        why=why,
        edges=(back(-margin / 2 * abs(scale)), back(margin / 2 * abs(scale))),
        mean=mean,
        month_variance=month,
        month_freedom=month_freedom,
        fit_variance=fit,
        sums=sums,
        between=between,
    )  # fmt: skip


def cusum_over(
    months: Sequence[Past], k: float, h: float, between: Between = NO_SPREAD, behind: int = 0
) -> Cusum:  # fmt: skip
    """CUSUM of the standardised mean errors of the last one's factor, oldest month first.

    What the factor's coefficients are off is the same in every month: it is predicted from the
    months before, so that the standardised errors of a factor that holds are independent
    (innovations; Harvey 1989, from memory) and k and h have the run lengths of the table. The
    variance ``between`` months is part of every month's, and a share of it of the mean of the
    ``behind`` months that the factor rests on, which all have in common. Months of another factor
    or scale, or without the figures, do not enter.
    """
    if not months:
        return tabular_cusum([], k, h)
    last = months[-1]
    own = [
        m for m in months
        if (m.factor_id, m.relative) == (last.factor_id, last.relative)
        and m.n >= 2 and m.month_variance > 0 and math.isfinite(m.mean + m.fit_variance)
    ]  # fmt: skip
    expected, z = 0.0, []
    spread = own[0].fit_variance + between.variance / max(behind, 1) if own else 0.0
    for m in own:
        whole = m.month_variance + between.variance + spread
        t = (m.mean - expected) / math.sqrt(whole)
        freedom = whole**2 / (m.month_variance**2 / m.freedom + between.variance**2 / between.df)
        z.append(-float(stats.norm.isf(stats.t.cdf(t, freedom))))
        gain = spread / whole
        expected += gain * (m.mean - expected)
        spread *= 1 - gain
    return tabular_cusum(np.clip(z, -8, 8), k, h)


def _expected(factor: CorrectionFactor) -> float:
    """Error of one corrected result when the factor was fitted; held-out pairs where relative."""
    if factor.residual_relative and math.isfinite(factor.error_after):
        return factor.error_after
    return factor.residual_sd


def _fit_variance(factor: CorrectionFactor, x: Array) -> float:
    """Variance of the mean error of values ``x`` that the coefficients bring, all alike."""
    (aa, ab), (_, bb) = factor.covariance
    b = factor.slope
    if factor.form == "power":
        by_a, by_b = np.full_like(x, -1 / b), -np.log(x) / b
        if not factor.residual_relative:
            by_a, by_b = by_a * x, by_b * x
    else:
        by_a, by_b = np.full_like(x, -1 / b), -x / b
        if factor.residual_relative:
            by_a, by_b = by_a / x, by_b / x
    a1, b1 = float(np.mean(by_a)), float(np.mean(by_b))
    return max(a1 * a1 * aa + b1 * b1 * bb + 2 * a1 * b1 * ab, 0.0)


@dataclass(frozen=True, slots=True)
class Earlier:
    """What earlier releases say of one stratum."""

    factor: CorrectionFactor
    release_id: str
    history: tuple[Past, ...]
    in_force: bool = False


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Scored:
    """The month's used pairs of one stratum, what was agreed of them, and their clusters."""

    pairs: pd.DataFrame
    margin: float
    groupings: tuple[Codes, ...] = ()


def score_all(
    earlier: Mapping[str, Earlier],
    months: Mapping[str, Scored],
    thresholds: Thresholds,
    spreads: Mapping[str, tuple[Between, bool]] = MappingProxyType({}),
) -> tuple[FactorScore, ...]:
    """A score for every earlier factor whose stratum has pairs now, in the order of keys.

    ``spreads``: the variance between the months before this one, and whether it is of logarithms;
    it counts where that is the scale of the factor.
    """
    scores = []
    for key, e in sorted(earlier.items()):
        month = months.get(key)
        if month is None or month.pairs.empty:
            continue
        pairs = month.pairs
        spots = pairs["field_spots"].to_numpy("float64")
        shots = pairs["field_n"].to_numpy("float64")
        result = score(
            e.factor, e.release_id,
            pairs["lab_mean"].to_numpy("float64"), pairs["field_mean"].to_numpy("float64"),
            np.where(spots >= 2, spots, shots),
            thresholds.factor_alarm_rate, month.margin, thresholds.confidence, e.history,
            (thresholds.factor_cusum_k, thresholds.factor_cusum_h),
            _of_scale(spreads.get(key), e.factor), month.groupings,
        )  # fmt: skip
        scores.append(replace(result, history=e.history, in_force=e.in_force))
    return tuple(scores)


def _of_scale(found: tuple[Between, bool] | None, factor: CorrectionFactor) -> Between:
    if found is None or found[1] != factor.residual_relative:
        return NO_SPREAD
    return found[0]


def findings(scores: Iterable[FactorScore]) -> tuple[Finding, ...]:
    """One finding for each factor that should be watched or withdrawn."""
    return tuple(
        Finding(
            "quality",
            "warning" if s.call == WITHDRAW else "note",
            s.stratum,
            s.sentence(),
            evidence=f"{s.release_id}; p of no shift {s.p_value:.2g}",
            advice="Use this factor no longer: 'reconcile withdraw' it, look for the cause, and "
            "have a new one approved."
            if s.call == WITHDRAW
            else "Send more samples of this kind to the laboratory next month.",
            code=FindingCode.FACTOR_SHIFTED,
        )
        for s in scores
        if s.call in (WATCH, WITHDRAW)
    )


def as_manifest(scores: Iterable[FactorScore]) -> list[dict[str, Any]]:
    """What the manifest keeps of the scores, for the chart over months."""

    def finite(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return [
        {
            "stratum": s.stratum, "factor_id": s.factor_id, "n": s.n, "call": s.call,
            "relative": s.relative,
            "in_force": s.in_force, "mean": finite(s.mean),
            "month_variance": finite(s.month_variance),
            "month_freedom": finite(s.month_freedom), "fit_variance": finite(s.fit_variance),
            "between_variance": finite(s.between.variance),
            "cusum_up": s.sums.upper[-1] if s.sums and s.sums.upper else None,
            "cusum_down": s.sums.lower[-1] if s.sums and s.sums.lower else None,
            "shift": finite(s.shift.value), "low": finite(s.shift.low),
            "high": finite(s.shift.high), "coverage": finite(s.coverage.value),
        }
        for s in scores
    ]  # fmt: skip
