"""Decisions, scores, levels, planning and many tests at once."""

from __future__ import annotations

import itertools
import math
import warnings
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from reconcile.statistics.decisions import (
    benjamini_hochberg,
    clopper_pearson,
    conformity,
    data_quality_level,
    decision_table,
    decision_table_censored,
    field_limit_for_false_negative_rate,
    guard_band,
    howe_tolerance_factor,
    interaction_test,
    optimum_lab_fraction,
    scores,
    spots_needed,
    z_score,
)
from reconcile.statistics.noncentral_t import (
    noncentral_t_cdf,
    normal_tail_upper,
    one_sided_tolerance_factor,
)
from tests.statistics.degenerate_inputs import INF, NAN, PAIRS, check_sound

BAD = [NAN, INF, -INF, 0.0, -1.0, 1e308, 5e-324]


@pytest.mark.parametrize("name", PAIRS)
def test_degenerate_pairs_give_a_reason_and_no_warning(name: str) -> None:
    a, b = PAIRS[name]
    third = [i % 3 for i in range(len(a))]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for threshold in (-1.0, 0.0, 3.0, 1e300):
            check_sound(decision_table(a, b, threshold))
            check_sound(decision_table_censored(a, a, b, b, threshold))
        for scale in ("absolute", "log"):
            check_sound(interaction_test(a, b, third, scale=scale))


def test_degenerate_numbers_give_no_warning_and_no_false_number() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for one, other in itertools.product(BAD, BAD):
            check_sound(guard_band(one, upper_limit=other))
            check_sound(conformity(one, other, upper_limit=10.0))
            check_sound(conformity(5.0, one, upper_limit=other, lower_limit=one))
            check_sound(field_limit_for_false_negative_rate(one, other))
            check_sound(field_limit_for_false_negative_rate(one, other, n=5))
            check_sound(scores(one, 1.0, other, one, other))
            assert not math.isinf(z_score(1.0, one, other))
            for value in (
                spots_needed(one, other),
                optimum_lab_fraction(one, other, 1.0),
            ):
                assert math.isnan(value) or value >= 0


# proportions --------------------------------------------------------------------------------


@given(st.integers(0, 200), st.integers(1, 200), st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_exact_binomial_intervals_agree_with_statsmodels(k: int, n: int, level: float) -> None:
    k = min(k, n)
    found = clopper_pearson(k, n, level)
    low, high = proportion_confint(k, n, alpha=1 - level, method="beta")
    low, high = (0.0 if k == 0 else low), (1.0 if k == n else high)
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-10)
    assert found.low <= found.value <= found.high


def test_exact_binomial_intervals_never_cover_less_than_they_say() -> None:
    for n in (5, 20, 60):
        intervals = [clopper_pearson(k, n) for k in range(n + 1)]
        for p in np.linspace(0.01, 0.99, 99):
            weights = stats.binom.pmf(np.arange(n + 1), n, p)
            inside = [i.low <= p <= i.high for i in intervals]
            assert weights @ inside >= 0.95 - 1e-12


def test_nothing_counted_is_not_a_rate_of_zero() -> None:
    assert not clopper_pearson(0, 0).estimable
    with pytest.raises(ValueError, match="count"):
        clopper_pearson(3, 2)


# decision tables ----------------------------------------------------------------------------


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 100)), max_size=40), st.floats(1, 99))
def test_the_four_counts_add_up(pairs: list[tuple[float, float]], threshold: float) -> None:
    found = decision_table([p[0] for p in pairs], [p[1] for p in pairs], threshold)
    counts = (
        found.both_above,
        found.false_negative_count,
        found.false_positive_count,
        found.both_below,
    )
    assert sum(counts) == found.n == len(pairs)
    assert found.lab_above == found.both_above + found.false_negative_count
    assert found.field_above == found.both_above + found.false_positive_count
    lab, field = [p[0] for p in pairs], [p[1] for p in pairs]
    same = decision_table_censored(lab, lab, field, field, threshold)
    assert same == found


def test_a_value_on_the_level_counts_as_above() -> None:
    found = decision_table([10.0, 10.0], [10.0, 9.99], 10.0)
    assert (found.both_above, found.false_negative_count) == (1, 1)
    assert found.false_negative.value == 0.5
    assert not found.false_positive.estimable


