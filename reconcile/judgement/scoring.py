"""The factor in force on this month's pairs, before anything is fitted again.

A factor is scored only on pairs that it has not seen: of a later period, inside its range.
Where no factor is in force the newest proposal is tried, and the score says which it was.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model import (
    ACCEPTED,
    ACCEPTED_CORRECTED,
    APPROVED,
    CorrectionFactor,
    Finding,
    Stratum,
)
from reconcile.base.settings import Thresholds
from reconcile.base.strata import by_either_key
from reconcile.figures.over_months import Between
from reconcile.intake import workspace as ws
from reconcile.judgement import factor_life, factor_proposal
from reconcile.releases import release
from reconcile.statistics.cusum import Cusum, tabular_cusum
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
) -> FactorScore:
    """Score one factor on pairs (mg/kg) that it has not seen.

    Shift: t test of the mean error against zero; its variance is that of this month's
    errors over n plus that of the factor's coefficients plus that ``between`` months, with the
    degrees of freedom of Welch (1947) and Satterthwaite (1946). Without the second part a factor
    would be called shifted for the scatter of its own pairs, without the third for what every
    month differs by. Coverage: one-sided exact binomial test
    against 95 %. CUSUM with ``limits`` k and h over the months of ``past`` in which the same
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
    mean = float(np.mean(error))
    month, fit = spread**2 / n, _fit_variance(factor, x)
    freedom = (month + fit + between.variance) ** 2 / (
        month**2 / (n - 1)
        + (fit**2 / max(factor.n - 2, 1) if fit else 0.0)
        + between.variance**2 / between.df
    )
    se = math.sqrt(month + fit + between.variance)
    half = float(stats.t.isf((1 - level) / 2, freedom)) * se
    p_shift = float(2 * stats.t.sf(abs(mean) / se, freedom))
    u = factor_proposal.standard_uncertainty(factor, y, spots[usable])
    low, high = factor_proposal.interval(factor, x, u)
    hits = int(np.sum((low <= truth) & (truth <= high)))
    p_cover = float(stats.binom.cdf(hits, n, 0.95))
    shifted = p_shift < _SHIFT_SHARE * alarm_rate
    grown = p_cover < _COVERAGE_SHARE * alarm_rate
    now = Past(
        "", factor.factor_id, mean, math.nan, math.nan, "", factor.residual_relative,
        mean, month, fit, n,
    )  # fmt: skip
    sums = cusum_over([*past, now], *limits, between)
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
        coverage=clopper_pearson(hits, n, level),
        coverage_p=p_cover,
        call=call,
        why=why,
        edges=(back(-margin / 2 * abs(scale)), back(margin / 2 * abs(scale))),
        mean=mean,
        month_variance=month,
        fit_variance=fit,
        sums=sums,
        between=between,
    )  # fmt: skip


def cusum_over(
    months: Sequence[Past], k: float, h: float, between: Between = NO_SPREAD
) -> Cusum:  # fmt: skip
    """CUSUM of the standardised mean errors of the last one's factor, oldest month first.

    What the factor's coefficients are off is the same in every month: it is predicted from the
    months before, so that the standardised errors of a factor that holds are independent
    (innovations; Harvey 1989, from memory) and k and h have the run lengths of the table. The
    variance ``between`` months is part of every month's. Months of another factor or scale, or
    without the figures, do not enter.
    """
    if not months:
        return tabular_cusum([], k, h)
    last = months[-1]
    own = [
        m for m in months
        if (m.factor_id, m.relative) == (last.factor_id, last.relative)
        and m.n >= 2 and m.month_variance > 0 and math.isfinite(m.mean + m.fit_variance)
    ]  # fmt: skip
    expected, spread, z = 0.0, own[0].fit_variance if own else 0.0, []
    for m in own:
        whole = m.month_variance + between.variance + spread
        t = (m.mean - expected) / math.sqrt(whole)
        freedom = whole**2 / (m.month_variance**2 / (m.n - 1) + between.variance**2 / between.df)
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


# ---- earlier releases -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Earlier:
    """What earlier releases say of one stratum."""

    factor: CorrectionFactor
    release_id: str
    history: tuple[Past, ...]
    in_force: bool = False


