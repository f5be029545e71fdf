"""Whether a line holds."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from reconcile.statistics.line import Line
from reconcile.statistics.lines import (
    deming,
    diagnostics,
    ols,
    passing_bablok,
    theil_sen,
    weighted_deming,
)
from tests.statistics.degenerate_inputs import PAIRS, check_sound

Fit = Callable[[np.ndarray, np.ndarray], Line]
FITS: dict[str, Fit] = {
    "least squares": ols,
    "Deming": lambda x, y: deming(x, y, 4.0),
    "weighted Deming": lambda x, y: weighted_deming(x, y, 4.0),
    "Passing-Bablok": passing_bablok,
    "Theil-Sen": theil_sen,
}


def straight(n: int = 60, seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    truth = rng.uniform(20, 100, n)
    return truth + rng.normal(0, 2, n), 3 + 0.95 * truth + rng.normal(0, 4, n)


@pytest.mark.parametrize("name", FITS)
def test_the_slope_without_the_top_sample_is_that_of_the_other_pairs(name: str) -> None:
    x, y = straight()
    line = FITS[name](x, y)
    found = diagnostics(x, y, line)
    keep = np.arange(x.size) != int(np.argmax(x))
    assert found.slope_without_top == pytest.approx(FITS[name](x[keep], y[keep]).slope.value)
    assert found.with_top == x.max()
    assert found.slope == line.slope.value


def test_influence_on_least_squares_agrees_with_statsmodels() -> None:
    # change of the slope without one pair: statsmodels' DFBETA, here in SEs of the whole fit
    x, y = straight(25)
    y[np.argmax(x)] += 30
    line = ols(x, y)
    found = diagnostics(x, y, line)
    model = sm.OLS(y, sm.add_constant(x)).fit()
    change = np.abs(model.get_influence().dfbeta[:, 1]) / line.slope.se
    assert found.influential_pair == int(np.argmax(change)) == int(np.argmax(x))
    assert found.largest_influence == pytest.approx(float(change.max()), rel=1e-9)


@pytest.mark.parametrize("name", FITS)
def test_the_pair_that_pulls_the_line_is_named_by_its_place(name: str) -> None:
    x, y = straight(30)
    # low levels weigh most where errors grow with the level
    place = int(np.argmin(x) if name == "weighted Deming" else np.argmax(x)) + 1
    x, y = np.insert(x, 0, np.nan), np.insert(y, 0, 7.0)  # a pair that drops out
    y[place] += 60
    found = diagnostics(x, y, FITS[name](x, y))
    if name in ("least squares", "Deming", "weighted Deming"):
        assert found.influential_pair == place
        assert found.largest_influence > 0.5
    else:
        assert found.largest_influence < 1  # ranks are moved little by one pair


def test_the_quadratic_terms_p_value_agrees_with_statsmodels() -> None:
    x, y = straight()
    y = y + 0.004 * (x - 60) ** 2
    found = diagnostics(x, y, ols(x, y))
    design = np.column_stack([np.ones_like(x), x, x * x])
    assert found.curvature_p == pytest.approx(sm.OLS(y, design).fit().pvalues[2], rel=1e-6)


def test_the_scatter_trend_agrees_with_scipys_rank_correlation() -> None:
    x, y = straight()
    line = ols(x, y)
    found = diagnostics(x, y, line)
    expected = stats.spearmanr(np.abs(y - line.predict(x)), line.slope.value * x + y)
    assert found.scatter_trend == pytest.approx(expected.statistic, rel=1e-12)
    assert found.scatter_trend_p == pytest.approx(expected.pvalue, rel=1e-9)


@pytest.mark.parametrize("name", FITS)
def test_a_bent_relation_is_seen_and_said(name: str) -> None:
    rng = np.random.default_rng(4)
    x = rng.uniform(10, 100, 80)
    y = 8 + 0.01 * x**2 + rng.normal(0, 1.5, 80)
    found = diagnostics(x, y, FITS[name](x, y))
    if name in ("Passing-Bablok", "Theil-Sen"):
        assert found.linearity is not None
        assert not found.linearity.linear
    else:
        assert found.linearity is None
    assert found.curvature_p < 0.001
    assert "bend" in found.sentence()


def test_scatter_that_grows_is_seen_and_weights_take_it_away() -> None:
    rng = np.random.default_rng(6)
    truth = rng.lognormal(3.5, 0.8, 200)
    x, y = (truth * (1 + s * rng.normal(size=200)) for s in (0.05, 0.1))
    plain = diagnostics(x, y, deming(x, y, 4.0))
    assert plain.scatter_trend > 0.3
    assert "grows" in plain.sentence()
    weighted = diagnostics(x, y, weighted_deming(x, y, 4.0))
    assert abs(weighted.scatter_trend) < 0.15


@pytest.mark.slow
@pytest.mark.parametrize("name", ["Deming", "Passing-Bablok"])
def test_straight_data_are_called_bent_or_uneven_in_about_one_study_of_twenty(name: str) -> None:
    raised = np.zeros(3)
    studies = 400
    for k in range(studies):
        x, y = straight(40, seed=k)
        found = diagnostics(x, y, FITS[name](x, y))
        raised += [
            found.linearity is not None and not found.linearity.linear,
            found.curvature_p < 0.05,
            found.scatter_trend_p < 0.05,
        ]
    share = raised / studies
    print(name, share)
    # 99.9 % limits of 5 % in 400
    assert np.all(share <= 0.095)
    assert np.all(share[1:] >= 0.015)


@pytest.mark.parametrize("name", FITS)
def test_thirds_share_out_all_pairs_by_lab_value(name: str) -> None:
    x, y = straight(62)
    found = diagnostics(x, y, FITS[name](x, y))
    assert [t.n for t in found.thirds] == [21, 21, 20]
    assert found.thirds[0].x_low == x.min()
    assert found.thirds[2].x_high == x.max()
    inside = (x >= found.thirds[1].x_low) & (x <= found.thirds[1].x_high)
    expected = FITS[name](x[inside], y[inside]).slope
    assert found.thirds[1].slope.value == pytest.approx(expected.value)
    assert diagnostics(x[:17], y[:17], FITS[name](x[:17], y[:17])).thirds == ()


@pytest.mark.parametrize("name", PAIRS)
@pytest.mark.parametrize("fit", FITS)
def test_nothing_breaks_on_degenerate_pairs(name: str, fit: str) -> None:
    x, y = (np.array(side) for side in PAIRS[name])
    found = diagnostics(x, y, FITS[fit](x, y))
    check_sound(found)
    if len(x) < 4:
        assert found.reason
    if name == "perfect line":
        assert found.slope_without_top == pytest.approx(2.0)
        assert math.isnan(found.largest_influence)
