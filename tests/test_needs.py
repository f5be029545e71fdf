"""A plan asks by the verdict's own bounds: nothing more where shown, else more or never."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from reconcile.base.model.verdict import Ask, Outcome
from reconcile.judgement.decision import LevelTerms, Terms, decide
from reconcile.judgement.needs import needs
from reconcile.statistics import more_pairs
from reconcile.statistics.level_band import Scale, truth_line
from tests.sizes import cases
from tests.test_decision import method

TERMS = Terms(levels=(LevelTerms("cut-off", 200.0), LevelTerms("high", 500.0)))


@pytest.mark.slow
@hypothesis_settings(max_examples=cases(200, 40), deadline=None)
@given(
    seed=st.integers(0, 10_000), n=st.integers(4, 80), ratio=st.floats(0.8, 1.25),
    rsd=st.floats(0.005, 0.3), power=st.floats(0.8, 1.25), spread=st.floats(1.5, 1000),
    scale=st.sampled_from(["log ratio", "absolute"]),
    missed_bound=st.sampled_from([None, 0.05, 0.3]), timed=st.booleans(),
    size=st.sampled_from([1, 1, 3, 7]),
)  # fmt: skip
def test_the_plan_asks_for_no_more_where_shown_and_for_more_or_never_where_not(
    seed: int, n: int, ratio: float, rsd: float, power: float, spread: float, scale: Scale,
    missed_bound: float | None, timed: bool, size: int,
) -> None:  # fmt: skip
    lab, field = method(n, seed, ratio, rsd, power, spread)
    terms = replace(TERMS, missed_bound=missed_bound)
    variance = 0.02**2 if scale == "log ratio" else (0.02 * 200) ** 2
    times = np.random.default_rng(seed).permutation(n).astype("float64") if timed else None
    clusters = [np.arange(n) // size] if size > 1 else []
    made = decide(lab, field, terms, scale, variance, times=times, clusters=clusters)
    found = needs(made, terms)
    judged = [c for c in made.criteria if c.outcome not in (Outcome.NO_DECISION, Outcome.TOLD)]
    assert [x.criterion for x in found] == judged
    for x in found:
        if x.criterion.outcome is Outcome.SHOWN:
            assert x.missing == 0, x
        else:
            assert math.isnan(x.missing) or x.missing > 0, x


def test_what_pairs_of_one_cluster_show_needs_no_more_of_them() -> None:
    lab, field = method(4, 0, 1.0, 0.015625, 0.875, 1.5)
    made = decide(lab, field, TERMS, clusters=[np.zeros(4, dtype=np.int64)])
    shown = [x for x in needs(made, TERMS) if x.criterion.outcome is Outcome.SHOWN]
    assert shown
    assert [x.missing for x in shown] == [0] * len(shown)


def test_a_criterion_that_truly_fails_is_not_reachable_by_more_samples() -> None:
    lab, field = method(100, 1, ratio=1.3)
    found = {
        (x.criterion.ask, x.criterion.level): x for x in needs(decide(lab, field, TERMS), TERMS)
    }
    assert math.isnan(found[Ask.LEVEL_BIAS, "cut-off"].needed)
    assert math.isnan(found[Ask.RANGE, ""].needed)
    # reads a third high: samples below the level are called above it
    assert math.isnan(found[Ask.FALSE_ALARMS, "cut-off"].needed)
    assert found[Ask.MISSED, "cut-off"].missing == 0


def test_as_many_pairs_as_planned_show_it_in_about_half_of_new_studies() -> None:
    # from the truth itself: scatter 0.09, edge 20 % above the level, near the middle
    planned = int(more_pairs.pairs_for_tail(-math.log(1.2) / math.hypot(0.09, 0.02), 0.05, lost=2))
    assert 40 < planned < 120
    terms = Terms(levels=(LevelTerms("cut-off", 200.0),))
    shown = 0
    for seed in range(100):
        made = decide(*method(planned, seed, rsd=0.09), terms)
        (missed,) = [c for c in made.criteria if c.ask is Ask.MISSED]
        shown += missed.outcome is Outcome.SHOWN
    assert 30 <= shown <= 70


# ---- against tables and by hand ---------------------------------------------------------


@pytest.mark.parametrize(("n", "k"), [(10, 2.911), (20, 2.396), (40, 2.126), (60, 2.022)])
def test_pairs_for_a_tail_are_those_of_the_one_sided_tolerance_factor(n: int, k: float) -> None:
    # one-sided factors of normal tolerance limits, 95 % of the values at 95 % (standard
    # tables, three decimals, from memory)
    assert more_pairs.pairs_for_tail(-k - 0.001, 0.05) == n
    assert more_pairs.pairs_for_tail(-k + 0.002, 0.05) > n
    assert math.isnan(more_pairs.pairs_for_tail(-1.64, 0.05))  # Phi(-1.64) = 5.05 %
    assert math.isfinite(more_pairs.pairs_for_tail(-1.75, 0.05))


def test_pairs_for_an_interval_by_hand() -> None:
    # SD 0.08, room ln 1.1 = 0.0953: t(2) = 2.920, half 0.117 with 4; t(3) = 2.353, 0.0842 with 5
    assert more_pairs.pairs_for_interval(0.0, 0.08, -0.0953, 0.0953) == 5
    # room 0.0153: n from (1.645·0.08/0.0153)² = 74.0 and a pair or two by t
    assert more_pairs.pairs_for_interval(0.08, 0.08, -0.0953, 0.0953) in (75, 76, 77)
    assert math.isnan(more_pairs.pairs_for_interval(0.0953, 0.08, -0.0953, 0.0953))
    assert more_pairs.pairs_for_interval(0.0, 0.08, -0.0953, 0.0953, start=40) == 40


def test_pairs_for_a_spread_by_hand() -> None:
    # chi-square quantile of 19 degrees of freedom at 5 %: 10.117 (standard tables)
    ratio = math.sqrt(19 / 10.117)
    assert more_pairs.pairs_for_spread(1.0, ratio + 1e-4) == 20
    assert more_pairs.pairs_for_spread(1.0, ratio - 1e-3) == 21
    assert math.isnan(more_pairs.pairs_for_spread(1.0, 1.0))


def test_samples_for_a_count_by_hand() -> None:
    # none wrong: 1 − 0.025^(1/n) <= 0.05 from ln 0.025/ln 0.95 = 71.9 on
    assert more_pairs.samples_for_count(0, 0, 0.05) == 72
    assert more_pairs.samples_for_count(0, 80, 0.05) == 80
    assert math.isnan(more_pairs.samples_for_count(2, 40, 0.05))


def test_a_grown_line_is_itself_and_keeps_its_course_and_scatter() -> None:
    line = truth_line(*method(30, 2), "log ratio", 0.02**2)
    assert more_pairs.grown(line, 30) is line
    more = more_pairs.grown(line, 90)
    assert (more.slope, more.scatter, more.reliability) == (
        line.slope, line.scatter, line.reliability,
    )  # fmt: skip
    assert np.array_equal(more.lab, np.repeat(line.lab, 3))
    at = line.lab_mean + 0.7
    # a third of the variance, but for the degrees of freedom of the slope
    assert float(more.variance(at)) == pytest.approx(float(line.variance(at)) / 3, rel=0.03)
