"""Many studies of one truth through evaluate, propose and judge: what was accepted, how wrongly."""

from __future__ import annotations

import functools
from collections.abc import Iterable
from dataclasses import dataclass

from reconcile.base.model.verdict import (
    ACCEPTED,
    ACCEPTED_CORRECTED,
    DECISIONS,
    CorrectionFactor,
    Verdict,
)
from reconcile.base.settings.thresholds import Thresholds
from reconcile.base.settings.whole import Settings
from reconcile.figures import evaluation, laboratory_error
from reconcile.judgement import factor_proposal, verdicts
from reconcile.statistics.proportions import clopper_pearson
from reconcile.statistics.result import Estimate
from reconcile.trials.studies import STRATUM, Study, draw
from reconcile.trials.truths import Array, Truth
from reconcile.trials.wrong import Agreed, Wrong, as_read, wrong

#: Largest rate of wrong acceptances at any truth.
ALLOWED = 0.05


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the program said of one study, and what of it contradicts the truth."""

    decision: str
    form: str  # of the factor proposed; '' where none was
    low: float  # accepted range, mg/kg
    high: float
    wrong: Wrong | None  # None: nothing was accepted


@dataclass(frozen=True, slots=True)
class Characteristic:
    """One truth and number of samples over many studies."""

    truth: str
    n: int
    studies: int
    decisions: tuple[tuple[str, int], ...]  # studies by decision, in the order of DECISIONS
    wrongly: int  # accepted, and the truth contradicts it
    bias: int  # of these, by bias; one study may be wrong in several ways
    spread: int
    missed: int
    false_alarm: int

    @property
    def accepted(self) -> int:
        """Studies accepted, as read or after correction."""
        return sum(k for name, k in self.decisions if name in (ACCEPTED, ACCEPTED_CORRECTED))

    @property
    def wrong_rate(self) -> Estimate:
        """Wrong acceptances among all studies, with the exact 95 % interval."""
        return clopper_pearson(self.wrongly, self.studies)

    @property
    def right_rate(self) -> Estimate:
        """Right acceptances among all studies: the power, with the exact 95 % interval."""
        return clopper_pearson(self.accepted - self.wrongly, self.studies)

    @property
    def kept(self) -> bool:
        """Whether what was found does not contradict the promise."""
        return not self.wrong_rate.low > ALLOWED

    def as_record(self) -> dict[str, str | int]:
        """The counts with their headings, for a file."""
        return {
            "truth": self.truth, "n": self.n, "studies": self.studies, **dict(self.decisions),
            "wrongly accepted": self.wrongly, "by bias": self.bias, "by spread": self.spread,
            "by misses": self.missed, "by false alarms": self.false_alarm,
        }  # fmt: skip


@functools.cache
def settings_of(truth: Truth, thresholds: Thresholds | None = None) -> Settings:
    """Settings with the truth's decision level and the given thresholds, purpose screening."""
    levels = [{"name": "cut-off", "value": truth.level}] if truth.level else []
    settings = Settings.model_validate(
        {
            "table": [{"kind": kind, "files": [f"{kind}.csv"]} for kind in ("field", "lab")],
            "element": {STRATUM.element: {"levels": levels}},
        }
    )
    return settings.model_copy(update={"thresholds": thresholds or settings.thresholds})


def agreed_of(settings: Settings) -> Agreed:
    """What the settings say was agreed."""
    t = settings.thresholds
    return Agreed(
        t.bias_margin, t.agreement_span, t.false_negative_rate, t.false_alarm_rate, t.grey_region
    )


def decide(study: Study, settings: Settings) -> tuple[Verdict, CorrectionFactor | None]:
    """What the program says of one study, by its own functions; controls shown on both sides."""
    errors = laboratory_error.lab_errors(study.duplicates, settings.errors)
    error = laboratory_error.lab_error_of(errors, STRATUM)
    evaluated = evaluation.evaluate(STRATUM, study.pairs, error, settings)
    proposal = factor_proposal.propose(STRATUM, evaluated, settings, None)
    return verdicts.judge(STRATUM, evaluated, proposal, settings, None, ""), proposal.factor


def outcome(truth: Truth, n: int, seed: int, settings: Settings) -> Outcome:
    """One study: what was said, and whether the truth contradicts it."""
    verdict, factor = decide(draw(truth, n, seed), settings)
    form = factor.form if factor is not None else ""
    low, high = verdict.range_low, verdict.range_high
    found = None
    if verdict.decision in (ACCEPTED, ACCEPTED_CORRECTED):
        correct = as_read
        if verdict.decision == ACCEPTED_CORRECTED:
            assert factor is not None

            def correct(field: Array, by: CorrectionFactor = factor) -> Array:
                return factor_proposal.correct(by, field)[0]

        found = wrong(truth, agreed_of(settings), low, high, correct)
    return Outcome(verdict.decision, form, low, high, found)


def summed(truth: str, n: int, outcomes: Iterable[Outcome]) -> Characteristic:
    """Counts of many studies."""
    found = tuple(outcomes)
    wrongs = [o.wrong for o in found if o.wrong is not None and o.wrong.any]
    return Characteristic(
        truth, n, len(found),
        tuple((name, sum(o.decision == name for o in found)) for name in DECISIONS),
        len(wrongs),
        sum(w.bias for w in wrongs), sum(w.spread for w in wrongs),
        sum(w.missed for w in wrongs), sum(w.false_alarm for w in wrongs),
    )  # fmt: skip


def tried(truth: Truth, n: int, studies: int, seed: int = 0) -> Characteristic:
    """Many studies of one truth; the same ``seed`` gives the same counts."""
    settings = settings_of(truth)
    return summed(truth.name, n, (outcome(truth, n, seed + i, settings) for i in range(studies)))
