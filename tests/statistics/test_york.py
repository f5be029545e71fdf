"""York lines by curves: they settle, find what the curves leave, or say that they do not settle."""

from __future__ import annotations

import math

import numpy as np
import pytest

from reconcile.statistics import deming, york
from reconcile.statistics.york import york_of_parts, york_with_excess


def lab_sd(level: np.ndarray) -> np.ndarray:
    return np.asarray(np.hypot(1.0, 0.03 * level))


def field_sd(level: np.ndarray) -> np.ndarray:
    return np.asarray(np.hypot(8.0, 0.08 * level))


def study(seed: int, n: int, beyond: float) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng([seed, n])
    true = np.exp(rng.uniform(math.log(20), math.log(2000), n))
    x = true + lab_sd(true) * rng.normal(size=n)
    y = true + field_sd(true) * rng.normal(size=n) + beyond * true * rng.normal(size=n)
    return x, y


def test_lines_by_curves_settle_and_find_the_heterogeneity_beyond_the_replicates() -> None:
    found = [
        york_with_excess(*study(seed, 40, 0.15), lab_sd, field_sd, lambda c: c)
        for seed in range(60)
    ]
    assert [f.line.reason for f in found] == [""] * 60
    assert np.mean([f.excess for f in found]) == pytest.approx(0.15, abs=0.01)
    assert np.mean([f.line.slope.value for f in found]) == pytest.approx(1.0, abs=0.02)


def test_the_scatter_is_what_the_curves_and_the_excess_say() -> None:
    x, y = study(1, 40, 0.15)
    found = york_with_excess(x, y, lab_sd, field_sd, lambda c: c)
    a, b = found.line.intercept.value, found.line.slope.value
    at = x
    for _ in range(200):  # the level of each point on the line, by the same weights
        var_x = lab_sd(at) ** 2
        var_y = field_sd(a + b * at) ** 2 + (found.excess * (a + b * at)) ** 2
        at = x + b * var_x * (y - a - b * x) / (var_y + b * b * var_x)
    chi = float(np.sum((y - a - b * x) ** 2 / (var_y + b * b * var_x)))
    assert chi == pytest.approx(38, rel=1e-6)


def test_lines_settle_within_fifty_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(york, "_CURVE_ROUNDS", 50)
    for seed in range(40):
        for beyond in (None, lambda c: c, np.ones_like):
            x, y = study(seed, 12 + 3 * seed, 0.02 * (seed % 20))
            assert york_with_excess(x, y, lab_sd, field_sd, beyond).line.reason == ""


def test_a_line_that_does_not_settle_says_so_and_has_no_numbers(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(york, "_CURVE_ROUNDS", 2)
    line = york_with_excess(*study(1, 40, 0.15), lab_sd, field_sd, None).line
    assert line.reason == deming.NOT_SETTLED
    assert not line.slope.estimable


@pytest.mark.parametrize("beyond", [None, lambda c: c, np.ones_like])
def test_lines_of_parts_are_those_of_each_part_alone(beyond: york.SdAt | None) -> None:
    x, y = study(3, 60, 0.15)
    parts = np.random.default_rng(4).random((25, 60)) < 0.8
    a, b = york_of_parts(x, y, lab_sd, field_sd, beyond, parts)
    for row, part in enumerate(parts):
        line = york_with_excess(x[part], y[part], lab_sd, field_sd, beyond).line
        assert b[row] == pytest.approx(line.slope.value, rel=1e-9)
        assert a[row] == pytest.approx(line.intercept.value, rel=1e-8, abs=1e-9)


def test_a_part_that_allows_no_line_has_none_and_the_others_have_theirs() -> None:
    x, y = study(3, 30, 0.15)
    parts = np.ones((4, 30), dtype=np.bool_)
    parts[1, 2:] = False  # two pairs
    parts[2] = False
    a, b = york_of_parts(x, y, lab_sd, field_sd, lambda c: c, parts)
    assert np.isfinite(a).tolist() == np.isfinite(b).tolist() == [True, False, False, True]
    flat = np.where(np.arange(30) < 15, 7.0, y)
    parts[1] = np.arange(30) < 15
    assert np.isnan(york_of_parts(x, flat, lab_sd, field_sd, None, parts)[1][1])
