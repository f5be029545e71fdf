"""The formulas of the workbook, computed by an office program and compared with the program."""

import io
import re
import shutil
import subprocess
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pytest

import reconcile
from reconcile.base.model.figures import StratumStatistics
from reconcile.reporting import words
from reconcile.reporting.document import workbook
from reconcile.reporting.figures import by_key
from reconcile.reporting.render import recompute
from tests import workspaces
from tests.reporting import builder

office = pytest.mark.skipif(
    shutil.which("soffice") is None, reason="no office program to recalculate with"
)


def without_results(content: bytes) -> bytes:
    """The workbook with formulas alone, so that none of our results is taken for computed."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(out, "w") as target:
        for name in source.namelist():
            part = source.read(name)
            if name.startswith("xl/worksheets/sheet"):
                part = re.sub(rb"(</f>)<v>[^<]*</v>", rb"\1", part)
            target.writestr(name, part)
    return out.getvalue()


def recalculated(content: bytes, folder: Path) -> openpyxl.Workbook:
    """The workbook with its values after a whole recalculation."""
    (folder / "in").mkdir()
    (folder / "in" / "workbook.xlsx").write_bytes(without_results(content))
    subprocess.run(
        ["soffice", f"-env:UserInstallation={(folder / 'profile').as_uri()}", "--headless",
         "--convert-to", "xlsx", "--outdir", str(folder), str(folder / "in" / "workbook.xlsx")],
        check=True, timeout=170, capture_output=True,
    )  # fmt: skip
    return openpyxl.load_workbook(folder / "workbook.xlsx", data_only=True)


def assert_agrees(content: bytes, folder: Path, strata: int) -> None:
    """No error cell anywhere; each number within 1e-9 of the program's; none left out."""
    book = recalculated(content, folder)
    for any_sheet in book:
        for cells in any_sheet.iter_rows():
            for any_cell in cells:
                where = any_sheet.title, any_cell.coordinate, any_cell.value
                assert any_cell.data_type != "e", where
    sheet = book["Recomputed"]
    original = openpyxl.load_workbook(io.BytesIO(content), data_only=True)["Recomputed"]
    compared, seen = 0, set()
    for row in range(7, original.max_row + 1):
        engine = original.cell(row, 5).value
        cell, result = sheet.cell(row, 4).value, original.cell(row, 4).value
        if result is not None:
            assert isinstance(cell, (int, float)), (row, original.cell(row, 4).value, cell)
            assert cell == pytest.approx(result, rel=1e-7, abs=1e-12), original.cell(row, 3).value
        if engine is None:
            continue
        compared += 1
        seen.add(original.cell(row, 1).value)
        assert cell == pytest.approx(engine, rel=1e-9, abs=0), original.cell(row, 3).value
        assert sheet.cell(row, 8).value == "yes"
    assert len(seen) == strata
    helpers_agree(content, book)
    assert sheet["D4"].value == sheet["D5"].value == compared


def helpers_agree(content: bytes, book: openpyxl.Workbook) -> None:
    """What formulas of single pairs come to is what stands in their cells."""
    ours = openpyxl.load_workbook(io.BytesIO(content), data_only=True)["Calculation"]
    theirs = book["Calculation"]
    columns = [c.column for c in ours[2] if c.value in set(words.HELPERS.values())]
    for row in range(3, ours.max_row + 1):
        for place in columns:
            one, other = ours.cell(row, place).value, theirs.cell(row, place).value
            if one in (None, "") or other in (None, ""):
                assert (one or None, other or None) == (None, None), (row, place)
            else:
                assert other == pytest.approx(one, rel=1e-9, abs=1e-12), (row, place)


@pytest.mark.slow
@office
def test_every_formula_agrees_for_ordinary_censored_hostile_and_empty_strata(
    tmp_path: Path,
) -> None:
    value = builder.mixed()
    assert_agrees(workbook.workbook(value), tmp_path, len(value.results))


@pytest.mark.slow
@office
def test_a_wrong_value_of_the_program_is_shown_as_disagreement(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    value = builder.reconciliation([builder.ordinary()])
    true = by_key

    def with_a_fault(statistics: StratumStatistics) -> dict[str, Any]:
        figures = dict(true(statistics))
        wrong = figures["ols_slope"]
        object.__setattr__(wrong, "value", wrong.value * (1 + 1e-7))
        return figures

    monkeypatch.setattr(recompute, "by_key", with_a_fault)
    sheet = recalculated(workbook.workbook(value), tmp_path)["Recomputed"]
    assert sheet["D4"].value - sheet["D5"].value == 1
    rows = [r for r in sheet.iter_rows(min_row=7, values_only=True) if r[7] == "no"]
    assert [r[2] for r in rows] == [true(value.results[0].statistics)["ols_slope"].label]


def test_every_headline_figure_is_recomputed_where_it_can_be_estimated() -> None:
    names = {c.name for c in recompute.cells_of(builder.ordinary())}
    assert {
        "n", "mean_difference", "mean_difference_low", "mean_relative_difference_high",
        "geometric_mean_ratio", "geometric_mean_ratio_low", "limits_absolute_lower",
        "limits_log_ratio_upper", "ols_slope", "ols_intercept", "ols_lab_on_field_slope",
        "log_line_slope", "log_r_squared", "correlation", "r_squared", "concordance",
        "concordance_precision", "concordance_accuracy", "share_within", "share_within_low",
        "deming_slope", "deming_intercept", "level_1_false_negative_count",
        "level_1_false_positive_count",
    } <= names  # fmt: skip


@office
@pytest.mark.slow
@pytest.mark.parametrize("name", ["demo", "pottery"])
def test_a_whole_workspace_agrees_after_recalculation(
    name: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    if name == "demo":
        value, files = request.getfixturevalue("demo_month")
        assert_agrees(files["workbook.xlsx"], tmp_path, len(value.results))
        return
    data = workspaces.data_of(name)
    if data is None:
        pytest.skip("the tables of the pottery are not on this machine (RECONCILE_REAL_DATA)")
    outcome = reconcile.run_period(workspaces.build(name, tmp_path / name, data), "published")
    content = (outcome.release_folder / "workbook.xlsx").read_bytes()
    assert_agrees(content, tmp_path, len(outcome.reconciliation.results))