def test_a_limit_decides_only_where_it_lies_on_one_side_of_the_level() -> None:
    # lab <5, <10, <20, >50 against a level of 10; field all 12
    low, high = [0.0, 0.0, 0.0, 50.0], [5.0, 10.0, 20.0, INF]
    found = decision_table_censored(low, high, [12.0] * 4, [12.0] * 4, 10.0)
    assert (found.n, found.undecided) == (3, 1)
    assert (found.false_positive_count, found.both_above) == (2, 1)
    assert "could not be placed" in found.sentence("mg/kg")


# risk ---------------------------------------------------------------------------------------


@given(st.integers(1, 300), st.floats(-8, 8), st.floats(-15, 15))
def test_the_noncentral_t_agrees_with_scipy(df: int, nc: float, t: float) -> None:
    expected = float(stats.nct.cdf(t, df, nc))
    if math.isfinite(expected):
        assert noncentral_t_cdf(t, df, nc) == pytest.approx(expected, abs=1e-9)


def test_one_sided_tolerance_factors_are_the_tabled_ones() -> None:
    # one-sided 95 %/95 % factors, ISO 16269-6 / Owen 1968 (from memory)
    tabled = {3: 7.656, 5: 4.203, 10: 2.911, 20: 2.396, 50: 2.065, 100: 1.927}
    for n, k in tabled.items():
        assert one_sided_tolerance_factor(n) == pytest.approx(k, abs=1.1e-3)
    assert math.isnan(one_sided_tolerance_factor(1))


def test_howes_factor_is_near_the_exact_two_sided_one() -> None:
    # exact factor by the defining integral
    n = 20
    k = howe_tolerance_factor(n)
    rng = np.random.default_rng(1)
    mean = rng.normal(0, 1 / math.sqrt(n), 200_000)
    s = np.sqrt(rng.chisquare(n - 1, 200_000) / (n - 1))
    held = stats.norm.cdf(mean + k * s) - stats.norm.cdf(mean - k * s)
    assert np.mean(held >= 0.95) == pytest.approx(0.95, abs=0.003)


def test_conformity_has_four_readings() -> None:
    readings = [conformity(v, 5.0, upper_limit=100.0).reading for v in (89, 95, 105, 111)]
    assert readings == ["pass", "conditional pass", "conditional fail", "fail"]
    both = conformity(50.0, 1.0, upper_limit=60.0, lower_limit=40.0)
    assert both.accepted
    assert both.probability == pytest.approx(1.0)
    narrow = guard_band(5.0, upper_limit=60.0, lower_limit=45.0)
    assert narrow.accepts(52.0) is None
    assert "too large" in narrow.sentence("%")


# levels and limits --------------------------------------------------------------------------


def test_a_missing_figure_gives_no_level() -> None:
    found = data_quality_level(NAN, 0.9, True)
    assert found.level == "not assigned"
    assert "standard deviation" in found.sentence()
    untested = data_quality_level(0.05, 0.99, None)
    assert untested.level == "quantitative screening"
    assert "not tested" in untested.binding
    with pytest.raises(ValueError, match="r_squared"):
        data_quality_level(0.1, 1.5)


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_better_figures_never_give_a_poorer_level(
    rsd: float, better_rsd: float, r2: float, better_r2: float
) -> None:
    order = ["qualitative screening", "quantitative screening", "definitive"]
    rsd, better_rsd = max(rsd, better_rsd), min(rsd, better_rsd)
    r2, better_r2 = min(r2, better_r2), max(r2, better_r2)
    poor, good = data_quality_level(rsd, r2, True), data_quality_level(better_rsd, better_r2, True)
    assert order.index(good.level) >= order.index(poor.level)


# many tests ---------------------------------------------------------------------------------


# statsmodels collects all garbage at each call, which takes a hundred times its arithmetic
@mock.patch("gc.collect", return_value=0)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=40))
def test_adjusted_p_values_agree_with_statsmodels(collect: mock.Mock, p: list[float]) -> None:
    assert benjamini_hochberg(p) == pytest.approx(multipletests(p, method="fdr_bh")[1], abs=1e-12)


