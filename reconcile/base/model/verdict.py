"""What is asked of a stratum, what came of it, and the factor that corrects."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from reconcile.statistics.equality import equal_with_nan

if TYPE_CHECKING:
    pass
from reconcile.base.model.stratum import Stratum


@equal_with_nan
@dataclass(frozen=True, slots=True)
class CorrectionFactor:
    """What turns a field value into the lab's scale: lab = (field - intercept) / slope."""

    factor_id: str
    stratum: Stratum
    form: str  # none, offset, ratio, line, power
    intercept: float  # mg/kg
    slope: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    residual_sd: float  # mg/kg; where residual_relative of the reading (line) or result (others)
    residual_relative: bool
    low: float  # range of field values, mg/kg, in which it may be used
    high: float
    n: int
    pairs_hash: str
    error_before: float  # root mean square relative error on held-out groups, fraction
    error_after: float
    basis: str  # "to the four-acid (near-total) basis of …"
    status: str = "proposed"
    reason: str = ""
    valid_from: str = ""  # ISO date of the first day of the values it may correct
    valid_until: str = ""  # ISO date of the last day; "" where the period is no month
    spot_variance: float = float("nan")  # of one spot: (mg/kg)², or relative as the residual
    spots: float = float("nan")  # spots (or readings) per sample of the pairs, harmonic mean
    months: int = 0  # in which the pairs stand; 0: not kept


class Ask(StrEnum):
    """What a criterion of a verdict asks for."""

    PURPOSE = "purpose"
    ELEMENT = "element"
    FAULT = "suspected fault"
    DESCRIPTION = "description of the comparison"
    PAIRS = "pairs"
    THIRDS = "pairs in each third"
    CENSORED = "pairs outside the limits"
    CONTROLS = "controls"
    SPOTS = "spots per sample"
    CUSTODY = "custody"
    QUALITY_LEVEL = "data-quality level"
    SELECTION = "choice of the samples"
    MEAN_BIAS = "mean bias"
    RANGE = "bias over the range"
    SPREAD = "spread"
    TIME = "bias through the period"
    LEVEL = "decision at a level"
    LEVEL_SAMPLES = "samples at a level"
    LEVEL_BIAS = "bias at a level"
    MISSED = "missed at a level"
    FALSE_ALARMS = "false alarms at a level"
    MISSED_COUNT = "missed samples counted"
    COMING = "bias of a coming month"
    COMING_SAMPLE = "error of a coming sample"


class OverMonths(StrEnum):
    """What a line of the evidence of several months holds."""

    MONTH = "month"
    LONG_RUN = "long-run bias"
    BETWEEN = "SD between months"
    COMING = "bias of a coming month"
    SAMPLE = "error of a coming sample"
    STEP = "step between months"
    DRIFT = "drift per month"
    SCORE = "month against earlier ones"
    CUSUM_UP = "CUSUM up"
    CUSUM_DOWN = "CUSUM down"
    AVERAGE = "weighted mean of months"


class Outcome(StrEnum):
    """What a criterion came to; 'not shown' never passes."""

    SHOWN = "shown"
    NOT_SHOWN = "not shown"
    FAILED = "shown to fail"
    TOLD = "told, not asked for"
    NO_DECISION = "no decision here"  # of a level outside the pairs or the factor


#: Outcomes with which nothing is accepted.
STANDING_IN_THE_WAY = frozenset({Outcome.NOT_SHOWN, Outcome.FAILED})


@dataclass(frozen=True, slots=True)
class Criterion:
    """One criterion of a verdict as data; words are put on where it is shown."""

    ask: Ask
    outcome: Outcome
    facts: tuple[tuple[str, Any], ...] = ()  # numbers and names behind it; fractions, counts
    of: str = ""  # which values: AS_READ or HELD_OUT; "" where it asks nothing of values
    level: str = ""  # name of the decision level, where it is about one

    def fact(self, name: str) -> Any:
        """The fact of that name; KeyError where there is none."""
        return dict(self.facts)[name]

    @property
    def passes(self) -> bool:
        """True where it does not stand in the way of an acceptance."""
        return self.outcome not in STANDING_IN_THE_WAY


AS_READ, HELD_OUT = "as read", "corrected, held out"

#: State of a factor that a second person approved.
APPROVED = "approved"

NOT_FOR_USE = "not for use"  # fitted where the verdict accepts no correction


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Verdict:
    """What may be done with field-only results for one stratum, and why."""

    decision: str  # one of DECISIONS
    reason: str  # the binding reason, in plain words
    range_low: float = float("nan")  # mg/kg, where field-only results are accepted
    range_high: float = float("nan")
    valid_until: str = ""  # ISO date
    criteria: tuple[Criterion, ...] = ()
    next_step: str = ""
    alpha: float = float("nan")  # chance at most of accepting what is beyond what was agreed
    decisions: int = 0  # sets of values judged against what was agreed: as read, corrected
    put_back: int = 0  # excluded pairs with two numbers
    decision_put_back: str = ""  # with all of them put back; "" where there is none
    reason_put_back: str = ""

    @property
    def flips(self) -> bool:
        """True where the verdict would be another with every excluded pair put back."""
        return bool(self.decision_put_back) and self.decision_put_back != self.decision

    @property
    def wrong_at_most(self) -> float:
        """Expected number of wrong acceptances at most, whatever the truth."""
        return self.alpha * self.decisions if self.decisions else 0.0


ACCEPTED = "accepted"

ACCEPTED_CORRECTED = "accepted after correction"

LABORATORY_ONLY = "laboratory only"

INSUFFICIENT = "insufficient evidence"

DECISIONS = (ACCEPTED, ACCEPTED_CORRECTED, LABORATORY_ONLY, INSUFFICIENT)
