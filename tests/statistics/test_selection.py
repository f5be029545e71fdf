"""Means of samples chosen with unequal chances, and the mean relative difference."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from reconcile.statistics.selection import mean_relative_difference, weighted_mean


def test_equal_chances_give_the_plain_mean_and_its_t_interval() -> None:
    x = np.array([1.0, 2.0, 4.0, 7.0])
    found = weighted_mean(x, [0.3] * 4)
    expected = stats.ttest_1samp(x, 0).confidence_interval(0.95)
    assert found.value == pytest.approx(3.5)
    assert (found.low, found.high) == pytest.approx((expected.low, expected.high))


def test_weights_undo_a_choice_that_prefers_some_samples() -> None:
    # Horvitz and Thompson 1952: the weighted mean is that of all, whatever was preferred
    rng = np.random.default_rng(2)
    everything = rng.normal(0.1, 0.05, 4000)
    chances = np.where(everything > 0.12, 0.4, 0.05)
    hit = plain = 0
    for _ in range(200):
        chosen = rng.random(4000) < chances
        e = weighted_mean(everything[chosen], chances[chosen])
        hit += e.low <= everything.mean() <= e.high
        plain += abs(everything[chosen].mean() - everything.mean()) > 0.02
    assert hit >= 0.90 * 200
    assert plain == 200


def test_a_chance_of_nothing_is_no_chance() -> None:
    with pytest.raises(ValueError, match="above 0"):
        weighted_mean([1.0, 2.0, 3.0], [0.5, 0.0, 0.5])


def test_the_mean_relative_difference_is_over_the_mean_of_both() -> None:
    # |120-100|/110 and |90-110|/100, by hand
    found = mean_relative_difference([100.0, 110.0], [120.0, 90.0])
    assert found.value == pytest.approx((20 / 110 + 20 / 100) / 2)
