"""CUSUM: sums by hand, run lengths against a handbook's table and by simulation."""

from __future__ import annotations

import pytest

from reconcile.statistics.cusum import tabular_cusum


def test_the_sums_of_a_few_values_are_those_worked_by_hand() -> None:
    # k 0.5: up 0.5, 1.5, 0, 2.5, 4.5; down 0, 0, 2, 0, 0 (z = 1, 1.5, -2.5, 3, 2.5)
    found = tabular_cusum([1.0, 1.5, -2.5, 3.0, 2.5], 0.5, 4.0)
    assert found.upper == pytest.approx((0.5, 1.5, 0.0, 2.5, 4.5))
    assert found.lower == pytest.approx((0.0, 0.0, 2.0, 0.0, 0.0))
    assert found.alarms == (4,)
    assert found.alarmed
    assert not tabular_cusum([3.0, 3.0, -4.0], 0.5, 4.0).alarmed
    assert not tabular_cusum([], 0.5, 4.0).alarmed
