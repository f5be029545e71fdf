"""Variance components, precision, error ratio and three methods."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.anova import anova_lm

from reconcile.statistics.components import (
    duplicate_cv,
    error_variance_ratio,
    hard,
    nested_variance,
    repeatability_reproducibility,
    replicate_sd,
    three_method_error_variances,
    variance_ratio_of_sds,
)
from reconcile.statistics.reml import reml_components
from tests.statistics.degenerate_inputs import PAIRS, check_sound

NAN = float("nan")


def nested_data(
    rng: np.random.Generator, samples: int, spots: int, shots: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Shots with SD 1 between samples, 0.7 between spots, 0.5 between shots, mean 5."""
    sample = np.repeat(np.arange(samples), spots * shots)
    spot = np.tile(np.repeat(np.arange(spots), shots), samples)
    values = (
        5
        + rng.normal(0, 1, samples)[sample]
        + rng.normal(0, 0.7, samples * spots)[sample * spots + spot]
        + rng.normal(0, 0.5, sample.size)
    )
    return values, sample, spot


def unbalanced(rng: np.random.Generator, samples: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    spots = rng.integers(1, 4, samples)
    sample_of_spot = np.repeat(np.arange(samples), spots)
    shots = rng.integers(1, 4, sample_of_spot.size)
    sample, spot = np.repeat(sample_of_spot, shots), np.repeat(np.arange(shots.size), shots)
    values = (
        5
        + rng.normal(0, 1, samples)[sample]
        + rng.normal(0, 0.7, shots.size)[spot]
        + rng.normal(0, 0.5, spot.size)
    )
    return values, sample, spot


@pytest.mark.parametrize("name", PAIRS)
def test_degenerate_values_give_a_reason_and_no_warning(name: str) -> None:
    a, b = PAIRS[name]
    halves = [i // 2 for i in range(len(a))]
    rng = np.random.default_rng(1)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for values in (a, b):
            check_sound(nested_variance(values, halves))
            check_sound(nested_variance(values, halves, list(range(len(a)))))
            check_sound(nested_variance(values, [0] * len(a), halves))
            check_sound(nested_variance(values, halves, estimator="reml"))
            check_sound(replicate_sd(values, halves))
            check_sound(repeatability_reproducibility(values, halves))
        check_sound(duplicate_cv(a, b))
        check_sound(hard(a, b))
        check_sound(error_variance_ratio(a, halves, b, halves))
        check_sound(error_variance_ratio(a, halves, b, halves, scale="log"))
        for scale in ("absolute", "log"):
            check_sound(three_method_error_variances(a, b, a[::-1], rng, scale=scale))
            check_sound(three_method_error_variances(a, b, b, rng, scale=scale))


def test_equal_replicates_show_no_scatter_and_say_so() -> None:
    found = replicate_sd([3.0, 3.0, 4.0, 4.0], [1, 1, 2, 2])
    assert not found.estimable
    assert "all equal" in found.reason
    ratio = error_variance_ratio([1, 1.2], [1, 1], [3.0, 3.0], [1, 1])
    assert not ratio.ratio.estimable
    assert "lab" in ratio.reason


def test_one_way_analysis_agrees_with_the_general_libraries() -> None:
    rng = np.random.default_rng(5)
    sizes = rng.integers(2, 7, 12)
    group = np.repeat(np.arange(12), sizes)
    values = rng.normal(0, 1, 12)[group] + rng.normal(10, 0.4, group.size)
    f, p = stats.f_oneway(*[values[group == g] for g in range(12)])
    for found in (nested_variance(values, group), repeatability_reproducibility(values, group)):
        assert found.f_ratio == pytest.approx(float(f), rel=1e-8)
        assert found.p_value == pytest.approx(float(p), rel=1e-8)
    table = anova_lm(smf.ols("y ~ C(g)", pd.DataFrame({"y": values, "g": group})).fit())
    within = float(table["mean_sq"]["Residual"])
    assert nested_variance(values, group).shot.value == pytest.approx(within, rel=1e-8)
    assert replicate_sd(values, group).value == pytest.approx(math.sqrt(within), rel=1e-8)


def test_nested_mean_squares_agree_with_a_general_library() -> None:
    values, sample, spot = nested_data(np.random.default_rng(6), 8, 3, 4)
    frame = pd.DataFrame({"y": values, "s": sample, "p": sample * 3 + spot})
    one, by_sample, by_spot = (
        smf.ols(f"y ~ {terms}", frame).fit() for terms in ("1", "C(s)", "C(p)")
    )
    ms_sample = (one.ssr - by_sample.ssr) / 7
    ms_spot = (by_sample.ssr - by_spot.ssr) / 16
    ms_shot = by_spot.ssr / 72
    found = nested_variance(values, sample, spot)
    assert found.shot.value == pytest.approx(ms_shot, rel=1e-8)
    assert found.spot.value == pytest.approx((ms_spot - ms_shot) / 4, rel=1e-8)
    assert found.sample.value == pytest.approx((ms_sample - ms_spot) / 12, rel=1e-8)
    assert found.balanced


@pytest.mark.parametrize("seed", range(5))
def test_for_balanced_data_restricted_likelihood_gives_the_moment_estimates(seed: int) -> None:
    # Searle, Casella & McCulloch 1992, section 4.8: exactly, where no estimate is negative
    values, sample, spot = nested_data(np.random.default_rng(seed), 20, 3, 3)
    moments = nested_variance(values, sample, spot)
    reml = nested_variance(values, sample, spot, estimator="reml")
    assert min(moments.spot.value, moments.sample.value) > 0
    for name in ("shot", "spot", "sample"):
        assert getattr(reml, name).value == pytest.approx(getattr(moments, name).value, rel=1e-9)


@pytest.mark.parametrize("with_spots", [True, False])
def test_for_unbalanced_data_restricted_likelihood_agrees_with_statsmodels(
    with_spots: bool,
) -> None:
    from statsmodels.regression.mixed_linear_model import MixedLM

    values, sample, spot = unbalanced(np.random.default_rng(3), 30)
    both = np.unique(sample * 1000 + spot, return_inverse=True)[1]
    found = reml_components(values, sample, both if with_spots else None)
    assert found is not None
    table = pd.DataFrame({"y": values, "sample": sample, "spot": both})
    parts = {"vc_formula": {"spot": "0 + C(spot)"}} if with_spots else {}
    model = MixedLM.from_formula("y ~ 1", groups="sample", re_formula="1", data=table, **parts)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = model.fit(
            reml=True, method=["bfgs", "nm"], maxiter=5000, xtol=1e-14, ftol=1e-14, gtol=1e-10
        )
    assert found[0] == pytest.approx(fit.scale, rel=1e-6)
    assert found[2] == pytest.approx(fit.cov_re.iloc[0, 0], rel=1e-6)
    if with_spots:
        assert found[1] == pytest.approx(fit.vcomp[0], rel=1e-6)


def test_a_variance_that_wants_to_be_negative_is_zero_and_the_rest_is_pooled() -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(size=60)
    sample = np.repeat(np.arange(20), 3)
    values -= (np.bincount(sample, weights=values) / 3)[sample]  # no scatter between samples
    found = reml_components(values, sample, None)
    assert found is not None
    assert found[2] == 0
    assert found[0] == pytest.approx(float(np.var(values, ddof=1)), rel=1e-9)


def test_for_unbalanced_data_restricted_likelihood_is_near_the_moments() -> None:
    values, sample, spot = unbalanced(np.random.default_rng(8), 60)
    moments = nested_variance(values, sample, spot)
    reml = nested_variance(values, sample, spot, estimator="reml")
    assert not moments.balanced
    for name in ("shot", "spot", "sample"):
        one, other = getattr(reml, name), getattr(moments, name)
        assert one.value == pytest.approx(other.value, rel=0.5)
        assert one.low <= one.value <= one.high


def test_labels_of_spots_count_within_their_sample_and_may_be_text() -> None:
    values, sample, spot = nested_data(np.random.default_rng(9), 6, 2, 3)
    text = nested_variance(values, [f"S{s}" for s in sample], [f"spot {p}" for p in spot])
    number = nested_variance(values, sample, sample * 2 + spot)
    assert text == number
    assert text.n_spots == 12


def test_moving_or_scaling_the_values_moves_or_scales_the_components() -> None:
    values, sample, spot = nested_data(np.random.default_rng(10), 6, 2, 3)
    plain, moved = (
        nested_variance(values, sample, spot),
        nested_variance(1e6 + 3 * values, sample, spot),
    )
    for name in ("shot", "spot", "sample"):
        assert getattr(moved, name).value == pytest.approx(9 * getattr(plain, name).value, rel=1e-6)


def test_single_shots_per_spot_still_separate_spots_from_samples() -> None:
    values, sample, spot = nested_data(np.random.default_rng(12), 30, 4, 1)
    found = nested_variance(values, sample, spot)
    assert not found.shot.estimable
    assert found.spot.estimable
    assert found.sample.estimable


def test_the_error_ratio_counts_what_is_averaged_into_a_pair() -> None:
    field, lab = [1.0, 1.4, 2.0, 2.6], [1.0, 1.1, 2.0, 2.05]
    one = error_variance_ratio(field, [1, 1, 2, 2], lab, [1, 1, 2, 2])
    mean = error_variance_ratio(field, [1, 1, 2, 2], lab, [1, 1, 2, 2], field_per_mean=4)
    assert one.ratio.value == pytest.approx((0.16 + 0.36) / (0.01 + 0.0025))
    assert mean.ratio.value == pytest.approx(one.ratio.value / 4)
    assert (one.field_df, one.lab_df) == (2, 2)
    again = variance_ratio_of_sds(one.field_sd, 2, one.lab_sd, 2)
    assert again.ratio == one.ratio
    with pytest.raises(ValueError, match="field_per_mean"):
        error_variance_ratio(field, [1, 1, 2, 2], lab, [1, 1, 2, 2], field_per_mean=0)


def test_duplicate_figures_follow_their_definitions() -> None:
    a, b = [10.0, 8.0, 5.0], [12.0, 8.0, 4.0]
    pair_cv = [abs(x - y) / (math.sqrt(2) * (x + y) / 2) for x, y in zip(a, b, strict=True)]
    assert duplicate_cv(a, b).value == pytest.approx(
        math.sqrt(np.mean(np.square(pair_cv))), rel=1e-12
    )
    found = hard(a, b, limit=1 / 11)
    assert found.values == pytest.approx([2 / 22, 0, 1 / 9])
    assert found.share_within.value == pytest.approx(2 / 3)


@given(
    st.lists(st.tuples(st.floats(0.01, 1e6), st.floats(0.01, 1e6)), min_size=2, max_size=30),
    st.floats(1e-3, 1e3),
)
def test_relative_figures_do_not_change_with_the_unit(
    both: list[tuple[float, float]], factor: float
) -> None:
    a, b = (np.array(v) for v in zip(*both, strict=True))
    one, other = duplicate_cv(a, b), duplicate_cv(b * factor, a * factor)
    if one.estimable and one.value > 1e-9:
        assert other.value == pytest.approx(one.value, rel=1e-6)
        assert one.low < one.value < one.high


def test_grubbs_three_methods_are_the_covariances_of_differences() -> None:
    rng = np.random.default_rng(15)
    t = rng.normal(10, 2, 40)
    a, b, c = (t + rng.normal(0, s, 40) for s in (0.6, 0.3, 0.1))
    found = three_method_error_variances(a, b, c, rng)
    assert found.variances[0].value == pytest.approx(np.cov(a - b, a - c)[0, 1], rel=1e-10)
    assert found.variances[1].value == pytest.approx(np.cov(b - a, b - c)[0, 1], rel=1e-10)
    s = np.cov([a, b, c])
    assert found.free_slope[2].value == pytest.approx(
        s[2, 2] - s[0, 2] * s[1, 2] / s[0, 1], rel=1e-8
    )
    assert found.slopes[1] == pytest.approx(s[1, 2] / s[0, 2], rel=1e-8)


def test_a_negative_error_variance_is_printed_as_not_resolved() -> None:
    rng = np.random.default_rng(16)
    for _ in range(200):
        t = rng.normal(10, 2, 12)
        a, b, c = (t + rng.normal(0, s, 12) for s in (0.6, 0.3, 0.02))
        found = three_method_error_variances(a, b, c, rng, names=("LIBS", "XRF", "lab"))
        if found.variances[2].value < 0:
            break
    assert not found.resolved[2]
    assert "lab not resolved" in found.sentence("%")
    assert "independent" in found.sentence("%")


def test_duplicates_of_the_lab_bound_what_is_left_for_the_others() -> None:
    rng = np.random.default_rng(17)
    t = rng.normal(10, 2, 50)
    a, b, c = (t + rng.normal(0, s, 50) for s in (0.6, 0.3, 0.1))
    found = three_method_error_variances(a, b, c, rng, known_index=2, known_variance=0.01)
    assert found.upper_bounds[0] == pytest.approx(np.var(a - c, ddof=1) - 0.01)
    assert math.isnan(found.upper_bounds[2])
    assert "at least" in found.sentence()


def test_the_same_seed_gives_the_same_interval() -> None:
    x, y, z = np.random.default_rng(18).normal(10, 1, (3, 30))
    one = three_method_error_variances(x, y, z, np.random.default_rng(3))
    assert one == three_method_error_variances(x, y, z, np.random.default_rng(3))


def test_unrelated_methods_do_not_get_free_slopes() -> None:
    x, y, z = np.random.default_rng(19).normal(10, 1, (3, 30))
    found = three_method_error_variances(x, y, z, np.random.default_rng(3))
    assert not found.free_slope[0].estimable
    assert "correlated" in found.free_slope[0].reason


# coverage of nominal 95 % intervals in 2,000 simulated studies ------------------------------


def covered(found: list, truth: float) -> float:
    usable = [e for e in found if e.estimable and math.isfinite(e.low)]
    assert len(usable) > 0.98 * len(found)
    return float(np.mean([e.low <= truth <= e.high for e in usable]))


@pytest.mark.slow
@pytest.mark.parametrize("n", [20, 40, 100])
@pytest.mark.parametrize("balanced", [True, False])
def test_intervals_of_nested_components_cover_as_often_as_they_say(n: int, balanced: bool) -> None:
    rng = np.random.default_rng(300 + n)
    found = [
        nested_variance(*(nested_data(rng, n, 3, 2) if balanced else unbalanced(rng, n)))
        for _ in range(2000)
    ]
    for name, truth in (("shot", 0.25), ("spot", 0.49), ("sample", 1.0), ("mean", 5.0)):
        assert 0.93 <= covered([getattr(f, name) for f in found], truth) <= 0.97, name


@pytest.mark.slow
@pytest.mark.parametrize("n", [20, 40, 100])
def test_intervals_of_precision_and_ratio_cover_as_often_as_they_say(n: int) -> None:
    rng = np.random.default_rng(400 + n)
    group = np.repeat(np.arange(n), 2)
    ratio, sd, s_r, s_big = [], [], [], []
    for _ in range(2000):
        lab = rng.normal(0, 0.5, 2 * n)
        field = rng.normal(0, 1.5, 2 * n)
        between = rng.normal(10, 1, n)[group]
        ratio.append(error_variance_ratio(between + field, group, between + lab, group).ratio)
        sd.append(replicate_sd(between + lab, group))
        both = repeatability_reproducibility(between + lab, group)
        s_r.append(both.s_r)
        s_big.append(both.s_R)
    for found, truth in (
        (ratio, 9.0),
        (sd, 0.5),
        (s_r, 0.5),
        (s_big, math.sqrt(1.25)),
    ):
        assert 0.93 <= covered(found, truth) <= 0.97


@pytest.mark.slow
@pytest.mark.parametrize("n", [20, 40, 100])
@pytest.mark.parametrize("cv", [0.05, 0.2, 0.3])
def test_the_interval_of_duplicate_cv_covers_as_often_as_it_says(n: int, cv: float) -> None:
    rng = np.random.default_rng(500 + n)
    z = 1 + cv * rng.normal(size=(2, 2_000_000))
    truth = math.sqrt(np.mean(np.minimum(2 * ((z[0] - z[1]) / (z[0] + z[1])) ** 2, 2)))
    found = []
    for _ in range(2000):
        level = rng.lognormal(0, 1, n)
        pair = level * np.maximum(1 + cv * rng.normal(size=(2, n)), 0)
        found.append(duplicate_cv(*pair))
    assert 0.93 <= covered(found, truth) <= 0.97


@pytest.mark.slow
@pytest.mark.parametrize("n", [20, 40, 100])
def test_three_method_intervals_cover_as_often_as_they_say(n: int) -> None:
    rng = np.random.default_rng(600 + n)
    truth = (0.0625, 0.01, 0.0025)
    equal, free = [], []
    for _ in range(2000):
        t = rng.normal(0, 1, n)
        x, y, z = (t + rng.normal(0, math.sqrt(v), n) for v in truth)
        found = three_method_error_variances(x, y, z, rng, resamples=1000)
        equal.append(found.variances)
        free.append(found.free_slope)
    for i in range(3):
        assert 0.93 <= covered([e[i] for e in equal], truth[i]) <= 0.97
        assert 0.93 <= covered([e[i] for e in free], truth[i]) <= 0.97


@pytest.mark.slow
def test_the_usual_bootstrap_of_three_methods_falls_short_as_its_docstring_says() -> None:
    rng = np.random.default_rng(700)
    found = []
    for _ in range(600):
        t = rng.normal(0, 1, 20)
        x, y, z = (t + rng.normal(0, s, 20) for s in (0.25, 0.1, 0.05))
        result = three_method_error_variances(x, y, z, rng, resamples=500, interval="bootstrap")
        found.append(result.variances[0])
    assert covered(found, 0.0625) < 0.92


# anything at all ----------------------------------------------------------------------------

ANY_PAIRS = st.lists(st.tuples(st.floats(), st.floats()), max_size=12)


@given(ANY_PAIRS, st.integers(1, 4))
@settings(deadline=None, max_examples=150)
def test_no_values_whatever_break_the_components(both: list[tuple[float, float]], k: int) -> None:
    a, b = [p[0] for p in both], [p[1] for p in both]
    group = [i // k for i in range(len(a))]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        check_sound(nested_variance(a, group))
        check_sound(nested_variance(a, group, [i // 2 for i in range(len(a))]))
        check_sound(replicate_sd(a, group))
        check_sound(repeatability_reproducibility(a, group))
        check_sound(error_variance_ratio(a, group, b, group))
        check_sound(duplicate_cv(a, b))
        check_sound(hard(a, b))
        check_sound(three_method_error_variances(a, b, b[::-1], np.random.default_rng(1)))