@given(st.integers(1, 400), st.data(), st.sampled_from([0.9, 0.95, 0.99]))
def test_exact_intervals_of_a_share_are_those_of_scipy(
    n: int, data: st.DataObject, level: float
) -> None:
    count = data.draw(st.integers(0, n))
    sides: Any = (("two-sided", "two-sided"), ("upper", "less"), ("lower", "greater"))
    for side, way in sides:
        found = clopper_pearson(count, n, level, side)
        other = stats.binomtest(count, n, alternative=way).proportion_ci(level, "exact")
        assert (found.low, found.high) == pytest.approx((other.low, other.high), abs=1e-9)


def test_tests_that_could_not_be_made_are_not_counted() -> None:
    found = benjamini_hochberg([0.01, NAN, 0.04])
    assert found[[0, 2]] == pytest.approx([0.02, 0.04])
    assert math.isnan(found[1])
    assert benjamini_hochberg([]).size == 0
    with pytest.raises(ValueError, match="p values"):
        benjamini_hochberg([1.2])


def test_strata_tests_agree_with_the_analysis_of_covariance_of_a_general_library() -> None:
    rng = np.random.default_rng(3)
    group = np.repeat(list("abc"), [12, 9, 15])
    lab = rng.lognormal(2, 0.6, 36)
    field = lab ** np.where(group == "c", 1.2, 1.0) * rng.lognormal(0, 0.15, 36)
    found = interaction_test(lab, field, group)
    frame = pd.DataFrame({"x": np.log(lab), "y": np.log(field), "g": group})
    one, slope, full = (
        smf.ols(f"y ~ {terms}", frame).fit() for terms in ("x", "x + C(g)", "x * C(g)")
    )
    slopes, shifts = anova_lm(slope, full), anova_lm(one, slope)
    assert found.slopes_f == pytest.approx(float(slopes["F"].iloc[1]), rel=1e-8)
    assert found.slopes_p == pytest.approx(float(slopes["Pr(>F)"].iloc[1]), rel=1e-8)
    assert found.intercepts_f == pytest.approx(float(shifts["F"].iloc[1]), rel=1e-8)
    assert found.intercepts_p == pytest.approx(float(shifts["Pr(>F)"].iloc[1]), rel=1e-8)


def test_a_stratum_too_small_to_test_is_named() -> None:
    found = interaction_test([1, 2, 3, 4, 5, 6, 7.0], [1, 2.1, 3, 4, 5.2, 6, 7.0], list("aaabbbc"))
    assert found.left_out == ("c",)
    assert found.n_strata == 2


# planning -----------------------------------------------------------------------------------


# coverage -----------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("n", [20, 40, 100])
def test_strata_without_a_difference_are_flagged_one_time_in_twenty(n: int) -> None:
    rng = np.random.default_rng(1300 + n)
    flags = np.zeros(2)
    for _ in range(2000):
        x = rng.normal(0, 1, n)
        y = x + rng.normal(0, 0.2, n)
        found = interaction_test(x, y, rng.integers(0, 3, n), scale="absolute")
        flags += [found.slopes_p < 0.05, found.intercepts_p < 0.05]
    assert np.all((flags / 2000 > 0.035) & (flags / 2000 < 0.065))


def test_bounds_of_a_tail_stay_probabilities_far_out() -> None:
    assert normal_tail_upper(50.0, 20) == pytest.approx(1.0)
    assert 0 <= normal_tail_upper(-50.0, 20) < 1e-100
    assert math.isnan(normal_tail_upper(NAN, 20))


@given(st.lists(st.tuples(st.floats(), st.floats()), max_size=12), st.floats(-1e6, 1e6))
@settings(deadline=None, max_examples=150)
def test_no_pairs_whatever_break_the_decisions(
    both: list[tuple[float, float]], threshold: float
) -> None:
    a, b = [p[0] for p in both], [p[1] for p in both]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        check_sound(decision_table(a, b, threshold))
        check_sound(decision_table_censored(a, a, b, b, threshold))
        for scale in ("absolute", "log"):
            check_sound(interaction_test(a, b, [i % 2 for i in range(len(a))], scale=scale))
