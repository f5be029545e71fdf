"""Bias, agreement and lines against scipy, statsmodels and odrpack on random pairs, to 1e-8."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import odrpack
import pytest
from scipy import stats

from reconcile.statistics import agreement, bias, lines

SEEDS = range(12)


def pairs(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Positive pairs of some size, slope and scatter, among them ties."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(8, 120))
    truth = rng.lognormal(rng.uniform(0, 6), 0.6, n)
    x = truth * (1 + 0.05 * rng.normal(size=n))
    y = rng.uniform(0.5, 2) * truth * (1 + 0.1 * rng.normal(size=n))
    if seed % 3 == 0:
        digits = 1 - int(math.log10(np.median(truth)))
        x, y = np.maximum(np.round(x, digits + 1), 1e-3), np.maximum(np.round(y, digits + 1), 1e-3)
    return x, y


def close(found: float, expected: float, rel: float = 1e-8) -> None:
    assert found == pytest.approx(float(expected), rel=rel, abs=1e-12)


# ---- lines ---------------------------------------------------------------------------------


def odr(
    x: np.ndarray, y: np.ndarray, wx: np.ndarray, wy: np.ndarray, start: tuple[float, float]
) -> np.ndarray:
    """Intercept and slope of orthogonal distance regression with weights on both sides."""
    unit_x, unit_y = float(np.abs(x).max()), float(np.abs(y).max())
    result = odrpack.odr_fit(
        lambda u, beta: beta[0] + beta[1] * u,
        x / unit_x,
        y / unit_y,
        np.array([start[0] / unit_y, start[1] * unit_x / unit_y]),
        weight_x=wx * unit_x**2,
        weight_y=wy * unit_y**2,
        jac_beta=lambda u, beta: np.stack([np.ones_like(u), u]),
        jac_x=lambda u, beta: np.full_like(u, beta[1]),
        maxit=2000,
        sstol=1e-15,
        partol=1e-15,
    )
    return np.array([result.beta[0] * unit_y, result.beta[1] * unit_y / unit_x])


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("lam", [0.25, 1.0, 6.25])
def test_deming_agrees_with_orthogonal_distance_regression(seed: int, lam: float) -> None:
    x, y = pairs(seed)
    line = lines.deming(x, y, lam)
    unit = float(np.median(x))
    expected = odr(
        x, y, np.full(x.size, lam) / unit**2, np.full(x.size, 1.0) / unit**2,
        (line.intercept.value * 1.01, line.slope.value * 0.99),
    )  # fmt: skip
    assert line.slope.value == pytest.approx(expected[1], rel=1e-8)
    assert line.intercept.value == pytest.approx(expected[0], rel=1e-8, abs=1e-8 * unit)
    assert lines.deming_point(x, y, lam) == (line.intercept.value, line.slope.value)


@pytest.mark.parametrize("seed", SEEDS)
def test_york_agrees_with_orthogonal_distance_regression(seed: int) -> None:
    x, y = pairs(seed)
    rng = np.random.default_rng(seed + 100)
    sx = 0.05 * x * rng.lognormal(0, 0.3, x.size)
    sy = 0.1 * y * rng.lognormal(0, 0.3, x.size)
    line = lines.york(x, y, sx, sy)
    expected = odr(
        x, y, 1 / sx**2, 1 / sy**2, (line.intercept.value * 1.01, line.slope.value * 0.99)
    )
    assert line.slope.value == pytest.approx(expected[1], rel=1e-8)
    assert line.intercept.value == pytest.approx(
        expected[0], rel=1e-8, abs=1e-8 * float(np.median(y))
    )


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("lam", [1.0, 6.25])
def test_weighted_deming_is_the_weighted_orthogonal_fit_at_its_own_weights(
    seed: int, lam: float
) -> None:
    # Linnet 1990: weights 1/(estimated level)² on both sides; at the end they stand still
    x, y = pairs(seed)
    line = lines.weighted_deming(x, y, lam)
    a, b = line.intercept.value, line.slope.value
    true_x = x + b * (y - a - b * x) / (lam + b * b)
    level = (true_x + lam * (a + b * true_x)) / (1 + lam)
    expected = odr(x, y, lam / level**2, 1 / level**2, (a * 1.01, b * 0.99))
    assert b == pytest.approx(expected[1], rel=1e-7)
    assert a == pytest.approx(expected[0], rel=1e-7, abs=1e-7 * float(np.median(y)))


# ---- bias ----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_mean_differences_agree_with_scipys_t_test(seed: int) -> None:
    x, y = pairs(seed)
    for found, values in (
        (bias.mean_difference(x, y), y - x),
        (bias.mean_relative_difference(x, y), (y - x) / x),
    ):
        test = stats.ttest_1samp(values, 0)
        interval = test.confidence_interval(0.95)
        close(found.value, values.mean())
        close(found.low, interval.low)
        close(found.high, interval.high)
    ratio = bias.geometric_mean_ratio(x, y)
    interval = stats.ttest_rel(np.log(y), np.log(x)).confidence_interval(0.95)
    close(ratio.value, stats.gmean(y / x))
    close(ratio.low, math.exp(interval.low))
    close(ratio.high, math.exp(interval.high))


# ---- agreement -----------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_correlations_agree_with_scipy(seed: int) -> None:
    x, y = pairs(seed)
    found = agreement.correlation(x, y, interval="normal")
    test = stats.pearsonr(x, y)
    close(found.r.value, test.statistic)
    close(found.r.low, test.confidence_interval(0.95).low)
    close(found.r.high, test.confidence_interval(0.95).high)
    close(found.r_squared, test.statistic**2)
    close(found.spearman, stats.spearmanr(x, y).statistic)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_limits_intervals_agree_with_scipys_noncentral_t(seed: int) -> None:
    x, y = pairs(seed)
    scales: tuple[tuple[agreement.Scale, Any, Any], ...] = (
        ("absolute", y - x, float),
        ("relative", 2 * (y - x) / (x + y), float),
        ("log ratio", np.log(y / x), math.exp),
    )
    for scale, d, back in scales:
        found = agreement.limits_of_agreement(x, y, scale)
        n, mean, sd = d.size, d.mean(), d.std(ddof=1)
        z = stats.norm.ppf(0.975)
        near, far = stats.nct.ppf([0.025, 0.975], n - 1, z * math.sqrt(n)) / math.sqrt(n)
        close(found.lower.value, back(mean - z * sd))
        close(found.upper.value, back(mean + z * sd))
        close(found.upper.low, back(mean + near * sd))
        close(found.upper.high, back(mean + far * sd))
        close(found.lower.low, back(mean - far * sd))
        close(found.lower.high, back(mean - near * sd))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_share_within_agrees_with_scipys_exact_binomial_interval(seed: int) -> None:
    x, y = pairs(seed)
    found = agreement.share_within(x, y, 0.2)
    count = int(np.sum(np.abs(y - x) <= 0.2 * x))
    interval = stats.binomtest(count, x.size).proportion_ci(0.95, method="exact")
    close(found.value, count / x.size)
    close(found.low, interval.low)
    close(found.high, interval.high)
