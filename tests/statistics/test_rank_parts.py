"""Rank lines of many parts of the same pairs."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.statistics import rank_parts
from reconcile.statistics.passing_bablok import passing_bablok
from reconcile.statistics.rank_parts import passing_bablok_of_parts


def _study(n: int, digits: int | None, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    draw = np.random.default_rng(seed)
    true = draw.lognormal(2, 0.8, n)
    x, y = (true * draw.lognormal(0, 0.3, n) for _ in range(2))
    if digits is not None:
        x, y = np.round(x, digits), np.round(y, digits)
    return x, y, draw.random((12, n)) < 0.8


@pytest.mark.parametrize("digits", [None, 1, 0, -1], ids=str)
@pytest.mark.parametrize("n", [5, 12, 60])
def test_each_part_has_the_line_it_has_alone(n: int, digits: int | None) -> None:
    for seed in range(10):
        x, y, parts = _study(n, digits, seed)
        a, b = passing_bablok_of_parts(x, y, parts)
        for row, part in enumerate(parts):
            line = passing_bablok(x[part], y[part], interval=False)
            assert [a[row], b[row]] == pytest.approx(
                [line.intercept.value, line.slope.value], rel=1e-14, nan_ok=True
            )


def test_falling_level_and_too_few_pairs_are_as_alone() -> None:
    x = np.array([1.0, 2, 3, 4, 5, 6])
    falling, level = -x, np.ones(6)
    few = np.array([[1, 1, 0, 0, 0, 0]], dtype=np.bool_)
    everything = np.ones((1, 6), dtype=np.bool_)
    assert np.isnan(passing_bablok_of_parts(x, falling, everything)[1]).all()
    assert passing_bablok_of_parts(x, level, everything)[1] == [0]
    assert np.isnan(passing_bablok_of_parts(x, x, few)[1]).all()


def test_many_pairs_are_fitted_part_by_part(monkeypatch: pytest.MonkeyPatch) -> None:
    x, y, parts = _study(40, 1, 3)
    listed = passing_bablok_of_parts(x, y, parts)
    monkeypatch.setattr(rank_parts, "MOST_LISTED", 10)
    assert np.array(passing_bablok_of_parts(x, y, parts)) == pytest.approx(
        np.array(listed), rel=1e-14
    )
