"""The short forms give what the general library gives."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from reconcile.statistics import distributions as ours

CHANCES = np.array([0.0, 1e-12, 1e-6, 0.005, 0.025, 0.05, 0.3, 0.5, 0.7, 0.95, 0.975, 1.0, np.nan])
DF = np.array([-1.0, 0.0, 0.5, 1.0, 1.7, 2.0, 5.0, 13.3, 40.0, 1e3, 1e6, np.inf, np.nan])
FINITE = DF[~np.isinf(DF)]
VALUES = np.array([-np.inf, -40.0, -3.0, -0.1, 0.0, 0.2, 0.9, 1.0, 2.5, 40.0, np.inf, np.nan])


def same(one: Any, other: Any) -> None:
    np.testing.assert_allclose(one, other, rtol=1e-12, atol=0)


@pytest.mark.parametrize("name", ["cdf", "sf", "pdf"])
def test_the_normal_distribution_is_that_of_the_library(name: str) -> None:
    same(getattr(ours.norm, name)(VALUES), getattr(stats.norm, name)(VALUES))


@pytest.mark.parametrize("kind", ["norm", "t", "chi2"])
@pytest.mark.parametrize("name", ["ppf", "isf"])
def test_quantiles_are_those_of_the_library(kind: str, name: str) -> None:
    df = {"norm": (), "t": (DF[:, None],), "chi2": (FINITE[:, None],)}[kind]
    same(
        getattr(getattr(ours, kind), name)(CHANCES, *df),
        getattr(getattr(stats, kind), name)(CHANCES, *df),
    )


@pytest.mark.parametrize(("kind", "name"), [("t", "cdf"), ("t", "sf"), ("chi2", "sf")])
def test_chances_are_those_of_the_library(kind: str, name: str) -> None:
    df = (DF if kind == "t" else FINITE)[:, None]
    same(
        getattr(getattr(ours, kind), name)(VALUES, df),
        getattr(getattr(stats, kind), name)(VALUES, df),
    )


@pytest.mark.parametrize("kind", ["f", "beta"])
@pytest.mark.parametrize("name", ["sf", "ppf", "isf"])
def test_two_parameters_too(kind: str, name: str) -> None:
    parameters = np.array([-1.0, 0.0, 0.7, 1.0, 2.0, 9.5, 60.0, 1e3, np.nan])
    x = VALUES if (kind, name) == ("f", "sf") else CHANCES
    with np.errstate(all="ignore"):
        same(
            getattr(getattr(ours, kind), name)(x, parameters[:, None], parameters[:, None, None]),
            getattr(getattr(stats, kind), name)(x, parameters[:, None], parameters[:, None, None]),
        )


def test_the_cauchy_distribution_is_that_of_the_library() -> None:
    same(ours.cauchy.sf(VALUES), stats.cauchy.sf(VALUES))


def test_a_density_without_spread_is_not_defined() -> None:
    with np.errstate(all="ignore"):
        assert np.isnan(ours.norm.pdf(1.0, 1.0, 0.0))
    same(ours.norm.pdf(1.0, 0.3, 2.0), stats.norm.pdf(1.0, 0.3, 2.0))


@given(st.integers(1, 3000), st.floats(0.001, 0.999), st.floats(1e-9, 1 - 1e-9))
def test_the_binomial_is_that_of_the_library(n: int, p: float, q: float) -> None:
    found = ours.binom.ppf(q, n, p)
    expected = stats.binom.ppf(q, n, p)
    if found != expected:  # the chance at one of them is q but for rounding
        near = ours.binom.cdf(min(found, expected), n, p)
        assert near == pytest.approx(q, rel=1e-12)
    for k in (-1, 0, found, n - 1, n, n + 1):
        assert ours.binom.cdf(k, n, p) == pytest.approx(stats.binom.cdf(k, n, p), rel=1e-11)


@given(st.lists(st.sampled_from([0.0, 1.0, 1.5, 2.0, 7.0, -3.0, np.inf, -np.inf]), max_size=12))
def test_ranks_are_those_of_the_library(values: list[float]) -> None:
    same(ours.rankdata(np.array(values)), stats.rankdata(values))
    same(ours.rankdata(np.array([*values, np.nan])), stats.rankdata([*values, np.nan]))


@given(
    st.lists(
        st.tuples(st.sampled_from([0.0, 1.0, 2.0, 3.5]), st.sampled_from([0.1, 5.0, -2.0])),
        min_size=3, max_size=20,
    )
)  # fmt: skip
def test_rank_correlation_is_that_of_the_library(pairs: list[tuple[float, float]]) -> None:
    x, y = np.array(pairs).T
    if len(set(x)) > 1 and len(set(y)) > 1:
        assert ours.spearman(x, y) == pytest.approx(stats.spearmanr(x, y).statistic, abs=1e-12)
    else:
        assert np.isnan(ours.spearman(x, y))


def test_scatter_and_false_discoveries_are_judged_as_the_library_does() -> None:
    rng = np.random.default_rng(4)
    groups = [rng.normal(0, 1 + i, 5 + 3 * i) for i in range(4)]
    same(tuple(ours.levene(*groups)), tuple(stats.levene(*groups, center="median")))
    for p in (rng.random(30) ** 3, np.array([0.2]), np.array([1.0, 1.0, 0.0])):
        same(ours.false_discovery_control(p), stats.false_discovery_control(p, method="bh"))
