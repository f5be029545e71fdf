"""The decision core: arrays and what was agreed in, criteria as data out."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from scipy import stats

from reconcile.base.model.verdict import HELD_OUT, Ask, Criterion, Outcome
from reconcile.judgement import criterion_words
from reconcile.judgement.decision import Counts, Decision, LevelTerms, Terms, cut, decide
from reconcile.statistics.level_band import Scale
from reconcile.statistics.proportions import clopper_pearson
from tests.sizes import cases
from tests.validation import clusters

LEVEL = LevelTerms("cut-off", 200.0)
TERMS = Terms(levels=(LEVEL,))


def method(
    n: int = 100, seed: int = 1, ratio: float = 1.0, rsd: float = 0.06, power: float = 1.0,
    spread: float = 16.0,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Lab and field of an invented method; its ratio is that at the level of 200."""
    rng = np.random.default_rng(seed)
    true = 200 * np.exp(rng.uniform(-0.5, 0.5, n) * math.log(spread))
    lab = true * np.exp(rng.normal(0, 0.02, n))
    return lab, ratio * 200 * (true / 200) ** power * np.exp(rng.normal(0, rsd, n))


def found(decision: Decision, ask: Ask, level: str = "") -> Criterion:
    (one,) = [c for c in decision.criteria if c.ask is ask and c.level == level]
    return one


def test_a_true_and_precise_method_shows_every_criterion() -> None:
    made = decide(*method(), TERMS, lab_variance=0.02**2, times=np.arange(100.0))
    assert made.accepted
    assert made.binding is None
    assert {c.outcome for c in made.criteria} == {Outcome.SHOWN}
    assert made.low < 200 < made.high


def test_a_bias_at_the_level_is_not_hidden_by_a_mean_of_one() -> None:
    # mean ratio 1 over the range, power-law bias, ratio 1.15 at the level of 500: what was
    # accepted in 64 to 96 % of studies when only the mean was judged
    level = LevelTerms("high", 500.0)
    power = 1 + math.log(1.15) / math.log(500 / 200)
    accepted = 0
    for seed in range(60):
        lab, field = method(100, seed, rsd=0.08, power=power)
        made = decide(lab, field, Terms(levels=(level,)), lab_variance=0.02**2)
        accepted += made.accepted
    assert accepted == 0
    assert made.binding is not None
    assert found(made, Ask.LEVEL_BIAS, "high").outcome is not Outcome.SHOWN


def test_a_ratio_of_nine_tenths_at_the_level_cannot_hide_among_counts() -> None:
    lab, field = method(200, 3, ratio=0.90, rsd=0.08)
    made = decide(lab, field, replace(TERMS, margin=0.25), lab_variance=0.02**2)
    missed = found(made, Ask.MISSED, "cut-off")
    # Phi(ln(200/(0.9·240))/0.08) = 16.8 %, against 5 % agreed
    assert missed.fact("value") == pytest.approx(0.168, abs=0.06)
    assert missed.outcome is Outcome.FAILED


def test_where_someone_acts_below_the_level_the_edges_are_mirrored() -> None:
    below = replace(LEVEL, below=True)
    lab, field = method(200, 4, ratio=1.10, rsd=0.08)
    made = decide(lab, field, Terms(margin=0.25, levels=(below,)), lab_variance=0.02**2)
    missed = found(made, Ask.MISSED, "cut-off")
    assert missed.fact("edge") == pytest.approx(160)
    assert found(made, Ask.FALSE_ALARMS, "cut-off").fact("edge") == pytest.approx(240)
    # Phi(ln(1.1·160/200)/0.08) = Phi(-1.60) = 5.5 %: reads high, so low samples pass
    assert missed.fact("value") == pytest.approx(0.055, abs=0.035)


def test_a_level_outside_the_pairs_is_decided_by_nobody_and_forbids_nothing() -> None:
    far = LevelTerms("far", 5000.0)
    made = decide(*method(), replace(TERMS, levels=(LEVEL, far)), lab_variance=0.02**2)
    assert found(made, Ask.LEVEL, "far").outcome is Outcome.NO_DECISION
    assert made.accepted
    assert not [c for c in made.criteria if c.level == "far" and c.ask is not Ask.LEVEL]


