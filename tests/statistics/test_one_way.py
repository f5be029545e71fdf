"""Groups against each other, held to a handbook and to reference libraries."""

from collections.abc import Sequence

import numpy as np
import pytest
from scipy import stats

from reconcile.statistics.one_way import one_way, trend

#: NIST/SEMATECH e-Handbook of Statistical Methods, section 7.4.3.3 (from memory): resistances
#: at three levels; F = 9.59 with 2 and 12 degrees of freedom.
LEVELS = (
    (6.9, 5.4, 5.8, 4.6, 4.0),
    (8.3, 6.8, 7.8, 9.2, 6.5),
    (8.0, 10.5, 8.1, 6.9, 9.3),
)


def long(groups: Sequence[Sequence[float] | np.ndarray]) -> tuple[np.ndarray, list[str]]:
    return np.concatenate(groups), [f"level {i}" for i, g in enumerate(groups, 1) for _ in g]


def test_the_f_of_the_handbook_is_found() -> None:
    values, names = long(LEVELS)
    found = one_way(values, names)
    assert found.f == pytest.approx(9.59, abs=0.005)
    assert [g.n for g in found.groups] == [5, 5, 5]


def test_the_p_value_is_that_of_a_reference_library() -> None:
    rng = np.random.default_rng(4)
    groups = [rng.normal(m, 2.0, n) for m, n in ((10, 4), (11, 9), (13, 6))]
    values, names = long(groups)
    found = one_way(values, names)
    f, p = stats.f_oneway(*groups)
    assert (found.f, found.p_value) == (pytest.approx(f), pytest.approx(p))


def test_two_groups_give_the_interval_of_a_pooled_t_test() -> None:
    rng = np.random.default_rng(5)
    a, b = rng.normal(5, 1, 8), rng.normal(6, 1, 12)
    found = one_way(*long([a, b])).groups[0].shift
    interval = stats.ttest_ind(a, b).confidence_interval(0.95)
    assert (found.low, found.high) == (pytest.approx(interval.low), pytest.approx(interval.high))


def test_equal_groups_are_called_different_in_one_of_a_hundred_studies_at_one_per_cent() -> None:
    rng = np.random.default_rng(6)
    names = list("aaaaabbbbbccccc")
    called = sum(one_way(rng.normal(size=15), names).p_value < 0.01 for _ in range(3000))
    assert 15 <= called <= 48  # 30 expected, binomial 99.9 %


@pytest.mark.parametrize("names", [["a"] * 4, ["a", "b", "c", "d"]])
def test_nothing_is_tested_without_two_groups_and_scatter_within(names: list[str]) -> None:
    found = one_way([1.0, 2.0, 3.0, 5.0], names)
    assert found.reason
    assert np.isnan(found.p_value)


def test_a_trend_is_that_of_a_reference_library() -> None:
    rng = np.random.default_rng(7)
    t = np.sort(rng.uniform(0, 90, 25))
    y = 0.01 * t + rng.normal(0, 0.3, 25)
    slope, p = trend(y, t, 30.0)
    known = stats.linregress(t, y)
    assert slope.value == pytest.approx(30 * known.slope)
    assert slope.se == pytest.approx(30 * known.stderr)
    assert p == pytest.approx(known.pvalue)


def test_two_days_show_no_trend() -> None:
    slope, p = trend([1.0, 2, 3, 4], [0.0, 0, 1, 1], 30.0)
    assert slope.reason
    assert np.isnan(p)
