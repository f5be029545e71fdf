"""Censored pairs and summaries."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats
from statsmodels.duration.survfunc import SurvfuncRight
from statsmodels.imputation import ros as sm_ros
from statsmodels.stats.contingency_tables import mcnemar

from reconcile.statistics._likelihood import bivariate_normal_cdf
from reconcile.statistics.censored_ratio import batch_log_ratio_bias
from reconcile.statistics.censored_summary import batch_lognormal
from reconcile.statistics.censoring import (
    akritas_theil_sen,
    censored_log_ratio_bias,
    detect_table,
    kaplan_meier,
    lognormal_mle,
    regression_on_order_statistics,
    turnbull,
)
from tests.statistics.degenerate_inputs import PAIRS, check_sound

INF = float("inf")


def bounds(
    values: np.ndarray, lower: float = 0.0, upper: float = INF
) -> tuple[np.ndarray, np.ndarray]:
    """Bounds of positive values below or above limits."""
    low = np.where(values < lower, 0.0, np.where(values > upper, upper, values))
    high = np.where(values < lower, lower, np.where(values > upper, INF, values))
    return low, high


def study(
    rng: np.random.Generator, n: int, log_bias: float = 0.1, shape: tuple[int, ...] = ()
) -> tuple[np.ndarray, np.ndarray]:
    truth = rng.normal(0, 0.8, (*shape, n))
    lab = np.exp(truth + rng.normal(0, 0.1, truth.shape))
    return lab, np.exp(truth + log_bias + rng.normal(0, 0.3, truth.shape))


@pytest.mark.parametrize("name", PAIRS)
def test_degenerate_values_give_a_reason_and_no_warning(name: str) -> None:
    a, b = (np.array(v) for v in PAIRS[name])
    middle = np.nanmedian(a) if a.size and not np.isnan(a).all() else 0.0
    low, high = np.where(a <= middle, 0.0, a), a
    half = np.arange(a.size) % 2 == 0
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        check_sound(censored_log_ratio_bias(a, a, b, b))
        check_sound(censored_log_ratio_bias(low, high, b, b))
        check_sound(censored_log_ratio_bias(a, a, b, np.full(b.size, INF)))
        check_sound(censored_log_ratio_bias(np.zeros(a.size), a, np.zeros(a.size), b))
        check_sound(lognormal_mle(low, high))
        check_sound(lognormal_mle(np.zeros(a.size), a))
        check_sound(lognormal_mle(a, np.full(a.size, INF)))
        for nondetect in (half, np.ones(a.size, bool), np.zeros(a.size, bool)):
            check_sound(kaplan_meier(a, nondetect))
            check_sound(regression_on_order_statistics(a, nondetect))
        for scale in ("absolute", "log"):
            check_sound(akritas_theil_sen(a, a, b, b, scale=scale))
            check_sound(akritas_theil_sen(low, high, b, b, scale=scale))
            check_sound(akritas_theil_sen(a, a, np.zeros(b.size), b, scale=scale))
        check_sound(detect_table(half, ~half))
        turnbull(low, high)


# detection ----------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=60))
def test_mcnemar_agrees_with_statsmodels(pairs: list[tuple[bool, bool]]) -> None:
    lab, field = (np.array(v) for v in zip(*pairs, strict=True))
    found = detect_table(lab, field)
    table = [[found.both, found.lab_only], [found.field_only, found.neither]]
    assert sum(map(sum, table)) == found.n == len(pairs)
    if found.lab_only + found.field_only:
        expected = min(1.0, float(mcnemar(table, exact=True).pvalue))
        assert found.p_value == pytest.approx(expected, abs=1e-12)
    else:
        assert found.p_value == 1


def test_mcnemars_p_value_is_the_sign_test() -> None:
    found = detect_table([True] * 9 + [False], [False] * 9 + [True])
    assert found.p_value == pytest.approx(stats.binomtest(1, 10).pvalue, rel=1e-12)


# bivariate log-normal -----------------------------------------------------------------------


@given(st.floats(-6, 6), st.floats(-6, 6), st.floats(-0.999, 0.999).map(lambda r: round(r, 4)))
@settings(max_examples=60, deadline=None)
def test_the_bivariate_normal_agrees_with_scipy(h: float, k: float, rho: float) -> None:
    expected = stats.multivariate_normal.cdf([h, k], cov=[[1, rho], [rho, 1]])
    found = bivariate_normal_cdf(np.array([h]), np.array([k]), np.array([rho]))[0]
    assert found == pytest.approx(float(expected), abs=1e-9)


def test_the_bivariate_normal_at_its_edges() -> None:
    h = np.array([0.0, 0.0, -1.0, INF, -INF, INF, 0.0])
    k = np.array([0.0, INF, INF, INF, 1.0, -0.5, -INF])
    found = bivariate_normal_cdf(h, k, np.full(7, 0.5))
    expected = [1 / 3, 0.5, stats.norm.cdf(-1), 1, 0, stats.norm.cdf(-0.5), 0]
    assert found == pytest.approx(expected, abs=1e-14)


def test_without_censoring_the_ratio_and_its_interval_are_the_t_interval() -> None:
    lab, field = study(np.random.default_rng(1), 25)
    found = censored_log_ratio_bias(lab, lab, field, field)
    d = np.log(field / lab)
    expected = stats.ttest_1samp(d, 0).confidence_interval()
    assert found.log_ratio.value == pytest.approx(d.mean(), rel=1e-8)
    assert (found.log_ratio.low, found.log_ratio.high) == pytest.approx(
        (expected.low, expected.high), abs=1e-7
    )
    assert found.ratio.value == pytest.approx(stats.gmean(field / lab), rel=1e-8)


@pytest.mark.slow
def test_the_censored_likelihood_agrees_with_a_general_optimiser() -> None:
    lab, field = study(np.random.default_rng(2), 30)
    xl, xh = bounds(lab, 0.5, 3.0)
    yl, yh = bounds(field, 0.7, 4.0)

    def minus_log_likelihood(theta: np.ndarray) -> float:
        mx, delta, sx, sy = theta[0], theta[1], math.exp(theta[2]), math.exp(theta[3])
        rho = math.tanh(theta[4])
        cov = [[sx * sx, rho * sx * sy], [rho * sx * sy, sy * sy]]
        joint = stats.multivariate_normal([mx, mx + delta], cov)
        total = 0.0
        for a, b, c, d in zip(
            *(np.log(np.clip(v, 1e-9, 1e9)) for v in (xl, xh, yl, yh)), strict=True
        ):
            if a == b and c == d:
                total += joint.logpdf([a, c])
            elif a == b or c == d:
                at, m, s, low, high, m2, s2 = (
                    (a, mx, sx, c, d, mx + delta, sy)
                    if a == b
                    else (c, mx + delta, sy, a, b, mx, sx)
                )
                centre, spread = m2 + rho * s2 * (at - m) / s, s2 * math.sqrt(1 - rho**2)
                total += stats.norm.logpdf(at, m, s) + math.log(
                    stats.norm.cdf(high, centre, spread) - stats.norm.cdf(low, centre, spread)
                )
            else:
                total += math.log(joint.cdf([b, d], lower_limit=[a, c]))
        return -total

    found = censored_log_ratio_bias(xl, xh, yl, yh)
    ours = np.array([
        0.0, found.log_ratio.value, math.log(found.sd_log_lab), math.log(found.sd_log_field),
        math.atanh(found.correlation),
    ])  # fmt: skip
    start = np.array([0.0, 0.0, -0.2, -0.2, 1.5])
    options = {"xatol": 1e-7, "fatol": 1e-10, "maxiter": 6000, "maxfev": 6000}
    best = optimize.minimize(minus_log_likelihood, start, method="Nelder-Mead", options=options)
    assert ours[1:] == pytest.approx(best.x[1:], abs=2e-5)
    # the ends of the interval lie where the profile has dropped by the stated amount
    n = found.n_both_quantified
    t = stats.t.isf(0.025, n - 1)
    drop = n * math.log1p(t * t / (n - 1))

    def profile(delta: float) -> float:
        def inner(rest: np.ndarray) -> float:
            return minus_log_likelihood(np.insert(rest, 1, delta))

        return optimize.minimize(
            inner, np.delete(best.x, 1), method="Nelder-Mead", options=options
        ).fun

    for end in (found.log_ratio.low, found.log_ratio.high):
        assert 2 * (profile(end) - best.fun) == pytest.approx(drop, abs=1e-4)


def test_exchanging_the_methods_inverts_the_ratio() -> None:
    lab, field = study(np.random.default_rng(3), 40)
    x, y = bounds(lab, 0.5), bounds(field, 0.7, 4.0)
    one, other = censored_log_ratio_bias(*x, *y), censored_log_ratio_bias(*y, *x)
    assert other.ratio.value == pytest.approx(1 / one.ratio.value, rel=1e-6)
    assert other.ratio.low == pytest.approx(1 / one.ratio.high, rel=1e-5)
    assert other.correlation == pytest.approx(one.correlation, abs=1e-6)


def test_right_censoring_mirrors_left_censoring() -> None:
    lab, field = study(np.random.default_rng(4), 40)
    left = censored_log_ratio_bias(*bounds(lab, 0.5), *bounds(field, 0.7))
    right = censored_log_ratio_bias(*bounds(1 / lab, 0, 2.0), *bounds(1 / field, 0, 1 / 0.7))
    assert right.ratio.value == pytest.approx(1 / left.ratio.value, rel=1e-6)
    assert right.ratio.low == pytest.approx(1 / left.ratio.high, rel=1e-5)


@pytest.mark.slow
@given(st.floats(1e-6, 1e6))
@settings(max_examples=15, deadline=None)
def test_the_unit_does_not_matter(factor: float) -> None:
    lab, field = study(np.random.default_rng(5), 20)
    x, y = bounds(lab, 0.4), bounds(field, 0.5)
    plain = censored_log_ratio_bias(*x, *y)
    a, b, c, d = (v * factor for v in (*x, *y))
    scaled = censored_log_ratio_bias(a, b, c, d)
    assert scaled.ratio.value == pytest.approx(plain.ratio.value, rel=1e-6)
    assert scaled.ratio.high == pytest.approx(plain.ratio.high, rel=1e-5)


def test_dropping_censored_pairs_would_show_a_bias_that_the_likelihood_does_not() -> None:
    lab, field = study(np.random.default_rng(6), 3000, log_bias=0.0)
    x, y = bounds(lab, 0.3), bounds(field, 1.2)
    found = censored_log_ratio_bias(*x, *y)
    both = (x[0] == x[1]) & (y[0] == y[1])
    naive = math.exp(np.mean(np.log(field[both] / lab[both])))
    assert naive > 1.03
    assert found.ratio.low <= 1 <= found.ratio.high
    assert abs(found.ratio.value - 1) < 0.02


def test_hopeless_censoring_is_refused_with_a_reason() -> None:
    lab, _ = study(np.random.default_rng(7), 12)
    nothing = censored_log_ratio_bias(lab, lab, np.zeros(12), np.full(12, 9.0))
    assert not nothing.ratio.estimable
    assert "quantified" in nothing.reason
    missing = censored_log_ratio_bias([1.0, -1.0], [1.0, -1.0], [1.0, 2.0], [1.0, 2.0])
    assert missing.left_out == 1
    with pytest.raises(ValueError, match="lab_high"):
        censored_log_ratio_bias([1.0, 2.0], [1.0], [1.0, 2.0], [1.0, 2.0])


# summaries ----------------------------------------------------------------------------------


def test_kaplan_meier_agrees_with_statsmodels_on_flipped_values() -> None:
    rng = np.random.default_rng(8)
    value = np.round(rng.lognormal(0, 1, 60), 1) + 0.1
    limit = np.where(rng.random(60) < 0.5, 0.6, 1.1)
    nondetect = value < limit
    shown = np.where(nondetect, limit, value)
    found = kaplan_meier(shown, nondetect)
    flipped = SurvfuncRight(-shown, (~nondetect).astype(int))
    # S(-x) of the flipped values is P(X < x): the curve just below each value
    below = dict(zip(-flipped.surv_times, flipped.surv_prob, strict=True))
    se_below = dict(zip(-flipped.surv_times, flipped.surv_prob_se, strict=True))
    ordered = sorted(below)
    for i, x in enumerate(ordered[:-1]):
        j = found.values.index(x)
        assert found.cumulative[j] == pytest.approx(below[ordered[i + 1]], abs=1e-10)
        assert found.se[j] == pytest.approx(se_below[ordered[i + 1]], abs=1e-10)


def test_kaplan_meier_without_censoring_is_the_ordinary_mean_and_median() -> None:
    x = np.random.default_rng(9).lognormal(0, 1, 31)
    found = kaplan_meier(x, np.zeros(31, bool))
    assert found.mean.value == pytest.approx(x.mean(), rel=1e-10)
    assert found.median.value == pytest.approx(np.median(x), rel=1e-12)
    even = kaplan_meier(x[:30], np.zeros(30, bool))
    assert even.median.value == pytest.approx(np.median(x[:30]), rel=1e-12)
    # Greenwood's variance of an uncensored mean is the divisor-n one
    assert found.mean.se == pytest.approx(x.std() / math.sqrt(31), rel=1e-8)


def test_where_the_lowest_are_all_non_detects_the_mean_is_only_bounded() -> None:
    found = kaplan_meier([1.0, 1.0, 2.0, 3.0], [True, True, False, False])
    assert not found.mean.estimable
    assert (found.mean_low, found.mean_high) == pytest.approx((1.25, 1.75))
    assert found.unplaced == pytest.approx(0.5)


def test_turnbull_is_kaplan_meier_where_only_the_left_is_censored() -> None:
    rng = np.random.default_rng(10)
    value = rng.lognormal(0, 1, 40)
    nondetect = value < 0.7
    nondetect[np.argmin(value)] = False
    shown = np.where(nondetect, 0.7, value)
    km = kaplan_meier(shown, nondetect)
    masses = turnbull(np.where(nondetect, -INF, shown), shown)
    got = dict(zip(masses.high, np.cumsum(masses.mass), strict=True))
    for x, f in zip(km.values, km.cumulative, strict=True):
        assert got[x] == pytest.approx(f, abs=1e-6)


def test_regression_on_order_statistics_agrees_with_statsmodels() -> None:
    import pandas as pd

    rng = np.random.default_rng(11)
    value = rng.lognormal(1, 0.8, 50)
    limit = np.where(rng.random(50) < 0.5, 1.5, 2.5)
    nondetect = value < limit
    shown = np.where(nondetect, limit, value)
    found = regression_on_order_statistics(shown, nondetect)
    frame = pd.DataFrame({"v": shown, "c": nondetect})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        expected = sm_ros.impute_ros("v", "c", df=frame)
    assert found.fitted == pytest.approx(sorted(expected), rel=1e-8)


def test_the_censored_log_normal_agrees_with_scipy() -> None:
    rng = np.random.default_rng(12)
    value = rng.lognormal(0.5, 0.7, 45)
    low, high = bounds(value, 1.0, 5.0)
    found = lognormal_mle(low, high)
    logs = np.log(value)
    inside = (value >= 1) & (value <= 5)
    data = stats.CensoredData(
        uncensored=logs[inside], left=np.full(int(np.sum(value < 1)), 0.0),
        right=np.full(int(np.sum(value > 5)), math.log(5)),
    )  # fmt: skip

    def precise(
        f: Callable[..., float], x0: np.ndarray, args: tuple[object, ...], disp: object
    ) -> np.ndarray:
        return optimize.minimize(
            f, x0, args=args, method="Nelder-Mead", options={"xatol": 1e-11, "fatol": 1e-13}
        ).x

    mu, sigma = stats.norm.fit(data, optimizer=precise)
    assert found.mu == pytest.approx(mu, abs=1e-8)
    assert found.sigma == pytest.approx(sigma, abs=1e-8)
    assert found.mean.value == pytest.approx(math.exp(mu + sigma**2 / 2), rel=1e-7)


def test_without_censoring_the_log_normal_median_has_the_t_interval() -> None:
    x = np.random.default_rng(13).lognormal(0, 1, 20)
    expected = stats.ttest_1samp(np.log(x), 0).confidence_interval()
    found = lognormal_mle(x, x)
    assert (found.median.low, found.median.high) == pytest.approx(
        (math.exp(expected.low), math.exp(expected.high)), rel=1e-6
    )


# slope --------------------------------------------------------------------------------------


def test_the_rank_slope_without_censoring_agrees_with_scipy() -> None:
    rng = np.random.default_rng(14)
    x = rng.normal(0, 1, 45)
    y = 2 * x + rng.normal(0, 0.5, 45)
    found = akritas_theil_sen(x, x, y, y, scale="absolute")
    expected = stats.theilslopes(y, x)
    assert found.slope.value == pytest.approx(expected.slope, rel=1e-12)
    assert (found.slope.low, found.slope.high) == pytest.approx(
        (expected.low_slope, expected.high_slope), rel=1e-10
    )
    assert found.tau == pytest.approx(stats.kendalltau(x, y).statistic, rel=1e-10)
    assert found.intercept.value == pytest.approx(np.median(y - found.slope.value * x), abs=1e-9)


def test_the_score_is_zero_at_the_slope_found() -> None:
    rng = np.random.default_rng(15)
    lab, field = study(rng, 40)
    xl = xh = np.log(lab)
    yl, yh = (np.log(np.maximum(v, 1e-300)) for v in bounds(field, 0.7))
    yl = np.where(yl < -600, -INF, yl)
    found = akritas_theil_sen(lab, lab, *bounds(field, 0.7))

    def score(slope: float) -> float:
        total = 0
        for i in range(40):
            for j in range(40):
                if xl[i] > xh[j]:
                    low = (yl[i] - yh[j]) - slope * (xl[i] - xl[j])
                    high = (yh[i] - yl[j]) - slope * (xl[i] - xl[j])
                    total += int(low > 0) - int(high < 0)
        return total

    assert score(found.slope.value - 1e-6) >= 0 >= score(found.slope.value + 1e-6)
    assert score(found.slope.low - 0.05) > 0 > score(found.slope.high + 0.05)


def test_a_slope_that_censoring_leaves_open_is_refused() -> None:
    n = 10
    found = akritas_theil_sen(
        np.arange(1.0, n + 1), np.arange(1.0, n + 1), np.zeros(n), np.full(n, 5.0)
    )
    assert not found.slope.estimable
    assert "censored" in found.reason


# coverage -----------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("n", [20, 40, 100])
def test_the_interval_of_the_censored_ratio_covers_as_often_as_it_says(n: int) -> None:
    rng = np.random.default_rng(800 + n)
    lab, field = study(rng, n, 0.1, (2000,))
    # about 25 % of lab and 35 % of field values below their limits
    xl, xh = bounds(lab.ravel(), 0.58)
    yl, yh = bounds(field.ravel(), 0.8)
    groups = np.repeat(np.arange(2000), n)
    found = batch_log_ratio_bias(groups, 2000, xl, xh, yl, yh)
    usable = np.isfinite(found.low) & np.isfinite(found.high)
    assert usable.mean() > 0.995
    inside = (found.low <= 0.1) & (found.high >= 0.1)
    assert 0.93 <= inside[usable].mean() <= 0.97
    assert abs(found.value[usable].mean() - 0.1) < 0.01


@pytest.mark.slow
def test_censoring_on_both_ends_of_both_sides_is_covered_too() -> None:
    rng = np.random.default_rng(850)
    lab, field = study(rng, 40, 0.1, (1000,))
    found = batch_log_ratio_bias(
        np.repeat(np.arange(1000), 40), 1000, *bounds(lab.ravel(), 0.5, 2.4),
        *bounds(field.ravel(), 0.5, 2.4),
    )  # fmt: skip
    usable = np.isfinite(found.low) & np.isfinite(found.high)
    inside = (found.low <= 0.1) & (found.high >= 0.1)
    assert 0.93 <= inside[usable].mean() <= 0.97


@pytest.mark.slow
@pytest.mark.parametrize("n", [20, 40, 100])
@pytest.mark.parametrize("arithmetic", [False, True])
def test_intervals_of_the_log_normal_cover_as_often_as_they_say(n: int, arithmetic: bool) -> None:
    rng = np.random.default_rng(900 + n)
    z = rng.normal(0, 1, 2000 * n)
    low, high = np.where(z < -0.5, -INF, z), np.maximum(z, -0.5)
    groups = np.repeat(np.arange(2000), n)
    _, _, _, lower, upper = batch_lognormal(groups, 2000, low, high, mean_scale=arithmetic)
    truth = 0.5 if arithmetic else 0.0
    usable = np.isfinite(lower) & np.isfinite(upper)
    assert usable.mean() > 0.995
    assert 0.93 <= ((lower <= truth) & (truth <= upper))[usable].mean() <= 0.97


@pytest.mark.slow
@pytest.mark.parametrize("n", [20, 40, 100])
def test_the_interval_of_the_kaplan_meier_median_covers_as_often_as_it_says(n: int) -> None:
    rng = np.random.default_rng(1000 + n)
    found = []
    for _ in range(2000):
        value = rng.lognormal(0, 1, n)
        limit = np.where(rng.random(n) < 0.5, 0.2, 0.4)
        nondetect = value < limit
        found.append(kaplan_meier(np.where(nondetect, limit, value), nondetect).median)
    usable = [e for e in found if math.isfinite(e.low)]
    assert len(usable) > 0.9 * 2000
    assert 0.93 <= np.mean([e.low <= 1 <= e.high for e in usable]) <= 0.97


@pytest.mark.slow
@pytest.mark.parametrize("n", [20, 40, 100])
def test_the_interval_of_the_rank_slope_covers_as_often_as_it_says(n: int) -> None:
    rng = np.random.default_rng(1100 + n)
    found = []
    for _ in range(2000):
        x = rng.normal(0, 1, n)
        y = np.exp(1.1 * x + rng.normal(0, 0.4, n))
        found.append(akritas_theil_sen(np.exp(x), np.exp(x), *bounds(y, 0.7)).slope)
    usable = [e for e in found if math.isfinite(e.low)]
    assert len(usable) > 0.98 * 2000
    assert 0.93 <= np.mean([e.low <= 1.1 <= e.high for e in usable]) <= 0.97


# anything at all ----------------------------------------------------------------------------


@pytest.mark.slow
@given(st.lists(st.tuples(st.floats(), st.floats(), st.integers(0, 3)), max_size=10))
@settings(deadline=None, max_examples=100)
def test_no_values_whatever_break_the_censored_estimates(
    rows: list[tuple[float, float, int]],
) -> None:
    a, b = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    kind = np.array([r[2] for r in rows], dtype=int)
    low, high = np.where(kind == 1, 0.0, b), np.where(kind == 2, INF, b)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        check_sound(censored_log_ratio_bias(a, a, low, high))
        check_sound(lognormal_mle(low, high))
        check_sound(kaplan_meier(a, kind == 1))
        check_sound(regression_on_order_statistics(a, kind == 1))
        for scale in ("absolute", "log"):
            check_sound(akritas_theil_sen(a, a, low, high, scale=scale))
            check_sound(akritas_theil_sen(low, high, a, a, scale=scale))


@pytest.mark.slow
@given(st.integers(0, 10_000))
@settings(deadline=None, max_examples=15)
def test_heavily_censored_studies_give_an_ordered_interval_or_a_reason(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lab, field = study(rng, int(rng.integers(6, 25)))
    x = bounds(lab, float(np.quantile(lab, rng.random())))
    y = bounds(field, float(np.quantile(field, rng.random() * 0.6)), float(np.quantile(field, 0.9)))
    found = censored_log_ratio_bias(*x, *y)
    check_sound(found)
    if not found.reason:
        assert found.ratio.low < found.ratio.value < found.ratio.high
