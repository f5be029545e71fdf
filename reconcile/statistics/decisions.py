"""Decisions at a level: counts, risks, guard bands and the field limit that holds a risk."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import (
    check_level,
    interval_text,
    pairs,
    percent,
    quiet,
    same_length,
    vector,
    with_unit,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.guard_bands import Conformity, GuardBand, conformity, guard_band
from reconcile.statistics.multiplicity import (
    InteractionTest,
    benjamini_hochberg,
    interaction_test,
)
from reconcile.statistics.noncentral_t import one_sided_tolerance_factor
from reconcile.statistics.proportions import clopper_pearson, howe_tolerance_factor
from reconcile.statistics.quality_levels import (
    DataQualityLevel,
    MethodCriteria,
    QualityLevelLimits,
    data_quality_level,
    method_6200_criteria,
)
from reconcile.statistics.result import NAN, Estimate, not_estimable
from reconcile.statistics.sample_size import (
    optimum_lab_fraction,
    spots_needed,
)
from reconcile.statistics.scores import (
    Scores,
    en_score,
    scores,
    z_score,
    zeta_score,
)

__all__ = [
    "Conformity",
    "DataQualityLevel",
    "DecisionTable",
    "FieldLimit",
    "GuardBand",
    "InteractionTest",
    "MethodCriteria",
    "QualityLevelLimits",
    "Scores",
    "benjamini_hochberg",
    "clopper_pearson",
    "conformity",
    "data_quality_level",
    "decision_table",
    "decision_table_censored",
    "en_score",
    "field_limit_for_false_negative_rate",
    "guard_band",
    "howe_tolerance_factor",
    "interaction_test",
    "method_6200_criteria",
    "optimum_lab_fraction",
    "scores",
    "spots_needed",
    "z_score",
    "zeta_score",
]

Scale = Literal["log ratio", "absolute"]


@equal_with_nan
@dataclass(frozen=True, slots=True)
class DecisionTable:
    """Two-by-two counts at a decision level; 'above' means at or above it."""

    threshold: float
    n: int
    both_above: int
    false_negative_count: int  # lab above, field below
    false_positive_count: int  # lab below, field above
    both_below: int
    lab_above: int
    field_above: int
    false_negative: Estimate  # share of the samples that the lab puts above
    false_positive: Estimate  # share of the samples that the lab puts below
    wrong: Estimate  # share of all
    undecided: int = 0  # a limit lies on the other side of the level
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One or two plain sentences."""
        at = with_unit(self.threshold, unit)
        if self.n == 0:
            return f"At {at} nothing can be said: {self.reason}."
        text = (
            f"At {at} the field method missed {self.false_negative_count} of {self.lab_above} "
            "samples that the laboratory puts at or above the level"
            + _share(self.false_negative)
            + f", and raised {self.false_positive_count} false alarms among "
            f"{self.n - self.lab_above} below it" + _share(self.false_positive) + "."
        )
        if self.undecided:
            text += f" {self.undecided} pairs could not be placed because of their limits."
        return text


def _share(rate: Estimate) -> str:
    return f", {interval_text(rate, as_percent=True)}" if rate.estimable else ""


def _table(
    lab_above: np.ndarray, field_above: np.ndarray, threshold: float, level: float, undecided: int
) -> DecisionTable:
    n = int(lab_above.size)
    both = int(np.sum(lab_above & field_above))
    missed = int(np.sum(lab_above & ~field_above))
    alarms = int(np.sum(~lab_above & field_above))
    below = n - both - missed - alarms
    reason = "" if n else "no pair has both a usable laboratory and a usable field value"

    def rate(count: int, of: int, nothing: str) -> Estimate:
        if of == 0:
            return not_estimable(0, nothing, "Clopper-Pearson, two-sided", level)
        return clopper_pearson(count, of, level)

    return DecisionTable(
        threshold,
        n,
        both,
        missed,
        alarms,
        below,
        both + missed,
        both + alarms,
        rate(missed, both + missed, "no sample is at or above the level by the laboratory"),
        rate(alarms, alarms + below, "no sample is below the level by the laboratory"),
        rate(missed + alarms, n, "there is no pair"),
        undecided,
        reason,
    )


