"""Censored values in number: the same answers as by every pair, within a bounded memory."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from reconcile.statistics import censored_slope
from reconcile.statistics.turnbull_masses import turnbull


def limited(n: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Bounds of n pairs, many of them below or above a limit, many of them the same."""
    rng = np.random.default_rng(seed)
    truth = rng.lognormal(3, 0.8, n)
    x, y = (np.round(truth * rng.lognormal(0, 0.1, n), 1) + 0.1 for _ in range(2))
    return (
        np.where(x < 12, 0, x), np.where(x < 12, 12, x), np.where(y < 15, 0, y),
        np.where(y < 15, 15, np.where(y > 90, np.inf, y)),
    )  # fmt: skip


def by_every_pair(
    xl: np.ndarray, xh: np.ndarray, yl: np.ndarray, yh: np.ndarray
) -> np.ndarray:  # fmt: skip
    """Both ends of every pair of pairs whose order in x is known, one after the other."""
    found = []
    for i in range(xl.size):
        for j in range(xl.size):
            both = xl[i] == xh[i] and xl[j] == xh[j]
            if not (xl[i] > xh[j] or (xl[i] == xh[j] and not both)) or i == j:
                continue
            dx_low, dx_high = max(xl[i] - xh[j], 0.0), xh[i] - xl[j]
            dy_low, dy_high = yl[i] - yh[j], yh[i] - yl[j]
            with np.errstate(all="ignore"):
                rise = np.float64(dy_low) / (dx_high if dy_low > 0 else dx_low)
                fall = np.float64(dy_high) / (dx_low if dy_high > 0 else dx_high)
            found.append((0.0 if dy_low >= 0 else -np.inf) if np.isnan(rise) else rise)
            found.append((0.0 if dy_high <= 0 else np.inf) if np.isnan(fall) else fall)
    return np.sort(found)


@pytest.mark.parametrize(("n", "seed"), [(3, 1), (12, 2), (40, 3), (41, 4)])
@pytest.mark.parametrize("logs", [False, True])
def test_the_ends_of_slopes_are_those_of_every_pair(n: int, seed: int, logs: bool) -> None:
    bounds = limited(n, seed)
    with np.errstate(divide="ignore", invalid="ignore"):
        bounds = tuple(np.log(b) for b in bounds) if logs else bounds
        np.testing.assert_array_equal(
            np.sort(censored_slope._ends(*bounds)), by_every_pair(*bounds)
        )


def by_rows(low: np.ndarray, high: np.ndarray, left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Masses by self-consistency, every value against every interval (Turnbull 1976)."""
    inside = (low[:, None] <= left) & (right <= high[:, None])
    mass = np.full(left.size, 1 / left.size)
    for _ in range(2000):
        share = inside * mass
        fresh = (share / share.sum(axis=1, keepdims=True)).mean(axis=0)
        if np.abs(fresh - mass).max() < 1e-12:
            return fresh
        mass = fresh
    return mass


@pytest.mark.parametrize("seed", range(6))
def test_masses_are_those_of_every_value_against_every_interval(seed: int) -> None:
    rng = np.random.default_rng(seed)
    low = rng.lognormal(3, 1, 60)
    high = low + rng.choice([0.0, 1.0, 5.0, 30.0, np.inf], 60)
    low = np.where(rng.random(60) < 0.3, 0.0, low)
    found = turnbull(low, high)
    expected = by_rows(low, high, found.low, found.high)
    np.testing.assert_allclose(found.mass, expected, rtol=1e-12, atol=1e-15)


def test_three_thousand_censored_pairs_need_a_fifth_of_a_gigabyte_at_most() -> None:
    bounds = limited(3000, 9)
    tracemalloc.start()
    line = censored_slope.akritas_theil_sen(*bounds)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert line.slope.low < line.slope.value < line.slope.high
    assert peak < 200e6  # 115 MB measured; every pair at once took 640


def test_the_masses_of_three_thousand_intervals_add_up_to_one() -> None:
    rng = np.random.default_rng(3)
    low = rng.lognormal(3, 1, 3000)
    masses = turnbull(low, low * rng.lognormal(0.5, 0.4, 3000).clip(1.01)).mass
    assert masses.sum() == pytest.approx(1)
