"""The line at the truth, its bands, and the range in which the bias is shown."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from reconcile.statistics import error_model
from reconcile.statistics.grey_region import edge_chance
from reconcile.statistics.level_band import (
    Scale,
    bias_interval,
    limits_of_bias,
    proved_range,
    truth_line,
    working_hotelling,
)
from reconcile.statistics.noncentral_t import one_sided_tolerance_factor, tail_bound


def simulated(
    n: int, seed: int, spread: float = 16.0, rsd: float = 0.08, lab_rsd: float = 0.02
) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    true = 50 * np.exp(rng.uniform(0, math.log(spread), n))
    return true * np.exp(rng.normal(0, lab_rsd, n)), true * np.exp(rng.normal(0, rsd, n))


@pytest.mark.parametrize("n", [6, 10, 25, 102])
def test_the_band_of_a_whole_line_is_that_of_working_and_hotelling(n: int) -> None:
    # Working & Hotelling 1929: sqrt(2 F), here against scipy's F
    expected = math.sqrt(2 * stats.f.isf(0.05, 2, n - 2))
    assert working_hotelling(n - 2) == pytest.approx(expected, rel=1e-12)


def test_the_multiplier_is_that_of_tables() -> None:
    # F(0.95; 2, 23) = 3.42 (standard tables): sqrt(6.84) = 2.616; the worked example of an
    # introductory regression text with n = 25 (Neter, Kutner et al., the 'Toluca' data at 90 %:
    # F(0.90; 2, 23) = 2.549, W = 2.258; from memory)
    assert working_hotelling(23) == pytest.approx(2.616, abs=0.001)
    assert working_hotelling(23, 0.10) == pytest.approx(2.258, abs=0.001)


def test_the_line_without_a_lab_error_is_that_of_least_squares_of_the_logarithms() -> None:
    lab, field = simulated(30, 1)
    line = truth_line(lab, field, "log ratio")
    fitted = stats.linregress(np.log(lab), np.log(field))
    assert line.slope == pytest.approx(fitted.slope, rel=1e-12)
    assert math.sqrt(line.slope_variance) == pytest.approx(fitted.stderr, rel=1e-10)
    at = math.log(200)
    t = stats.t.ppf(0.95, 28) * math.sqrt(float(line.variance(at)))
    middle = fitted.intercept + fitted.slope * at - at
    found = bias_interval(line, at)
    assert (found.low, found.high) == pytest.approx(
        (math.expm1(middle - t), math.expm1(middle + t))
    )
    assert found.confidence == pytest.approx(0.90)  # two one-sided tests at 5 %: Schuirmann 1987


def test_a_known_lab_error_gives_the_line_of_the_error_model() -> None:
    # Fuller 1987, section 1.2: b = m_xy/(m_xx - s_uu); the same by the module of the error model
    lab, field = simulated(60, 2, spread=3.0, lab_rsd=0.06)
    x, y = np.log(lab), np.log(field)
    line = truth_line(lab, field, "log ratio", 0.06**2)
    other = error_model.error_model(
        x, y, error_model.Known(0.06**2), error_model.UNKNOWN, "constant"
    )
    assert line.slope == pytest.approx(other.line.slope.value, rel=1e-6)
    hand = np.cov(x, y)[0, 1] / (np.var(x, ddof=1) - 0.06**2)
    assert line.slope == pytest.approx(hand, rel=1e-12)


def test_a_narrow_range_with_a_lab_error_does_not_flatten_the_line() -> None:
    slopes = [
        truth_line(*simulated(80, seed, 2.0, 0.05, 0.06), "log ratio", 0.06**2).slope
        for seed in range(200)
    ]
    # attenuation without the correction: 0.0036 / (ln(2)²/12 + 0.0036) = 8 %
    assert np.mean(slopes) == pytest.approx(1.0, abs=0.02)
    flat = [truth_line(*simulated(80, s, 2.0, 0.05, 0.06), "log ratio").slope for s in range(200)]
    assert np.mean(flat) == pytest.approx(0.92, abs=0.02)


@pytest.mark.parametrize("scale", ["log ratio", "absolute"])
def test_an_unbiased_method_is_shown_over_most_of_its_range(scale: Scale) -> None:
    lab, field = simulated(200, 3, rsd=0.05, spread=4.0)
    line = truth_line(lab, field, scale, 0.02**2 if scale == "log ratio" else 2.0**2)
    anchor = float(line.lab[100])
    found = proved_range(line, 0.10, anchor)
    assert found.share > 0.6
    assert found.beyond == 0
    lowest, highest = limits_of_bias(np.array([found.low, found.high]), 0.10, line.scale)
    at = line.at(np.array([found.low, found.high]))
    assert np.all((at > lowest) & (at < highest))


def test_the_range_ends_before_a_step() -> None:
    rng = np.random.default_rng(4)
    true = np.geomspace(50, 800, 120)
    field = true * np.where(true > 400, 1.25, 1.0) * np.exp(rng.normal(0, 0.05, 120))
    line = truth_line(true, field, "log ratio")
    found = proved_range(line, 0.10, math.log(150))
    assert 150 < math.exp(found.high) < 400
    assert not found.low <= math.log(500) <= found.high
    # seen from the other side nothing is shown there
    assert math.isnan(proved_range(line, 0.10, math.log(600)).low)


def test_of_few_samples_a_step_at_an_end_is_seen_by_the_quarter_there() -> None:
    # 5 of 20 samples read 11 % high: in a stretch of ten that is 5.5 %
    lab = np.geomspace(50, 800, 20)
    step = np.where(np.arange(20) >= 15, 1.11, 1.0)
    wobble = np.exp(0.02 * np.where(np.arange(20) % 2, 1.0, -1.0))
    line = truth_line(lab, lab * step * wobble, "log ratio")
    found = proved_range(line, 0.10, math.log(200))
    assert math.isfinite(found.low)
    assert math.exp(found.high) <= lab[15] * (1 + 1e-9)
    # the same without the step is shown to its end
    straight = proved_range(truth_line(lab, lab * wobble, "log ratio"), 0.10, math.log(200))
    assert math.exp(straight.high) == pytest.approx(lab[-1])


def test_a_range_that_is_biased_everywhere_is_shown_to_be_so() -> None:
    lab, field = simulated(60, 5)
    line = truth_line(lab, 1.4 * field, "log ratio")
    found = proved_range(line, 0.10, float(line.lab[30]))
    assert found.share == 0
    assert found.beyond == 1


def test_what_cannot_be_fitted_says_why() -> None:
    same = np.full(10, 5.0)
    assert truth_line(same, np.arange(10.0) + 1, "log ratio").reason
    assert truth_line([1.0, 2.0, 3.0], [1.0, 2.0, 3.1], "log ratio").reason
    assert truth_line(np.arange(5.0), np.arange(5.0), "log ratio").reason  # a zero
    grid = np.linspace(1, 2, 10)
    assert "lie on a line" in truth_line(grid, 2 * grid, "absolute").reason
    lab, field = simulated(30, 1, spread=1.1)
    assert "as large as the range" in truth_line(lab, field, "log ratio", 0.05**2).reason
    assert math.isnan(proved_range(truth_line(same, same, "absolute"), 0.1, 5.0).low)


# ---- the edges of a grey region -------------------------------------------------------


def test_the_bound_of_a_tail_is_that_of_the_tolerance_factor() -> None:
    # at k = the 95 %/95 % factor of n = 20, 2.396 (standard tables), the bound of the tail
    # below -k is 5 %
    k = one_sided_tolerance_factor(20)
    assert k == pytest.approx(2.396, abs=0.001)
    assert tail_bound(-k, 1 / 20, 19) == pytest.approx(0.05, abs=1e-9)
    assert tail_bound(k, 1 / 20, 19, 0.05) == pytest.approx(0.95, abs=1e-9)


def test_the_chance_at_the_edge_is_that_of_the_line_with_its_bias() -> None:
    lab, field = simulated(400, 6)
    line = truth_line(lab, 0.90 * field, "log ratio", 0.02**2)
    found = edge_chance(line, 200.0, 240.0)
    # by hand: Phi(ln(200/(0.90·240))/0.08) = Phi(-0.962) = 0.168
    assert found.value == pytest.approx(0.168, abs=0.04)
    assert found.lower < found.value < found.upper
    unbiased = edge_chance(truth_line(lab, field, "log ratio", 0.02**2), 200.0, 240.0)
    assert unbiased.value == pytest.approx(stats.norm.cdf(-math.log(1.2) / 0.08), abs=0.008)


def test_the_bounds_hold_the_true_chance_as_often_as_they_say() -> None:
    true = stats.norm.cdf(-math.log(1.2) / 0.08)
    above = below = 0
    for seed in range(400):
        lab, field = simulated(30, 1000 + seed, lab_rsd=1e-6)
        found = edge_chance(truth_line(lab, field, "log ratio"), 200.0, 240.0)
        above += found.upper < true
        below += found.lower > true
    # 5 % each of 400 is 20; a binomial count beyond 35 has a chance below 0.001
    assert above <= 35
    assert below <= 35
    assert above + below >= 15


def test_at_an_edge_where_values_scatter_more_their_own_scatter_counts() -> None:
    # constant SD of 9 and RSD 3 %: 13 % at 70, 3 % at 800
    rng = np.random.default_rng(5)
    lab = np.exp(rng.uniform(np.log(50), np.log(800), 100))
    field = lab * np.exp(rng.normal(0, 0.03, 100)) + rng.normal(0, 9, 100)
    keep = field > 0
    line = truth_line(lab[keep], field[keep], "log ratio")
    low, high = edge_chance(line, 70.0, 84.0), edge_chance(line, 500.0, 600.0)
    true = float(stats.norm.cdf((math.log(70) - math.log(84)) / math.hypot(0.03, 9 / 84)))
    assert true < low.upper
    pooled = (math.log(70) - float(line.at(math.log(84)))) / math.sqrt(line.own)
    assert low.value > float(stats.norm.cdf(pooled))
    assert high.value < low.value  # up there the scatter of all stands
