"""Acceptance promises coming months: on the evidence of several, with the spread between them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import reconcile
from reconcile.base.model.verdict import (
    ACCEPTED,
    ACCEPTED_CORRECTED,
    AS_READ,
    INSUFFICIENT,
    LABORATORY_ONLY,
    Ask,
    Criterion,
    Outcome,
    Verdict,
)
from reconcile.base.settings.whole import Settings
from reconcile.figures import evaluation, over_months
from reconcile.figures.over_months import MONTH
from reconcile.judgement import criterion_words, factor_proposal, needs, verdicts
from tests import months
from tests.pairs import STRATUM, pairs, settings


def evidence(
    biases: list[float], n: int = 20, rsd: float = 0.05, offset: float = 0.0, seed: int = 2
) -> pd.DataFrame:
    """Pairs of several months, each with a bias of its own (a fraction)."""
    rng = np.random.default_rng(seed)
    true = np.exp(rng.uniform(np.log(50), np.log(800), len(biases) * n))
    bias = np.repeat(biases, n)
    field = (true * (1 + bias) + offset) * np.exp(rng.normal(0, rsd, true.size))
    month = np.repeat([f"2026-{i + 1:02d}" for i in range(len(biases))], n)
    return pairs(true * np.exp(rng.normal(0, 0.01, true.size)), field).assign(**{MONTH: month})


def judged(table: pd.DataFrame, config: Settings | None = None) -> Verdict:
    config = config or settings()
    evaluated = evaluation.evaluate(STRATUM, table, None, config)
    proposal = factor_proposal.propose(STRATUM, evaluated, config, None)
    return verdicts.judge(STRATUM, evaluated, proposal, config, None, "2027-01-31")


def asked(verdict: Verdict, ask: Ask = Ask.COMING, of: str = AS_READ) -> Criterion:
    (found,) = [c for c in verdict.criteria if c.ask is ask and c.of == of]
    return found


def two_pairs(field: list[float]) -> over_months.Scaled:
    table = pairs(np.array([30.0, 40.0]), np.array(field)).assign(**{MONTH: "2026-07"})
    evaluated = evaluation.evaluate(STRATUM, table, None, settings())
    assert evaluated.statistics.difference_scale == "absolute"
    return over_months.over_months(STRATUM, evaluated, settings())


def test_no_interval_of_what_reads_above_zero_goes_below_a_hundred_percent_less() -> None:
    found = two_pairs([40.0, 75.0])
    for bias in (found.model.long_run, found.model.coming, found.model.coming_sample):
        assert bias.low < -found.at  # of the differences themselves
        shown = found.fraction(bias)
        assert shown.low == -1
        assert shown.low < shown.value < shown.high
    raw = found.fraction(found.model.by_month[0].raw)
    assert raw.low == -1


def test_where_a_reading_is_not_above_zero_the_interval_of_differences_stays_whole() -> None:
    found = two_pairs([-40.0, 75.0])
    assert found.fraction(found.model.long_run).low < -1


def test_months_that_agree_are_accepted_and_the_chance_of_one_beyond_is_told() -> None:
    found = judged(evidence([0.01, -0.01, 0.0, 0.01]))
    assert found.decision == ACCEPTED
    c = asked(found)
    assert c.outcome is Outcome.SHOWN
    assert 0 < c.fact("chance") <= 0.05
    assert c.fact("months") == 4
    assert asked(found, Ask.COMING_SAMPLE).outcome is Outcome.SHOWN


def test_months_that_move_are_not_accepted_although_their_mean_is_right() -> None:
    # over all pairs the bias is nought, and every single month is known well
    moving = [0.09, -0.08, 0.07, -0.09]
    found = judged(evidence(moving, n=40, rsd=0.03))
    assert found.decision not in (ACCEPTED, ACCEPTED_CORRECTED)
    assert asked(found).outcome is not Outcome.SHOWN
    alone = evidence(moving, n=40, rsd=0.03).drop(columns=MONTH)
    assert judged(alone).decision == ACCEPTED


def test_where_pairs_name_no_month_nothing_is_asked_of_coming_ones() -> None:
    found = judged(evidence([0.0, 0.0]).drop(columns=MONTH))
    assert not [c for c in found.criteria if c.ask in (Ask.COMING, Ask.COMING_SAMPLE)]


def test_minimum_numbers_count_the_evidence() -> None:
    few = evidence([0.0, 0.01, -0.01], n=14, rsd=0.03)
    assert judged(few).decision == ACCEPTED
    one = judged(few.loc[few[MONTH].eq("2026-01")].reset_index(drop=True))
    assert one.decision == INSUFFICIENT


def test_one_month_says_what_was_assumed_of_the_spread() -> None:
    found = judged(evidence([0.03], n=30))
    c = asked(found)
    assert math.isnan(c.fact("spread"))
    assert c.fact("assumed") == pytest.approx(0.22 * math.log(1.1))
    assert "SD between months not known, 2.1% assumed" in criterion_words.written(c).found


def test_a_larger_assumed_spread_asks_for_more_months() -> None:
    table = evidence([0.0, 0.0], n=30)
    wide = settings().model_copy(
        update={"evidence": settings().evidence.model_copy(update={"assumed_spread": 0.6})}
    )
    plain, asking = judged(table), judged(table, wide)
    assert asked(plain).outcome is Outcome.SHOWN
    c = asked(asking)
    assert c.outcome is Outcome.NOT_SHOWN
    assert c.fact("more_months") >= 1
    assert asking.decision == INSUFFICIENT
    assert asking.next_step == criterion_words.next_step(c)
    assert "more month" in asking.next_step
    need = needs.of_months(c)
    assert need.missing == pytest.approx(30 * c.fact("more_months"), abs=1)


def test_a_certain_failure_is_said_however_few_the_pairs() -> None:
    few = evidence([0.35], n=9, rsd=0.04)
    found = judged(few)
    assert found.decision == LABORATORY_ONLY
    assert "coming month" in found.reason


def test_too_few_pairs_that_fail_nothing_are_still_too_few() -> None:
    found = judged(evidence([0.05], n=9, rsd=0.08))
    assert found.decision == INSUFFICIENT
    assert "Only 9 pairs" in found.reason


def test_a_steady_bias_over_months_is_corrected_and_judged_again_on_coming_months() -> None:
    found = judged(evidence([0.3, 0.31, 0.29, 0.3], rsd=0.04))
    assert found.decision == ACCEPTED_CORRECTED
    assert asked(found).outcome is Outcome.FAILED
    corrected = [c for c in found.criteria if c.ask is Ask.COMING and c.of != AS_READ]
    assert [c.outcome for c in corrected] == [Outcome.SHOWN]


def test_constant_errors_are_judged_at_the_level_on_the_scale_of_differences() -> None:
    rng = np.random.default_rng(4)
    true = rng.uniform(150, 300, 120)
    field = true + rng.normal(0, 6, 120)
    table = pairs(true, field, 6 / field).assign(
        **{MONTH: np.repeat([f"2026-{i}" for i in "0123"], 30)}
    )
    evaluated = evaluation.evaluate(STRATUM, table, None, settings())
    assert evaluated.statistics.difference_scale == "absolute"
    c = asked(judged(table))
    assert c.outcome is Outcome.SHOWN
    assert c.fact("low") < 0 < c.fact("high") < 0.03
    assert c.fact("assumed") == pytest.approx(0.22 * 0.1)


def test_every_word_of_both_criteria_can_be_written() -> None:
    for table in (evidence([0.0]), evidence([0.5, 0.5]), evidence([0.0], n=2)):
        found = judged(table)
        for ask in (Ask.COMING, Ask.COMING_SAMPLE):
            w = criterion_words.written(asked(found, ask))
            assert w.asked
            assert "nan" not in w.found
            assert criterion_words.reason(asked(found, ask)).endswith(".")
            assert criterion_words.next_step(asked(found, ask)).endswith(".")


@pytest.mark.slow
@pytest.mark.usefixtures("data_alone")
def test_a_run_accepts_by_its_months_and_alone_says_how_many_are_missing(tmp_path: Path) -> None:
    names = ("2026-07", "2026-08", "2026-09")
    site = months.build(tmp_path / "site", dict.fromkeys(names, 0.0), samples=14)
    first, second, third = (
        reconcile.run_period(site, period).reconciliation.results[0] for period in names
    )
    assert first.verdict.decision == INSUFFICIENT
    assert second.verdict.decision == third.verdict.decision == ACCEPTED
    assert third.statistics.n_used == 14  # the month's own figures stay the month's
    assert third.evidence is not None
    assert [m.pairs for m in third.evidence.months] == [14, 14, 14]
    assert third.evidence.coming.low < third.evidence.long_run.low < 0
    assert third.evidence.between.estimable
    assert first.evidence is not None
    assert not first.evidence.between.estimable


@pytest.mark.slow
@pytest.mark.usefixtures("data_alone")
def test_a_run_names_a_bias_that_no_single_month_shows(tmp_path: Path) -> None:
    names = ("2026-07", "2026-08", "2026-09")
    site = months.build(
        tmp_path / "site", dict.fromkeys(names, 0.107), samples=14, rsd=0.05,
        thresholds="bias_margin = 0.05\nminimum_pairs = 50",
    )  # fmt: skip
    found = [reconcile.run_period(site, period).reconciliation.results[0] for period in names]
    assert found[-1].verdict.decision == LABORATORY_ONLY
    assert "coming month" in found[-1].verdict.reason
