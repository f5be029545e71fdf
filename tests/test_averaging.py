"""Sample means against the same means reckoned row by row in plain Python."""

from __future__ import annotations

import math
from statistics import fmean, stdev

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.intake.tables import ABOVE, BELOW, NO_RESULT, QUANTIFIED
from reconcile.pairs import averaging
from reconcile.pairs.averaging import Means, Nesting, nested_means, nested_means_signed

EMPTY = -1
NUMBERS = st.floats(0.25, 1000, width=16)
CELLS = st.tuples(st.sampled_from([EMPTY, QUANTIFIED, BELOW, ABOVE, NO_RESULT]), NUMBERS)
SIGNED = st.tuples(st.sampled_from([EMPTY, QUANTIFIED, BELOW]), NUMBERS)
NESTED = st.lists(st.lists(st.lists(CELLS, min_size=1, max_size=4), min_size=1, max_size=4))
ONE_EACH = st.lists(st.lists(st.lists(CELLS, min_size=1, max_size=1), min_size=1, max_size=5))
SIMPLE = st.lists(st.lists(st.lists(SIGNED, min_size=1, max_size=3), min_size=1, max_size=3))
Sample = list[list[tuple[int, float]]]


def arrays(samples: list[Sample]) -> tuple[np.ndarray, np.ndarray, np.ndarray, Nesting]:
    """Value, code, limit and nesting of samples of spots of cells."""
    spots = [(i, spot) for i, sample in enumerate(samples) for spot in sample]
    rows = [(i, j, cell) for j, (i, spot) in enumerate(spots) for cell in spot]
    code = np.array([cell[0] for _, _, cell in rows], dtype=np.int8)
    number = np.array([cell[1] for _, _, cell in rows], dtype=np.float64)
    nesting = Nesting(
        np.array([i for i, _, _ in rows], dtype=np.int64),
        np.array([j for _, j, _ in rows], dtype=np.int64),
        np.array([i for i, _ in spots], dtype=np.int64),
        len(samples),
    )
    value = np.where(code == QUANTIFIED, number, np.nan)
    limit = np.where((code == BELOW) | (code == ABOVE), number, np.nan)
    return value, code, limit, nesting


def by_hand(sample: Sample) -> tuple[float, ...]:
    """The fields of Means for one sample."""
    low = {QUANTIFIED: lambda x: x, BELOW: lambda x: 0.0, ABOVE: lambda x: x}
    high = {QUANTIFIED: lambda x: x, BELOW: lambda x: x, ABOVE: lambda x: math.inf}
    spots = [cells for spot in sample if (cells := [cell for cell in spot if cell[0] in low])]
    cells = [cell for spot in spots for cell in spot]
    censored = sum(cell[0] != QUANTIFIED for cell in cells)
    if not spots:
        return 0, 0, 0, math.nan, math.nan, math.nan, math.nan
    lows = [fmean(low[code](x) for code, x in spot) for spot in spots]
    highs = [fmean(high[code](x) for code, x in spot) for spot in spots]
    freedom = sum(len(spot) - 1 for spot in spots)
    se = sd = math.nan
    if not censored:
        squares = sum((x - fmean(y for _, y in spot)) ** 2 for spot in spots for _, x in spot)
        shot_sd = math.sqrt(squares / freedom) if freedom else math.nan
        if len(spots) > 1:
            se, sd = stdev(lows) / math.sqrt(len(spots)), stdev(lows)
        elif freedom:
            se = shot_sd / math.sqrt(len(cells))
        sd = shot_sd if freedom else sd
    return len(cells), len(spots), censored, fmean(lows), fmean(highs), se, sd


def fields(means: Means) -> list[np.ndarray]:
    return [getattr(means, name) for name in Means.__slots__ if name != "zero"]


@pytest.mark.slow
@pytest.mark.parametrize("rows", [3, 16_384])
@given(samples=NESTED | ONE_EACH)
def test_means_are_those_reckoned_row_by_row(rows: int, samples: list[Sample]) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(averaging, "_ROWS", rows)  # also where the rows are taken in many parts
        value, code, limit, nesting = arrays(samples)
        found = fields(nested_means(value, code, limit, nesting))
    wanted = np.array([by_hand(sample) for sample in samples]).reshape(len(samples), 7).T
    for column, truth in zip(found, wanted, strict=True):
        np.testing.assert_allclose(column, truth, rtol=1e-9, atol=1e-6)


@given(samples=SIMPLE)
def test_signed_numbers_average_to_the_same_last_digit(samples: list[Sample]) -> None:
    value, code, limit, nesting = arrays(samples)
    signed = np.where(code == BELOW, -limit, value)
    coded = fields(nested_means(value, code, limit, nesting))
    for column, same in zip(fields(nested_means_signed(signed, nesting)), coded, strict=True):
        np.testing.assert_array_equal(column, same)


def test_an_unknown_limit_leaves_the_upper_bound_unknown_and_no_other() -> None:
    nesting = Nesting(*(np.array([0, 0, 1, 1]), np.arange(4), np.array([0, 0, 1, 1])), 2)
    code = np.array([BELOW, QUANTIFIED, QUANTIFIED, QUANTIFIED], dtype=np.int8)
    value, limit = np.array([np.nan, 4.0, 4.0, 6.0]), np.full(4, np.nan)
    means = nested_means(value, code, limit, nesting)
    assert means.low.tolist() == [2.0, 5.0]
    np.testing.assert_array_equal(means.high, [np.nan, 5.0])
