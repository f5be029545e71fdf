"""Agreement: limits, shares and concordance, and what happens to them on awkward data."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from reconcile.statistics import agreement
from reconcile.statistics._quantiles import noncentral_t_quantile
from tests.statistics.degenerate_inputs import INF, NAN, PAIRS, check_sound

SEEDS = st.integers(0, 2**32 - 1)
SCALES: tuple[agreement.Scale, ...] = ("absolute", "relative", "log ratio")


def _pairs(seed: int, n: int = 25) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    lab = rng.lognormal(3, 0.7, n)
    return lab, lab * rng.lognormal(0.05, 0.1, n)


# ---- limits of agreement ------------------------------------------------------------------


@pytest.mark.parametrize("n", [3, 10, 40, 200])
@pytest.mark.parametrize("probability", [0.025, 0.5, 0.975])
def test_the_noncentral_t_quantile_is_scipys(n: int, probability: float) -> None:
    nc = 1.96 * math.sqrt(n)
    assert noncentral_t_quantile(probability, n - 1, nc) == pytest.approx(
        stats.nct.ppf(probability, n - 1, nc), rel=1e-8
    )


@pytest.mark.parametrize("n", [2_000, 50_000, 1_000_000])
def test_limits_of_very_many_pairs_come_close_to_the_large_sample_form(n: int) -> None:
    nc = 1.959964 * math.sqrt(n)
    spread = math.sqrt(1 + 1.959964**2 / 2)
    for p, z in ((0.025, -1.959964), (0.975, 1.959964)):
        assert noncentral_t_quantile(p, n - 1, nc) == pytest.approx(nc + z * spread, abs=0.2)


def test_the_interval_of_a_limit_widens_towards_the_outside() -> None:
    found = agreement.limits_of_agreement(*_pairs(1))
    assert found.lower.value - found.lower.low > found.lower.high - found.lower.value > 0
    assert found.upper.high - found.upper.value > found.upper.value - found.upper.low > 0
    assert found.tolerance_low < found.lower.value < found.upper.value < found.tolerance_high


@pytest.mark.parametrize("scale", SCALES)
@given(seed=SEEDS)
@settings(max_examples=15, deadline=None)
def test_swapping_the_methods_turns_the_limits_round(scale: agreement.Scale, seed: int) -> None:
    lab, field = _pairs(seed)
    one = agreement.limits_of_agreement(lab, field, scale)
    two = agreement.limits_of_agreement(field, lab, scale)
    turn = (lambda v: 1 / v) if scale == "log ratio" else (lambda v: -v)
    assert two.lower.value == pytest.approx(turn(one.upper.value), rel=1e-9)
    assert two.lower.low == pytest.approx(turn(one.upper.high), rel=1e-9)
    assert two.lower.high == pytest.approx(turn(one.upper.low), rel=1e-9)
    assert two.tolerance_low == pytest.approx(turn(one.tolerance_high), rel=1e-9)


@pytest.mark.parametrize("scale", SCALES)
@given(seed=SEEDS, unit=st.sampled_from([0.01, 1e4]))
@settings(max_examples=15, deadline=None)
def test_another_unit_scales_absolute_limits_only(
    scale: agreement.Scale, seed: int, unit: float
) -> None:
    lab, field = _pairs(seed)
    one = agreement.limits_of_agreement(lab, field, scale)
    two = agreement.limits_of_agreement(unit * lab, unit * field, scale)
    factor = unit if scale == "absolute" else 1.0
    for side in ("value", "low", "high"):
        assert getattr(two.upper, side) == pytest.approx(
            factor * getattr(one.upper, side), rel=1e-8
        )


def test_equal_differences_keep_their_mean_and_give_no_limits() -> None:
    lab = np.arange(1.0, 9)
    found = agreement.limits_of_agreement(lab, lab + 2)
    assert found.bias.value == 2
    assert math.isnan(found.bias.low)
    assert not found.lower.estimable
    assert "equal" in found.reason
    assert "equal" in found.sentence()


def test_sentences_name_the_scale_the_unit_and_the_confidence() -> None:
    lab, field = _pairs(2)
    absolute = agreement.limits_of_agreement(lab, field).sentence("mg/kg")
    assert "field minus laboratory" in absolute
    assert absolute.count("mg/kg") == 4
    assert "with 95 % confidence" in absolute
    assert "% of the mean of both" in agreement.limits_of_agreement(
        lab, field, "relative"
    ).sentence("mg/kg")
    ratio = agreement.limits_of_agreement(lab, field, "log ratio").sentence("mg/kg")
    assert "times the laboratory's" in ratio
    assert "mg/kg" not in ratio


def test_an_unknown_scale_is_refused() -> None:
    with pytest.raises(ValueError, match="scale"):
        agreement.limits_of_agreement([1.0, 2, 3], [1.0, 2, 4], "percent")  # type: ignore[arg-type]


# ---- limits by level ----------------------------------------------------------------------


def test_limits_by_level_are_the_two_regressions_of_the_paper() -> None:
    # Bland & Altman 1999, section 3.2, by statsmodels
    lab, field = _pairs(5, 60)
    mean, d = (lab + field) / 2, field - lab
    design = sm.add_constant(mean)
    first = sm.OLS(d, design).fit()
    second = sm.OLS(np.abs(first.resid), design).fit()
    found = agreement.level_dependent_limits(lab, field)
    assert found.bias_line.slope.value == pytest.approx(first.params[1], rel=1e-9)
    # the residuals' size is corrected for the two coefficients fitted
    assert found.spread_line.slope.value == pytest.approx(
        second.params[1] * math.sqrt(60 / 58), rel=1e-9
    )
    bias, lower, upper = found.at(20.0)
    spread = (second.params[0] + second.params[1] * 20) * math.sqrt(60 / 58)
    assert upper.value - bias.value == pytest.approx(
        1.959964 * math.sqrt(math.pi / 2) * spread, rel=1e-6
    )
    assert lower.low < lower.value < lower.high
    outside = found.at(1e6)
    assert not outside[1].estimable
    assert "outside" in outside[1].reason


def test_limits_by_level_hold_95_per_cent_at_every_level_where_plain_limits_do_not() -> None:
    rng = np.random.default_rng(8)
    lab = rng.uniform(10, 100, 4000)
    field = lab * (1 + 0.1 * rng.normal(size=4000))
    plain, by_level = (
        agreement.limits_of_agreement(lab, field),
        agreement.level_dependent_limits(lab, field),
    )
    for level, inside_plain in ((15.0, 1.0), (95.0, 0.80)):
        d = level * 0.1 * rng.normal(size=4000)
        _, low, high = by_level.at(level)
        assert np.mean((d > low.value) & (d < high.value)) == pytest.approx(0.95, abs=0.025)
        share = np.mean((d > plain.lower.value) & (d < plain.upper.value))
        assert abs(share - inside_plain) < 0.08


# ---- limits with replicates ---------------------------------------------------------------


def _replicated(
    rng: np.random.Generator, samples: int, shots: int, lab_twice: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    truth = rng.uniform(20, 80, samples)
    names_y = np.repeat(np.arange(samples), shots)
    between = rng.normal(0, 2, samples)  # a bias of the field method on each sample
    field = 1 + (truth + between)[names_y] + rng.normal(0, 3, names_y.size)
    names_x = np.repeat(np.arange(samples), 2 if lab_twice else 1)
    lab = truth[names_x] + rng.normal(0, 1, names_x.size)
    return lab, names_x, field, names_y


def test_replicates_give_the_spread_of_single_results_not_of_means() -> None:
    rng = np.random.default_rng(11)
    found = agreement.limits_with_replicates(*_replicated(rng, 4000, 5, True))
    # single results differ by 2² (sample) + 3² (field) + 1² (lab)
    assert found.sd == pytest.approx(math.sqrt(14), rel=0.03)
    assert found.sd_of_means == pytest.approx(math.sqrt(4 + 9 / 5 + 1 / 2), rel=0.03)
    assert found.field_within_sd == pytest.approx(3, rel=0.03)
    assert found.lab_within_sd == pytest.approx(1, rel=0.03)


def test_one_result_a_side_is_the_plain_limit() -> None:
    lab, field = _pairs(3)
    names = np.arange(lab.size)
    found = agreement.limits_with_replicates(lab, names, field, names)
    plain = agreement.limits_of_agreement(lab, field)
    assert found.upper.value == pytest.approx(plain.upper.value, rel=1e-12)
    assert found.sd == pytest.approx(plain.sd, rel=1e-12)
    assert math.isnan(found.field_within_sd)


def test_order_and_names_of_samples_do_not_matter_and_lonely_ones_are_left_out() -> None:
    rng = np.random.default_rng(2)
    lab, names_x, field, names_y = _replicated(rng, 12, 3, True)
    found = agreement.limits_with_replicates(lab, names_x, field, names_y)
    a, b = rng.permutation(lab.size), rng.permutation(field.size)
    text = np.array([f"S{k}" for k in names_y])[b]
    other = agreement.limits_with_replicates(
        np.append(lab[a], [5.0, NAN]),
        np.append([f"S{k}" for k in names_x[a]], ["only lab", "S1"]),
        np.append(field[b], [7.0, INF]),
        np.append(text, ["only field", "S2"]),
    )
    assert other.n == found.n == 12
    assert other.sd == pytest.approx(found.sd, rel=1e-12)
    assert other.upper.high == pytest.approx(found.upper.high, rel=1e-12)


@pytest.mark.slow
@pytest.mark.parametrize("samples", [20, 60])
def test_limits_from_replicates_hold_their_level(samples: int) -> None:
    rng = np.random.default_rng(samples)
    truth = 1 + 1.959964 * math.sqrt(14)
    held = [
        (e := agreement.limits_with_replicates(*_replicated(rng, samples, 5, True)).upper).low
        <= truth
        <= e.high
        for _ in range(2000)
    ]
    assert 0.93 <= np.mean(held) <= 0.97


# ---- share within a margin ----------------------------------------------------------------


def test_a_pair_exactly_on_the_margin_is_within_whatever_binary_makes_of_it() -> None:
    # 1.1 − 1.0 is 0.10000000000000009 in binary
    lab, field = [1.0, 1.0, 10.0, 3.0], [1.1, 0.9, 11.0, 3.31]
    found = agreement.share_within(lab, field, 0.10)
    assert found.value == 0.75
    assert found.n == 4


@given(SEEDS, st.floats(0.01, 0.5))
@settings(max_examples=40, deadline=None)
def test_the_share_grows_with_the_margin_and_knows_its_count(seed: int, margin: float) -> None:
    lab, field = _pairs(seed)
    one, two = (agreement.share_within(lab, field, m) for m in (margin, 1.2 * margin))
    assert one.value <= two.value
    assert one.value * 25 == pytest.approx(np.sum(np.abs(field - lab) <= margin * lab))
    exact = stats.binomtest(round(one.value * 25), 25).proportion_ci(0.95, "exact")
    assert (one.low, one.high) == pytest.approx((exact.low, exact.high), abs=1e-10)


def test_a_margin_that_makes_no_sense_is_refused() -> None:
    for fraction in (0.0, -0.1, NAN, INF):
        with pytest.raises(ValueError, match="fraction"):
            agreement.share_within([1.0], [1.0], fraction)


# ---- concordance --------------------------------------------------------------------------


@given(SEEDS, st.sampled_from([0.01, 7.0, 1e4]), st.floats(-20, 20))
@settings(max_examples=40, deadline=None)
def test_concordance_does_not_know_unit_shift_of_both_order_or_which_is_which(
    seed: int, unit: float, shift: float
) -> None:
    lab, field = _pairs(seed)
    order = np.random.default_rng(seed).permutation(lab.size)
    one = agreement.concordance(lab, field)
    for other in (
        agreement.concordance(unit * (lab + shift), unit * (field + shift)),
        agreement.concordance(lab[order], field[order]),
        agreement.concordance(field, lab),
    ):
        for side in ("value", "low", "high"):
            assert getattr(other.ccc, side) == pytest.approx(getattr(one.ccc, side), rel=1e-7)
        assert other.r == pytest.approx(one.r, rel=1e-9)
        assert other.c_b == pytest.approx(one.c_b, rel=1e-8)
    assert one.r * one.c_b == pytest.approx(one.ccc.value, rel=1e-10)
    assert abs(one.ccc.value) <= abs(one.r) + 1e-15


def test_scatter_and_shift_are_told_apart() -> None:
    x = np.arange(1.0, 31)
    noisy = x + 5 * np.sin(9.7 * x)
    shifted = x + 8 + 0.01 * np.sin(9.7 * x)
    one, two = agreement.concordance(x, noisy), agreement.concordance(x, shifted)
    assert one.r < 0.95 < one.c_b
    assert two.c_b < 0.8 < two.r
    assert "shift costs a factor" in two.sentence()


def test_correlation_says_nothing_of_bias_and_says_so() -> None:
    lab, field = _pairs(1)
    one, two = agreement.correlation(lab, field), agreement.correlation(lab, 10 + 3 * field)
    assert one.r.value == pytest.approx(two.r.value, rel=1e-12)
    assert one.spearman == pytest.approx(two.spearman, rel=1e-12)
    assert "nothing of bias" in one.sentence()


# ---- degenerate data ----------------------------------------------------------------------


def _everything(lab: list[float], field: list[float]) -> list[object]:
    names = list(range(len(lab)))
    twice = [k // 2 for k in names]
    found: list[object] = [agreement.limits_of_agreement(lab, field, s) for s in SCALES]
    found += [agreement.concordance(lab, field, interval=i) for i in ("jackknife", "normal")]
    found += [agreement.correlation(lab, field, interval=i) for i in ("jackknife", "normal")]
    by_level = agreement.level_dependent_limits(lab, field)
    found += [by_level, *by_level.at(2.0), *by_level.at(NAN)]
    found += [
        agreement.share_within(lab, field, 0.2),
        agreement.limits_with_replicates(lab, names, field, names),
        agreement.limits_with_replicates(lab, twice, field, twice),
        agreement.limits_with_replicates(lab, names, field, twice),
    ]
    return found


@pytest.mark.parametrize("name", list(PAIRS))
@pytest.mark.parametrize("times", [1, 3])
def test_degenerate_pairs_give_reasons_and_no_warning(name: str, times: int) -> None:
    for lab, field in (PAIRS[name], PAIRS[name][::-1]):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            for found in _everything(lab * times, field * times):
                check_sound(found)


@given(st.lists(st.tuples(st.floats(), st.floats()), max_size=16))
@settings(max_examples=150, deadline=None)
def test_any_floats_at_all_give_sound_results(points: list[tuple[float, float]]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for found in _everything([p[0] for p in points], [p[1] for p in points]):
            check_sound(found)


def test_wrong_shapes_are_refused() -> None:
    for f in (agreement.concordance, agreement.correlation, agreement.limits_of_agreement):
        with pytest.raises(ValueError, match="values but"):
            f([1.0, 2.0], [1.0])
        with pytest.raises(ValueError, match="one-dimensional"):
            f([[1.0]], [[1.0]])
    with pytest.raises(ValueError, match="label"):
        agreement.limits_with_replicates([1.0, 2], ["a"], [1.0], ["a"])
