"""A monthly refit that changes nothing that matters proposes nothing; the factor in force stays."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import reconcile
from reconcile.base.model.release import StratumResult
from reconcile.base.model.verdict import ACCEPTED_CORRECTED, APPROVED, CorrectionFactor
from reconcile.base.settings.thresholds import Thresholds
from reconcile.figures import evaluation
from reconcile.judgement import factor_kept, factor_life, factor_proposal
from reconcile.judgement.factor_proposal import Proposal
from reconcile.judgement.scoring import KEEP, NOT_JUDGED, WATCH, WITHDRAW
from tests import months
from tests.pairs import STRATUM, settings, study

pytestmark = pytest.mark.usefixtures("data_alone")
T = Thresholds()
FIELD = np.array([100.0, 200.0, 400.0])


def fitted() -> CorrectionFactor:
    evaluated = evaluation.evaluate(STRATUM, study(60, ratio=1.2), None, settings())
    factor = factor_proposal.propose(STRATUM, evaluated, settings(), None).factor
    assert factor is not None
    return replace(factor, valid_from="2026-08-01", valid_until="2026-11-30", status="proposed")


def offered(
    old: CorrectionFactor, new: CorrectionFactor, call: str = KEEP, until: str = "2026-11-30"
) -> CorrectionFactor:
    found = factor_kept.kept(Proposal(new, None, ""), old, call, FIELD, 0.10, until, T).factor
    assert found is not None
    return found


def test_a_difference_is_the_largest_over_the_common_range_and_growth_is_of_the_range() -> None:
    old = fitted()
    assert (old.form, old.residual_relative) == ("ratio", True)
    found = factor_kept.change(old, replace(old, slope=old.slope / 1.01))
    assert found.most == pytest.approx(0.01)
    assert found.growth == pytest.approx(0.0)
    wider = replace(old, low=old.low / 2, high=2 * old.high)
    span = math.log(old.high / old.low)
    assert factor_kept.change(old, wider).growth == pytest.approx(
        2 * math.log(2) / (span + 2 * math.log(2))
    )
    apart = replace(old, low=old.high * 2, high=old.high * 4)
    assert factor_kept.change(old, apart).most == math.inf


@pytest.mark.slow
@pytest.mark.parametrize(
    ("factor", "call", "until", "stays"),
    [
        (1.02, KEEP, "2026-11-30", True),
        (1.02, NOT_JUDGED, "2026-11-30", True),
        (1.03, KEEP, "2026-11-30", False),  # 3 % against 0.25 of 10 %
        (1 / 1.03, KEEP, "2026-11-30", False),
        (1.02, WATCH, "2026-11-30", False),
        (1.02, WITHDRAW, "2026-11-30", False),
        (1.02, KEEP, "2026-12-31", False),  # it ends before
        (1.02, KEEP, "", False),  # no month, no coming one
    ],
)
def test_what_matters_is_proposed_and_what_does_not_is_not(
    factor: float, call: str, until: str, stays: bool
) -> None:
    old = fitted()
    new = replace(old, slope=old.slope / factor, factor_id="Cu-new")
    found = offered(old, new, call, until)
    assert found == (replace(old, status=APPROVED) if stays else new)


def test_a_range_that_grows_much_is_proposed() -> None:
    old = fitted()
    span = math.log(old.high / old.low)
    little, much = (replace(old, high=old.high * math.exp(x * span)) for x in (0.2, 0.5))
    assert offered(old, little).high == old.high
    assert offered(old, much) == much


def test_nothing_in_force_or_nothing_fitted_leaves_the_proposal_as_it_is() -> None:
    new = Proposal(fitted(), None, "why")
    assert factor_kept.kept(new, None, KEEP, FIELD, 0.1, "2026-11-30", T) is new
    none = Proposal(None, None, "no factor")
    assert factor_kept.kept(none, fitted(), KEEP, FIELD, 0.1, "2026-11-30", T) is none


def test_what_is_judged_is_the_bias_of_the_factor_in_force_and_not_that_of_the_refit() -> None:
    old = fitted()
    new = replace(old, slope=old.slope / 1.02)  # corrects to 2 % more than the one in force
    held_out = np.array([80.0, 170.0, 340.0])
    found = factor_kept.kept(Proposal(new, held_out, ""), old, KEEP, FIELD, 0.10, "2026-11-30", T)
    assert found.factor is not None
    assert found.factor.factor_id == old.factor_id
    assert found.held_out == pytest.approx(held_out / 1.02)


def copper(site: Path, period: str) -> StratumResult:
    (result,) = reconcile.run_period(site, period).reconciliation.results
    return result


@pytest.mark.slow
def test_the_months_after_an_approval_keep_the_factor_until_the_bias_moves(tmp_path: Path) -> None:
    biases = {"2026-06": 0.3, "2026-07": 0.3, "2026-08": 0.3, "2026-09": 0.42}
    site = months.build(tmp_path / "site", biases, samples=40)
    path = site / "reconcile.toml"
    path.write_text(
        path.read_text("utf-8").replace("[report]", '[report]\nprepared_by = "Ana Lima"'), "utf-8"
    )
    copper(site, "2026-06")
    first = copper(site, "2026-07")
    assert first.verdict.decision == ACCEPTED_CORRECTED
    assert first.factor is not None
    number = first.factor.factor_id
    factor_life.approve(site, number, "Ben Osei", "ratio steady", "2026-08-03T10:00+02:00")

    second = copper(site, "2026-08")
    assert second.factor is not None
    assert (second.factor.factor_id, second.factor.status) == (number, "approved")
    assert second.verdict.decision == ACCEPTED_CORRECTED
    assert second.verdict.valid_until == first.factor.valid_until
    assert number in second.verdict.next_step
    assert any("No new factor is proposed" in note for note in second.notes)
    states = {x.factor.factor_id: x.state for x in factor_life.listed(site)[0]}
    assert states[number] == "approved"
    assert "2026-08" not in {x.period for x in factor_life.listed(site)[0]}

    moved = copper(site, "2026-09")
    assert moved.factor is None or moved.factor.factor_id != number
