"""Mean errors in stretches of time: intervals against a reference library, and the promise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from reconcile.statistics.bias_in_time import stretches_in_time
from reconcile.statistics.proportions import clopper_pearson
from tests.sizes import cases


def month(n: int, seed: int, step: float = 0.0, sd: float = 0.05) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    later = np.arange(n) >= n // 2
    return np.where(later, step, 0.0) + rng.normal(0, sd, n), np.arange(n) * 1.0


def test_each_stretch_has_the_t_interval_of_its_mean() -> None:
    errors, times = month(31, 1)
    found = stretches_in_time(errors, times)
    assert [s.n for s in found] == [11, 10, 10]
    for s, part in zip(found, np.array_split(np.arange(31), 3), strict=True):
        one = stats.ttest_1samp(errors[part], 0)
        assert [s.low, s.high] == pytest.approx(list(one.confidence_interval(0.90)))
        both = one.confidence_interval(1 - 2 * 0.05 / 3)
        assert [s.least, s.most] == pytest.approx(list(both))
        assert (s.value, s.deviation) == pytest.approx(
            (errors[part].mean(), errors[part].std(ddof=1))
        )


def test_few_samples_make_two_stretches_and_too_few_or_one_time_make_none() -> None:
    errors, times = month(29, 3)
    assert len(stretches_in_time(errors, times)) == 2
    assert len(stretches_in_time(errors[:6], times[:6])) == 2
    assert stretches_in_time(errors[:5], times[:5]) == ()
    assert stretches_in_time(errors, np.zeros(29)) == ()
    assert stretches_in_time(errors, np.full(29, np.nan)) == ()


def test_samples_without_a_time_are_in_no_stretch() -> None:
    errors, times = month(40, 4)
    times[::4] = np.nan
    found = stretches_in_time(errors, times)
    assert sum(s.n for s in found) == 30
    assert (found[0].first, found[-1].last) == (1, 39)


def test_the_order_of_the_samples_does_not_matter_only_their_times() -> None:
    errors, times = month(40, 4, step=0.2)
    mixed = np.random.default_rng(1).permutation(40)
    first, second = stretches_in_time(errors, times), stretches_in_time(errors[mixed], times[mixed])
    for a, b in zip(first, second, strict=True):
        assert (a.n, a.value, a.low) == pytest.approx((b.n, b.value, b.low))


@pytest.mark.slow
@pytest.mark.parametrize("n", [20, 40, 100])
def test_a_mean_at_the_margin_in_the_last_half_passes_in_at_most_one_of_twenty(n: int) -> None:
    studies = cases(4000, 1000)
    passed = sum(
        all(s.low >= -0.0953 and s.high <= 0.0953 for s in stretches_in_time(*month(n, i, 0.0954)))
        for i in range(studies)
    )
    assert clopper_pearson(passed, studies, 0.999).low <= 0.05
