"""A place that differs from its part is found, at the level that is stated."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.statistics import places

#: Rosner's example as NIST/SEMATECH e-Handbook, section 1.3.5.17.3, has it (from memory).
ROSNER = [
    -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58,
    1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15,
    2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21,
    3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
]  # fmt: skip


def test_the_handbooks_example_has_three_values_outside() -> None:
    steps = places.esd_steps(ROSNER, 0.05, 10)
    assert [round(r, 3) for _, r, _ in steps[:3]] == [3.119, 2.943, 3.179]
    assert [round(limit, 3) for _, _, limit in steps[:3]] == [3.159, 3.151, 3.144]
    assert sorted(ROSNER[i] for i in places.generalised_esd(ROSNER, 0.05, 10)) == [5.34, 5.42, 6.01]


def test_a_weld_among_single_readings_is_found_and_two_of_them_do_not_hide_each_other() -> None:
    nan = [np.nan] * 6
    found = places.differing([14.5, 14.6, 14.4, 14.55, 1.7], [1] * 5, nan[:5], 0.01, [False] * 5)
    assert found.differs == (False, False, False, False, True)
    two = places.differing([14.5, 14.6, 14.4, 14.55, 1.7, 1.75], [1] * 6, nan, 0.05, [False] * 6)
    assert two.differs == (False,) * 4 + (True, True)
    assert two.shifts[4] == pytest.approx(-12.8, abs=0.1)


def test_with_replicates_three_places_are_enough() -> None:
    found = places.differing(
        [14.5, 1.7, 14.6], [3, 3, 3], [0.1, 0.1, 0.1], 0.01, [True, False, True]
    )
    assert found.differs == (False, True, False)
    assert found.method == places.REPLICATES


def test_two_single_readings_are_not_tested_and_it_is_said() -> None:
    found = places.differing([14.5, 1.7], [1, 1], [np.nan] * 2, 0.01, [False] * 2)
    assert found.differs == (False, False)
    assert found.reason == "two places without replicates"


@pytest.mark.parametrize("spots", [1, 3])
def test_alike_places_are_told_no_more_often_than_the_level_says(spots: int) -> None:
    rng = np.random.default_rng(4)
    wrong = 0
    for _ in range(600):
        x = rng.normal(10, 0.2, (5, spots))
        sds = x.std(axis=1, ddof=1) if spots > 1 else [np.nan] * 5
        found = places.differing(x.mean(axis=1), [spots] * 5, sds, 0.05, [False] * 5)
        wrong += any(found.differs)
    assert wrong / 600 < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 600)


@pytest.mark.parametrize("each", [2, 3, 5])
def test_a_part_split_half_and_half_is_seen_as_two_groups(each: int) -> None:
    rng = np.random.default_rng(each)
    values = np.concatenate([rng.normal(14.5, 0.1, each), rng.normal(1.7, 0.05, each)])
    found = places.differing(values, [1] * 2 * each, [np.nan] * 2 * each, 0.01, [False] * 2 * each)
    assert found.differs == (False,) * 2 * each or any(found.differs)
    if not any(found.differs):
        assert found.upper == (True,) * each + (False,) * each
        assert found.p_groups < 0.005


def test_one_group_is_split_no_more_often_than_p_says() -> None:
    rng = np.random.default_rng(9)
    p = np.array([places.two_groups(rng.normal(10, 0.3, 8))[1] for _ in range(1000)])
    for level in (0.01, 0.05, 0.2):
        assert np.mean(p < level) < level + 3 * np.sqrt(level * (1 - level) / 1000)
        assert np.mean(p < level) > level - 3 * np.sqrt(level * (1 - level) / 1000) - 1e-9


def test_equal_or_few_values_are_one_group() -> None:
    assert places.two_groups([1.0, 1.0, 1.0, 1.0]) == ((), pytest.approx(np.nan, nan_ok=True))
    assert places.two_groups([1.0, 1.0, 9.0])[0] == ()
