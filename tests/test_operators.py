"""Operators as a component: who reads differently is told, with an interval."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

import reconcile
from reconcile.reporting import words

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

SETTINGS = """
[workspace]
assign_rows_by = "nothing"
{extra}

[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = {{ technique = "XRF", instrument = "X1", calibration = "c", matrix = "soil", specimen_form = "pulp", moisture_basis = "dry", pair_type = "split" }}

[[table]]
kind = "lab"
files = ["lab.csv"]
unit = "mg/kg"
fixed = {{ technique = "ICP-OES", digestion = "four acids", digestion_class = "near-total", moisture_basis = "dry" }}
"""  # noqa: E501


def site(folder: Path, second: float, extra: str = "", samples: int = 30) -> Path:
    """Two operators in turn; the second reads ``second`` times what is there."""
    folder.mkdir()
    (folder / "reconcile.toml").write_text(SETTINGS.format(extra=extra), "utf-8")
    rng = np.random.default_rng(8)
    field, lab = ["Sample,Operator,Cu"], ["Sample,Cu"]
    for i in range(samples):
        true = 100.0 * 1.05**i
        factor = second if i % 2 else 1.0
        for _ in range(2):
            value = true * factor * np.exp(rng.normal(0, 0.03))
            field.append(f"S{i:02d},{'B. Two' if i % 2 else 'A. One'},{value:.2f}")
        lab.append(f"S{i:02d},{true * np.exp(rng.normal(0, 0.02)):.2f}")
    (folder / "field.csv").write_text("\n".join(field) + "\n", "utf-8")
    (folder / "lab.csv").write_text("\n".join(lab) + "\n", "utf-8")
    return folder


@pytest.mark.slow
def test_an_operator_who_reads_higher_is_told_with_effect_and_interval(tmp_path: Path) -> None:
    outcome = reconcile.run_period(site(tmp_path / "w", 1.12), "all")
    (shift,) = outcome.reconciliation.group_shifts
    assert (shift.kind, shift.of, shift.told) == ("operators", "X1", True)
    second = {m.name: m for m in shift.means}["B. Two"]
    assert second.n == 15
    assert second.shift.low < 0.12 < second.shift.high
    (told,) = [f for f in outcome.reconciliation.findings if f.code == "operators differ"]
    assert "interval" in told.text
    pairs = pd.read_csv(outcome.release_folder / "pairs.csv")
    assert set(pairs["operator"]) == {"A. One", "B. Two"}
    table = pd.read_csv(outcome.release_folder / "laboratories.csv")
    assert set(table["first"]) == {"A. One", "B. Two"}


@pytest.mark.slow
def test_operators_that_read_alike_are_not_told(tmp_path: Path) -> None:
    r = reconcile.run_period(site(tmp_path / "w", 1.0), "all").reconciliation
    (shift,) = r.group_shifts
    assert not shift.told
    assert not [f for f in r.findings if f.code == "operators differ"]


@pytest.mark.slow
def test_the_size_that_is_told_is_a_setting(tmp_path: Path) -> None:
    extra = "[thresholds]\noperator_size = 0.3"
    (shift,) = reconcile.run_period(
        site(tmp_path / "w", 1.12, extra), "all"
    ).reconciliation.group_shifts
    assert not shift.told


@pytest.mark.slow
def test_two_operators_of_one_sample_are_both_named_and_count_for_neither(tmp_path: Path) -> None:
    folder = site(tmp_path / "w", 1.0)
    text = (folder / "field.csv").read_text("utf-8").replace("S00,A. One", "S00,B. Two", 1)
    (folder / "field.csv").write_text(text, "utf-8")
    outcome = reconcile.run_period(folder, "all")
    pairs = pd.read_csv(outcome.release_folder / "pairs.csv").set_index("sample_id")
    assert pairs.loc["S00", "operator"] == "A. One, B. Two"
    (shift,) = outcome.reconciliation.group_shifts
    assert sorted(m.n for m in shift.means) == [14, 15]


@pytest.mark.slow
@pytest.mark.whole_release
def test_operators_stand_in_page_and_workbook(tmp_path: Path) -> None:
    folder = reconcile.run_period(site(tmp_path / "w", 1.12), "all").release_folder
    page = (folder / "report.html").read_text("utf-8")
    assert words.OPERATORS_TITLE in page
    assert "B. Two" in page
    book = openpyxl.load_workbook(folder / "workbook.xlsx", read_only=True)
    rows = list(book[words.SHEETS["laboratories"]].iter_rows(values_only=True))
    assert {row[0] for row in rows[1:]} == {"operators"}
