"""Whether a reading counts: columns of status, acceptance and rejection, in any case."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import reconcile
from reconcile.base.settings.tables import CellRules, KindRule, TableSettings
from reconcile.commands.checking import check
from reconcile.commands.storytelling import story_of
from reconcile.intake.blocks import find_block
from reconcile.intake.headings import understand
from reconcile.intake.read import read_file
from reconcile.intake.sheets import Row, Sheet
from reconcile.intake.tables import TypedTable
from tests import small

pytestmark = pytest.mark.usefixtures("data_alone")


def read(folder: Path, text: str, **rules: object) -> TypedTable:
    path = folder / "field.csv"
    path.write_text(text, "utf-8")
    table = TableSettings(
        kind="field",
        files=("x",),
        unit="mg/kg",
        fixed={"technique": "XRF"},
        cells=CellRules(**rules),
    )
    (found,) = read_file(path, "field.csv", table, zone="UTC")
    assert found.balances
    return found


def statuses(table: TypedTable) -> list[str | None]:
    return table.facts["status"].to_pylist()


@pytest.mark.parametrize(
    ("heading", "words", "means"),
    [
        ("Status", "OK,Void,ok,ABORTED", "accepted rejected accepted rejected"),
        ("status", "Accepted,REJECTED,valid,Invalid", "accepted rejected accepted rejected"),
        ("Accepted", "Yes,no,TRUE,False", "accepted rejected accepted rejected"),
        ("Valid", "y,N,1,0", "accepted rejected accepted rejected"),
        ("Rejected", "no,YES,false,cracked", "accepted rejected accepted rejected"),
        ("Pass/Fail", "pass,FAIL,Pass,fail", "accepted rejected accepted rejected"),
        ("Reason for rejection", ",double hit,-,moved", "None rejected None rejected"),
    ],
)
def test_usual_words_in_any_case_say_whether_a_row_counts(
    tmp_path: Path, heading: str, words: str, means: str
) -> None:
    rows = "".join(f"S{i},{word},{100 + i}\n" for i, word in enumerate(words.split(",")))
    found = statuses(read(tmp_path, f"Sample,{heading},Cu\n{rows}"))
    assert [str(s) for s in found] == means.split()


def test_the_reason_of_a_rejected_row_is_kept_beside_it(tmp_path: Path) -> None:
    table = read(
        tmp_path,
        "Sample,Status,Reject reason,Cu\nS1,ok,,1\nS2,rejected,double hit,2\nS3,void,,3\n",
    )
    assert table.facts["status_reason"].to_pylist() == [None, "double hit", "Status: void"]
    assert "2 rows are rejected, and set aside: Status: void (1); double hit (1)" in table.notes


def test_a_word_that_nobody_knows_is_asked_about_and_its_row_kept(tmp_path: Path) -> None:
    text = "Sample,Status,Cu\nS1,QX,1\nS2,ok,2\nS3,QX,3\n"
    table = read(tmp_path, text)
    (column,) = [c for c in table.columns if c.heading == "Status"]
    assert column.role == "asked"
    assert "'QX' (2)" in column.why
    assert statuses(table) == ["QX", "accepted", "QX"]
    assert statuses(read(tmp_path, text, rejected_words=("qx",)))[0] == "rejected"
    assert statuses(read(tmp_path, text, accepted_words=("qx",)))[0] == "accepted"


def with_status(folder: Path) -> Path:
    """Every third reading of the small site reads half, and is rejected by its status."""
    small.build(folder, bias=1.0)
    path = folder / "field.csv"
    head, *rows = path.read_text("utf-8").splitlines()
    lines = [f"{head},Status"]
    for number, row in enumerate(rows):
        sample, reading, at, cu, fe = row.split(",")
        lines.append(f"{row},Good")
        if number % 2 == 0:
            half = cu if cu.startswith("<") else f"{float(cu) / 2:.1f}"
            lines.append(f"{sample},9{reading},{at},{half},{float(fe) / 2:.0f},REJECTED")
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return folder


@pytest.mark.slow
def test_rejected_readings_take_no_part_and_are_counted_with_their_reason(tmp_path: Path) -> None:
    plain = reconcile.run_period(small.build(tmp_path / "v", bias=1.0), "2026-10").reconciliation
    outcome = reconcile.run_period(with_status(tmp_path / "w"), "2026-10")
    r = outcome.reconciliation
    for with_them, without in zip(r.results, plain.results, strict=True):
        assert with_them.statistics.bias == without.statistics.bias
    (step,) = [s for s in r.waterfall if s.name.startswith("field rows that hold")]
    assert dict(step.lost) == {"rejected, Status: REJECTED": 30}
    assert step.balance == 0
    account = pd.read_csv(outcome.release_folder / "waterfall.csv")
    assert account["reason"].eq("rejected, Status: REJECTED").any()


@pytest.mark.slow
def test_the_story_of_a_sample_says_which_readings_were_rejected(tmp_path: Path) -> None:
    folder = with_status(tmp_path / "w")
    reconcile.run_period(folder, "2026-10")
    read = [x.what for x in story_of(folder, "S001").lines if x.kind == "reading"]
    assert len(read) == 3
    assert sum("status rejected, status reason Status: REJECTED" in text for text in read) == 1


@pytest.mark.slow
def test_cleaning_shots_are_not_counted_among_rejected_ones(tmp_path: Path) -> None:
    folder = with_status(tmp_path / "w")
    path = folder / "reconcile.toml"
    rule = 'kind_rules = [{ column = "Status", pattern = "REJECTED", kind = "leave out" }]'
    text = path.read_text("utf-8")
    text = text.replace('files = ["field.csv"]', f'files = ["field.csv"]\n{rule}')
    path.write_text(text, "utf-8")
    r = reconcile.run_period(folder, "2026-10").reconciliation
    (step,) = [s for s in r.waterfall if s.name.startswith("field rows that hold")]
    assert dict(step.lost) == {"left out by a kind rule": 30}


@pytest.mark.slow
def test_rejected_laboratory_results_do_not_stand(tmp_path: Path) -> None:
    folder = small.build(tmp_path / "w")
    head, *rows = (folder / "lab.csv").read_text("utf-8").splitlines()
    lines = [f"{head},Valid"] + [f"{row},{'no' if i < 4 else 'yes'}" for i, row in enumerate(rows)]
    (folder / "lab.csv").write_text("\n".join(lines) + "\n", "utf-8")
    r = reconcile.run_period(folder, "2026-10").reconciliation
    assert {len(x.pairs) for x in r.results} == {26}
    (step,) = [s for s in r.waterfall if s.name.startswith("lab rows that hold")]
    assert dict(step.lost) == {"rejected, Valid: no": 4}


#: Headings of columns that can change what a number means.
HEADINGS = (
    "Status", "STATUS", "Reading status", "Result state flag", "Validity", "Valid?", "Accepted",
    "Accept", "Acceptance", "Rejected", "Reject", "Rejection code", "QC flag", "QA/QC", "Flag",
    "Flags", "Cu flag", "Cu_status", "Warning", "Alarm code", "Pass", "Fail", "Pass/Fail",
    "Outlier", "Suspect", "Exclude", "Excluded?", "Void", "Discard", "Usable",
    "Location", "Location on part", "Position", "Position mm", "Position along line", "Zone",
    "Weld zone", "HAZ", "Region", "Face", "Side", "Layer", "Depth", "Distance from edge", "Area",
    "Operator", "OPERATOR NAME", "Analyst", "Technician", "Inspector", "User", "Shift", "Crew",
    "Batch", "Batch no", "Lot", "Run", "Run no", "Tray", "Worksheet", "Series", "Sequence",
    "Dilution", "Dilution factor", "DF", "Aliquot", "Multiplier", "Correction factor",
    "Average", "Averages of", "Replicate", "Row type", "Statistic",
)  # fmt: skip


@pytest.mark.parametrize("kind", ["field", "lab"])
@pytest.mark.parametrize("heading", HEADINGS)
def test_no_column_that_could_change_a_number_is_dropped_in_silence(
    kind: str, heading: str
) -> None:
    not_read: Any = None  # of the headings alone
    sheet = Sheet("", (Row(1, ("Sample", heading, "Cu")),), lambda *_: not_read, lambda _: not_read)
    table = TableSettings(kind=kind, files=("x",), unit="mg/kg")
    _, column, _ = understand(find_block(sheet, table, "t.csv"), table, "t.csv")
    assert column.role in {"fact", "asked", "unclear"}, column
    assert column.role == "fact" or column.question


def test_there_are_sixty_such_headings() -> None:
    assert len(set(HEADINGS)) >= 60


def test_a_column_that_is_asked_about_is_told_at_check_with_what_to_write(tmp_path: Path) -> None:
    folder = small.build(tmp_path / "w")
    head, *rows = (folder / "field.csv").read_text("utf-8").splitlines()
    lines = [f"{head},Dilution"] + [f"{row},10" for row in rows]
    (folder / "field.csv").write_text("\n".join(lines) + "\n", "utf-8")
    report = check(folder, "2026-10")
    (asked,) = [f for f in report.findings if f.code == "column asked"]
    assert "'Dilution' looks like a dilution" in asked.text
    assert 'columns = { "Dilution" = "…" }' in asked.advice
    assert report.needs_a_person
    settings = (folder / "reconcile.toml").read_text("utf-8")
    answered = 'files = ["field.csv"]\ncolumns = { Dilution = "ignore" }'
    (folder / "reconcile.toml").write_text(
        settings.replace('files = ["field.csv"]', answered), "utf-8"
    )
    assert not [f for f in check(folder, "2026-10").findings if f.code == "column asked"]


def test_a_column_that_a_kind_rule_reads_is_not_asked_about(tmp_path: Path) -> None:
    path = tmp_path / "lab.csv"
    path.write_text("Sample,QC,Cu\nS1,,1\nB1,method blank,2\n", "utf-8")
    rule = KindRule(column="QC", pattern="method blank", kind="blank")
    table = TableSettings(kind="lab", files=("x",), unit="mg/kg", kind_rules=(rule,))
    (found,) = read_file(path, "lab.csv", table, zone="UTC")
    assert {c.heading: c.role for c in found.columns}["QC"] == "ignored"


def test_an_empty_column_is_not_asked_about(tmp_path: Path) -> None:
    table = read(tmp_path, "Sample,Flag,Cu\nS1,,1\nS2,,2\n")
    assert {c.heading: c.role for c in table.columns}["Flag"] == "ignored"
