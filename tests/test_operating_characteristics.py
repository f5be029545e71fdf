"""The promise of every verdict of acceptance: wrong in at most one of twenty studies, at any truth.

Each study runs through evaluate, propose and judge, and the truth itself says whether an acceptance
is wrong. A fault of the rules shows here whatever their own tests say.
"""

from __future__ import annotations

import pytest

from reconcile.trials import trial
from reconcile.trials.truths import TRUTHS, Truth

pytestmark = pytest.mark.slow

STUDIES = 40
#: At 40 studies one may be wrong beside the two of a truth that is accepted wrongly in 5 %.
MOST = 0.075


def tried(name: str, n: int, studies: int) -> trial.Characteristic:
    truth = next(truth for truth in TRUTHS if truth.name == name)
    return trial.tried(truth, n, studies)


@pytest.mark.parametrize("truth", TRUTHS, ids=lambda truth: truth.name)
def test_a_wrong_acceptance_is_rare(truth: Truth) -> None:
    found = trial.tried(truth, 40, STUDIES)
    assert found.kept, found
    assert found.wrong_rate.value <= MOST, found


def test_an_unbiased_method_is_accepted_the_more_often_the_more_samples_there_are() -> None:
    few, some, many = (tried("no bias, RSD 8 %", n, 40).right_rate.value for n in (20, 40, 100))
    assert few < some < many
    assert many >= 0.9
