"""What is promised of coming months: their bias, and the error of one of their samples."""

from __future__ import annotations

import math

from reconcile.base.model.verdict import Ask, Criterion, Outcome
from reconcile.figures.over_months import Scaled


def criteria(
    scaled: Scaled, margin: float, span: float, rate: float, alpha: float, of: str
) -> tuple[Criterion, ...]:
    """The chance that a coming month's bias is beyond the margin; a coming sample's error.

    Shown where that chance, by all that is known of the spread between months, is at most
    ``rate``; shown to fail where it is sure at 1 − ``alpha`` that more than that share of the
    months is beyond. The error of a sample: its prediction interval against ``span``.
    """
    model = scaled.model
    low, high = scaled.limits(margin)
    chance = model.chance_outside(low, high)
    failing = model.confidence_of_failing(low, high, rate)
    outcome = Outcome.NOT_SHOWN
    if chance <= rate:
        outcome = Outcome.SHOWN
    elif failing >= 1 - alpha:
        outcome = Outcome.FAILED
    more = math.nan
    if outcome is Outcome.NOT_SHOWN:
        more = model.more_months(low, high, rate)
    run, spread = scaled.fraction(model.long_run), scaled.spread(model.between)
    months = model.months
    facts = (
        ("margin", margin), ("rate", rate), ("chance", chance), ("failing", failing),
        ("confidence", 1 - alpha), ("value", run.value), ("low", run.low), ("high", run.high),
        ("level", run.level), ("spread", spread.value), ("assumed", _assumed(scaled)),
        ("months", months), ("n", model.n), ("more_months", more),
        ("a_month", model.n / months if months else 0.0), ("why", model.reason),
    )  # fmt: skip
    return (Criterion(Ask.COMING, outcome, facts, of), _sample(scaled, span, of))


def _assumed(scaled: Scaled) -> float:
    assumed = scaled.model.assumed
    if assumed is None:
        return math.nan
    return assumed.sd if scaled.logs else assumed.sd / scaled.at


def _sample(scaled: Scaled, span: float, of: str) -> Criterion:
    found = scaled.model.coming_sample
    low, high = scaled.span(span)
    shown = found.estimable and low <= found.low and found.high <= high
    e = scaled.fraction(found)
    facts = (
        ("span", span), ("low", e.low), ("high", e.high), ("level", found.level),
        ("months", scaled.model.months), ("n", scaled.model.n), ("why", scaled.model.reason),
    )  # fmt: skip
    return Criterion(Ask.COMING_SAMPLE, Outcome.SHOWN if shown else Outcome.NOT_SHOWN, facts, of)
