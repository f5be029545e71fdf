"""Clusters of pairs: variance of a mean, degrees of freedom, correlation."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from scipy import stats

from reconcile.statistics.clusters import clustered, judged
from reconcile.statistics.proportions import clopper_pearson
from tests.statistics.test_months import DYESTUFF

VALUES, BATCH = np.ravel(DYESTUFF).astype(float), np.repeat(range(6), 5)


def drawn(
    sizes: list[int], rho: float, seed: int, mean: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Values of variance 1 in clusters of these sizes."""
    rng = np.random.default_rng(seed)
    owner = np.repeat(np.arange(len(sizes)), sizes)
    between = rng.normal(0, math.sqrt(rho), len(sizes))[owner]
    return mean + between + rng.normal(0, math.sqrt(1 - rho), owner.size), owner


def test_batches_of_dyestuff_give_the_published_parts() -> None:
    # Davies & Goldsmith 1972, section 6.5: variances 1764 between and 2451 within (from memory)
    found = clustered(VALUES, BATCH)
    assert found.clusters == 6
    assert found.total == pytest.approx(1764.05 + 2451.25, abs=0.5)
    assert found.correlation.value == pytest.approx(1764.05 / (1764.05 + 2451.25), abs=1e-4)
    assert found.effect == pytest.approx(1 + 4 * found.correlation.value)
    assert found.freedom == pytest.approx(5)


def test_balanced_clusters_give_the_t_interval_of_their_means() -> None:
    # the mean of balanced clusters is that of their means, whose t interval is exact
    found = clustered(VALUES, BATCH)
    se = math.sqrt(found.total * found.effect / found.n)
    means = VALUES.reshape(6, 5).mean(axis=1)
    assert se == pytest.approx(stats.sem(means))
    half = stats.t.ppf(0.95, 29) * math.sqrt(found.total / 30 * found.widening(29))
    assert half == pytest.approx(stats.t.ppf(0.95, 5) * stats.sem(means))


def test_the_interval_of_the_correlation_is_that_of_the_variance_ratio() -> None:
    found = clustered(VALUES, BATCH)
    f, p = stats.f_oneway(*VALUES.reshape(6, 5))
    low, high = (f / stats.f.ppf(q, 5, 24) for q in (0.975, 0.025))
    assert found.correlation.low == pytest.approx((low - 1) / (low + 4))
    assert found.correlation.high == pytest.approx((high - 1) / (high + 4))
    assert found.correlation.low > 0
    assert p < 0.05


def test_values_that_do_not_differ_between_clusters_stay_as_many() -> None:
    x, owner = drawn([5] * 8, 0.0, 3)
    x = x - np.bincount(owner, weights=x)[owner] / 5
    found = clustered(x, owner)
    assert (found.effect, found.freedom, found.effective) == (1.0, 39.0, 40.0)
    assert found.total == pytest.approx(np.var(x, ddof=1))


def test_copies_of_one_value_count_once() -> None:
    rng = np.random.default_rng(5)
    found = clustered(np.repeat(rng.normal(size=30), 3), np.repeat(range(30), 3))
    assert found.correlation.value == 1
    assert found.effective == pytest.approx(30)
    assert found.freedom == pytest.approx(29)


def test_one_cluster_shows_nothing_of_others() -> None:
    found = clustered([1.0, 2.0, 4.0], [0, 0, 0])
    assert found.effect == math.inf
    assert found.effective == 0
    assert "one cluster" in found.correlation.reason


def test_pairs_of_their_own_are_independent() -> None:
    x = np.array([1.0, 2.0, 4.0, 3.0])
    found = clustered(x, [0, 1, 2, 3])
    assert (found.effect, found.freedom) == (1.0, 3.0)
    assert found.total == pytest.approx(np.var(x, ddof=1))


@pytest.mark.parametrize("seed", range(3))
def test_the_parts_of_balanced_clusters_are_those_of_a_mixed_model(seed: int) -> None:
    x, owner = drawn([6] * 12, 0.4, seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its optimiser, at its last digits
        fitted = sm.MixedLM(x, np.ones(x.size), owner).fit(
            reml=True, method=["bfgs", "nm"], maxiter=5000, xtol=1e-14, ftol=1e-14, gtol=1e-10
        )
    found = clustered(x, owner)
    between, within = float(fitted.cov_re[0, 0]), float(fitted.scale)
    assert found.total == pytest.approx(between + within, rel=1e-6)
    assert found.correlation.value == pytest.approx(between / (between + within), rel=1e-6)
    se = math.sqrt(found.total * found.effect / found.n)
    assert se == pytest.approx(float(fitted.bse_fe[0]), rel=1e-6)


def test_crossing_clusters_add_what_each_has_beyond_their_intersection() -> None:
    # holes and batches that cross: the variance of the mean has a part of each
    rng = np.random.default_rng(11)
    hole, batch = (c.ravel() for c in np.meshgrid(np.arange(20), np.arange(20), indexing="ij"))
    x = rng.normal(size=20)[hole] + rng.normal(size=20)[batch] + rng.normal(size=400)
    both = judged(x, [hole, batch])
    one, other = (clustered(x, codes) for codes in (hole, batch))
    assert both is not None
    assert both.effect == pytest.approx(one.effect + other.effect - 1)  # no cell holds two
    assert both.effect_of(20) > one.effect_of(20)


def test_nested_clusters_count_as_the_outer_one() -> None:
    x, hole = drawn([10] * 12, 0.5, 2)
    interval = np.arange(120) // 2
    both, outer = judged(x, [hole, interval]), clustered(x, hole)
    assert both is not None
    assert both.effect == pytest.approx(outer.effect)


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40),
    st.lists(st.integers(0, 5), min_size=40, max_size=40),
)
@hypothesis_settings(max_examples=60, deadline=None)
def test_any_clusters_give_sound_numbers(values: list[float], codes: list[int]) -> None:
    found = clustered(values, codes[: len(values)])
    assert found.effect >= 1
    assert 0 <= found.effective <= found.n
    if math.isfinite(found.effect):
        assert found.effect <= found.largest + 1e-9
        assert found.freedom <= max(found.n - 1, 1)


def missed(sizes: list[int], rho: float, studies: int) -> int:
    """Studies in which the t interval of the mean does not hold the truth, of 0."""
    out = 0
    for seed in range(studies):
        x, owner = drawn(sizes, rho, seed)
        found = clustered(x, owner)
        n = x.size
        half = stats.t.ppf(0.975, found.freedom) * math.sqrt(found.total * found.effect / n)
        out += abs(float(x.mean())) > half
    return out


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.6])
def test_the_interval_of_a_mean_holds_in_unequal_clusters(rho: float) -> None:
    sizes = [2, 3, 4, 5, 6, 7, 8, 9, 3, 3]
    rate = clopper_pearson(missed(sizes, rho, 400), 400)
    assert rate.low < 0.075  # 5 % are promised; few unequal clusters cost a little