def test_a_level_beyond_where_the_range_is_cut_gets_no_decision() -> None:
    made = decide(*method(), TERMS, lab_variance=0.02**2)
    cut_above = cut(made, 220.0, 1000.0, replace(TERMS, least_share=0.2))
    level = found(cut_above, Ask.LEVEL, "cut-off")
    assert level.outcome is Outcome.NO_DECISION
    assert level.fact("cut")
    assert not [c for c in cut_above.criteria if c.level and c.ask is not Ask.LEVEL]
    assert cut_above.accepted
    assert cut_above.low == 220
    lab = method()[0]
    share = np.mean((lab >= 220) & (lab <= cut_above.high))
    assert found(cut_above, Ask.RANGE).fact("share") == pytest.approx(share)


def test_a_range_that_is_cut_below_the_agreed_share_is_not_shown() -> None:
    made = decide(*method(), TERMS, lab_variance=0.02**2)
    small = cut(made, 150.0, 250.0, TERMS)
    assert found(small, Ask.RANGE).outcome is Outcome.NOT_SHOWN
    assert not small.accepted
    assert math.isnan(small.low)
    assert cut(made, math.nan, math.nan, TERMS).accepted is False


def test_a_cut_beyond_the_range_changes_nothing() -> None:
    made = decide(*method(), TERMS, lab_variance=0.02**2)
    assert cut(made, 1.0, 1e6, TERMS) is made


def test_no_miss_of_one_sample_passes_nothing() -> None:
    lab, field = method(60, 5)
    edge = float(np.sort(lab)[-1])  # one sample at the level, and not missed
    made = decide(lab, field, Terms(levels=(LevelTerms("top", edge),)), lab_variance=0.02**2)
    samples = found(made, Ask.LEVEL_SAMPLES, "top")
    assert samples.fact("above") == 1
    assert samples.outcome is Outcome.NOT_SHOWN
    assert not made.accepted


def test_a_spread_as_wide_as_agreed_is_shown_in_one_study_of_twenty() -> None:
    # true limits factor exactly as agreed: a point estimate passes it in about half
    rsd = math.log(1.4) / 1.959964
    shown = 0
    for seed in range(400):
        rng = np.random.default_rng(seed)
        lab = np.exp(rng.uniform(3, 6, 30))
        made = decide(lab, lab * np.exp(rng.normal(0, rsd, 30)), Terms())
        shown += found(made, Ask.SPREAD).outcome is Outcome.SHOWN
    # exact 99.9 % bound of a binomial of 5 %
    assert shown <= 35
    assert shown >= 5


def test_the_bound_of_the_spread_is_that_of_the_chi_square() -> None:
    # chi-square quantiles of 19 degrees of freedom: 10.117 at 5 % (standard tables)
    lab, field = method(20, 6)
    spread = found(decide(lab, field, TERMS), Ask.SPREAD)
    sd = float(np.std(np.log(field / lab), ddof=1))
    assert spread.fact("value") == pytest.approx(math.expm1(1.959964 * sd), rel=1e-6)
    assert spread.fact("upper") == pytest.approx(
        math.expm1(1.959964 * sd * math.sqrt(19 / 10.117)), rel=1e-4
    )


def test_with_constant_errors_the_range_begins_where_the_spread_is_narrow_enough() -> None:
    rng = np.random.default_rng(7)
    lab = rng.uniform(20, 1000, 200)
    made = decide(lab, lab + rng.normal(0, 20, 200), Terms(), "absolute")
    assert made.accepted
    spread = found(made, Ask.SPREAD)
    assert spread.fact("upper") <= 0.40 + 1e-9
    # 1.96·20/0.4 = 98, and a little above by the upper bound of the SD
    assert 98 < made.low < 250


def test_an_agreed_bound_on_counted_misses_needs_enough_samples() -> None:
    lab, field = method(80, 8, rsd=0.03)
    free = decide(lab, field, TERMS, lab_variance=0.02**2)
    asked = decide(lab, field, replace(TERMS, missed_bound=0.05), lab_variance=0.02**2)
    assert free.accepted
    counted = found(asked, Ask.MISSED_COUNT, "cut-off")
    assert counted.outcome is Outcome.NOT_SHOWN
    assert asked.binding == counted
    whole = [Counts(0, 500, 0, 500)]
    enough = decide(lab, field, replace(TERMS, missed_bound=0.05), "log ratio", 0.02**2,
                    counts=whole)  # fmt: skip
    assert enough.accepted
    assert found(enough, Ask.MISSED_COUNT, "cut-off").fact("counted_high") == pytest.approx(
        clopper_pearson(0, 500, 0.95).high
    )