def decision_table(
    lab: ArrayLike, field: ArrayLike, threshold: float, level: float = 0.95
) -> DecisionTable:
    """False-negative and false-positive rates of the field method at ``threshold``.

    The laboratory is taken as right; its own error near the level makes the rates
    look worse than they are. Rates carry exact (Clopper & Pearson 1934) intervals.
    """
    check_level(level)
    if not math.isfinite(threshold):
        raise ValueError("threshold must be a finite number")
    x, y = pairs(lab, field, ("lab", "field"))
    return _table(x >= threshold, y >= threshold, threshold, level, 0)


def _side(low: np.ndarray, high: np.ndarray, threshold: float) -> np.ndarray:
    """1 above, 0 below, -1 undecided, for values known to lie between low and high."""
    censored = low < high
    above = low >= threshold
    below = (high < threshold) | (censored & (high <= threshold))
    return np.where(above, 1, np.where(below, 0, -1))


def decision_table_censored(
    lab_low: ArrayLike,
    lab_high: ArrayLike,
    field_low: ArrayLike,
    field_high: ArrayLike,
    threshold: float,
    level: float = 0.95,
) -> DecisionTable:
    """As :func:`decision_table` with every value known to lie between its bounds.

    A quantified value has equal bounds; '<5' has 0 and 5; '>5' has 5 and infinity.
    A pair whose limit straddles the level is counted as undecided, never guessed.
    """
    check_level(level)
    if not math.isfinite(threshold):
        raise ValueError("threshold must be a finite number")
    arrays = [
        vector(v, n)
        for v, n in (
            (lab_low, "lab_low"),
            (lab_high, "lab_high"),
            (field_low, "field_low"),
            (field_high, "field_high"),
        )
    ]
    same_length(*arrays, names=("lab_low", "lab_high", "field_low", "field_high"))
    known = ~np.any(np.isnan(np.stack(arrays)), axis=0)
    a, b, c, d = (v[known] for v in arrays)
    lab_side, field_side = _side(a, b, threshold), _side(c, d, threshold)
    placed = (lab_side >= 0) & (field_side >= 0)
    return _table(
        lab_side[placed] == 1,
        field_side[placed] == 1,
        threshold,
        level,
        int(np.sum(~placed)),
    )


@equal_with_nan
@dataclass(frozen=True, slots=True)
class FieldLimit:
    """The field value to act on so that a true value at the level is rarely missed."""

    threshold: float
    field_limit: float
    factor: float  # field_limit / threshold
    rate: float
    scale: str
    allowing_for_uncertainty: bool
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"No field limit can be set: {self.reason}."
        sure = (
            ", allowing for what the pairs leave uncertain" if self.allowing_for_uncertainty else ""
        )
        return (
            f"Acting on a field value of {with_unit(self.field_limit, unit)} or more misses a true "
            f"value of {with_unit(self.threshold, unit)} in at most {percent(self.rate, 2)} of "
            f"cases{sure}."
        )


@quiet
def field_limit_for_false_negative_rate(
    threshold: float,
    sd: float,
    rate: float = 0.05,
    bias: float = 0.0,
    scale: Scale = "log ratio",
    n: int | None = None,
    level: float = 0.95,
) -> FieldLimit:
    """Field limit at which a sample exactly at ``threshold`` is missed at ``rate``.

    'log ratio': threshold·exp(bias − z·sd), ``sd`` of ln(field/true), which for modest
    scatter equals the relative SD. With ``n`` pairs behind ``bias`` and ``sd`` the z
    becomes the one-sided tolerance factor (noncentral t, Owen 1968): with confidence
    ``level`` the true rate is then at most ``rate``.
    """
    check_level(rate, "rate")
    check_level(level)

    def failed(reason: str) -> FieldLimit:
        return FieldLimit(threshold, NAN, NAN, rate, scale, n is not None, reason)

    if not (math.isfinite(sd) and sd >= 0 and math.isfinite(bias)):
        return failed("the field method's scatter or bias is not known")
    if not math.isfinite(threshold) or (scale == "log ratio" and threshold <= 0):
        return failed("the level must be a positive number")
    z = float(stats.norm.isf(rate))
    if n is not None:
        if n < 2:
            return failed("fewer than two pairs")
        z = one_sided_tolerance_factor(n, 1 - rate, level)
    limit = (
        threshold * math.exp(bias - z * sd) if scale == "log ratio" else threshold + bias - z * sd
    )
    if not math.isfinite(limit):
        return failed("the scatter is too large")
    factor = limit / threshold if threshold else NAN
    return FieldLimit(threshold, limit, factor, rate, scale, n is not None)
