"""Bias: ranks, ratios, equivalence and what happens to them on awkward data."""

from __future__ import annotations

import math
import warnings
from itertools import combinations_with_replacement

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from reconcile.statistics import bias
from reconcile.statistics.lines import deming, ols
from tests.statistics.degenerate_inputs import INF, NAN, PAIRS, check_sound

SEEDS = st.integers(0, 2**32 - 1)


def _pairs(seed: int, n: int = 25) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    lab = rng.lognormal(3, 0.7, n)
    return lab, lab * rng.lognormal(0.05, 0.1, n)


# ---- Hodges and Lehmann -------------------------------------------------------------------


def _averages(d: np.ndarray) -> np.ndarray:
    return np.sort([(a + b) / 2 for a, b in combinations_with_replacement(d, 2)])


@given(st.lists(st.integers(-9, 9), min_size=1, max_size=14))
@settings(max_examples=150, deadline=None)
def test_hodges_lehmann_is_the_median_of_all_averages_with_ties_or_without(
    tenths: list[int],
) -> None:
    d = np.array(tenths) / 10
    found = bias.hodges_lehmann(np.zeros(d.size), d)
    assert found.value == pytest.approx(float(np.median(_averages(d))), abs=1e-15)


@pytest.mark.parametrize("n", [6, 7, 10, 25, 60])
def test_its_interval_is_what_the_signed_rank_test_does_not_reject(n: int) -> None:
    rng = np.random.default_rng(n)
    d = rng.normal(0.3, 1, n)
    found = bias.hodges_lehmann(np.zeros(n), d)
    step = 1e-9
    for edge, inside in ((found.low, 1), (found.high, -1)):
        kept = stats.wilcoxon(d - edge - inside * step, method="exact").pvalue
        lost = stats.wilcoxon(d - edge + inside * step, method="exact").pvalue
        assert kept > 0.05 >= lost


def test_too_few_pairs_for_the_level_claim_no_interval() -> None:
    # with five pairs the widest rank interval holds 93.75 %
    five = bias.hodges_lehmann(np.zeros(5), np.arange(5.0))
    assert five.value == 2
    assert math.isnan(five.low)
    assert "5 pairs give no 95 % interval" in five.reason
    assert not math.isnan(bias.hodges_lehmann(np.zeros(5), np.arange(5.0), 0.9).low)
    one = bias.hodges_lehmann([1.0], [2.0])
    assert one.value == 1
    assert "one pair gives" in one.reason


def test_a_large_set_agrees_with_listing_all_averages() -> None:
    rng = np.random.default_rng(3)
    d = rng.standard_t(3, 1500)
    i, j = np.triu_indices(d.size)
    averages = np.sort((d[i] + d[j]) / 2)
    found = bias.hodges_lehmann(np.zeros(d.size), d)
    assert found.value == pytest.approx(float(np.median(averages)), abs=1e-12)
    n = d.size
    rank = n * (n + 1) / 4 - 1.959964 * math.sqrt(n * (n + 1) * (2 * n + 1) / 24)
    assert found.low == pytest.approx(averages[round(rank) - 1], abs=2e-3)


# ---- means and ratios ---------------------------------------------------------------------


@given(SEEDS)
@settings(max_examples=40, deadline=None)
def test_swapping_the_methods_turns_the_bias_round(seed: int) -> None:
    lab, field = _pairs(seed)
    for f in (bias.mean_difference, bias.hodges_lehmann):
        one, two = f(lab, field), f(field, lab)
        assert (two.value, two.low, two.high) == pytest.approx(
            (-one.value, -one.high, -one.low), abs=1e-9
        )
    one, two = bias.geometric_mean_ratio(lab, field), bias.geometric_mean_ratio(field, lab)
    assert (two.value, two.low, two.high) == pytest.approx(
        (1 / one.value, 1 / one.high, 1 / one.low), rel=1e-10
    )


@given(SEEDS, st.sampled_from([0.001, 3.0, 1e4]))
@settings(max_examples=40, deadline=None)
def test_another_unit_scales_differences_and_leaves_ratios(seed: int, unit: float) -> None:
    lab, field = _pairs(seed)
    for f in (bias.mean_difference, bias.hodges_lehmann):
        one, two = f(lab, field), f(unit * lab, unit * field)
        for side in ("value", "se", "low", "high"):
            assert getattr(two, side) == pytest.approx(unit * getattr(one, side), rel=1e-8)
    for f in (bias.mean_relative_difference, bias.geometric_mean_ratio):
        one, two = f(lab, field), f(unit * lab, unit * field)
        for side in ("value", "se", "low", "high"):
            assert getattr(two, side) == pytest.approx(getattr(one, side), rel=1e-8)


@given(SEEDS, st.floats(-50, 50))
@settings(max_examples=40, deadline=None)
def test_a_constant_on_both_sides_changes_no_difference(seed: int, shift: float) -> None:
    lab, field = _pairs(seed)
    for f in (bias.mean_difference, bias.hodges_lehmann):
        one, two = f(lab, field), f(lab + shift, field + shift)
        assert (two.value, two.low, two.high) == pytest.approx(
            (one.value, one.low, one.high), abs=1e-9
        )


