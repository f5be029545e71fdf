"""Steps and drifts of the bias over months: against t tests, by truth, and how often falsely."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from reconcile.statistics.month_steps import Change, Months, look, looks
from reconcile.statistics.step_limits import FIRST_LOOK, LIMITS, RATES, limit_at
from tests.validation import month_steps as simulated

RSD, PAIRS = 0.08, 10


def months(biases: list[float], pairs: int = PAIRS, rsd: float = RSD, seed: int = 1) -> Months:
    """Months of log ratios about their bias, with their scatter."""
    rng = np.random.default_rng(seed)
    y = np.array(biases)[:, None] + rsd * rng.normal(size=(len(biases), pairs))
    means = y.mean(axis=1)
    count, freedom = np.full(len(biases), float(pairs)), np.full(len(biases), pairs - 1.0)
    return Months(means, count, ((y - means[:, None]) ** 2).sum(axis=1), freedom)


def test_a_large_step_is_signalled_by_its_month_with_place_and_size() -> None:
    found = looks(months([0.02] * 6 + [0.42] * 2), 0.05)
    (moved,) = found.moved
    assert (moved.change, moved.first, moved.seen) == (Change.STEP, 6, 6)
    assert moved.size.low < 0.40 < moved.size.high
    assert moved.distance > moved.limit
    assert found.begins == 6


def test_a_drift_is_told_from_a_step() -> None:
    found = looks(months([0.06 * i for i in range(8)]), 0.05)
    first = found.moved[0]
    assert first.change is Change.DRIFT
    assert first.size.low < 0.06 < first.size.high


def test_after_a_step_the_months_begin_anew_and_a_second_step_is_seen() -> None:
    found = looks(months([0.0] * 6 + [0.4] * 6 + [0.0] * 2), 0.05)
    assert [m.first for m in found.moved] == [6, 12]
    assert found.begins == 12


def test_what_was_signalled_once_stays_whatever_later_months_say() -> None:
    whole = months([0.0] * 6 + [0.4] + [0.0, 0.1, -0.1, 0.05, 0.2])
    alone = looks(whole.part(0, 7), 0.05).moved
    assert alone
    assert looks(whole, 0.05).moved[: len(alone)] == alone


@pytest.mark.parametrize("count", range(FIRST_LOOK))
def test_fewer_than_four_months_are_not_looked_at(count: int) -> None:
    found = looks(months([0.5 * i for i in range(count)]), 0.05)
    assert found.moved == ()
    assert math.isnan(found.distance)


def test_the_unit_of_the_biases_does_not_matter() -> None:
    m = months([0.0, 0.05, -0.03, 0.02, 0.12])
    other = Months(1e4 * m.means + 7, m.counts, 1e8 * m.squares, m.freedom)
    assert look(other)[0] == pytest.approx(look(m)[0])
    assert look(other)[1:] == look(m)[1:]


def test_without_errors_within_the_split_is_that_of_the_largest_t() -> None:
    # scipy's two-sample t test with one variance is the outside reference
    for seed in range(20):
        y = np.random.default_rng(seed).normal(size=9)
        m = Months(y, np.full(9, 10.0), np.full(9, 1e-6), np.full(9, 9.0))
        t = [abs(float(stats.ttest_ind(y[:k], y[k:]).statistic)) for k in range(2, 8)]
        _, change, first = look(m)
        if change is Change.STEP and 2 <= first <= 7:
            assert first == 2 + int(np.argmax(t))


def test_months_of_few_pairs_say_less() -> None:
    few = Months(np.array([0.0, 0.0, 0.01, 0.0, 0.1]), np.array([10.0, 10, 10, 10, 2]),
                 np.full(5, 9 * RSD**2), np.full(5, 9.0))  # fmt: skip
    many = Months(few.means, np.full(5, 10.0), few.squares, few.freedom)
    assert look(few)[0] < look(many)[0]


def test_the_simulations_look_as_the_program_does() -> None:
    means, squares = simulated.series(40, 7, 5, 1.0, 3)
    made = simulated.distances(means, squares, 5)
    for y, s, d in zip(means, squares, made, strict=True):
        m = Months(y, np.full(7, 5.0), s, np.full(7, 4.0))
        assert look(m)[0] == pytest.approx(d)


def test_limits_fall_with_the_rate_and_hold_beyond_the_table() -> None:
    for a in (4, 8, 24):
        assert list(np.diff([limit_at(a, r) for r in RATES]) < 0) == [True] * (len(RATES) - 1)
    assert limit_at(500, RATES[0]) == LIMITS[0][-1]
    with pytest.raises(ValueError, match="rate"):
        limit_at(5, 0.5)


@pytest.mark.parametrize("ratio", [0.0, 1.2, 2.0])
def test_a_year_that_stays_is_seldom_signalled(ratio: float) -> None:
    # 10 pairs of RSD 8 %: SD between months of 0, 3 and 5 %
    means, squares = simulated.series(1500, 12, PAIRS, ratio, 11)
    limits = simulated.limits_at(0.04, 12)
    share = simulated.signalled(means, squares, PAIRS, limits).any(axis=1).mean()
    assert share < 0.055


@pytest.mark.slow
def test_the_tabled_limits_are_those_that_the_command_makes() -> None:
    made = simulated.made_limits(20_000, 8)
    for rate, row in zip(RATES, LIMITS, strict=True):
        assert made[rate] == pytest.approx(row[: len(made[rate])], rel=0.06)
