"""Plots of very many pairs: bounded in size, with what lies apart still there."""

from __future__ import annotations

import numpy as np
import pytest
from reportlab.graphics.shapes import Path

from reconcile.reporting import words
from reconcile.reporting.plots import density, marks
from reconcile.reporting.plots.canvas import ACCENT
from reconcile.reporting.plots.stratum import difference_plot_of, method_plot_of
from reconcile.reporting.plots.svg import svg
from tests.reporting import builder


def drawings(n: int) -> list[tuple[str, str]]:
    """Both plots of a stratum with n pairs, and what each notes."""
    result = builder.result_of(builder.stratum_of("Cu"), n=n, seed=3, middle=100.0)
    plots = [method_plot_of(result), difference_plot_of(result)]
    return [(svg(p, "pairs", keys=True), p.note) for p in plots if p is not None]


def test_a_plot_of_many_pairs_is_no_larger_than_one_of_some_and_says_so() -> None:
    some, many = drawings(1_500), drawings(9_000)
    note = words.AS_DENSITY.format(most="2000")
    for (small, plain), (large, noted) in zip(some, many, strict=True):
        assert len(large) < len(small)
        assert note not in plain
        assert note in noted
        assert large.count("<title>") < density.MOST_APART * 3


def test_squares_hold_every_pair_once_and_those_apart_stay_marks() -> None:
    rng = np.random.default_rng(1)
    places = rng.normal(100, 12, (5_000, 2))
    places[:3] = [[5.0, 190.0], [190.0, 5.0], [4.0, 4.0]]
    apart = density.sparse(places)
    assert apart[:3].all()
    assert 3 < apart.sum() <= density.MOST_APART
    group = density.drawn(places[~apart], ACCENT)
    squares = sum(
        path.operators.count(0) for path in group.contents if isinstance(path, Path)
    )  # fmt: skip
    assert squares == len(np.unique(np.floor(places[~apart] / density.SIDE), axis=0))
    shades = [path.fillColor.red for path in group.contents]
    assert shades == sorted(shades, reverse=True)  # darker is more


@pytest.mark.parametrize("n", [1, 40])
def test_pairs_all_in_one_place_are_one_square(n: int) -> None:
    group = density.drawn(np.full((n, 2), 7.0), ACCENT)
    assert len(group.contents) == 1
    assert not density.sparse(np.full((200, 2), 7.0)).any()
    assert marks.RADIUS < density.SIDE
