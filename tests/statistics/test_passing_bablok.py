"""Rank lines: exact against listing every slope, in little time and memory."""

from __future__ import annotations

import math
import time
import tracemalloc
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from reconcile.statistics import pairwise_slopes
from reconcile.statistics.lines import cusum_linearity, ols, passing_bablok, theil_sen
from reconcile.statistics.pairwise_slopes import (
    PairwiseSlopes,
    inversions,
    inversions_of_each,
    kendall_pulls,
    list_inversions,
)
from reconcile.statistics.result import Estimate
from tests.sizes import cases

UP = Fraction(10**12)  # stands for a vertical slope, above all others

#: Few different values, so that ties, vertical pairs and slopes of −1 abound.
TENTHS = st.integers(-12, 12)
POINTS = st.lists(st.tuples(TENTHS, TENTHS), min_size=3, max_size=24)


def _all_slopes(points: list[tuple[int, int]]) -> list[Fraction]:
    """Every slope as an exact fraction, sorted; pairs of identical points have none."""
    found = []
    for i, (x, y) in enumerate(points):
        for u, v in points[i + 1 :]:
            if u != x:
                found.append(Fraction(v - y, u - x))
            elif v != y:
                found.append(UP)
    return sorted(found)


def _decimal(points: list[tuple[int, int]]) -> tuple[np.ndarray, np.ndarray]:
    """The same points written in tenths, which binary can't hold exactly."""
    return (
        np.array([p[0] / 10 for p in points]),
        np.array([p[1] / 10 for p in points]),
    )


def _as_float(value: Fraction) -> float:
    return math.inf if value == UP else float(value)


@given(POINTS)
@settings(max_examples=cases(300, 60), deadline=None)
def test_every_rank_is_the_slope_that_listing_all_gives(points: list[tuple[int, int]]) -> None:
    expected = _all_slopes(points)
    x, y = _decimal(points)
    slopes = PairwiseSlopes(x, y, listed=4)  # so few that the search has to do the work
    assert slopes.total == len(expected)
    assert slopes.finite == sum(s != UP for s in expected)
    for rank, value in enumerate(expected, 1):
        assert slopes.select(rank) == _as_float(value)
    for limit in (Fraction(-1), Fraction(0), Fraction(1, 2), Fraction(-3, 4)):
        assert slopes.below(float(limit)) == sum(s < limit for s in expected)
        assert slopes.equal(float(limit)) == sum(s == limit for s in expected)


