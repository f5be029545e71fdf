"""A weighted Deming line is one that its own weights give again, or there is none."""

from __future__ import annotations

import math

import numpy as np
import pytest

from reconcile.statistics import deming


def again(x: np.ndarray, y: np.ndarray, lam: float, a: float, b: float) -> float:
    """The slope that the weights of a line give."""
    residual = y - a - b * x
    true_x = x + b * residual / (lam + b * b)
    level = (true_x + lam * (a + b * true_x)) / (1 + lam)
    w = 1 / np.maximum(level, 1e-9 * float(np.max(np.abs(x) + np.abs(y)))) ** 2
    dx, dy = x - w @ x / w.sum(), y - w @ y / w.sum()
    xx, yy, xy = (np.array(w @ (p * q)) for p, q in ((dx, dx), (dy, dy), (dx, dy)))
    return float(deming.slope_of_sums(xx, yy, xy, lam))


def study(rng: np.random.Generator, n: int, spread: float, error: float) -> np.ndarray:
    truth = rng.lognormal(3, spread, n)
    return truth * rng.lognormal(0, error, (2, n))


def test_every_line_that_is_given_has_settled() -> None:
    rng = np.random.default_rng(0)
    told = 0
    for _ in range(300):
        x, y = study(rng, int(rng.integers(4, 25)), rng.choice([0.2, 0.6]), rng.choice([0.1, 0.8]))
        lam = float(rng.choice([0.2, 1.0, 4.0]))
        a, b = deming.weighted_deming_point(x, y, lam)
        if math.isnan(b):
            told += 1
        else:
            assert again(x, y, lam, a, b) == pytest.approx(b, rel=1e-10)
    assert 0 < told < 15  # more than 25 of them swung between two lines and were given as one


def test_a_line_that_never_settles_says_so() -> None:
    x = np.array([1.35, 22.7, 5.86, 83.3])
    y = np.array([13.2, 34.1, 10.0, 6.63])
    line = deming.weighted_deming(x, y, 0.2)
    assert math.isnan(line.slope.value)
    assert line.reason == deming.NOT_SETTLED


def test_lines_that_settled_before_are_the_same() -> None:
    rng = np.random.default_rng(3)
    for n in (8, 30, 100):
        x, y = study(rng, n, 0.8, 0.08)
        a, b = 0.0, 1.0
        for _ in range(500):  # the plain repetition
            residual = y - a - b * x
            true_x = x + b * residual / (1 + b * b)
            w = 1 / ((true_x + a + b * true_x) / 2) ** 2
            mx, my = w @ x / w.sum(), w @ y / w.sum()
            dx, dy = x - mx, y - my
            d = w @ dy**2 - w @ dx**2
            sxy = w @ (dx * dy)
            b = (d + math.sqrt(d * d + 4 * sxy * sxy)) / (2 * sxy)
            a = my - b * mx
        found = deming.weighted_deming_point(x, y, 1.0)
        assert found[1] == pytest.approx(b, rel=1e-11)
        assert found[0] == pytest.approx(a, rel=1e-9, abs=1e-9)


def test_slopes_of_parts_are_those_of_each_part_alone() -> None:
    draw = np.random.default_rng(8)
    x = draw.lognormal(3, 0.8, 40)
    y = 1.1 * x * draw.lognormal(0, 0.2, 40)
    parts = draw.random((15, 40)) < 0.7
    parts[3] = False
    found = deming.weighted_deming_slopes(x, y, 4.0, parts)
    assert np.isnan(found[3])
    for row, part in enumerate(parts):
        alone = deming.weighted_deming_point(x[part], y[part], 4.0)[1]
        assert found[row] == pytest.approx(alone, rel=1e-11, nan_ok=True)
