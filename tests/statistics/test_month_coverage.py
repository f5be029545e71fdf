"""Intervals over months hold the truth as often as they say."""

from __future__ import annotations

import pytest

from reconcile.base.model.verdict import Outcome
from tests.sizes import cases
from tests.validation.months import beyond, coverage, outcomes

pytestmark = pytest.mark.slow

STUDIES = 600
#: Two and a half standard errors of such a share beside the promised 93 to 97 %.
LOW, HIGH = 0.93 - 0.022, 0.97 + 0.018


@pytest.mark.parametrize("months", cases((3, 6, 12), (3,)))
@pytest.mark.parametrize(("pairs", "spread"), [(4, 0.0), (4, 0.05), (8, 0.03), (30, 0.05)])
def test_intervals_over_months_hold_the_truth(months: int, pairs: int, spread: float) -> None:
    long_run, coming, sample, _ = coverage(months, pairs, spread, STUDIES)
    assert LOW <= long_run <= HIGH
    assert coming >= LOW
    assert sample >= LOW
    if spread > 0 and pairs * months >= 40:  # else the interval is wide, on the safe side
        assert coming <= HIGH


@pytest.mark.parametrize("months", cases((1, 2, 3, 6), (1, 3)))
@pytest.mark.parametrize(
    ("bias", "spread"), [(0.0, 0.05), (0.03, 0.05), (0.06, 0.05), (0.06, 0.03)]
)
def test_few_are_accepted_whose_coming_month_lies_beyond(
    months: int, bias: float, spread: float
) -> None:
    studies = 300
    shown = outcomes(months, 30, bias, spread, studies)[Outcome.SHOWN] / studies
    # two standard errors of the share of those accepted
    room = 2 * (shown * (1 - shown) / studies) ** 0.5
    assert (shown - room) * beyond(bias, spread) <= 0.05


def test_a_certain_failure_is_named_within_three_months() -> None:
    assert outcomes(3, 14, 0.107, 0.0, 200, margin=0.05, rsd=0.05)[Outcome.FAILED] >= 180
