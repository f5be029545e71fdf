"""Quarantined cells that a person corrects and feeds back; the account file by file."""

from __future__ import annotations

import csv
import functools
import hashlib
import io
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any, cast

import openpyxl
import pandas as pd
import pytest

import reconcile
from reconcile.commands.storytelling import story_of
from tests import volumes

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

SETTINGS = """
[workspace]
assign_rows_by = "nothing"

[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = { technique = "XRF", matrix = "soil", specimen_form = "pulp", moisture_basis = "dry" }

[[table]]
name = "certificates"
kind = "lab"
files = ["lab.csv"]
unit = "mg/kg"
fixed = { technique = "ICP-OES", moisture_basis = "dry", digestion_class = "near-total" }

[[table]]
kind = "corrections"
files = ["corrections/*.csv"]
required = false
"""
FIELD = "Sample,Reading,Cu,Fe\nS1,1,100,20000\nS2,2,2OO,21000\n,3,300,22000\nS4,4,400,23000\n"
LAB = "Sample,Cu,Fe\nS1,90,20000\nS2,190,21000\nS3,290,22000\nS4,390,2300000\n"


def workspace(folder: Path) -> Path:
    """A copper value with letters in it, a row without id, an iron value above the whole."""
    folder.mkdir()
    for name, text in (("reconcile.toml", SETTINGS), ("field.csv", FIELD), ("lab.csv", LAB)):
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def quarantine(outcome: reconcile.RunOutcome) -> list[dict[str, str]]:
    text = (outcome.release_folder / "quarantine.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text)))


def feed_back(folder: Path, rows: list[dict[str, str]], name: str = "1.csv") -> None:
    (folder / "corrections").mkdir(exist_ok=True)
    with (folder / "corrections" / name).open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def filled(rows: list[dict[str, str]], **values: tuple[str, str, str]) -> list[dict[str, str]]:
    """The rows, those whose file begins with a name filled in: column, value, reason."""
    out = [dict(row) for row in rows]
    for row in out:
        for stem, (column, value, because) in values.items():
            if row["file"] == f"{stem}.csv":
                row |= {"corrected_value": value, "corrected_because": because,
                        "corrected_by": "analyst 2"}  # fmt: skip
                row["column"] = row["column"] or column
    return out


@functools.cache
def _listed() -> tuple[dict[str, str], ...]:
    with tempfile.TemporaryDirectory() as folder:
        return tuple(quarantine(reconcile.run_period(workspace(Path(folder) / "w"), "all")))


def listed() -> list[dict[str, str]]:
    """What the first release of the workspace refused: its list is the start of most tests."""
    return [dict(row) for row in _listed()]


@pytest.mark.slow
@pytest.mark.whole_release
def test_a_quarantined_cell_is_corrected_from_the_release_s_own_list(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w")
    first = reconcile.run_period(folder, "all")
    rows = quarantine(first)
    assert {(r["file"], r["row"], r["column"], r["found"]) for r in rows} == {
        ("field.csv", "3", "Cu", "2OO"), ("field.csv", "4", "", ""),
        ("lab.csv", "5", "Fe", "2300000"),
    }  # fmt: skip
    digest = hashlib.sha256((folder / "lab.csv").read_bytes()).hexdigest()
    assert {r["sha256"] for r in rows if r["file"] == "lab.csv"} == {digest}
    assert all(
        r["corrected_value"] == r["corrected_by"] == r["corrected_because"] == "" for r in rows
    )

    cells = [r for r in rows if r["column"]]
    feed_back(
        folder,
        filled(
            cells, field=("", "200", "letters O for zeros, see the field book"),
            lab=("", "23000", "the laboratory confirmed a slip of the decimal mark"),
        ) + [r for r in rows if not r["column"]],
    )  # fmt: skip
    second = reconcile.run_period(folder, "all")
    assert second.new_release
    assert [r["column"] for r in quarantine(second)] == [""]  # the row without id stays open
    pairs = pd.read_csv(second.release_folder / "pairs.csv")
    copper = pairs.loc[pairs["stratum"].str.startswith("Cu") & pairs["sample_id"].eq("S2")]
    assert copper["field_mean_mg_kg"].item() == 200
    iron = pairs.loc[pairs["stratum"].str.startswith("Fe") & pairs["sample_id"].eq("S4")]
    assert iron["lab_mean_mg_kg"].item() == 23000
    # the files and their archived copies stay as they were
    assert (folder / "field.csv").read_text(encoding="utf-8") == FIELD
    assert b"2OO" in next((folder / "out" / "archive").glob(
        f"{hashlib.sha256(FIELD.encode()).hexdigest()}*")).read_bytes()  # fmt: skip
    # who, why and the text of the file: in the table, the account, the report and the workbook
    told = pd.read_csv(second.release_folder / "corrections.csv")
    assert set(told["outcome"]) == {"applied"}
    assert set(told["found"].astype(str)) == {"2OO", "2300000"}
    assert set(told["corrected_by"]) == {"analyst 2"}
    (step,) = [s for s in second.reconciliation.waterfall if s.unit == "cells"]
    assert (step.entered, step.kept, step.balance) == (2, 2, 0)
    text = "".join(p.extract_text() for p in volumes.pages_of(second.release_folder))
    assert "Corrections of single cells" in text
    assert "2OO" in text
    assert "see the field book" in (second.release_folder / "report.html").read_text("utf-8")
    book = openpyxl.load_workbook(second.release_folder / "workbook.xlsx", read_only=True)
    assert "2OO" in {cell.value for row in book["Corrections"].iter_rows() for cell in row}
    # the sample's story, and no new release where nothing changes
    lines = [line for line in story_of(folder, "S2").lines if line.kind == "correction"]
    assert [line.who for line in lines] == ["analyst 2"]
    assert "from '2OO' to '200' (letters O for zeros" in lines[0].what
    assert any("Cu 200" in line.what for line in story_of(folder, "S2").lines)
    assert not reconcile.run_period(folder, "all").new_release


@pytest.mark.slow
def test_a_row_without_id_comes_back_where_the_person_names_the_column(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w")
    (row,) = [r for r in listed() if not r["column"]]
    feed_back(folder, filled([row], field=("Sample", "S3", "the tag on the bag")))
    outcome = reconcile.run_period(folder, "all")
    pairs = pd.read_csv(outcome.release_folder / "pairs.csv")
    assert "S3" in set(pairs["sample_id"])
    assert not outcome.reconciliation.lab_only


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"sha256": "0" * 64}, "the file has changed since"),
        ({"file": "other.csv"}, "no file of this run has that name"),
        ({"column": "Zn"}, "the table has no column 'Zn'"),
        ({"column": ""}, "no column is named"),
        ({"row": "99"}, "row 99 holds no data"),
    ],
)
def test_a_correction_that_does_not_match_is_refused_with_the_reason(
    tmp_path: Path, change: dict[str, str], reason: str
) -> None:
    folder = workspace(tmp_path / "w")
    (row,) = [r for r in listed() if r["column"] == "Cu"]
    (entry,) = filled([row], field=("", "200", "see the field book"))
    feed_back(folder, [entry | change])
    outcome = reconcile.run_period(folder, "all")
    told = outcome.reconciliation.corrections
    assert len(told) == 1
    assert reason in told["outcome"].item()
    assert any(reason in f.text and f.severity == "warning"
               for f in outcome.reconciliation.findings)  # fmt: skip
    assert "2OO" in {r["found"] for r in quarantine(outcome)}
    assert all(step.balance == 0 for step in outcome.reconciliation.waterfall)


