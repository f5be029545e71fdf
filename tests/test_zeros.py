"""Zeros in a table: no warning of a library reaches anyone, and no other pair loses its ratio."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import reconcile
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.release import StratumResult
from reconcile.base.reasons import ZERO_UNSTATED, Exclusion, in_words
from reconcile.figures import evaluation
from reconcile.intake import delimited
from reconcile.intake.workspace import load_workspace
from reconcile.judgement import factor_proposal, verdicts
from reconcile.run import pipeline
from reconcile.store.database import Store
from tests import small
from tests.pairs import STRATUM, settings, study

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")


def with_zeros(frame: pd.DataFrame, side: str, at: np.ndarray) -> pd.DataFrame:
    columns = [f"{side}_{name}" for name in ("mean", "low", "high")]
    frame = frame.copy()
    frame.loc[frame.index[at], columns] = 0.0
    return frame


@pytest.mark.slow
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


def with_copper_of_zero(folder: Path, *lines_of_field: int) -> Path:
    """Put a zero for copper into these lines of the field table."""
    lines = (folder / "field.csv").read_text("utf-8").splitlines()
    for at in lines_of_field:
        cells = lines[at].split(",")
        lines[at] = ",".join([*cells[:3], "0", cells[4]])
    (folder / "field.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def with_zeros_that_mean(folder: Path, meaning: str) -> Path:
    """State in the field table's settings what a zero means."""
    path = folder / "reconcile.toml"
    fixed = 'calibration = "soil 1" }'
    text = path.read_text("utf-8").replace(fixed, f'{fixed}\ncells = {{ zero = "{meaning}" }}')
    path.write_text(text, encoding="utf-8")
    return folder


def of(outcome: reconcile.RunOutcome, element: str) -> StratumResult:
    (result,) = [r for r in outcome.reconciliation.results if r.stratum.element == element]
    return result


def told_of_zeros(findings: tuple[Finding, ...]) -> list[Finding]:
    return [f for f in findings if f.code is FindingCode.ZERO_UNSTATED]


@pytest.mark.parametrize("readings", [(9,), pytest.param((9, 10), marks=pytest.mark.slow)])
def test_one_zero_among_25_leaves_ratio_factor_and_verdict_of_the_other_24(
    tmp_path: Path, readings: tuple[int, ...]
) -> None:
    def built(name: str) -> Path:
        return small.build(tmp_path / name, samples=25)

    without = built("without")
    path = without / "reconcile.toml"
    path.write_text(f'leave_out = {{ "S005/Cu" = "as said" }}\n{path.read_text("utf-8")}', "utf-8")
    truth = of(reconcile.run_period(without, "2026-10"), "Cu")
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        outcome = reconcile.run_period(with_copper_of_zero(built("zero"), *readings), "2026-10")
    found = of(outcome, "Cu")
    assert truth.factor is not None
    assert found.factor is not None
    assert truth.statistics.bias.geometric_mean_ratio.estimable
    assert found.statistics.bias.geometric_mean_ratio == truth.statistics.bias.geometric_mean_ratio
    assert found.statistics.n_used == truth.statistics.n_used
    same = ("form", "intercept", "slope", "covariance", "low", "high", "n")
    assert [getattr(found.factor, f) for f in same] == [getattr(truth.factor, f) for f in same]
    assert found.verdict.decision == truth.verdict.decision
    # nothing that is put back again gives the zero the weight of a measurement
    assert found.verdict.put_back == 0
    aside: Any
    (aside,) = found.pairs.loc[found.pairs["sample_id"].eq("S005")].itertuples()
    assert aside.reason_code == Exclusion.FIELD_ZERO_UNSTATED
    assert not aside.used
    assert np.isnan(aside.field_mean)
    assert aside.lab_mean > 0


def test_check_tells_zeros_of_a_column_beside_the_smallest_number_above(tmp_path: Path) -> None:
    folder = with_copper_of_zero(small.build(tmp_path / "site"), 1, 2, 9, 14)
    lab = (folder / "lab.csv").read_text("utf-8").splitlines()
    lab[3] = ",".join([*lab[3].split(",")[:2], "0.0"])  # iron, %
    (folder / "lab.csv").write_text("\n".join(lab) + "\n", encoding="utf-8")
    workspace = load_workspace(folder)
    with Store(workspace.store_file) as store:
        run = pipeline.begin(workspace, "2026-10", store)
        for _, step in pipeline.CHECK_STEPS:
            run = step(run)
    field, iron = told_of_zeros(run.findings)
    cells = [line.split(",")[3] for line in (folder / "field.csv").read_text("utf-8").splitlines()]
    numbers = [float(c) for c in cells[1:] if not c.startswith("<")]
    least = min(n for n in numbers if n)
    assert field.subject == "field.csv"
    assert iron.subject == "lab.csv"
    assert f"'Cu (mg/kg)' 4 of {len(numbers)}, smallest above zero {least:.4g} mg/kg" in field.text
    assert "Fe" not in field.text
    least = min(float(line.split(",")[2]) for line in lab[1:] if not line.endswith(",0.0"))
    assert f"'Fe (%)' 1 of 30, smallest above zero {least:.4g} %" in iron.text