def _by_the_paper(
    points: list[tuple[int, int]], z: float
) -> tuple[Fraction, Fraction, Fraction] | None:
    """Slope and interval of Passing & Bablok 1983 by listing and sorting, in fractions."""
    n = len(points)
    slopes = [s for s in _all_slopes(points) if s != -1]
    count, k = len(slopes), sum(s < -1 for s in slopes)
    if count == 0 or count // 2 + 1 + k > count:
        return None
    if count % 2:
        b = slopes[(count + 1) // 2 + k - 1]
    else:
        b = (slopes[count // 2 + k - 1] + slopes[count // 2 + k]) / 2
    width = z * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    m1 = round((count - width) / 2)
    m2 = count - m1 + 1
    if m1 < 1 or m2 + k > count:
        return b, UP, UP
    return b, slopes[m1 + k - 1], slopes[m2 + k - 1]


@pytest.mark.slow
@given(POINTS)
@settings(max_examples=300, deadline=None)
def test_ties_and_slopes_of_minus_one_are_treated_as_in_the_paper(
    points: list[tuple[int, int]],
) -> None:
    if len({x for x, _ in points}) < 2:
        return
    x, y = _decimal(points)
    found = _by_the_paper(points, 1.959963984540054)
    line = passing_bablok(x, y, interval="1983")
    if found is None or found[0] >= UP / 4:
        assert not line.slope.estimable
        assert line.reason
        return
    b, low, high = found
    assert line.slope.value == pytest.approx(float(b), rel=1e-14, abs=1e-300)
    exact = float(np.median([Fraction(q, 10) - b * Fraction(p, 10) for p, q in points]))
    assert line.intercept.value == pytest.approx(exact, abs=1e-12)
    if math.isfinite(line.slope.low):
        assert (line.slope.low, line.slope.high) == (float(low), float(high))
    else:
        assert high >= UP / 2 or line.slope.reason == "the points lie on a line, so its error " \
            "can't be estimated"  # fmt: skip


@pytest.mark.slow
@given(POINTS, st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_the_search_and_the_full_list_give_the_same_line(
    points: list[tuple[int, int]], seed: int
) -> None:
    rng = np.random.default_rng(seed)
    x, y = _decimal(points)
    x, y = x + rng.normal(0, 0.01, x.size), y + rng.normal(0, 0.01, y.size)
    i, j = np.triu_indices(x.size, 1)
    expected = np.sort((y[j] - y[i]) / (x[j] - x[i]))
    slopes = PairwiseSlopes(x, y, listed=4)
    found = [slopes.select(r) for r in range(1, slopes.total + 1)]
    assert found == pytest.approx(expected.tolist(), rel=1e-15)


@pytest.mark.parametrize("seed", range(4))
def test_a_larger_set_with_ties_agrees_with_the_full_list(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 700
    x = np.round(rng.lognormal(2, 0.6, n), 1)
    y = np.round(x + rng.normal(0, 1 + seed, n), 1)
    i, j = np.triu_indices(n, 1)
    whole_x, whole_y = np.rint(10 * x), np.rint(10 * y)
    dx, dy = whole_x[j] - whole_x[i], whole_y[j] - whole_y[i]
    keep = (dx != 0) | (dy != 0)
    with np.errstate(divide="ignore"):
        expected = np.sort(np.where(dx == 0, np.inf, dy / np.where(dx == 0, 1, dx))[keep])
    slopes = PairwiseSlopes(x, y, listed=1000)
    assert slopes.equal(-1.0) == int(np.sum(expected == -1))
    assert slopes.below(-1.0) == int(np.sum(expected < -1))
    for rank in rng.integers(1, slopes.total + 1, 40):
        assert slopes.select(int(rank)) == expected[rank - 1]


def test_one_slope_shared_by_most_pairs_is_found_without_listing_them() -> None:
    # on a coarse grid of equal values nearly all slopes are the same number
    n = 3000
    x = np.arange(n, dtype=np.float64)
    y = x / 3
    y[::500] += 1
    slopes = PairwiseSlopes(x, y, listed=5000)
    assert slopes.select(slopes.total // 2) == pytest.approx(1 / 3, rel=1e-12)


@given(st.permutations(list(range(37))))
@settings(max_examples=60, deadline=None)
def test_inversions_are_counted_and_listed_as_by_comparing_all_pairs(order: list[int]) -> None:
    ranks = np.array(order, dtype=np.int32)
    pairs = [(a, b) for i, a in enumerate(order) for b in order[i + 1 :] if a > b]
    assert inversions(ranks) == len(pairs)
    first, second = list_inversions(ranks)
    assert sorted(zip(first.tolist(), second.tolist(), strict=True)) == sorted(pairs)
    each = inversions_of_each(ranks)
    for value in order:
        assert each[value] == sum(value in pair for pair in pairs)


@given(POINTS)
@settings(max_examples=100, deadline=None)
def test_kendall_pulls_are_the_sums_of_signs(points: list[tuple[int, int]]) -> None:
    a, b = (np.array([p[k] for p in points], dtype=np.float64) for k in (0, 1))
    signs = np.sign(a[:, None] - a) * np.sign(b[:, None] - b)
    assert np.array_equal(kendall_pulls(a, b), signs.sum(axis=1))
    if np.ptp(a) > 0 and np.ptp(b) > 0:
        ties = [np.unique(v, return_counts=True)[1] for v in (a, b)]
        whole = [len(a) * (len(a) - 1) / 2 - np.sum(t * (t - 1)) / 2 for t in ties]
        tau = kendall_pulls(a, b).sum() / 2 / math.sqrt(whole[0] * whole[1])
        assert tau == pytest.approx(stats.kendalltau(a, b).statistic, abs=1e-12)


# ---- against scipy ------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_theil_sen_agrees_with_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(6, 500))
    x = rng.lognormal(2, 1, n)
    y = 2 + 1.3 * x + rng.standard_t(3, n)
    if seed % 2:
        x, y = np.round(x), np.round(y)
    line = theil_sen(x, y)
    slope, intercept, low, high = stats.theilslopes(y, x, 0.95, method="joint")
    assert line.slope.value == pytest.approx(slope, rel=1e-9)
    assert line.intercept.value == pytest.approx(intercept, rel=1e-9)
    assert (line.slope.low, line.slope.high) == pytest.approx((low, high), rel=1e-9)


# ---- invariances --------------------------------------------------------------------------

SEEDS = st.integers(0, 2**32 - 1)


def _pairs(seed: int, n: int = 30) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    truth = rng.lognormal(3, 0.7, n)
    return truth + rng.normal(0, 2, n), 1.2 * truth + rng.normal(0, 2, n)


@given(SEEDS)
@settings(max_examples=40, deadline=None)
def test_swapping_the_axes_inverts_the_line_and_its_slope_interval(seed: int) -> None:
    x, y = _pairs(seed)
    one, two = passing_bablok(x, y), passing_bablok(y, x)
    # an even number of slopes: the middle two are averaged, once as slopes, once inverted
    assert two.slope.value == pytest.approx(1 / one.slope.value, rel=2e-3)
    old, new = (passing_bablok(*p, interval="1983").slope for p in ((x, y), (y, x)))
    assert (new.low, new.high) == pytest.approx((1 / old.high, 1 / old.low), rel=1e-12)


@given(SEEDS, st.floats(-50, 50), st.sampled_from([0.125, 4.0, 1024.0]))
@settings(max_examples=40, deadline=None)
def test_shift_scale_and_order_act_as_they_must(seed: int, shift: float, scale: float) -> None:
    x, y = _pairs(seed)
    line = passing_bablok(x, y)
    order = np.random.default_rng(seed).permutation(x.size)
    assert passing_bablok(x[order], y[order]) == line
    both = passing_bablok(scale * x, scale * y)
    for side in ("value", "low", "high", "se"):
        assert getattr(both.slope, side) == pytest.approx(getattr(line.slope, side), rel=1e-9)
        assert getattr(both.intercept, side) == pytest.approx(
            scale * getattr(line.intercept, side), rel=1e-9, abs=1e-9
        )
    moved = passing_bablok(x, y + shift)
    assert moved.slope.value == pytest.approx(line.slope.value, rel=1e-9)
    for side in ("value", "low", "high"):
        assert getattr(moved.intercept, side) == pytest.approx(
            getattr(line.intercept, side) + shift, rel=1e-7, abs=1e-7
        )
    ranks = theil_sen(x, scale * y + shift)
    assert ranks.slope.value == pytest.approx(scale * theil_sen(x, y).slope.value, rel=1e-9)


def test_decimals_count_as_written_not_as_binary_holds_them() -> None:
    # 0.1 + 0.2 is not 0.3 in binary, yet the slope between these points is exactly −1
    slopes = PairwiseSlopes(np.array([0.1, 0.3]), np.array([0.3, 0.1]))
    assert slopes.equal(-1.0) == 1
    x, y, found = pairwise_slopes.decimals(np.array([0.1, 2.35]), np.array([1.0, 7.0]))
    assert found
    assert x.tolist() == [10, 235]
    assert y.tolist() == [100, 700]


# ---- the intervals' reasons ---------------------------------------------------------------


def test_too_few_pairs_claim_no_interval_and_say_so() -> None:
    line = passing_bablok([1.0, 2.0, 3.0], [1.1, 1.9, 3.3])
    assert line.slope.estimable
    assert math.isnan(line.slope.low)
    assert "too few" in line.slope.reason
    assert "too few" in line.sentence()


def test_a_falling_relation_is_not_called_a_line() -> None:
    x = np.arange(12.0)
    line = passing_bablok(x, -2 * x + np.sin(x))
    assert not line.slope.estimable
    assert "rise" in line.reason


def test_one_huge_outlier_hardly_moves_the_line() -> None:
    x, y = _pairs(5, 40)
    clean = passing_bablok(x, y).slope
    y[7] = 1e12
    found = passing_bablok(x, y).slope
    assert clean.low < found.value < clean.high
    assert ols(x, y).slope.value > 1e6 or ols(x, y).slope.value < -1e6


def test_the_cumulative_sums_are_those_of_the_paper_counted_by_hand() -> None:
    # seven points about y = x: above, above, below, above, below, below, on the line
    x = np.array([1.0, 2, 3, 4, 5, 6, 7])
    y = x + np.array([0.5, 0.5, -0.5, 0.5, -0.5, -0.5, 0.0])
    line = passing_bablok(x, x + np.array([0.1, -0.1, 0.1, 0, -0.1, 0.1, -0.1]))
    flat = type(line)(
        line.method, 7, _value(line.intercept, 0.0), _value(line.slope, 1.0),
        line.covariance, 1.0, 1.0, 7.0,
    )  # fmt: skip
    found = cusum_linearity(x, y, flat)
    # three above, three below: scores ±1; sums 1, 2, 1, 2, 1, 0, 0
    assert found.statistic == pytest.approx(2 / math.sqrt(4))
    assert found.p_value == pytest.approx(stats.kstwobign.sf(1.0), rel=1e-9)


def _value(estimate: Estimate, value: float) -> Estimate:
    return type(estimate)(value, 0.1, value - 0.2, value + 0.2, estimate.n)


# ---- twenty thousand pairs ----------------------------------------------------------------


@pytest.mark.slow
def test_twenty_thousand_pairs_take_under_two_seconds_and_200_mib() -> None:
    rng = np.random.default_rng(20)
    truth = rng.lognormal(3, 0.8, 20_000)
    x, y = truth * rng.lognormal(0, 0.05, 20_000), truth * rng.lognormal(0, 0.05, 20_000)
    start = time.process_time()
    line = passing_bablok(x, y)
    seconds = time.process_time() - start
    tracemalloc.start()
    again = passing_bablok(x, y)
    peak = tracemalloc.get_traced_memory()[1] / 2**20
    tracemalloc.stop()
    assert again == line
    assert line.slope.low < 1 < line.slope.high
    assert seconds < 2, seconds
    assert peak < 200, peak
