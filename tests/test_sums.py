"""Shots whose predictions do not close to 100 %: told and kept; the sample's mean is judged."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import reconcile
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.read import read_file

pytestmark = pytest.mark.usefixtures("data_alone")

#: Six elements as predicted by LIBS, each with its own noise, about a sum of 98 %.
OXIDES = {"SiO2": 48.0, "Al2O3": 14.0, "Fe2O3": 19.6, "CaO": 9.0, "MgO": 6.0, "K2O": 1.4}
SHOTS = 20
SETTINGS = """
[workspace]
assign_rows_by = "nothing"
elements = ["Fe"]

[[table]]
kind = "field"
files = ["field.csv"]
unit = "%"
fixed = {{ technique = "LIBS", instrument = "L1", matrix = "rock", moisture_basis = "dry" }}
{more}

[[table]]
kind = "lab"
files = ["lab.csv"]
unit = "%"
fixed = {{ technique = "XRF fusion", digestion_class = "total", moisture_basis = "dry" }}
"""


def site(folder: Path, more: str = "", high: tuple[int, ...] = ()) -> tuple[Path, np.ndarray]:
    """30 samples of 20 shots, 4 in each spot; ``high``: samples whose silica reads 10 % more.

    Returns the folder and the sums of all shots, %.
    """
    rng = np.random.default_rng(5)
    folder.mkdir()
    field = ["Sample,Spot,Shot," + ",".join(OXIDES)]
    lab = ["Sample," + ",".join(OXIDES)]
    sums = []
    for number in range(30):
        true = np.array([*OXIDES.values()]) * np.exp(0.02 * rng.standard_normal(len(OXIDES)))
        lab.append(f"S{number:02d}," + ",".join(f"{v:.3f}" for v in true))
        for shot in range(SHOTS):
            seen = true * np.exp(0.08 * rng.standard_normal(len(OXIDES)))
            seen[0] += 10 if number in high else 0
            text = [f"{v:.3f}" for v in seen]
            sums.append(sum(map(float, text)))
            field.append(f"S{number:02d},{shot // 4 + 1},{shot % 4 + 1}," + ",".join(text))
    (folder / "field.csv").write_text("\n".join(field) + "\n", encoding="utf-8")
    (folder / "lab.csv").write_text("\n".join(lab) + "\n", encoding="utf-8")
    (folder / "reconcile.toml").write_text(SETTINGS.format(more=more), encoding="utf-8")
    return folder, np.array(sums)


@pytest.mark.slow
def test_shots_above_the_limit_are_told_and_none_is_cut(tmp_path: Path) -> None:
    folder, sums = site(tmp_path / "w")
    outcome = reconcile.run_period(folder, "all").reconciliation
    above = int((sums > 102).sum())
    assert above > 0.15 * len(sums)  # as many as were seen thrown away
    assert len(outcome.quarantine) == 0
    (told,) = [f.text for f in outcome.findings if "add up" in f.text]
    assert f"{above} of {len(sums)} rows add up to more than 102 %" in told
    assert f"largest {sums.max():.4g} %" in told
    (iron,) = [r for r in outcome.results if r.stratum.element == "Fe"]
    assert iron.pairs["field_n"].eq(SHOTS).all()
    # nothing is cut, so the mean is where it belongs (exp(0.08²/2) = 1.003)
    assert iron.statistics.bias.geometric_mean_ratio.value == pytest.approx(1.0, abs=0.01)
    for step in (*outcome.waterfall, *(s for f in outcome.account_of_files for s in f.steps)):
        assert step.balance == 0


@pytest.mark.parametrize(
    ("technique", "more", "refused"),
    [
        ("XRF", "", True),
        ("XRF", "tell", False),
        ("LIBS", "refuse", True),
        ("LIBS", "", False),
    ],
)
def test_which_rows_are_refused_for_their_sum_is_a_setting(
    technique: str, more: str, refused: bool, tmp_path: Path
) -> None:
    folder, sums = site(tmp_path / "w")
    rule = {"above_largest_sum": more} if more else {}
    settings = TableSettings.model_validate(
        {"kind": "field", "files": ["f"], "unit": "%", "fixed": {"technique": technique}, **rule}
    )
    (table,) = read_file(folder / "field.csv", "field.csv", settings, zone="UTC")
    assert len(table.quarantine) == (int((sums > 102).sum()) if refused else 0)
    assert table.facts.num_rows + len(table.quarantine) == table.rows_in_file == len(sums)


def test_each_row_of_a_mixed_table_is_read_by_its_own_technique(tmp_path: Path) -> None:
    path = tmp_path / "field.csv"
    path.write_text(
        "Sample,Technique,Cu,Zn\nA,LIBS,80,24\nB,XRF,80,24\nC,LIBS,80,20\nD,,80,24\n", "utf-8"
    )
    settings = TableSettings(kind="field", files=("field.csv",), unit="%")
    (table,) = read_file(path, "field.csv", settings, zone="UTC")
    assert table.quarantine["row"].tolist() == [3, 5]
    assert table.facts.column("sample_id").to_pylist() == ["A", "C"]
    assert table.sums is not None
    assert table.sums.to_pydict() == {"row": [2, 4], "sum_pct": pytest.approx([104.0, 100.0])}


def test_plain_tables_and_tables_read_cell_by_cell_hold_the_same_sums(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, sums = site(tmp_path / "w")
    settings = TableSettings(
        kind="field", files=("field.csv",), unit="%", fixed={"technique": "LIBS"}
    )
    (quick,) = read_file(folder / "field.csv", "field.csv", settings, zone="UTC")
    monkeypatch.setattr("reconcile.intake.read.plain_results", lambda *_: None)
    (careful,) = read_file(folder / "field.csv", "field.csv", settings, zone="UTC")
    assert quick.sums is not None
    assert quick.sums.equals(careful.sums)
    assert quick.notes == careful.notes
    np.testing.assert_allclose(quick.sums.column("sum_pct"), sums, rtol=1e-12)


def test_a_sample_whose_mean_is_above_the_limit_is_named_and_its_pairs_are_used(
    tmp_path: Path,
) -> None:
    folder, sums = site(tmp_path / "w", high=(4, 11))
    outcome = reconcile.run_period(folder, "all").reconciliation
    (finding,) = [f for f in outcome.findings if f.text.startswith("The mean results of")]
    assert finding.severity == "warning"
    assert finding.subject == "LIBS · L1"
    means = sums.reshape(30, SHOTS).mean(axis=1)
    above = np.flatnonzero(means > 102)
    assert {4, 11} <= set(above)
    for sample in above:
        assert f"S{sample:02d} ({means[sample]:.4g} %)" in finding.text
    assert f"of {len(above)} samples" in finding.text
    assert all(r.statistics.n_used == 30 for r in outcome.results)


def test_the_settings_can_keep_samples_with_too_high_a_mean_out(tmp_path: Path) -> None:
    folder, sums = site(tmp_path / "w", more='mean_above_largest_sum = "keep out"', high=(4,))
    outcome = reconcile.run_period(folder, "all").reconciliation
    above = np.flatnonzero(sums.reshape(30, SHOTS).mean(axis=1) > 102)
    assert len(above) >= 1
    for result in outcome.results:
        out = result.pairs.loc[~result.pairs["used"]]
        assert out["sample_id"].tolist() == [f"S{i:02d}" for i in above]
        assert set(out["reason"]) == {"the sample's mean adds up to more than 102 %"}
    assert all(step.balance == 0 for step in outcome.waterfall)
