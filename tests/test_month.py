"""Months without a pair: no laboratory result yet, controls alone, or nothing at all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.commands import checking
from reconcile.intake import workspace as ws
from reconcile.run import pipeline
from reconcile.store.database import Store
from tests import small

pytestmark = pytest.mark.usefixtures("data_alone")

FIELD = "sample_id,reading_no,measured_at,Cu (mg/kg),Fe (mg/kg)\n"


def with_a_reissue(folder: Path) -> Path:
    """October with a certificate and its re-issue; November was read and not yet analysed."""
    small.build(folder)
    settings = folder / "reconcile.toml"
    text = settings.read_text("utf-8").replace(', certificate = "C1"', "")
    for side in ("field", "lab"):
        text = text.replace(f'"{side}.csv"', f'"{side}*.csv"')
    settings.write_text(text, "utf-8")
    first, *rows = (folder / "lab.csv").read_text("utf-8").splitlines()
    heading = f"{first},certificate,certificate_issue\n"
    (folder / "lab.csv").write_text(heading + "".join(f"{row},C1,1\n" for row in rows), "utf-8")
    again = "".join(f"{','.join(row.split(',')[:2])},,C1,2\n" for row in rows[:5])
    (folder / "lab_again.csv").write_text(heading + again, "utf-8")
    november = "".join(f"N{i},1,2026-11-0{i} 01:00,{100 + i},{30000 + i}\n" for i in range(1, 6))
    (folder / "field_november.csv").write_text(FIELD + november, "utf-8")
    return folder


def by_month(folder: Path) -> Path:
    """File patterns that name the month, and certified values of a reference material."""
    small.build(folder)
    settings = folder / "reconcile.toml"
    text = settings.read_text("utf-8")
    for side in ("field", "lab"):
        text = text.replace(f'"{side}.csv"', f'"{side}_{{period}}.csv"')
        (folder / f"{side}.csv").rename(folder / f"{side}_2026-10.csv")
    text += '[[table]]\nkind = "reference materials"\nfiles = ["certified.csv"]\n'
    settings.write_text(text, "utf-8")
    (folder / "certified.csv").write_text(
        "reference_code,element,value,unit,uncertainty\nRM1,Cu,100,mg/kg,4\nRM1,Fe,3,%,0.05\n",
        "utf-8",
    )
    return folder


def of_reference_material(folder: Path) -> Path:
    by_month(folder)
    rows = "".join(
        f"RM1,reference material,RM1,{i},2026-11-0{i} 01:00,{100 + i},{30000 + i}\n"
        for i in range(1, 10)
    )
    heading = FIELD.replace("reading_no", "sample_kind,reference_code,reading_no")
    (folder / "field_2026-11.csv").write_text(heading + rows, "utf-8")
    return folder


def judged(site: Path, period: str) -> pipeline.Run:
    """All steps but the writing of the release."""
    with Store(None) as store:
        run = pipeline.begin(ws.load_workspace(site), period, store)
        for _, step in pipeline.STEPS[:-1]:
            run = step(run)
    return run


def told_by(run: pipeline.Run) -> str:
    return "\n".join(f.text for f in run.findings)


def test_a_month_read_and_not_yet_analysed_runs_beside_the_reissue_of_another_month(
    tmp_path: Path,
) -> None:
    run = judged(with_a_reissue(tmp_path / "site"), "2026-11")
    assert "No laboratory result yet: 5 samples were read" in told_by(run)
    assert run.results == ()
    assert run.joined is not None
    assert len(run.joined.field_only) == 5
    kept = {step.name: step.kept for step in run.steps_of_account}
    assert kept["field rows that hold a result of a sample in this period"] == 5
    assert kept["lab rows that hold a result of a sample in this period"] == 0


def test_a_month_without_a_laboratory_file_runs_and_says_so(tmp_path: Path) -> None:
    site = by_month(tmp_path / "site")
    (site / "lab_2026-10.csv").unlink()
    told = told_by(judged(site, "2026-10"))
    assert "No laboratory result yet: 30 samples were read" in told
    assert "No file matches 'lab_2026-10.csv'" in told


def test_results_of_other_ids_are_not_taken_for_results_to_come(tmp_path: Path) -> None:
    site = by_month(tmp_path / "site")
    lab = site / "lab_2026-10.csv"
    lab.write_text(lab.read_text("utf-8").replace("\nS", "\nB-77-"), "utf-8")
    told = told_by(judged(site, "2026-10"))
    assert "30 samples were analysed and not read in the field: are the ids" in told


def test_a_month_that_only_the_laboratory_knows_says_so(tmp_path: Path) -> None:
    site = by_month(tmp_path / "site")
    (site / "field_2026-10.csv").unlink()
    told = told_by(judged(site, "2026-10"))
    assert "No field reading of 2026-10: 30 samples were analysed" in told


def test_a_month_of_reference_material_readings_alone_is_judged_and_charted(
    tmp_path: Path,
) -> None:
    outcome = reconcile.run_period(of_reference_material(tmp_path / "site"), "2026-11")
    result = outcome.reconciliation
    assert result.results == ()
    assert {(c.element, c.passed) for c in result.quality} == {("Cu", True), ("Fe", True)}
    assert len(result.quality) == 18
    assert [len(chart.values) for chart in result.controls.charts] == [9, 9]
    assert any("controls and no sample" in f.text for f in result.findings)
    assert (outcome.release_folder / "report.pdf").is_file()


@pytest.mark.parametrize("build", [with_a_reissue, by_month])
def test_a_month_without_any_row_is_not_released(
    tmp_path: Path, build: Callable[[Path], Path]
) -> None:
    site = build(tmp_path / "site")
    (site / "field_2026-12.csv").write_text(FIELD, "utf-8")
    with pytest.raises(ReconcileError, match=r"Nothing to release.* of 2026-12") as raised:
        reconcile.run_period(site, "2026-12")
    assert "files" in raised.value.advice
    assert not (site / "out" / "releases").exists()
    if build is with_a_reissue:
        assert "2026-10 (60), 2026-11 (5)" in raised.value.message


def test_check_tells_of_a_month_without_any_row(tmp_path: Path) -> None:
    report = checking.check(with_a_reissue(tmp_path / "site"), "2026-12")
    assert any("Nothing to release" in f.text for f in report.findings)
    assert report.needs_a_person


def test_a_month_whose_rows_were_all_refused_shows_them(tmp_path: Path) -> None:
    site = by_month(tmp_path / "site")
    (site / "field_2026-11.csv").write_text(FIELD + ",1,2026-11-01 01:00,100,30000\n", "utf-8")
    run = judged(site, "2026-11")
    assert run.held is not None
    assert run.held.rows == 1
    assert "Nothing to release" not in told_by(run)
