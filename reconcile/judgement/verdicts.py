"""Verdicts: what may be done with field-only results, the binding reason named.

Criteria come from the settings, agreed before the data; all of them are shown. The order is
safe: what forbids comes first, then what is missing, then what the pairs show. The reason is
that of a criterion that was judged and not shown, or that all were.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from reconcile.base.model.account import Finding
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import (
    ACCEPTED,
    ACCEPTED_CORRECTED,
    APPROVED,
    AS_READ,
    HELD_OUT,
    INSUFFICIENT,
    LABORATORY_ONLY,
    Ask,
    CorrectionFactor,
    Criterion,
    Outcome,
    Verdict,
)
from reconcile.base.quantities import display_factor
from reconcile.base.settings.whole import Settings
from reconcile.figures.evaluation import Evaluated
from reconcile.figures.over_months import MONTH, over_months
from reconcile.judgement import coming, criterion_words, requirements
from reconcile.judgement.decision import Counts, Decision, LevelTerms, Terms, cut, decide
from reconcile.judgement.factor_proposal import Proposal, correct, of_any
from reconcile.reporting import words
from reconcile.statistics import bias
from reconcile.statistics.level_band import Scale


def terms_of(
    stratum: Stratum, settings: Settings, margin: float, alpha: float | None = None
) -> Terms:
    """What was agreed for a stratum; levels in mg/kg. ``alpha``: else the setting's."""
    t = settings.thresholds
    element = settings.of(stratum.element, stratum.matrix)
    levels = element.levels if element else ()
    factor = display_factor(element.unit) if element else 1.0
    return Terms(
        margin, alpha or t.equivalence_alpha, t.agreement_span, t.least_range_share,
        t.level_samples, t.level_reach, t.false_negative_bound, t.confidence,
        tuple(
            LevelTerms(
                x.name, x.value / factor, x.acts == "below", x.grey_region or t.grey_region,
                x.false_negative_rate or t.false_negative_rate,
                x.false_alarm_rate or t.false_alarm_rate,
            )
            for x in levels
        ),
    )  # fmt: skip


def judge(
    stratum: Stratum,
    evaluated: Evaluated,
    proposal: Proposal,
    settings: Settings,
    fault: Finding | None,
    until: str,
    uncontrolled: str = "",
    custody_gone: tuple[str, ...] = (),
    alpha: float | None = None,
) -> Verdict:
    """The verdict for one stratum and the stated purpose.

    ``uncontrolled``: what no control showed, in words; empty where both sides were shown.
    ``custody_gone``: custody files that an earlier release rests on and that are gone.
    ``alpha``: chance of a wrong acceptance, where many verdicts ask for less than the
    setting equivalence_alpha.
    """
    forbidding = requirements.forbidding(stratum, settings, fault)
    evidence = requirements.evidence(stratum, evaluated, settings, uncontrolled, custody_gone)
    terms = terms_of(stratum, settings, evaluated.margin, alpha)
    used = evaluated.used
    lab = used["lab_mean"].to_numpy("float64")
    field = used["field_mean"].to_numpy("float64")
    over = _Months(stratum, evaluated, settings, terms)
    raw = over.joined(decision_of(lab, field, evaluated, terms, AS_READ), None, AS_READ)
    mean = _mean_bias(lab, field, evaluated.margin, terms.alpha)
    criteria = (*forbidding, *evidence, mean, *raw.criteria)

    first = next((c for c in (*forbidding, *evidence) if not c.passes), None)
    if first is not None:
        # too few pairs do not take back what they show for certain
        if first.ask in _FEW and (failed := _certain(raw)) is not None:
            return _refused(failed, criteria, terms, 1)
        return _refused(first, criteria, terms, 0)
    caution = words.ACCEPTED_CAUTION.format(what=uncontrolled) if uncontrolled else ""
    if raw.accepted:
        return Verdict(
            ACCEPTED, words.ACCEPTED_READ + _beside(raw) + caution, raw.low, raw.high, until,
            criteria, words.NEXT_ACCEPTED, alpha=terms.alpha, decisions=1,
        )  # fmt: skip
    judged = raw
    if proposal.factor is not None and proposal.factor.form != "none":
        assert proposal.held_out is not None
        judged = over.joined(
            decision_of(lab, proposal.held_out, evaluated, terms, HELD_OUT),
            proposal.held_out, HELD_OUT, proposal.factor,
        )  # fmt: skip
        # no wider than what the factor corrects: beyond it 'correct' gives no value
        factor = proposal.factor
        ends = sorted(correct(factor, np.array([factor.low, factor.high]))[0])
        judged = cut(judged, float(ends[0]), float(ends[1]), terms)
        criteria = (*criteria, *judged.criteria)
        if judged.accepted:
            binding = raw.binding
            assert binding is not None
            said = words.ACCEPTED_FACTOR.format(
                first=criterion_words.reason(binding), factor=factor.factor_id
            )
            in_force = factor.status == APPROVED
            last = min(until, factor.valid_until) if in_force else until
            step = words.NEXT_KEPT.format(factor=factor.factor_id, until=last)
            return Verdict(
                ACCEPTED_CORRECTED, said + _beside(judged) + caution, judged.low, judged.high,
                last, criteria, step if in_force else words.NEXT_FACTOR, alpha=terms.alpha,
                decisions=2,
            )  # fmt: skip
    binding = judged.binding
    assert binding is not None
    return _refused(binding, criteria, terms, 1 if judged is raw else 2)