def test_nothing_is_shown_by_too_few_or_unusable_values() -> None:
    for lab, field in (
        (np.array([]), np.array([])),
        (np.array([1.0, 2.0]), np.array([1.0, 2.0])),
        (np.array([1.0, 2.0, 3.0, 4.0, 5.0]), np.zeros(5)),
        (np.full(20, 5.0), np.linspace(4, 6, 20)),
    ):
        made = decide(lab, field, TERMS)
        assert not made.accepted
        assert made.binding is not None
        assert math.isnan(made.low)


@pytest.mark.slow
@hypothesis_settings(max_examples=300, deadline=None)
@given(
    seed=st.integers(0, 10_000), n=st.integers(4, 80), ratio=st.floats(0.8, 1.25),
    rsd=st.floats(0.005, 0.3), power=st.floats(0.8, 1.25), spread=st.floats(1.5, 1000),
    scale=st.sampled_from(["log ratio", "absolute"]), timed=st.booleans(),
)  # fmt: skip
def test_whatever_is_accepted_has_every_judged_interval_inside_what_was_agreed(
    seed: int, n: int, ratio: float, rsd: float, power: float, spread: float, scale: Scale,
    timed: bool,
) -> None:  # fmt: skip
    lab, field = method(n, seed, ratio, rsd, power, spread)
    variance = 0.02**2 * (1 if scale == "log ratio" else float(np.median(lab)) ** 2)
    times = np.random.default_rng(seed).permutation(n).astype("float64") if timed else None
    made = decide(lab, field, TERMS, scale, variance, HELD_OUT, times=times)
    assert made.accepted == (made.binding is None)
    assert made.accepted == math.isfinite(made.low)
    if made.binding is not None:
        assert made.binding in made.criteria
        assert made.binding.outcome in (Outcome.FAILED, Outcome.NOT_SHOWN)
        return
    assert lab.min() * (1 - 1e-9) <= made.low < made.high <= lab.max() * (1 + 1e-9)
    for c in made.criteria:
        if c.ask is Ask.LEVEL_BIAS:
            assert 1 / 1.1 - 1 <= c.fact("low") <= c.fact("high") <= 0.1
            assert made.low <= c.fact("at") <= made.high
        elif c.ask in (Ask.MISSED, Ask.FALSE_ALARMS):
            assert c.fact("value") <= c.fact("upper") <= c.fact("rate")
        elif c.ask is Ask.SPREAD:
            assert c.fact("value") <= c.fact("upper") <= c.fact("span") + 1e-9
        elif c.ask is Ask.RANGE:
            assert c.fact("share") >= 0.5
        elif c.ask is Ask.TIME and c.outcome is Outcome.SHOWN:
            assert 1 / 1.1 - 1 <= c.fact("low") <= c.fact("high") <= 0.1
        elif c.ask is Ask.LEVEL_SAMPLES:
            assert min(c.fact("above"), c.fact("below")) >= 3


# ---- a step in time ---------------------------------------------------------------------


