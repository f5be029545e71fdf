"""Factors on the evidence: validated on whole months, and as uncertain as months make them."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from reconcile.base.model.verdict import CorrectionFactor
from reconcile.figures import evaluation
from reconcile.figures.over_months import MONTH
from reconcile.judgement import factor_choice, factor_proposal
from tests.pairs import STRATUM, settings
from tests.sizes import cases
from tests.test_coming_months import evidence


def proposal(table: pd.DataFrame) -> factor_proposal.Proposal:
    evaluated = evaluation.evaluate(STRATUM, table, None, settings())
    return factor_proposal.propose(STRATUM, evaluated, settings(), None)


def factor_of(table: pd.DataFrame) -> CorrectionFactor:
    factor = proposal(table).factor
    assert factor is not None
    return factor


def test_held_out_values_of_a_month_come_from_fits_that_have_not_seen_it() -> None:
    table = evidence([0.0, 0.0, 0.3], n=20, rsd=0.02)
    lab, field = (table[c].to_numpy("float64") for c in ("lab_mean", "field_mean"))
    evaluated = evaluation.evaluate(STRATUM, table, None, settings())
    of = factor_proposal._candidates(evaluated, lab, field, settings())
    each = np.arange(len(lab))
    month = np.repeat([0, 1, 2], 20)
    unseen = factor_choice.corrected_unseen(lab, field, each, of, month).mean(axis=0)
    # the other two months are right as read, so that the third stays as far off as it is
    off = np.log(unseen / lab)[month == 2].mean()
    assert off == pytest.approx(math.log(1.3), abs=0.02)
    seen = factor_choice.corrected_unseen(lab, field, each, of).mean(axis=0)
    assert np.log(seen / lab)[month == 2].mean() < 0.22


def test_the_error_of_held_out_months_is_stated_where_months_move() -> None:
    table = evidence([0.2, 0.4, 0.2, 0.4], n=20, rsd=0.02)
    over, alone = factor_of(table), factor_of(table.drop(columns=MONTH))
    assert over.error_after > 1.1 * alone.error_after


@pytest.mark.slow
def test_the_spread_between_months_is_in_the_uncertainty_of_a_corrected_result() -> None:
    still = evidence([0.3] * 3, n=20, rsd=0.03)
    moving = evidence([0.22, 0.3, 0.38], n=20, rsd=0.03)
    for table in (still, moving):
        over, alone = factor_of(table), factor_of(table.drop(columns=MONTH))
        assert over.residual_sd > alone.residual_sd
        assert (over.form, over.slope) == (alone.form, alone.slope)
    added = [
        factor_of(t).residual_sd ** 2 - factor_of(t.drop(columns=MONTH)).residual_sd ** 2
        for t in (still, moving)
    ]
    assert added[1] > 2 * added[0]


def test_one_month_adds_what_is_assumed_of_the_spread() -> None:
    table = evidence([0.3], n=40, rsd=0.03)
    over, alone = factor_of(table), factor_of(table.drop(columns=MONTH))
    assumed = settings().evidence.assumed_spread * math.log(1.1)
    assert over.residual_sd**2 - alone.residual_sd**2 == pytest.approx(2 * assumed**2)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("months", "spread"), cases(((1, 0.02), (3, 0.03), (6, 0.05)), ((3, 0.03),))
)
def test_stated_intervals_hold_the_results_of_a_coming_month(months: int, spread: float) -> None:
    inside = counted = 0
    for seed in range(60):
        rng = np.random.default_rng([seed, months])
        biases = 0.2 + spread * rng.normal(size=months + 1)
        table = evidence(list(biases), n=40 if months == 1 else 25, rsd=0.06, seed=seed)
        new = table[MONTH].eq(table[MONTH].max())
        factor = proposal(table.loc[~new].reset_index(drop=True)).factor
        if factor is None:
            continue
        lab, read = (table.loc[new, c].to_numpy("float64") for c in ("lab_mean", "field_mean"))
        x, usable = factor_proposal.correct(factor, read)
        u = factor_proposal.standard_uncertainty(factor, read, np.full(len(read), 3.0))
        low, high = factor_proposal.interval(factor, x, u)
        inside += int(np.sum((low <= lab) & (lab <= high) & usable))
        counted += int(usable.sum())
    # months move together: 60 of them, so that the share itself has an error of some 2 %
    assert inside / counted >= 0.91
