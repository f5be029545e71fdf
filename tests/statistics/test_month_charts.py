"""Charts of months: run lengths as published, scores as normal as they claim."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.statistics.cusum import run_length
from reconcile.statistics.month_charts import average_run_length, charted, scores
from reconcile.statistics.month_steps import Months


def months(means: list[float], pairs: int = 10, rsd: float = 0.08) -> Months:
    a = len(means)
    each = np.full(a, (pairs - 1) * rsd**2)
    return Months(np.array(means), np.full(a, float(pairs)), each, np.full(a, pairs - 1.0))


@pytest.mark.parametrize(
    ("h", "shift", "published"), [(4, 0, 168), (5, 0, 465), (4, 1, 8.38), (5, 1, 10.4)]
)
def test_run_lengths_of_the_sums_are_those_of_the_handbook(
    h: float, shift: float, published: float
) -> None:
    # Montgomery, Introduction to Statistical Quality Control, table of tabular CUSUM with k 0.5;
    # from memory
    assert run_length(0.5, h, shift) == pytest.approx(published, rel=0.01)


@pytest.mark.parametrize(
    ("weight", "limit", "shift", "published"),
    [
        (0.4, 3.054, 0, 500), (0.25, 2.998, 0, 500), (0.2, 2.962, 0, 500), (0.1, 2.814, 0, 500),
        (0.4, 3.054, 1, 14.3), (0.25, 2.998, 1, 11.1), (0.1, 2.814, 1, 10.3),
    ],
)  # fmt: skip
def test_run_lengths_of_the_mean_are_those_published(
    weight: float, limit: float, shift: float, published: float
) -> None:
    # Lucas & Saccucci 1990, as in Montgomery's table of EWMA schemes; from memory
    assert average_run_length(weight, limit, shift) == pytest.approx(published, rel=0.012)


def test_a_month_is_scored_by_the_months_before_it_alone() -> None:
    first = scores(months([0.0, 0.01, -0.02, 0.03]))
    longer = scores(months([0.0, 0.01, -0.02, 0.03, 0.5, 0.5]))
    assert longer[:3] == pytest.approx(first)
    assert longer[3] > 2.5
    assert longer[4] < longer[3]


@pytest.mark.parametrize("ratio", [0.0, 2.0, 30.0])
def test_scores_of_months_that_stay_do_not_scatter_more_than_one(ratio: float) -> None:
    rng = np.random.default_rng(5)
    own = 0.08 / np.sqrt(10)
    found = np.array(
        [
            scores(months(list(own * np.hypot(1, ratio) * rng.normal(size=12))))[4:]
            for _ in range(60)
        ]
    )
    assert np.sqrt(np.mean(found**2)) < 1.1
    assert abs(np.mean(found)) < 0.15


def test_the_charts_name_their_limits_and_run_lengths() -> None:
    calm = charted(months([0.0] * 8), 0.5, 5.0, 0.25, 3.0)
    assert not calm.cusum.alarmed
    assert not calm.averaged_beyond
    assert calm.cusum_run == pytest.approx(run_length(0.5, 5.0))
    moved = charted(months([0.0] * 9 + [0.1] * 3), 0.5, 4.0, 0.25, 2.5)
    assert moved.cusum.alarmed
    assert moved.averaged_beyond


def test_one_month_has_no_score() -> None:
    assert charted(months([0.1]), 0.5, 5.0, 0.25, 3.0).scores == ()
