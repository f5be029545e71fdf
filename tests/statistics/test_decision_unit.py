"""The upper confidence limit of a unit's mean holds what it says."""

import math

import numpy as np
import pytest

from reconcile.statistics.decision_unit import unit_mean


def test_students_and_chebyshevs_limits_are_those_of_the_formulas() -> None:
    # t(0.95; 4) = 2.132 (tables of Student's law); Chebyshev: sqrt(1/0.05 - 1) = 4.359
    even = unit_mean([90.0, 95.0, 100.0, 105.0, 110.0])
    assert even.upper == pytest.approx(100 + 2.132 * even.sd / math.sqrt(5), rel=1e-4)
    assert even.method == "Student"
    skewed = unit_mean([10.0, 10.0, 10.0, 10.0, 500.0])
    assert skewed.upper == pytest.approx(108 + 4.359 * skewed.sd / math.sqrt(5), rel=1e-4)
    assert skewed.method == "Chebyshev"


def test_what_all_samples_share_does_not_average_out() -> None:
    many = np.tile([90.0, 110.0], 500)
    assert unit_mean(many, common=5.0).upper == pytest.approx(100 + 1.646 * 5.01, rel=1e-3)


def test_few_samples_have_no_limit_and_no_sample_has_no_mean() -> None:
    assert math.isnan(unit_mean([1.0, 2.0]).upper)
    assert math.isnan(unit_mean([]).mean)
    with pytest.raises(ValueError, match="finite"):
        unit_mean([1.0, math.nan, 3.0])


def test_the_limit_is_above_the_true_mean_as_often_as_it_says() -> None:
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(1500):
        common = rng.normal(0, 4)
        held += unit_mean(rng.normal(100, 20, 12) + common, common=4.0).upper >= 100
    assert abs(held / 1500 - 0.95) < 3 * math.sqrt(0.05 * 0.95 / 1500)