def stepping(n: int, seed: int, step: float, rsd: float = 0.03) -> tuple[np.ndarray, np.ndarray]:
    lab, field = method(n, seed, rsd=rsd)
    return lab, field * np.where(np.arange(n) < n // 2, 1.0, step)


def test_a_step_in_time_stands_in_the_way_though_the_mean_lies_within_the_margin() -> None:
    lab, field = stepping(40, 3, 1.15)
    terms = Terms(levels=(LEVEL,))
    untimed = decide(lab, field, terms, lab_variance=0.02**2)
    assert found(untimed, Ask.TIME).outcome is Outcome.TOLD
    timed = decide(lab, field, terms, lab_variance=0.02**2, times=np.arange(40.0))
    time = found(timed, Ask.TIME)
    assert time.outcome is Outcome.FAILED
    assert time.fact("stretches") == 3
    assert time.fact("stretch") == 3
    assert not timed.accepted
    said = criterion_words.reason(time)
    assert "stretch 3 of 3" in said
    assert "changed within the period" in criterion_words.next_step(time)


def test_the_order_of_the_samples_does_not_matter_only_their_times() -> None:
    lab, field = stepping(40, 3, 1.15)
    mixed = np.random.default_rng(1).permutation(40)
    first = decide(lab, field, TERMS, times=np.arange(40.0))
    second = decide(lab[mixed], field[mixed], TERMS, times=np.arange(40.0)[mixed])
    a, b = (dict(found(m, Ask.TIME).facts) for m in (first, second))
    assert a == {k: pytest.approx(v) for k, v in b.items()}


def test_a_step_shows_whatever_part_of_the_range_is_accepted() -> None:
    # in a range that the bias itself cut, few late samples were left, so that most steps passed
    passed = 0
    for seed in range(60):
        lab, field = stepping(40, seed, 1.101)
        mixed = np.random.default_rng(seed).permutation(40)
        made = decide(lab[mixed], field[mixed], Terms(), lab_variance=0.02**2,
                      times=np.arange(40.0)[mixed])  # fmt: skip
        passed += made.accepted
    assert passed <= int(stats.binom.isf(0.001, 60, 0.05))


def test_samples_read_late_because_they_are_poor_do_not_pass_for_a_step() -> None:
    # 8 mg/kg too high everywhere: the poor ones lie beyond the margin, out of the accepted range
    lab, field = method(100, 0, rsd=0.02)
    times = np.where(lab < 80, 1000.0, 0.0) + np.arange(100.0)
    made = decide(lab, field + 8, Terms(), lab_variance=0.02**2, times=times)
    assert made.accepted
    assert made.low > 100
    assert np.mean((field + 8)[lab < 80] / lab[lab < 80]) > 1.10


@pytest.mark.parametrize("margin", [5e-324, 1e-300, 1e-17])
def test_a_margin_of_next_to_nothing_is_judged_and_never_shown(margin: float) -> None:
    times = np.arange(100.0)
    made = decide(*method(), replace(TERMS, margin=margin), lab_variance=0.02**2, times=times)
    assert found(made, Ask.TIME).outcome is not Outcome.SHOWN
    assert not made.accepted


# ---- pairs in clusters -------------------------------------------------------------------


def in_clusters(correlation: float, seed: int = 1) -> tuple[np.ndarray, ...]:
    return clusters.study(clusters.RIGHT, 100, 5, correlation, seed)


def test_clusters_that_do_not_differ_take_nothing_from_a_decision() -> None:
    lab, field, owner = in_clusters(0.0)
    means = np.bincount(owner, weights=np.log(field / lab)) / 5
    field = field / np.exp(means[owner])  # every cluster the same
    made = decide(lab, field, TERMS, clusters=[owner])
    assert made.criteria == decide(lab, field, TERMS).criteria


def test_every_criterion_is_judged_by_what_clusters_have_in_common() -> None:
    lab, field, owner = in_clusters(0.6)
    times = np.arange(100.0)
    terms = replace(TERMS, missed_bound=0.3)
    before = decide(lab, field, terms, times=times)
    now = decide(lab, field, terms, times=times, clusters=[owner])
    assert found(now, Ask.RANGE).fact("effective") < 50
    for ask, level, name in (
        (Ask.SPREAD, "", "upper"), (Ask.TIME, "", "high"), (Ask.LEVEL_BIAS, "cut-off", "high"),
        (Ask.MISSED, "cut-off", "upper"), (Ask.FALSE_ALARMS, "cut-off", "upper"),
        (Ask.MISSED_COUNT, "cut-off", "counted_high"),
    ):  # fmt: skip
        assert found(now, ask, level).fact(name) > found(before, ask, level).fact(name), ask
    assert found(now, Ask.RANGE).fact("share") <= found(before, Ask.RANGE).fact("share")


def test_pairs_of_one_cluster_show_nothing() -> None:
    lab, field, _ = in_clusters(0.0)
    made = decide(lab, field, TERMS, times=np.arange(100.0), clusters=[np.zeros(100, np.int64)])
    asked = {c.outcome for c in made.criteria if c.ask is not Ask.LEVEL}
    assert asked == {Outcome.NOT_SHOWN}
    assert made.binding is not None
    assert "in clusters that weigh as 0 independent" in criterion_words.reason(made.binding)


@pytest.mark.slow
@pytest.mark.parametrize("edge", clusters.EDGES, ids=lambda edge: edge.name)
def test_the_edge_of_a_criterion_is_passed_as_seldom_in_clusters_as_promised(
    edge: clusters.Edge,
) -> None:
    # correlation 0.6 in 20 clusters of 5: passed in up to 30 % of studies as if independent
    studies = cases(200, 40)
    counts = [clusters.one((edge, 100, 5, 0.6, seed)) for seed in range(studies)]
    assert clopper_pearson(sum(now for _, now, _, _ in counts), studies).low < 0.05
    if edge.ask in (Ask.SPREAD, Ask.MISSED):
        assert sum(before for before, *_ in counts) > 0.1 * studies