#: Too little there, which more samples would mend.
_FEW = frozenset({Ask.PAIRS, Ask.THIRDS})


def _certain(raw: Decision) -> Criterion | None:
    """What is shown to fail by a bound that knows how few the pairs are."""
    failed = (c for c in raw.criteria if c.ask is Ask.COMING and c.outcome is Outcome.FAILED)
    return next(failed, None)


@dataclass(frozen=True, slots=True)
class _Months:
    """What coming months are judged by; nothing where pairs name no month."""

    stratum: Stratum
    evaluated: Evaluated
    settings: Settings
    terms: Terms

    def joined(
        self, made: Decision, field: np.ndarray | None, of: str,
        factor: CorrectionFactor | None = None,
    ) -> Decision:  # fmt: skip
        """The decision with what is asked of coming months; ``factor`` corrects limits."""
        if MONTH not in self.evaluated.pairs:
            return made
        through = partial(of_any, factor) if factor is not None else None
        scaled = over_months(self.stratum, self.evaluated, self.settings, field, through)
        t = self.terms
        asked = coming.criteria(
            scaled, t.margin, t.span, self.settings.evidence.beyond_rate, t.alpha, of
        )
        both = replace(made, criteria=(*made.criteria, *asked))
        return both if both.accepted else replace(both, low=math.nan, high=math.nan)


def _refused(
    binding: Criterion, criteria: tuple[Criterion, ...], terms: Terms, decisions: int
) -> Verdict:
    failed = binding.outcome is Outcome.FAILED
    return Verdict(
        LABORATORY_ONLY if failed else INSUFFICIENT, criterion_words.reason(binding),
        criteria=criteria, next_step=criterion_words.next_step(binding), alpha=terms.alpha,
        decisions=decisions,
    )  # fmt: skip


def _beside(found: Decision) -> str:
    """What an acceptance leaves out: part of the pairs' range, levels outside it."""
    said = ""
    share = next(c.fact("share") for c in found.criteria if c.ask is Ask.RANGE)
    if share < 1:
        said += words.ACCEPTED_PART.format(share=f"{share:.0%}")
    if next(c.fact("like") for c in found.criteria if c.ask is Ask.RANGE) != 1:
        said += words.ACCEPTED_LIKE
    if any(c.ask is Ask.TIME and c.outcome is Outcome.TOLD for c in found.criteria):
        said += words.ACCEPTED_UNTIMED
    none = [c for c in found.criteria if c.outcome is Outcome.NO_DECISION]
    for by_cut, sentence in ((False, words.ACCEPTED_NO_DECISION), (True, words.ACCEPTED_CUT)):
        if levels := [c.level for c in none if c.fact("cut") is by_cut]:
            named = ", ".join(words.LEVEL_NAMED.format(level=level) for level in levels)
            said += sentence.format(levels=named)
    return said


def decision_of(
    lab: np.ndarray, field: np.ndarray, evaluated: Evaluated, terms: Terms, of: str
) -> Decision:
    """What lab and field values (mg/kg), shape (n,), show against what was agreed."""
    scale: Scale = "absolute"
    variance = evaluated.lab_relative_variance
    if evaluated.statistics.difference_scale == "log ratio":
        scale = "log ratio"
    elif len(lab):
        variance *= float(np.median(lab)) ** 2
    counts = None
    if of == AS_READ:  # with results beyond a limit, where the limit leaves no doubt
        counts = []
        for level in evaluated.statistics.levels:
            below = level.acts == "below"
            alarms = level.false_negative if below else level.false_positive
            (a, b), (c, d) = (
                (round(e.value * e.n) if e.estimable else 0, e.n) for e in (level.missed, alarms)
            )
            counts.append(Counts(a, b, c, d))
    keep = np.isfinite(lab) & np.isfinite(field)
    times = seconds(evaluated.used["field_time"])
    return decide(
        lab[keep], field[keep], terms, scale, variance, of, counts, times[keep],
        [codes[keep] for codes in evaluated.groupings],
        evaluated.like if of == AS_READ and scale == "log ratio" else (0.0, 1.0),
    )  # fmt: skip


def seconds(times: pd.Series) -> np.ndarray:
    """Times of reading as seconds, shape (n,); NaN where not known."""
    known = pd.to_datetime(times, utc=True)
    found = (known - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1)
    return found.to_numpy("float64", na_value=np.nan)


def _mean_bias(lab: np.ndarray, field: np.ndarray, margin: float, alpha: float) -> Criterion:
    """The geometric mean ratio's interval: told, as no mean decides."""
    test = bias.equivalence_ratio(lab, field, margin, alpha)
    low, high = (v - 1 if math.isfinite(v) else math.nan for v in (test.low, test.high))
    facts = (("low", low), ("high", high), ("confidence", 1 - 2 * alpha), ("n", len(lab)))
    return Criterion(Ask.MEAN_BIAS, Outcome.TOLD, facts, AS_READ)
