"""Months as a random effect: exact where a closed form is, as other libraries, as published."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from reconcile.statistics.months import AssumedSpread, months_model
from reconcile.statistics.proportions import clopper_pearson
from tests.sizes import cases
from tests.statistics.degenerate_inputs import PAIRS, check_sound

#: Yield of dyestuff in six batches of five (Davies & Goldsmith, Statistical Methods in Research
#: and Production, 1972, section 6.5); estimates by REML as Bates (2010, lme4: Mixed-effects
#: modeling with R, section 1.3) gives them: mean 1527.5, its SE 19.38, SDs 42.00 and 49.51. All
#: from memory.
DYESTUFF = (
    (1545, 1440, 1440, 1520, 1580), (1540, 1555, 1490, 1560, 1495), (1595, 1550, 1605, 1510, 1560),
    (1445, 1440, 1595, 1465, 1545), (1595, 1630, 1515, 1635, 1625), (1520, 1455, 1450, 1480, 1445),
)  # fmt: skip


def drawn(
    seed: int, months: int, most: int, between: float, within: float = 0.08
) -> tuple[np.ndarray, np.ndarray]:
    """Log ratios of ``months`` months of 2 to ``most`` pairs."""
    rng = np.random.default_rng(seed)
    month = np.repeat(np.arange(months), rng.integers(2, most + 1, months))
    return 0.05 + rng.normal(0, between, months)[month] + rng.normal(0, within, month.size), month


def test_the_published_batches_of_dyestuff_come_out_as_published() -> None:
    found = months_model(np.ravel(DYESTUFF), np.repeat(range(6), 5))
    assert found.long_run.value == pytest.approx(1527.5)
    assert round(found.long_run.se, 2) == 19.38
    assert round(found.between.value, 2) == 42.00
    assert round(found.within.value, 2) == 49.51
    low = found.by_month[5]
    assert low.raw.value == pytest.approx(1470)
    assert low.raw.value < low.seen.value < 1527.5


@pytest.mark.parametrize("seed", range(5))
def test_a_balanced_layout_gives_the_analysis_of_variance(seed: int) -> None:
    rng = np.random.default_rng(seed)
    a, n = int(rng.integers(3, 13)), int(rng.integers(2, 31))
    y = 100 + rng.normal(0, 5, a)[:, None] + rng.normal(0, 3, (a, n))
    mean, means = y.mean(), y.mean(axis=1)
    msb = n * np.sum((means - mean) ** 2) / (a - 1)
    msw = np.sum((y - means[:, None]) ** 2) / (a * (n - 1))
    assert msb > msw
    found = months_model(y.ravel(), np.repeat(range(a), n))
    half = stats.t.ppf(0.975, a - 1) * math.sqrt(msb / (a * n))
    expected = (mean, mean - half, mean + half, math.sqrt((msb - msw) / n), math.sqrt(msw))
    long_run = found.long_run
    given_back = (
        long_run.value, long_run.low, long_run.high, found.between.value, found.within.value
    )  # fmt: skip
    assert given_back == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_unbalanced_months_agree_with_a_general_mixed_model(seed: int) -> None:
    y, month = drawn(seed, 5 + 3 * seed, 5 + 6 * seed, 0.06)
    found = months_model(y, month)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its optimiser, at its last digits
        reference = sm.MixedLM(y, np.ones(y.size), month).fit(
            reml=True, method=["bfgs", "nm"], maxiter=5000, xtol=1e-14, ftol=1e-14, gtol=1e-10
        )
    assert found.long_run.value == pytest.approx(reference.params[0], rel=1e-6)
    assert found.between.value**2 == pytest.approx(float(reference.cov_re[0, 0]), rel=1e-6)
    assert found.within.value**2 == pytest.approx(reference.scale, rel=1e-6)


def test_known_errors_that_are_alike_only_move_scatter_out_of_what_is_unknown() -> None:
    y, month = drawn(3, 6, 12, 0.05)
    plain = months_model(y, month)
    known = months_model(y, month, np.full(y.size, 0.04**2))
    assert known.within.value**2 + 0.04**2 == pytest.approx(plain.within.value**2, rel=1e-6)
    for name in ("between", "long_run", "coming", "coming_sample"):
        one, other = getattr(known, name), getattr(plain, name)
        assert (one.value, one.low, one.high) == pytest.approx(
            (other.value, other.low, other.high), rel=1e-6
        )


def test_a_month_of_large_known_errors_weighs_little() -> None:
    y = np.concatenate([np.tile([-0.02, 0.0, 0.02], 4), [0.9, 1.1, 1.0]])
    month = np.repeat(range(5), 3)
    known = np.where(month == 4, 4.0, 1e-6)
    assert months_model(y, month, known).long_run.value == pytest.approx(0.0, abs=0.01)
    assert months_model(y, month).long_run.value == pytest.approx(0.2, abs=0.01)


def test_one_month_alone_gives_no_interval_for_a_coming_one_and_says_why() -> None:
    y, _ = drawn(1, 1, 20, 0.0)
    found = months_model(y, np.zeros(y.size))
    assert not found.coming.estimable
    assert "one month" in found.coming.reason
    assert found.by_month[0].raw.estimable
    assert math.isnan(found.chance_outside(-0.1, 0.1))


def test_what_is_assumed_of_the_spread_makes_one_month_speak_of_the_next() -> None:
    y = np.linspace(-0.1, 0.1, 40)
    narrow, wide = (
        months_model(y, np.zeros(40), assumed=AssumedSpread(sd, 4)).coming for sd in (0.02, 0.06)
    )
    # a t of 4 degrees of freedom on the spread alone; the month's own error comes on top
    least = float(stats.t.ppf(0.975, 4))
    for found, sd in ((narrow, 0.02), (wide, 0.06)):
        alone = y.std(ddof=1) / math.sqrt(40)
        assert least * sd < found.high - found.value < least * math.sqrt(2 * sd**2 + 2 * alone**2)
    assert wide.high > narrow.high


def test_many_months_outweigh_what_was_assumed() -> None:
    y, month = drawn(8, 60, 20, 0.05)
    low, high = (months_model(y, month, assumed=AssumedSpread(sd, 4)).coming for sd in (0.03, 0.08))
    assert high.high - high.low == pytest.approx(low.high - low.low, rel=0.12)


def test_the_chance_of_a_month_outside_is_that_of_the_interval() -> None:
    y, month = drawn(4, 8, 20, 0.04)
    found = months_model(y, month)
    assert found.chance_outside(found.coming.low, found.coming.high) == pytest.approx(0.05)


def test_scatter_within_months_alone_leaves_the_spread_between_them_at_nought() -> None:
    y = np.tile([-0.1, 0.0, 0.1], 4) + np.repeat([0.05, -0.05, 0.05, 0.0], 3)
    found = months_model(y, np.repeat(range(4), 3))
    assert found.between.value == 0.0
    assert found.between.high > 0


def test_months_of_one_pair_put_all_scatter_between_months() -> None:
    y = np.array([0.01, -0.03, 0.02, 0.05, 0.0])
    found = months_model(y, range(5))
    assert found.between.value == pytest.approx(y.std(ddof=1))
    assert not found.within.estimable
    assert found.coming.estimable


@pytest.mark.parametrize("name", PAIRS)
@pytest.mark.parametrize("assumed", [None, AssumedSpread(0.03, 4)])
def test_degenerate_values_give_a_number_or_a_reason(
    name: str, assumed: AssumedSpread | None
) -> None:
    values, others = (np.array(side) for side in PAIRS[name])
    with np.errstate(all="ignore"):
        difference = others - values
    check_sound(months_model(difference, np.arange(values.size) % 3, assumed=assumed))
    check_sound(months_model(difference, np.zeros(values.size), assumed=assumed))


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 10_000), st.integers(2, 8), st.floats(-3, 3), st.floats(1e-6, 1e6),
)  # fmt: skip
def test_shift_and_unit_carry_through(seed: int, months: int, shift: float, unit: float) -> None:
    y, month = drawn(seed, months, 6, 0.05)
    one, other = months_model(y, month), months_model(unit * (y + shift), month)
    for name in ("long_run", "coming", "coming_sample"):
        before, after = getattr(one, name), getattr(other, name)
        for end in ("value", "low", "high"):
            expected = unit * (getattr(before, end) + shift)
            size = unit * (before.high - before.low)
            assert getattr(after, end) == pytest.approx(expected, abs=1e-6 * size)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.permutations(range(6)))
def test_the_order_of_pairs_and_names_of_months_do_not_matter(seed: int, names: list[int]) -> None:
    y, month = drawn(seed, 6, 8, 0.05)
    mixed = np.random.default_rng(seed).permutation(y.size)
    one = months_model(y, month)
    other = months_model(y[mixed], np.array(names)[month[mixed]])
    for name in ("long_run", "between", "coming"):
        assert getattr(other, name).high == pytest.approx(getattr(one, name).high, rel=1e-6)


def test_months_that_are_still_missing_do_when_they_come_as_found() -> None:
    y, month = drawn(5, 3, 12, 0.02)
    found = months_model(y - y.mean(), month)
    low, high = -0.1, 0.1
    assert found.chance_outside(low, high) > 0.05
    more = found.more_months(low, high, 0.05)
    assert 1 <= more <= 40
    assert found.more_months(-1e-4, 1e-4, 0.05) != found.more_months(-1e-4, 1e-4, 0.05)  # NaN
    assert found.more_months(-5.0, 5.0, 0.05) == 1


def test_a_bias_far_beyond_the_limits_is_sure_to_fail_and_one_within_is_not() -> None:
    y, month = drawn(6, 4, 20, 0.01, 0.03)  # about a bias of 0.05
    found = months_model(y, month, assumed=AssumedSpread(0.01, 4))
    assert found.confidence_of_failing(-0.01, 0.01, 0.05) > 0.95
    assert found.confidence_of_failing(-0.2, 0.2, 0.05) < 0.05


def test_a_bias_of_which_little_is_known_is_not_sure_to_fail() -> None:
    # three pairs that scatter by 40 %, mean −20 %: within ±10 % is not shown, nor ruled out
    found = months_model([-0.6, -0.2, 0.2], [1, 1, 1], assumed=AssumedSpread(0.02, 4))
    assert found.chance_outside(-0.1, 0.1) > 0.5
    assert found.confidence_of_failing(-0.1, 0.1, 0.05) < 0.9


@pytest.mark.slow
@pytest.mark.parametrize("pairs", [3, 8, 30])
def test_a_method_without_bias_is_called_sure_to_fail_in_at_most_one_of_twenty(pairs: int) -> None:
    rng = np.random.default_rng(pairs)
    studies = cases(2000, 400)
    called = 0
    for _ in range(studies):
        values = rng.normal(0, 0.2, pairs)
        model = months_model(values, np.zeros(pairs), assumed=AssumedSpread(0.02, 4))
        called += model.confidence_of_failing(-0.05, 0.05, 0.05) >= 0.95
    assert clopper_pearson(called, studies, 0.999).low <= 0.05
