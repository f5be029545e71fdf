"""The promise of every verdict of acceptance: wrong in at most one of twenty studies, at any truth.

The truth itself says whether an acceptance is wrong, so that a fault of the rules shows here
whatever their own tests say. Most studies run through the decision alone (``as_read``), some
through evaluate, propose and judge (``trial``), and both are held against each other.
"""

from __future__ import annotations

import random

import pytest

from reconcile.base.model.verdict import ACCEPTED
from reconcile.trials import as_read, trial
from reconcile.trials.truths import TRUTHS
from tests.sizes import cases

KNOWN = {truth.name: truth for truth in TRUTHS}
#: Studies of a truth by the decision alone and through the whole path.
STUDIES, WHOLE = cases(100, 50), cases(10, 3)
by_name = pytest.mark.parametrize("name", KNOWN)


def test_the_decision_alone_and_the_whole_path_accept_alike() -> None:
    picked = random.Random(7)
    for name in picked.sample([t.name for t in TRUTHS], 4):
        truth, settings = KNOWN[name], trial.settings_of(KNOWN[name])
        seed = picked.randrange(10_000)
        alone = as_read.outcome(truth, 40, seed, settings)
        path = trial.outcome(truth, 40, seed, settings)
        both(name, seed, alone, path)


def both(name: str, seed: int, alone: trial.Outcome, path: trial.Outcome) -> None:
    """Both accept as read, over the same range and as wrongly; or neither does."""
    assert (alone.decision == ACCEPTED) == (path.decision == ACCEPTED), (name, seed)
    if alone.decision == ACCEPTED:
        assert (alone.low, alone.high, alone.wrong) == (path.low, path.high, path.wrong)


@pytest.mark.slow
def test_an_unbiased_method_is_accepted_alike_by_the_decision_alone_and_the_whole_path() -> None:
    truth, accepted = KNOWN["no bias, RSD 8 %"], 0
    for seed in range(12):
        settings = trial.settings_of(truth)
        alone = as_read.outcome(truth, 40, seed, settings)
        both(truth.name, seed, alone, trial.outcome(truth, 40, seed, settings))
        accepted += alone.decision == ACCEPTED
    assert accepted >= 3  # else nothing was compared


@pytest.mark.slow
@pytest.mark.parametrize("n", cases([20, 40, 100], [20, 100]))
@by_name
def test_a_wrong_acceptance_as_read_is_rare(name: str, n: int) -> None:
    rare(as_read.tried(KNOWN[name], n, STUDIES), 0.09 if STUDIES >= 100 else 0.13)


@pytest.mark.slow
@by_name
def test_a_wrong_acceptance_of_the_whole_decision_is_rare(name: str) -> None:
    rare(trial.tried(KNOWN[name], 40, WHOLE), 0.20 if WHOLE >= 10 else 0.34)


def rare(found: trial.Characteristic, most: float) -> None:
    """The promise is not contradicted, and the share itself is not far above it."""
    assert found.kept, found
    assert found.wrong_rate.value <= most, found


@pytest.mark.slow
def test_an_unbiased_method_is_accepted_the_more_often_the_more_samples_there_are() -> None:
    truth = KNOWN["no bias, RSD 8 %"]
    few, some, many = (as_read.tried(truth, n, 100).right_rate.value for n in (20, 40, 100))
    assert few < some < many
    assert many >= 0.85