def earlier_factors(
    workspace: ws.Workspace, period: str, strata: Iterable[Stratum]
) -> dict[str, Earlier]:
    """The factor of each stratum to be scored, of a month before ``period``.

    The one in force by the record: approved, not withdrawn before the month's end, its dates
    within the month, whatever became of the verdict since. Where none is, the newest factor
    that a release proposed, of strata whose field results it accepted. Empty where the period
    is no month. A release that can't be read, or was altered, is passed over: ``verify`` names
    it. Raises ReconcileError where the record was altered or shortened.
    """
    root = workspace.output / "releases"
    if not ws.is_month(period) or not root.is_dir():
        return {}
    wanted = by_either_key(strata)
    found: dict[str, Earlier] = {}
    past: dict[str, list[Past]] = {}
    months = sorted(p.name for p in root.iterdir() if ws.is_month(p.name) and p.name < period)
    for month in months:
        loaded = _load(root / month)
        if loaded is None:
            continue
        release_id, manifest, of_month = loaded
        for entry in manifest.get("factor_scores", ()):
            past.setdefault(str(entry["stratum"]), []).append(
                Past(
                    month, str(entry["factor_id"]), _number(entry["shift"]),
                    _number(entry["low"]), _number(entry["high"]), str(entry["call"]),
                    entry.get("relative"),
                    _number(entry.get("mean")), _number(entry.get("month_variance")),
                    _number(entry.get("fit_variance")), int(entry.get("n", 0)),
                )
            )  # fmt: skip
        for factor in of_month:
            key = factor.stratum.key
            verdict = manifest.get("strata", {}).get(key, {}).get("verdict", "")
            accepted = verdict in (ACCEPTED, ACCEPTED_CORRECTED)
            # one that the release kept in force is no proposal of it
            proposed = factor.status != APPROVED
            if key in wanted and accepted and proposed and factor.valid_until >= f"{period}-01":
                stratum = wanted[key]
                found[stratum.key] = Earlier(replace(factor, stratum=stratum), release_id, ())
    for life in _in_force(workspace, period):
        if (now := wanted.get(life.factor.stratum.key)) is not None:
            factor = replace(life.factor, stratum=now)
            found[now.key] = Earlier(factor, life.release_id, (), True)
    return {
        key: replace(earlier, history=tuple(past.get(key, ())))
        for key, earlier in sorted(found.items())
    }


def _in_force(workspace: ws.Workspace, period: str) -> tuple[factor_life.Life, ...]:
    """The approved factors of the month that were proposed by an earlier one.

    One withdrawn after the month's end stood in it.
    """
    begins, ends = ws.period_bounds(period, workspace.settings.workspace.time_zone)
    first, last = begins.date().isoformat(), (ends - timedelta(days=1)).date().isoformat()
    lives = [
        replace(life, factor=replace(life.factor, status=APPROVED))
        if life.state == factor_life.WITHDRAWN and life.at[:10] > last
        else life
        for life in factor_life.of_workspace(workspace).values()
        if ws.is_month(life.period) and life.period < period
    ]
    return factor_life.in_force(lives, first, last)


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def _load(folder: Path) -> tuple[str, dict[str, Any], tuple[CorrectionFactor, ...]] | None:
    from reconcile.base.errors import ReconcileError

    try:
        latest = release.latest(folder)
        if latest is None or release.altered_files(latest):
            return None
        manifest = json.loads((latest.folder / release.MANIFEST).read_text(encoding="utf-8"))
        return (
            str(manifest["release_id"]), manifest, factor_life.load(latest.folder / "factors.json")
        )  # fmt: skip
    except (ReconcileError, OSError, ValueError, KeyError, TypeError):
        return None


def mark(earlier: Mapping[str, Earlier]) -> tuple[str, ...]:
    """What the scores rest on beside the period's own inputs, for its fingerprint."""
    return tuple(
        json.dumps(
            [
                key, e.release_id, e.in_force, factor_life.as_plain(e.factor),
                [[p.period, p.factor_id, p.call, repr(p.shift)] for p in e.history],
            ],
            sort_keys=True, ensure_ascii=False,
        )
        for key, e in sorted(earlier.items())
    )  # fmt: skip


def score_all(
    earlier: Mapping[str, Earlier],
    used: Mapping[str, pd.DataFrame],
    margins: Mapping[str, float],
    thresholds: Thresholds,
    spreads: Mapping[str, tuple[Between, bool]] = MappingProxyType({}),
) -> tuple[FactorScore, ...]:
    """A score for every earlier factor whose stratum has pairs now, in the order of keys.

    ``spreads``: the variance between the months before this one, and whether it is of logarithms;
    it counts where that is the scale of the factor.
    """
    scores = []
    for key, e in sorted(earlier.items()):
        pairs = used.get(key)
        if pairs is None or pairs.empty:
            continue
        spots = pairs["field_spots"].to_numpy("float64")
        shots = pairs["field_n"].to_numpy("float64")
        result = score(
            e.factor, e.release_id,
            pairs["lab_mean"].to_numpy("float64"), pairs["field_mean"].to_numpy("float64"),
            np.where(spots >= 2, spots, shots),
            thresholds.factor_alarm_rate, margins[key], thresholds.confidence, e.history,
            (thresholds.factor_cusum_k, thresholds.factor_cusum_h),
            _of_scale(spreads.get(key), e.factor),
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
            "month_variance": finite(s.month_variance), "fit_variance": finite(s.fit_variance),
            "between_variance": finite(s.between.variance),
            "cusum_up": s.sums.upper[-1] if s.sums and s.sums.upper else None,
            "cusum_down": s.sums.lower[-1] if s.sums and s.sums.lower else None,
            "shift": finite(s.shift.value), "low": finite(s.shift.low),
            "high": finite(s.shift.high), "coverage": finite(s.coverage.value),
        }
        for s in scores
    ]  # fmt: skip
