"""What is decided on one field-only result: its value with uncertainty, and its side of each level.

Values in, frozen values out; no table, file or word. Nothing is decided where anything speaks
against it: every reason is told, as a code with what it speaks of.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import (
    ACCEPTED,
    ACCEPTED_CORRECTED,
    INSUFFICIENT,
    CorrectionFactor,
)
from reconcile.judgement import factor_proposal
from reconcile.judgement.decision import LevelTerms
from reconcile.judgement.factor_life import Life
from reconcile.judgement.field_values import FieldMean, FlagKind, correct_mean, differences
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.level_calls import TOO_CLOSE, level_call


class Why(StrEnum):
    """Why nothing is decided, beside the flags of ``field_values.FlagKind``."""

    NO_EVIDENCE = "no evidence"  # no release has pairs of this element
    SEVERAL_METHODS = "several laboratory methods"
    LABORATORY_ONLY = "laboratory only"
    INSUFFICIENT = "insufficient evidence"
    VERDICT_OVER = "verdict over"
    FACTOR_DOUBTED = "factor doubted"
    CONTROL_FAILED = "control failed"
    FEW_SPOTS = "few spots"
    LEFT_OUT = "left out"
    LEVEL_OUTSIDE = "level outside the evidence"


@dataclass(frozen=True, slots=True)
class Reason:
    """Why nothing is decided: a code, and of what it speaks."""

    code: str  # a Why or a FlagKind
    what: str = ""


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Ground:
    """What the newest release that has evidence of a stratum says of its field-only results."""

    stratum: Stratum
    release_id: str
    period: str
    decision: str  # of its verdict
    low: float  # accepted range of contents, mg/kg; NaN where nothing is accepted
    high: float
    valid_until: str  # ISO date; "" where it has none
    #: Scatter of the pairs as read, held as a factor of the form 'none'; None where not known.
    scatter: CorrectionFactor | None = None
    #: Level in mg/kg, bias found there and its standard uncertainty, as fractions.
    biases: tuple[tuple[float, float, float], ...] = ()
    doubted: tuple[str, ...] = ()  # factors that this release says to withdraw
    #: Lower bound of the laboratory's own error variance in the scatter of the pairs, relative or
    #: (mg/kg)²; 0 where it is not known. A call speaks of contents: it is taken off.
    lab_variance: float = 0.0
    lab_relative: bool = True


@equal_with_nan
@dataclass(frozen=True, slots=True)
class AtLevel:
    """One result at one decision level; mg/kg."""

    name: str
    level: float
    acts_below: bool
    rate_above: float  # chance at most of 'above' where the content is below
    rate_below: float
    call: str = ""  # BELOW, ABOVE or TOO_CLOSE; "" where nothing is decided
    below_up_to: float = math.nan  # results between the two limits are too close to call
    above_from: float = math.nan
    other_side: float = math.nan  # chance that the content is on the other side
    reasons: tuple[Reason, ...] = ()


CORRECTED, AS_READ, NO_VALUE = "corrected", "as read", "no value"
#: Names of the parts of a standard uncertainty, as ``factor_proposal.uncertainty_parts`` has them.
PARTS = ("factor", "spot to split", "spots")


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Result:
    """One field mean with all that is decided of it; mg/kg."""

    mean: FieldMean
    kind: str  # CORRECTED, AS_READ or NO_VALUE
    levels: tuple[AtLevel, ...]
    reasons: tuple[Reason, ...] = ()  # why there is no value
    value: float = math.nan
    u: float = math.nan  # standard uncertainty against one laboratory result
    parts: tuple[float, ...] = ()  # PARTS, standard uncertainties; of 'as read' bias in the first
    low: float = math.nan  # interval in which a laboratory result is expected, about 95 %
    high: float = math.nan
    factor_id: str = ""
    release_id: str = ""  # of the verdict
    lab_method: str = ""  # the laboratory's method that stands behind the evidence
    verdict: str = ""

    @property
    def expanded(self) -> float:
        """Expanded uncertainty, k = 2."""
        return factor_proposal.COVERAGE * self.u

    @property
    def calls(self) -> tuple[str, ...]:
        """The calls at the levels at which one was made."""
        return tuple(at.call for at in self.levels if at.call)

    @property
    def too_close(self) -> bool:
        """Whether it must go to the laboratory at any level."""
        return TOO_CLOSE in self.calls


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Rules:
    """What was agreed before the data, and what is known of the days."""

    levels: Mapping[tuple[str, str], tuple[LevelTerms, ...]]  # by element and matrix
    spots_share: float  # fewest spots, as a share of the spots behind the evidence
    failed: Mapping[tuple[str, str, str], str]  # control that failed, by day, method, element
    left_out: Mapping[str, str]  # sample, or sample/element: a person's reason


def decide(
    mean: FieldMean, grounds: Iterable[Ground], lives: Sequence[Life], rules: Rules,
    lab_method: str = "",
) -> Result:  # fmt: skip
    """The result of one field mean: value, uncertainty, and a call at each decision level."""
    levels = tuple(
        AtLevel(x.name, x.value, x.below, *_rates(x))
        for x in rules.levels.get((mean.element, mean.matrix), ())
    )
    none = Result(mean, NO_VALUE, levels)
    reasons = [*_of_the_day(mean, rules)]
    ground, why = _ground_for(mean, grounds, lab_method)
    reasons += why
    if ground is None:
        return replace(none, reasons=tuple(reasons))
    none = replace(
        none, release_id=ground.release_id, lab_method=ground.stratum.lab_method,
        verdict=ground.decision,
    )  # fmt: skip
    if ground.decision == ACCEPTED_CORRECTED:
        made, why = _corrected(none, ground, lives)
    elif ground.decision == ACCEPTED:
        made, why = _as_read(none, ground)
    else:
        code = Why.INSUFFICIENT if ground.decision == INSUFFICIENT else Why.LABORATORY_ONLY
        made, why = None, [Reason(code, ground.release_id)]
    factor, found = made if made is not None else (None, none)
    reasons += why
    if factor is not None:
        reasons += _spots(mean, factor, rules.spots_share)
        if not why and not ground.low <= found.value <= ground.high:
            what = f"{ground.low:.6g} to {ground.high:.6g} mg/kg"
            reasons.append(Reason(FlagKind.OUTSIDE, what))
    if reasons or factor is None:
        return replace(none, reasons=tuple(dict.fromkeys(reasons)))
    return replace(found, levels=tuple(_at(found, at, factor, ground) for at in levels))


def _rates(level: LevelTerms) -> tuple[float, float]:
    """Rates of 'above' and of 'below' where they are wrong."""
    if level.below:
        return level.missed, level.false_alarms
    return level.false_alarms, level.missed


def _of_the_day(mean: FieldMean, rules: Rules) -> Iterable[Reason]:
    left = rules.left_out.get(f"{mean.sample_id}/{mean.element}")
    left = left or rules.left_out.get(mean.sample_id, "")
    if left:
        yield Reason(Why.LEFT_OUT, left)
    for (day, method, element), control in sorted(rules.failed.items()):
        same = (method, element) == (mean.field_method, mean.element)
        if same and mean.first_day <= day <= mean.last_day:
            yield Reason(Why.CONTROL_FAILED, f"{control}, {day}")
    # else told by the correction
    if mean.qualifier or not (math.isfinite(mean.low) and mean.low == mean.high):
        yield Reason(FlagKind.CENSORED if mean.qualifier else FlagKind.NO_VALUE)
    if mean.interference:
        yield Reason(FlagKind.INTERFERENCE, mean.interference)
    if not mean.first_day or not mean.last_day:
        yield Reason(FlagKind.NO_TIME)


def _ground_for(
    mean: FieldMean, grounds: Iterable[Ground], lab_method: str
) -> tuple[Ground | None, list[Reason]]:
    """The one stratum that speaks of the value, or why there is none."""
    same = [
        g
        for g in grounds
        if g.stratum.element == mean.element
        and lab_method in ("", g.stratum.lab_method, g.stratum.determined_by.anywhere.text)
    ]
    if not same:
        return None, [Reason(Why.NO_EVIDENCE, mean.element)]
    apart = [(differences(mean, g.stratum), g) for g in same]
    matching = [g for found, g in apart if not found]
    if not matching:
        nearest = min((found for found, _ in apart), key=len)
        return None, [Reason(flag.kind, flag.what) for flag in nearest]
    usable = [g for g in matching if g.decision in (ACCEPTED, ACCEPTED_CORRECTED)]
    if len(usable) > 1:
        names = "; ".join(sorted(g.stratum.lab_method for g in usable))
        return None, [Reason(Why.SEVERAL_METHODS, names)]
    return (usable or sorted(matching, key=lambda g: (g.decision, g.stratum.key)))[0], []


Made = tuple[CorrectionFactor, Result]


def _corrected(
    base: Result, ground: Ground, lives: Sequence[Life]
) -> tuple[Made | None, list[Reason]]:
    """The value by the approved factor of the stratum, or why there is none."""
    mean = base.mean
    of_it = [x for x in lives if x.factor.stratum.lab_method == ground.stratum.lab_method]
    row = correct_mean(mean, of_it)
    if row.flags:
        return None, [Reason(flag.kind, flag.what) for flag in row.flags]
    factor = next(x.factor for x in of_it if x.factor.factor_id == row.factor_id)
    if factor.factor_id in ground.doubted:
        return None, [Reason(Why.FACTOR_DOUBTED, f"{factor.factor_id}, {ground.release_id}")]
    found = replace(
        base, kind=CORRECTED, value=row.corrected, low=row.low, high=row.high,
        u=row.expanded_uncertainty / factor_proposal.COVERAGE, factor_id=factor.factor_id,
        parts=_parts(factor, mean.low, mean.spots),
    )  # fmt: skip
    return (factor, found), []


def _as_read(base: Result, ground: Ground) -> tuple[Made | None, list[Reason]]:
    """The value as it was read, with the scatter of the pairs and their bias as uncertainty."""
    mean, scatter = base.mean, ground.scatter
    if ground.valid_until and mean.last_day > ground.valid_until:
        return None, [Reason(Why.VERDICT_OVER, f"{ground.release_id}, {ground.valid_until}")]
    if scatter is None or mean.qualifier or not math.isfinite(mean.low):
        return None, [Reason(FlagKind.NOT_ESTIMABLE)] if scatter is None else []
    if not scatter.low <= mean.low <= scatter.high:
        return None, [Reason(FlagKind.OUTSIDE, f"{scatter.low:.6g} to {scatter.high:.6g} mg/kg")]
    y, spots = np.array([mean.low]), np.array([float(mean.spots)])
    u = factor_proposal.standard_uncertainty(scatter, y, spots)
    low, high = factor_proposal.interval(scatter, y, u)
    found = replace(
        base, kind=AS_READ, value=mean.low, u=float(u[0]), low=float(low[0]), high=float(high[0]),
        parts=_parts(scatter, mean.low, mean.spots),
    )  # fmt: skip
    return (scatter, found), []


def _parts(factor: CorrectionFactor, read: float, spots: int) -> tuple[float, ...]:
    found = factor_proposal.uncertainty_parts(factor, np.array([read]), np.array([float(spots)]))
    return tuple(math.sqrt(float(part[0])) for part in found)


def _spots(mean: FieldMean, factor: CorrectionFactor, share: float) -> Iterable[Reason]:
    if math.isfinite(factor.spots) and mean.spots < share * factor.spots * (1 - 1e-9):
        yield Reason(Why.FEW_SPOTS, f"{mean.spots} of {factor.spots:.3g}")


def _at(found: Result, at: AtLevel, factor: CorrectionFactor, ground: Ground) -> AtLevel:
    """The call at one level, by the uncertainty of a result whose content is at the level."""
    reading = _reading_at(factor, at.level)
    inside = ground.low <= at.level <= ground.high and factor.low <= reading <= factor.high
    bias, own = 0.0, 0.0
    if found.kind == AS_READ:
        known = [b for b in ground.biases if math.isclose(b[0], at.level, rel_tol=1e-9)]
        inside = inside and bool(known)
        _, bias, own = known[0] if known else (0.0, 0.0, 0.0)
    if not inside:
        what = f"{ground.low:.6g} to {ground.high:.6g} mg/kg"
        return replace(at, reasons=(Reason(Why.LEVEL_OUTSIDE, what),))
    spots = np.array([float(found.mean.spots)])
    parts = factor_proposal.uncertainty_parts(factor, np.array([reading]), spots)
    fit, between, of_spots = (float(part[0]) for part in parts)
    lab = ground.lab_variance * (at.level**2 if ground.lab_relative else 1.0)
    u = math.sqrt(fit + max(between - lab, 0.0) + of_spots + (own * at.level) ** 2)
    _, freedom = factor_proposal.remaining_bias(factor, np.array([at.level]))
    relative = factor.residual_relative
    call = level_call(
        found.value, at.level, u, freedom, at.rate_above, at.rate_below, relative,
        math.log1p(bias) if relative else bias * at.level,
    )  # fmt: skip
    return replace(
        at, call=call.call, below_up_to=call.below_up_to, above_from=call.above_from,
        other_side=call.other_side,
    )  # fmt: skip


def _reading_at(factor: CorrectionFactor, content: float) -> float:
    """What the field reads of a content, mg/kg, by the factor; NaN where nothing."""
    if factor.form == "none":
        return content
    if factor.form == "power":
        return math.exp(factor.intercept) * content**factor.slope if content > 0 else math.nan
    return factor.intercept + factor.slope * content