@pytest.mark.slow
def test_a_corrected_cell_that_is_refused_in_its_turn_is_told(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w")
    (row,) = [r for r in listed() if r["column"] == "Cu"]
    feed_back(folder, filled([row], field=("", "2O0", "see the field book")))
    outcome = reconcile.run_period(folder, "all")
    (told,) = outcome.reconciliation.corrections["outcome"]
    assert told.startswith("refused: the corrected cell is refused in its turn: '2O0' is neither")
    assert "2O0" in {r["found"] for r in quarantine(outcome)}
    (step,) = [s for s in outcome.reconciliation.waterfall if s.unit == "cells"]
    assert (step.entered, step.kept, step.balance) == (1, 0, 0)


@pytest.mark.slow
def test_a_correction_in_a_row_that_is_refused_for_another_reason_is_told(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w")
    (row,) = [r for r in listed() if not r["column"]]
    feed_back(folder, filled([row], field=("Cu", "7", "see the field book")))
    (told,) = reconcile.run_period(folder, "all").reconciliation.corrections["outcome"]
    assert told.startswith("refused: the row of the corrected cell is refused: no sample id")


@pytest.mark.slow
@pytest.mark.parametrize("missing", ["corrected_by", "corrected_because"])
def test_a_correction_without_name_or_reason_is_refused(tmp_path: Path, missing: str) -> None:
    folder = workspace(tmp_path / "w")
    (row,) = [r for r in listed() if r["column"] == "Cu"]
    (entry,) = filled([row], field=("", "200", "see the field book"))
    feed_back(folder, [entry | {missing: ""}])
    outcome = reconcile.run_period(folder, "all")
    assert outcome.reconciliation.corrections.empty
    refused = [r for r in quarantine(outcome) if r["file"] == "corrections/1.csv"]
    assert len(refused) == 1
    assert "of the correction" in refused[0]["reason"] or "who corrected" in refused[0]["reason"]


@pytest.mark.slow
def test_two_different_corrections_of_one_cell_do_not_both_stand(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w")
    (row,) = [r for r in listed() if r["column"] == "Cu"]
    feed_back(folder, filled([row], field=("", "200", "the field book")), "1.csv")
    feed_back(folder, filled([row], field=("", "220", "the display")), "2.csv")
    told = reconcile.run_period(folder, "all").reconciliation.corrections
    assert (
        sorted(told["outcome"]) == ["refused: the same cell is corrected to different values"] * 2
    )


@pytest.mark.slow
@pytest.mark.parametrize("other", ["cu", "column 3"])
def test_one_cell_named_in_two_ways_is_not_corrected_to_two_values(
    tmp_path: Path, other: str
) -> None:
    folder = workspace(tmp_path / "w")
    (row,) = [
        r for r in listed()
        if r["file"] == "field.csv" and r["column"]
    ]  # fmt: skip
    (entry,) = filled([row], field=("", "200", "the field book"))
    feed_back(folder, [entry, entry | {"column": other, "corrected_value": "999"}])
    outcome = reconcile.run_period(folder, "all")
    assert (
        sorted(outcome.reconciliation.corrections["outcome"])
        == ["refused: the same cell is corrected to different values"] * 2
    )
    assert "2OO" in {r["found"] for r in quarantine(outcome)}


@pytest.mark.slow
def test_a_correction_on_a_sheet_that_is_not_there_is_refused_and_not_lost(
    tmp_path: Path,
) -> None:
    folder = workspace(tmp_path / "w")
    (row,) = [
        r for r in listed()
        if r["file"] == "field.csv" and r["column"]
    ]  # fmt: skip
    feed_back(folder, filled([row | {"sheet": "Page 9"}], field=("", "200", "the field book")))
    outcome = reconcile.run_period(folder, "all")
    told = outcome.reconciliation.corrections
    assert told["outcome"].tolist() == ["refused: no sheet 'Page 9' of the file was read"]
    assert any("no sheet 'Page 9'" in f.text for f in outcome.reconciliation.findings)
    assert not reconcile.run_period(folder, "all").new_release


@pytest.mark.whole_release
def test_a_correction_can_empty_a_cell_and_hostile_text_stays_text(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w")
    rows = [r for r in listed() if r["column"]]
    hostile = "'=cmd()"  # as a spreadsheet keeps what the release wrote
    feed_back(
        folder,
        filled(rows, field=("", "(empty)", "no reading was made"), lab=("", hostile, "as shown")),
    )
    outcome = reconcile.run_period(folder, "all")
    told = outcome.reconciliation.corrections.set_index("file")
    assert told.loc["field.csv", "outcome"] == "applied"
    assert told.loc["lab.csv", "corrected_value"] == "=cmd()"
    assert [r["found"] for r in quarantine(outcome) if r["file"] == "lab.csv"] == ["'=cmd()"]


@pytest.mark.slow
@pytest.mark.whole_release
def test_the_account_of_every_file_balances_in_csv_workbook_and_report(tmp_path: Path) -> None:
    outcome = reconcile.run_period(workspace(tmp_path / "w"), "all")
    table = pd.read_csv(outcome.release_folder / "waterfall.csv", keep_default_na=False)
    lab = table.loc[table["file"].eq("lab.csv")]
    assert lab["table"].unique().tolist() == ["certificates"]
    assert lab["counted"].tolist() == ["lines", "rows", "rows"]
    assert lab["entered"].tolist() == [5, 4, 4]
    field = table.loc[table["file"].eq("field.csv")]
    assert field["reason"].tolist()[1] == "quarantined: no sample id"
    assert set(table["balance"]) == {0}
    for (_, kept), rows in cast("Iterable[Any]", table.groupby(["step", "kept"])):
        assert (rows["entered"] == kept + rows["lost"].sum()).all()
    book = openpyxl.load_workbook(outcome.release_folder / "workbook.xlsx", read_only=True)
    shown = list(book["Account of files"].iter_rows(values_only=True))
    assert ("field.csv", None, "field", "table 1", 5, 4, 3) in {row[:7] for row in shown}
    text = "".join(p.extract_text() for p in volumes.pages_of(outcome.release_folder))
    assert "Account of each file" in text


@pytest.mark.slow
def test_a_sheet_that_two_tables_read_is_counted_as_two_readings(tmp_path: Path) -> None:
    """Two tables stand side by side in one sheet: each [[table]] takes its columns."""
    folder = workspace(tmp_path / "w")
    (folder / "lab.csv").write_text(
        "Sample,Cu,Fe\nS1,90,20000\nS2,190,21000\nS3,290,22000\nS4,390,23000\n", encoding="utf-8"
    )
    settings = SETTINGS.replace('name = "certificates"', 'name = "copper"\nonly = ["Cu"]')
    settings += (
        '\n[[table]]\nname = "iron"\nkind = "lab"\nfiles = ["lab.csv"]\nunit = "mg/kg"\n'
        'only = ["Fe"]\nfixed = { technique = "XRF fusion", moisture_basis = "dry" }\n'
    )
    (folder / "reconcile.toml").write_text(settings, encoding="utf-8")
    outcome = reconcile.run_period(folder, "all")
    (step,) = [s for s in outcome.reconciliation.waterfall if s.name.startswith("lab rows read")]
    assert step.entered == 8
    assert "1 sheet is read by more than one [[table]]" in step.name
    accounts = [f for f in outcome.reconciliation.account_of_files if f.path == "lab.csv"]
    assert [(f.table, f.again, f.read.entered) for f in accounts] == [
        ("copper", False, 4), ("iron", True, 4),
    ]  # fmt: skip


@pytest.mark.slow
def test_two_tables_that_read_a_file_in_the_same_way_read_it_once(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w")
    again = SETTINGS.split("[[table]]")[2].replace("certificates", "the same again")
    (folder / "reconcile.toml").write_text(f"{SETTINGS}\n[[table]]{again}", encoding="utf-8")
    outcome = reconcile.run_period(folder, "all")
    (step,) = [s for s in outcome.reconciliation.waterfall if s.name == "lab rows read"]
    assert step.entered == 4
    assert any("in the same way; it was read once" in f.text
               for f in outcome.reconciliation.findings)  # fmt: skip


@pytest.mark.slow
def test_a_certificate_s_workbook_is_corrected_from_a_list_saved_as_a_workbook(
    tmp_path: Path,
) -> None:
    """Two heading rows, a sheet with a name, and the list kept as XLSX by a spreadsheet."""
    folder = workspace(tmp_path / "w")
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Results"
    for row in (
        ["Sample", "Cu", "Fe"], ["Unit", "mg/kg", "%"], ["S1", 90, 2], ["S2", 190, 2.1],
        ["S3", 290, 2.2], ["S4", "39O", 2.3],
    ):  # fmt: skip
        sheet.append(row)
    book.save(folder / "lab.xlsx")
    settings = SETTINGS.replace("lab.csv", "lab.xlsx").replace(
        "corrections/*.csv", "corrections/*.xlsx"
    )
    (folder / "reconcile.toml").write_text(settings, encoding="utf-8")
    (bad,) = [r for r in quarantine(reconcile.run_period(folder, "all")) if r["file"] == "lab.xlsx"]
    assert (bad["sheet"], bad["row"], bad["found"]) == ("Results", "6", "39O")
    bad |= {"corrected_value": "390", "corrected_by": "analyst 2", "corrected_because": "typed"}
    entered = openpyxl.Workbook()
    page = entered.active
    assert page is not None
    page.append(list(bad))
    page.append([int(v) if k in ("row", "corrected_value") else v for k, v in bad.items()])
    (folder / "corrections").mkdir()
    entered.save(folder / "corrections" / "list.xlsx")
    outcome = reconcile.run_period(folder, "all")
    assert outcome.reconciliation.corrections["outcome"].tolist() == ["applied"]
    pairs = pd.read_csv(outcome.release_folder / "pairs.csv")
    copper = pairs.loc[pairs["stratum"].str.startswith("Cu") & pairs["sample_id"].eq("S4")]
    assert copper["lab_mean_mg_kg"].item() == 390


@pytest.mark.slow
def test_corrections_of_another_month_s_file_are_no_matter_of_this_month(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w")
    settings = SETTINGS.replace('"nothing"', '"field time"').replace(
        'files = ["field.csv"]', 'files = ["field_{period}.csv"]'
    )
    (folder / "reconcile.toml").write_text(settings, encoding="utf-8")
    for month in ("09", "10"):
        text = FIELD.replace("Reading", "Date time").replace("S2,2,", "S2,2026-10-02 10:00,")
        for day in "134":
            text = text.replace(f",{day},", f",2026-{month}-0{day} 10:00,", 1)
        (folder / f"field_2026-{month}.csv").write_text(
            text.replace("2026-10", f"2026-{month}"), encoding="utf-8"
        )
    first = reconcile.run_period(folder, "2026-09")
    (row,) = [r for r in quarantine(first) if r["column"] == "Cu"]
    feed_back(folder, filled([row], **{"field_2026-09": ("", "200", "the field book")}))
    again = reconcile.run_period(folder, "2026-09")
    assert again.reconciliation.corrections["outcome"].tolist() == ["applied"]
    other = reconcile.run_period(folder, "2026-10")
    assert other.reconciliation.corrections.empty
    assert "corrections/1.csv" not in {f.path for f in other.reconciliation.inputs}
