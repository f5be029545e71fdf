"""CUSUM: sums by hand, run lengths against a handbook's table and by simulation."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.statistics.cusum import average_run_length, tabular_cusum


def test_the_sums_of_a_few_values_are_those_worked_by_hand() -> None:
    # k 0.5: up 0.5, 1.5, 0, 2.5, 4.5; down 0, 0, 2, 0, 0 (z = 1, 1.5, -2.5, 3, 2.5)
    found = tabular_cusum([1.0, 1.5, -2.5, 3.0, 2.5], 0.5, 4.0)
    assert found.upper == pytest.approx((0.5, 1.5, 0.0, 2.5, 4.5))
    assert found.lower == pytest.approx((0.0, 0.0, 2.0, 0.0, 0.0))
    assert found.alarms == (4,)
    assert found.alarmed
    assert not tabular_cusum([3.0, 3.0, -4.0], 0.5, 4.0).alarmed
    assert not tabular_cusum([], 0.5, 4.0).alarmed


@pytest.mark.parametrize(
    ("shift", "at_4", "at_5"),
    [
        (0.0, 168, 465),
        (0.25, 74.2, 139),
        (0.5, 26.6, 38.0),
        (0.75, 13.3, 17.0),
        (1.0, 8.38, 10.4),
        (1.5, 4.75, 5.75),
        (2.0, 3.34, 4.01),
        (3.0, 2.19, 2.57),
    ],
)
def test_run_lengths_are_those_of_the_handbook(shift: float, at_4: float, at_5: float) -> None:
    # Montgomery, Statistical Quality Control, table of CUSUM average run lengths at k 0.5
    # (after Lucas & Crosier 1982; from memory)
    assert average_run_length(0.5, 4.0, shift) == pytest.approx(at_4, rel=0.006)
    assert average_run_length(0.5, 5.0, shift) == pytest.approx(at_5, rel=0.006)


def test_run_lengths_agree_with_simulation() -> None:
    rng = np.random.default_rng(1)
    lengths = []
    for _ in range(400):
        z = rng.normal(0.5, 1, 400)
        lengths.append(tabular_cusum(z, 0.5, 3.0).alarms[0] + 1)
    expected = average_run_length(0.5, 3.0, 0.5)
    se = np.std(lengths) / np.sqrt(len(lengths))
    assert np.mean(lengths) == pytest.approx(expected, abs=3 * se)


@pytest.mark.parametrize(("k", "h"), [(-0.1, 4.0), (0.5, 0.0)])
def test_impossible_limits_are_refused(k: float, h: float) -> None:
    with pytest.raises(ValueError, match="k must be"):
        tabular_cusum([1.0], k, h)
    with pytest.raises(ValueError, match="k must be"):
        average_run_length(k, h)