def test_a_rank_estimate_is_hardly_moved_by_one_huge_pair() -> None:
    lab, field = _pairs(8, 40)
    clean = bias.hodges_lehmann(lab, field)
    field[3] = 1e9
    found = bias.hodges_lehmann(lab, field)
    assert clean.low < found.value < clean.high
    assert bias.mean_difference(lab, field).value > 1e7


def test_ratios_refuse_values_at_or_below_zero_and_say_so() -> None:
    for lab, field in (([1.0, 2, 0], [1.0, 2, 3]), ([1.0, 2, 3], [1.0, -2, 3])):
        found = bias.geometric_mean_ratio(lab, field)
        assert not found.estimable
        assert "above zero" in found.reason
    assert not bias.mean_relative_difference([1.0, 0, 2], [1.0, 1, 1]).estimable
    assert bias.mean_relative_difference([1.0, 3, 2], [1.0, -1, 1]).estimable


# ---- equivalence --------------------------------------------------------------------------


def test_equivalence_needs_the_whole_interval_inside_the_margin() -> None:
    rng = np.random.default_rng(1)
    lab = rng.lognormal(3, 0.5, 60)
    field = lab * rng.lognormal(0.0, 0.08, 60)
    wide = bias.equivalence_ratio(lab, field, 0.10)
    assert wide.equivalent
    assert wide.p_value < 0.05
    assert 1 / 1.10 < wide.low < 1 < wide.high < 1.10
    assert "within the agreed ±10" in wide.sentence()
    tight = bias.equivalence_ratio(lab, field, 0.005)
    assert not tight.equivalent
    assert tight.p_value > 0.05
    assert "not shown" in tight.sentence()


@given(SEEDS, st.floats(0.005, 0.5))
@settings(max_examples=60, deadline=None)
def test_the_claim_the_interval_and_the_p_value_agree(seed: int, margin: float) -> None:
    lab, field = _pairs(seed)
    found = bias.equivalence_ratio(lab, field, margin)
    assert found.equivalent == (1 / (1 + margin) < found.low and found.high < 1 + margin)
    assert found.equivalent == (found.p_value < 0.05)


def test_equal_values_prove_no_equivalence_as_their_scatter_is_unknown() -> None:
    lab = np.arange(1.0, 9)
    found = bias.equivalence_ratio(lab, lab, 0.1)
    assert not found.equivalent
    assert "equal" in found.reason
    assert "equal" in found.sentence()


def test_margins_and_alphas_that_make_no_sense_are_refused() -> None:
    for margin in (0.0, -1.0, NAN, INF):
        with pytest.raises(ValueError, match="margin"):
            bias.equivalence_ratio([1.0, 2], [1.0, 2], margin)
    for alpha in (0.0, 0.5, 1.0):
        with pytest.raises(ValueError, match="alpha"):
            bias.equivalence_ratio([1.0, 2], [1.0, 2], 1.0, alpha)


# ---- bias at a level ----------------------------------------------------------------------


def test_bias_at_a_level_is_the_line_less_the_level_with_the_lines_error() -> None:
    lab, field = _pairs(4)
    for line in (ols(lab, field), deming(lab, field, 3.0)):
        at, found = line.at(20.0), bias.bias_at(line, 20.0)
        assert found.value == pytest.approx(at.value - 20, rel=1e-12)
        assert found.se == at.se
        assert (found.low, found.high) == pytest.approx((at.low - 20, at.high - 20), rel=1e-10)
    assert "no ratio" not in bias.bias_at(deming(lab, field, NAN), 20.0).reason
    assert "not known" in bias.bias_at(deming(lab, field, NAN), 20.0).reason
    assert not bias.bias_at(ols(lab, field), NAN).estimable


# ---- degenerate data ----------------------------------------------------------------------


@pytest.mark.parametrize("name", list(PAIRS))
def test_degenerate_pairs_give_reasons_and_no_warning(name: str) -> None:
    for lab, field in (PAIRS[name], PAIRS[name][::-1]):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            for found in (
                bias.mean_difference(lab, field),
                bias.mean_relative_difference(lab, field),
                bias.geometric_mean_ratio(lab, field),
                bias.hodges_lehmann(lab, field),
                bias.equivalence_ratio(lab, field, 0.1),
                bias.bias_at(ols(lab, field), 2.0),
            ):
                check_sound(found)


@given(
    st.lists(st.tuples(st.floats(), st.floats()), max_size=10),
)
@settings(max_examples=150, deadline=None)
def test_any_floats_at_all_give_sound_results(points: list[tuple[float, float]]) -> None:
    lab, field = [p[0] for p in points], [p[1] for p in points]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for found in (
            bias.mean_difference(lab, field),
            bias.mean_relative_difference(lab, field),
            bias.geometric_mean_ratio(lab, field),
            bias.hodges_lehmann(lab, field),
            bias.equivalence_ratio(lab, field, 0.1),
        ):
            check_sound(found)


def test_few_pairs_say_how_few() -> None:
    assert bias.mean_difference([], []).reason == "no pair"
    one = bias.mean_difference([1.0], [3.0])
    assert one.value == 2
    assert "one pair" in one.reason
    assert bias.mean_difference([1.0, NAN], [3.0, 1.0]).n == 1
    with pytest.raises(ValueError, match="values but"):
        bias.mean_difference([1.0, 2.0], [1.0])
    with pytest.raises(ValueError, match="level"):
        bias.mean_difference([1.0, 2.0], [1.0, 2.5], 1.0)