@pytest.mark.slow
def test_the_account_counts_pairs_that_rest_on_zeros_and_balances(tmp_path: Path) -> None:
    folder = with_copper_of_zero(small.build(tmp_path / "site"), 1, 2, 9, 14)
    outcome = reconcile.run_period(folder, "2026-10")
    steps = outcome.reconciliation.waterfall
    assert all(step.balance == 0 for step in steps)
    (pairs,) = [step for step in steps if step.unit == "pairs"]
    assert dict(pairs.lost)[in_words(Exclusion.FIELD_ZERO_UNSTATED)] == 3
    used = sum(int(r.pairs["used"].sum()) for r in outcome.reconciliation.results)
    assert pairs.kept == used


@pytest.mark.slow
def test_zeros_on_both_sides_are_one_reason_and_no_limit(tmp_path: Path) -> None:
    folder = with_copper_of_zero(small.build(tmp_path / "site"), 1, 3)
    lab = (folder / "lab.csv").read_text("utf-8").splitlines()
    for at in (1, 3):
        name, _, iron = lab[at].split(",")
        lab[at] = f"{name},0,{iron}"
    (folder / "lab.csv").write_text("\n".join(lab) + "\n", encoding="utf-8")
    pairs = of(reconcile.run_period(folder, "2026-10"), "Cu").pairs.set_index("sample_id")
    assert pairs.loc["S001", "reason_code"] == Exclusion.BOTH_ZERO_UNSTATED
    assert pairs.loc["S002", "reason_code"] == Exclusion.FIELD_ZERO_UNSTATED
    assert pairs.loc["S003", "reason_code"] == Exclusion.LAB_ZERO_UNSTATED


@pytest.mark.slow
@pytest.mark.parametrize("meaning", ["measured", "below limit", "no result"])
def test_what_a_person_says_of_zeros_holds_for_that_table_alone(
    tmp_path: Path, meaning: str
) -> None:
    folder = with_copper_of_zero(small.build(tmp_path / "site"), 1, 2)
    outcome = reconcile.run_period(with_zeros_that_mean(folder, meaning), "2026-10")
    assert not told_of_zeros(outcome.reconciliation.findings)
    pairs = of(outcome, "Cu").pairs.set_index("sample_id")
    assert not pairs["reason_code"].isin(ZERO_UNSTATED).any()
    if meaning == "measured":
        assert pairs.loc["S001", "used"]
        assert pairs.loc["S001", "field_mean"] == 0
        (note,) = [n for n in of(outcome, "Cu").notes if "zero or below" in n]
        assert note.startswith("1 of ")
    elif meaning == "below limit":
        assert pairs.loc["S001", "reason_code"] == Exclusion.FIELD_OUTSIDE_LIMITS
    else:
        assert "S001" not in pairs.index


@pytest.mark.slow
@pytest.mark.parametrize("meaning", ["unstated", "measured"])
def test_zeros_are_the_same_read_quickly_and_cell_by_cell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, meaning: str
) -> None:
    found = []
    for name, limit in (("quick", 0), ("careful", 1 << 40)):
        monkeypatch.setattr(delimited, "QUICK_FROM_BYTES", limit)
        folder = with_copper_of_zero(small.build(tmp_path / name), 1, 2, 9)
        outcome = reconcile.run_period(with_zeros_that_mean(folder, meaning), "2026-10")
        with Store(folder / "out" / "store" / "reconcile.duckdb") as store:
            assert ("r:Cu" in store.columns("field_stored")) == (name == "quick")
        told = told_of_zeros(outcome.reconciliation.findings)
        found.append((told, small.bytes_of(folder / "out" / "releases")))
    assert found[0] == found[1]
    assert bool(found[0][0]) is (meaning == "unstated")


def test_nothing_below_a_limit_of_zero_is_taken_for_a_zero(tmp_path: Path) -> None:
    folder = small.build(tmp_path / "site")
    text = (folder / "field.csv").read_text("utf-8")
    (folder / "field.csv").write_text(text.replace("<40", "<0"), encoding="utf-8")
    assert "<0" in text.replace("<40", "<0")
    outcome = reconcile.run_period(folder, "2026-10")
    assert not told_of_zeros(outcome.reconciliation.findings)
    assert not of(outcome, "Cu").pairs["reason_code"].isin(ZERO_UNSTATED).any()


@pytest.mark.slow
@pytest.mark.whole_release
def test_a_whole_release_shows_what_zeros_kept_out(tmp_path: Path) -> None:
    folder = with_copper_of_zero(small.build(tmp_path / "site"), 1, 2, 9)
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        outcome = reconcile.run_period(folder, "2026-10")
    shown = pd.read_csv(outcome.release_folder / "pairs.csv")
    words = in_words(Exclusion.FIELD_ZERO_UNSTATED)
    assert shown["reason"].eq(words).sum() == 2
    assert words in (outcome.release_folder / "report.html").read_text("utf-8")
