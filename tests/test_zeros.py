"""Zeros in a table: no warning of a library reaches anyone, and no other pair loses its ratio."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import reconcile
from reconcile.figures import evaluation
from reconcile.judgement import factor_proposal, verdicts
from reconcile.statistics.result import Estimate
from tests import small
from tests.pairs import STRATUM, settings, study

pytestmark = pytest.mark.usefixtures("data_alone")


def with_zeros(frame: pd.DataFrame, side: str, at: np.ndarray) -> pd.DataFrame:
    columns = [f"{side}_{name}" for name in ("mean", "low", "high")]
    frame = frame.copy()
    frame.loc[frame.index[at], columns] = 0.0
    return frame


@pytest.mark.parametrize("field_zeros", [0, 1, 12, 22, 24, 25])
@pytest.mark.parametrize("lab_zeros", [0, 1, 22, 25])
def test_any_number_of_zeros_is_judged_without_a_warning(field_zeros: int, lab_zeros: int) -> None:
    rng = np.random.default_rng([field_zeros, lab_zeros])
    for seed in range(2):
        frame = with_zeros(
            study(25, ratio=1.2, seed=seed), "field", rng.permutation(25)[:field_zeros]
        )
        frame = with_zeros(frame, "lab", rng.permutation(25)[:lab_zeros])
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            evaluated = evaluation.evaluate(STRATUM, frame, None, settings())
            proposal = factor_proposal.propose(STRATUM, evaluated, settings(), None)
            verdicts.judge(STRATUM, evaluated, proposal, settings(), None, "2027-01-31")
            factor = proposal.factor
            if factor is not None:
                values = np.array([0.0, factor.low, factor.high])
                corrected, inside = factor_proposal.correct(factor, values)
                spread = factor_proposal.standard_uncertainty(factor, values, np.ones(3))
                factor_proposal.interval(factor, corrected, spread)
                assert np.isfinite(corrected[inside]).all()
        assert evaluated.statistics.n_used == 25
        assert np.isfinite(evaluated.statistics.bias.mean_difference.value)


def test_a_form_whose_line_is_flat_in_some_part_is_not_chosen() -> None:
    frame = with_zeros(study(25, seed=3), "field", np.arange(1, 25))
    evaluated = evaluation.evaluate(STRATUM, frame, None, settings())
    proposal = factor_proposal.propose(STRATUM, evaluated, settings(), None)
    assert proposal.factor is None or proposal.factor.form == "offset"


def test_a_month_with_zeros_in_one_element_is_released_without_a_warning(tmp_path: Path) -> None:
    def ratio(outcome: reconcile.RunOutcome, element: str) -> Estimate:
        (result,) = [r for r in outcome.reconciliation.results if r.stratum.element == element]
        return result.statistics.bias.geometric_mean_ratio

    clean = reconcile.run_period(small.build(tmp_path / "clean"), "2026-10")
    folder = small.build(tmp_path / "zeros")
    lines = (folder / "field.csv").read_text("utf-8").splitlines()
    for at in (1, 2, 9, 14):
        cells = lines[at].split(",")
        lines[at] = ",".join([*cells[:3], "0", cells[4]])  # copper
    (folder / "field.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        outcome = reconcile.run_period(folder, "2026-10")
    assert ratio(outcome, "Fe") == ratio(clean, "Fe")
    (copper,) = [r for r in outcome.reconciliation.results if r.stratum.element == "Cu"]
    both = copper.pairs["field_mean"].notna() & copper.pairs["lab_mean"].notna()
    assert copper.pairs.loc[both, "used"].all()
    assert copper.pairs["field_mean"].eq(0).sum() == 1  # both readings of the first sample
    (note,) = [n for n in copper.notes if "zero or below" in n]
    assert note.startswith(f"1 of {copper.statistics.n_used} pairs has a result of zero or below")
    assert "cells.zero" in note
    settings_file = folder / "reconcile.toml"
    text = settings_file.read_text("utf-8").replace(
        'calibration = "soil 1" }', 'calibration = "soil 1" }\ncells = { zero = "no result" }'
    )
    settings_file.write_text(text, encoding="utf-8")
    told = reconcile.run_period(folder, "2026-10")
    assert ratio(told, "Cu").estimable
    assert ratio(told, "Cu").n == copper.statistics.n_used - 1
