"""Quantiles of mixtures of normals, many at once."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, special

from reconcile.statistics.normal_mixture import mixture_intervals, weighted_interval


def _mixtures(rows: int, parts: int) -> tuple[np.ndarray, np.ndarray]:
    draw = np.random.default_rng(20261201)
    centres = draw.normal(0, 1, (rows, parts)) * 10 ** draw.uniform(-2, 3, (rows, 1))
    return centres, np.abs(draw.standard_cauchy((rows, parts))) * 10 ** draw.uniform(
        -1, 2, (rows, 1)
    )


def test_the_chance_of_less_than_each_end_is_that_asked_for() -> None:
    centres, deviations = _mixtures(200, 50)
    ends = mixture_intervals(centres, deviations, 0.9)
    for end, chance in zip(ends.T, (0.05, 0.95), strict=True):
        below = special.ndtr((end[:, None] - centres) / deviations).mean(axis=1)
        assert below == pytest.approx(chance, abs=1e-12)


def test_many_at_once_are_as_each_alone_by_a_search_of_another_kind() -> None:
    centres, deviations = _mixtures(20, 30)
    for row, (low, high) in enumerate(mixture_intervals(centres, deviations, 0.95)):
        for end, chance in ((low, 0.025), (high, 0.975)):
            c, d = centres[row], deviations[row]
            far = float(np.abs(c).max() + 10 * d.max())
            expected = optimize.brentq(
                lambda x, c=c, d=d, p=chance: float(np.mean(special.ndtr((x - c) / d))) - p,
                -far, far, xtol=1e-14 * far,
            )  # fmt: skip
            assert end == pytest.approx(expected, rel=1e-9, abs=1e-12 * far)


def test_parts_without_scatter_are_steps() -> None:
    centres = np.array([[0.0] * 90 + [5.0] * 10, [1.0] * 100])
    low, high = mixture_intervals(centres, np.zeros((2, 100)), 0.9).T
    assert low == pytest.approx([0, 1], abs=1e-6)
    assert high == pytest.approx([5, 1], abs=1e-6)


def test_parts_weigh_as_they_are_told_to() -> None:
    centres, deviations = np.array([0.0, 10.0]), np.array([1.0, 1.0])
    assert weighted_interval(centres, deviations, np.array([1.0, 0.0]), 0.95) == pytest.approx(
        (special.ndtri(0.025), special.ndtri(0.975))
    )
