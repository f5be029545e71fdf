"""Intervals over months hold the truth as often as they say."""

from __future__ import annotations

import pytest

from tests.validation.months import coverage

pytestmark = pytest.mark.slow

STUDIES = 600
#: Two and a half standard errors of such a share beside the promised 93 to 97 %.
LOW, HIGH = 0.93 - 0.022, 0.97 + 0.018


@pytest.mark.parametrize("months", [3, 6, 12])
@pytest.mark.parametrize(("pairs", "spread"), [(4, 0.0), (4, 0.05), (8, 0.03), (30, 0.05)])
def test_intervals_over_months_hold_the_truth(months: int, pairs: int, spread: float) -> None:
    long_run, coming, sample, _ = coverage(months, pairs, spread, STUDIES)
    assert LOW <= long_run <= HIGH
    assert coming >= LOW
    assert sample >= LOW
    if spread > 0 and pairs * months >= 40:  # else the interval is wide, on the safe side
        assert coming <= HIGH
