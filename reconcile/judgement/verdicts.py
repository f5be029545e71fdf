"""Verdicts: what may be done with field-only results, the binding reason named.

Criteria come from the settings, agreed before the data; all of them are shown. The
order is safe: what forbids comes first, then what is missing, then what was shown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from reconcile.base.model import (
    ACCEPTED,
    ACCEPTED_CORRECTED,
    INSUFFICIENT,
    LABORATORY_ONLY,
    Criterion,
    Finding,
    Stratum,
    Verdict,
)
from reconcile.base.settings import Settings, Thresholds
from reconcile.evidence import finding_words
from reconcile.figures.evaluation import Evaluated
from reconcile.judgement import requirements
from reconcile.judgement.factor_proposal import Proposal, correct
from reconcile.statistics import agreement, bias
from reconcile.statistics.proportions import clopper_pearson

#: Laboratory only by default: grades that move money on a few grains (common practice).
AS_READ = "as read"
#: Purposes for which field-only results are not accepted by default.
_NEVER_FIELD_ONLY = ("resource", "reserve")
PRECIOUS = frozenset({"Au", "Ag", "Pt", "Pd", "Rh", "Ir", "Os", "Ru"})


@dataclass(frozen=True, slots=True)
class _Shown:
    """What raw or corrected values showed against the criteria."""

    criteria: tuple[Criterion, ...]
    passed: bool
    undecided: bool  # the interval is too wide to say


def judge(
    stratum: Stratum,
    evaluated: Evaluated,
    proposal: Proposal,
    settings: Settings,
    fault: Finding | None,
    until: str,
    uncontrolled: str = "",
    custody_gone: tuple[str, ...] = (),
) -> Verdict:
    """The verdict for one stratum and the stated purpose.

    ``uncontrolled``: what no control showed, in words; empty where both sides were shown.
    ``custody_gone``: custody files that an earlier release rests on and that are gone.
    """
    forbidding = _forbidding(stratum, settings, fault)
    missing = (
        *_missing(stratum, evaluated, settings),
        Criterion(
            "controls", "a reference material in control on both sides",
            uncontrolled or "shown on both sides",
            None if uncontrolled and settings.thresholds.controls_required else True,
        ),
    )  # fmt: skip
    level = requirements.quality_level(evaluated, settings)
    missing = (
        *missing,
        requirements.spots(stratum, evaluated, settings),
        requirements.custody(evaluated, custody_gone),
        level,
    )
    caution = f" But {uncontrolled}." if uncontrolled else ""
    used = evaluated.used
    lab = used["lab_mean"].to_numpy("float64")
    field = used["field_mean"].to_numpy("float64")
    raw = _shown(AS_READ, lab, field, evaluated, settings)
    criteria = (*forbidding, *missing, *raw.criteria)
    low = float(lab.min()) if len(lab) else math.nan
    high = float(lab.max()) if len(lab) else math.nan

    failed = next((c for c in forbidding if c.met is False), None)
    if failed is not None:
        return Verdict(
            LABORATORY_ONLY, f"{_capital(failed.found)}.", criteria=criteria,
            next_step="Use laboratory results; field readings may guide where to sample.",
        )  # fmt: skip
    lacking = next((c for c in missing if c.met is not True and c is not level), None)
    if lacking is not None:
        return Verdict(
            INSUFFICIENT, _why_lacking(lacking, evaluated),
            criteria=criteria, next_step=_what_is_missing(lacking, evaluated, settings),
        )  # fmt: skip
    if level.met is None:
        return Verdict(
            INSUFFICIENT, f"No data-quality level could be assigned; {level.asked} is asked for.",
            criteria=criteria,
            next_step="Repeat readings on the samples, so that their precision is known.",
        )  # fmt: skip
    if not level.met:
        return Verdict(
            LABORATORY_ONLY,
            f"The data-quality level is {level.found}; {level.asked} is asked for.",
            criteria=criteria, next_step="Use laboratory results; more spots or a longer count "
            "time may reach the level.",
        )  # fmt: skip
    if raw.passed:
        return Verdict(
            ACCEPTED,
            f"Bias, spread and decisions were within what was agreed, as read.{caution}",
            low, high, until, criteria,
            "Keep sending part of the samples to the laboratory each month.",
        )  # fmt: skip
    corrected = None
    if proposal.factor is not None and proposal.factor.form != "none":
        assert proposal.held_out is not None
        corrected = _shown("corrected, held out", lab, proposal.held_out, evaluated, settings)
        criteria = (*criteria, *corrected.criteria)
        if corrected.passed:
            # no wider than what the factor corrects: beyond it 'correct' gives no value
            factor = proposal.factor
            ends = sorted(correct(factor, np.array([factor.low, factor.high]))[0])
            low, high = max(low, float(ends[0])), min(high, float(ends[1]))
            return Verdict(
                ACCEPTED_CORRECTED,
                f"{_first_failure(raw)} With factor {proposal.factor.factor_id} the criteria "
                f"were met on samples that the fit had not seen.{caution}",
                low, high, until, criteria,
                "Have the factor approved by a second person; test it on next month's pairs "
                "before it is fitted again.",
            )  # fmt: skip
    judged = corrected or raw
    if judged.undecided:
        return Verdict(
            INSUFFICIENT, _first_failure(judged), criteria=criteria,
            next_step="Send more of the next month's samples to the laboratory, spread over "
            "the range.",
        )  # fmt: skip
    return Verdict(
        LABORATORY_ONLY, _first_failure(judged), criteria=criteria,
        next_step="Use laboratory results; look for the cause (preparation, moisture, surface, "
        "calibration) before the next campaign.",
    )  # fmt: skip


def _forbidding(
    stratum: Stratum, settings: Settings, fault: Finding | None
) -> tuple[Criterion, ...]:
    purpose = settings.report.purpose.lower()
    element = settings.of(stratum.element, stratum.matrix)
    precious = (
        element.precious
        if element is not None and element.precious is not None
        else stratum.element in PRECIOUS
    )
    return (
        Criterion(
            "purpose", "not resource estimation",
            "estimates of resources or reserves need laboratory results unless a qualified person "
            "says otherwise"
            if any(word in purpose for word in _NEVER_FIELD_ONLY)
            else settings.report.purpose,
            not any(word in purpose for word in _NEVER_FIELD_ONLY),
        ),
        Criterion(
            "element", "not a precious metal, not field carbon",
            "in a precious metal a few grains decide the result"
            if precious
            else "carbon by a field method is never the sole basis"
            if stratum.element == "C"
            else stratum.element,
            not precious and stratum.element != "C",
        ),
        Criterion(
            "suspected fault", "none",
            finding_words.of_verdict(fault), fault is None or not fault.blocks,
        ),
    )  # fmt: skip


def _missing(stratum: Stratum, evaluated: Evaluated, settings: Settings) -> tuple[Criterion, ...]:
    t, s = settings.thresholds, evaluated.statistics
    unstated = [
        name
        for name, value in (
            ("specimen form", stratum.specimen_form),
            ("moisture basis", stratum.moisture_basis),
            ("digestion class", stratum.digestion_class),
        )
        if not value or "not stated" in value
    ]
    differing = stratum.moisture.differs and not unstated
    offered = max(s.n_pairs - s.n_excluded, 0)
    quantified = s.n_used
    share = 1 - quantified / offered if offered else 1.0
    thirds = evaluated.thirds
    return (
        Criterion(
            "description of the comparison", "specimen form, moisture basis, digestion class",
            f"{' and '.join(unstated)} not stated"
            if unstated
            else f"moisture bases differ ({stratum.moisture_basis})"
            if differing
            else "stated",
            not unstated and not differing,
        ),
        Criterion(
            "pairs", f"{t.minimum_pairs} or more", f"{quantified} used",
            quantified >= t.minimum_pairs,
        ),
        Criterion(
            "pairs in each third of the range", f"{t.pairs_per_third} or more",
            f"{thirds[0]}, {thirds[1]} and {thirds[2]}", min(thirds) >= t.pairs_per_third,
        ),
        Criterion(
            "pairs outside the limits of a method", f"at most {t.censored_share:.0%}",
            f"{share:.0%} of {offered}", share <= t.censored_share,
        ),
    )  # fmt: skip


def _shown(
    how: str,
    lab: np.ndarray,
    field: np.ndarray,
    evaluated: Evaluated,
    settings: Settings,
) -> _Shown:
    t = settings.thresholds
    margin = evaluated.margin
    test = bias.equivalence_ratio(lab, field, margin, t.equivalence_alpha)
    limits = agreement.limits_of_agreement(lab, field, "log ratio", t.confidence)
    decided = math.isfinite(test.low) and math.isfinite(test.high)
    inside = bool(test.equivalent)
    outside = decided and (test.low > 1 + margin or test.high < 1 / (1 + margin))
    half = (
        math.sqrt(limits.upper.value / limits.lower.value) - 1
        if limits.lower.value > 0
        else math.nan
    )
    narrow = half <= t.agreement_span if math.isfinite(half) else None
    criteria = [
        Criterion(
            f"bias, {how}",
            f"within {1 / (1 + margin) - 1:+.1%} and {margin:+.1%} "
            f"({1 - 2 * t.equivalence_alpha:.0%} interval)",
            f"{test.low - 1:+.1%} to {test.high - 1:+.1%}, n {len(lab)}"
            if decided
            else "not estimable",
            True if inside else False if outside else None,
        ),
        Criterion(
            f"spread, {how}", f"limits of agreement within a factor {1 + t.agreement_span:.2f}",
            f"a factor {1 + half:.2f} about the bias, n {len(lab)}"
            if math.isfinite(half)
            else "not estimable",
            narrow,
        ),
    ]  # fmt: skip
    for level in evaluated.statistics.levels:
        below = level.acts == "below"
        if how == AS_READ:  # with results beyond a limit, where the limit leaves no doubt
            rate = level.false_positive if below else level.false_negative
            count = rate.n
            missed = round(rate.value * count) if rate.estimable else 0
        else:
            wanted = lab < level.level if below else lab >= level.level
            called = field < level.level if below else field >= level.level
            missed, count = int(np.sum(wanted & ~called)), int(np.sum(wanted))
        criteria.append(_missed(level.name, how, missed, count, t, level.acts))
    # A level without samples above it can't be judged and does not by itself forbid.
    judged = [c for c in criteria[2:] if not c.found.startswith("no sample")]
    passed = inside and narrow is True and all(c.met is True for c in judged)
    failed = outside or narrow is False or any(c.met is False for c in judged)
    return _Shown(tuple(criteria), passed, not passed and not failed)


def _missed(name: str, how: str, missed: int, count: int, t: Thresholds, acts: str) -> Criterion:
    """Met at or below the agreed rate, and at or below the agreed bound where there is one.

    Failed only where the exact lower bound is above the rate; between, more samples decide.
    """
    asked = f"at most {t.false_negative_rate:.0%} of samples {acts} it"
    bound = t.false_negative_bound
    if bound is not None:
        asked += f", the interval's upper end at most {bound:.0%}"
    if count == 0:
        return Criterion(f"missed at {name}, {how}", asked, f"no sample {acts} it", None)
    rate = clopper_pearson(missed, count, t.confidence)
    met = (
        True
        if missed <= t.false_negative_rate * count and (bound is None or rate.high <= bound)
        else False
        if rate.low > t.false_negative_rate
        else None
    )
    return Criterion(
        f"missed at {name}, {how}", asked,
        f"{missed} of {count} ({rate.level:.0%} interval {rate.low:.0%} to {rate.high:.0%})", met,
    )  # fmt: skip


def _first_failure(shown: _Shown) -> str:
    judged = [c for c in shown.criteria if not c.found.startswith("no sample")]
    failed = next((c for c in judged if c.met is False), None) or next(
        (c for c in judged if c.met is None), None
    )
    if failed is None:
        return ""
    return f"{_capital(failed.name)}: {failed.found}; what was agreed: {failed.asked}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _why_lacking(lacking: Criterion, evaluated: Evaluated) -> str:
    """Why the evidence is not enough, as a sentence."""
    if lacking.name == "pairs":
        n = evaluated.statistics.n_used
        found = "No pair was" if n == 0 else "Only 1 pair was" if n == 1 else f"Only {n} pairs were"
        return f"{found} used; {lacking.asked} are needed."
    if lacking.name.startswith("pairs in each third"):
        return (
            f"The thirds of the range hold {lacking.found} pairs; {lacking.asked} are needed in "
            "each."
        )
    if lacking.name.startswith("pairs outside"):
        return (
            f"Too many results lie outside a method's limits: {lacking.found} pairs, where "
            f"{lacking.asked} is accepted."
        )
    if lacking.name == requirements.SPOTS:
        return f"The samples have {lacking.found} spots; {lacking.asked} are asked for."
    return f"{_capital(lacking.found)}."


def _what_is_missing(lacking: Criterion, evaluated: Evaluated, settings: Settings) -> str:
    if lacking.name == "pairs":
        short = settings.thresholds.minimum_pairs - evaluated.statistics.n_used
        return (
            f"Send at least {short} more {'sample' if short == 1 else 'samples'} of this kind "
            "to the laboratory."
        )
    if lacking.name.startswith("pairs in each third"):
        return "Choose the next samples for the laboratory over the whole range, low to high."
    if lacking.name.startswith("pairs outside"):
        return "Choose samples above the limits of both methods, or a method with lower limits."
    if lacking.name == requirements.SPOTS:
        return f"Shoot {settings.thresholds.libs_spots} or more spots on each sample."
    if lacking.name == requirements.CUSTODY:
        return "Put the custody records back as they were, then run again."
    return "Enter what is missing in the tables or in reconcile.toml, then run again."
