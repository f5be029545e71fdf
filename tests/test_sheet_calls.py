"""Sheets keep both rates on samples of a coming month, through the program's own evaluation."""

from __future__ import annotations

import pytest

from tests.sizes import cases
from tests.validation.sheet_calls import TRUTHS, Truth, row

#: In a short run: heterogeneity, a drift within the evidence, censoring.
SHORT = ("spots to split 20 %", "drift 4 % within the evidence", "20 % below the limit")


@pytest.mark.slow
@pytest.mark.parametrize(
    "truth",
    [t for t in TRUTHS if not t.goes_on and t.name in cases(tuple(x.name for x in TRUTHS), SHORT)],
    ids=lambda truth: truth.name,
)
def test_wrong_calls_of_each_kind_stay_within_what_was_set(truth: Truth) -> None:
    found = row(truth, cases(20, 3), cases(60, 9))
    assert found.accepted
    assert found.kept
    assert found.over <= cases(1.3, 1.6)  # three studies say little of a ratio
