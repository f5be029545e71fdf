"""Rows without any result, and rows and cells refused: each counted as what it is."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import reconcile
from reconcile.base.model import tables
from reconcile.commands import checking, storytelling
from reconcile.reporting import sentences
from reconcile.run import pipeline
from reconcile.store.database import Store
from reconcile.store.statements import Sql
from tests import small
from tests.test_cli import reconcile as command

pytestmark = pytest.mark.usefixtures("data_alone")

PERIOD = "2026-10"
BARE = {"field.csv": 5, "lab.csv": 3}


def with_bare_rows(folder: Path) -> Path:
    """Five field samples and three lab samples without any result; two cells and a row refused."""
    small.build(folder)
    field = (folder / "field.csv").read_text("utf-8").splitlines()
    words = ("n/a,insufficient sample", "-,", "NR,void", "12²,5⁵", "#DIV/0!,n/a")
    field += [f"T{i:03d},1,2026-10-09 08:00,{cells}" for i, cells in enumerate(words)]
    field += ["S001,3,2026-10-09 08:00,12²,35000", "S002,3,2026-13-40 08:00,12,35000"]
    (folder / "field.csv").write_text("\n".join(field) + "\n", encoding="utf-8")
    lab = (folder / "lab.csv").read_text("utf-8").splitlines()
    lab += ["T000,IS,IS", "T001,12.5,3.1", "U001,lost,lost", "U002,n/a,", ",5,5"]
    (folder / "lab.csv").write_text("\n".join(lab) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return with_bare_rows(tmp_path_factory.mktemp("site"))


@pytest.fixture(scope="module")
def outcome(site: Path) -> pipeline.RunOutcome:
    return reconcile.run_period(site, PERIOD)


@pytest.mark.slow
def test_rows_without_a_result_are_a_line_of_the_account_and_no_samples_with_a_result(
    outcome: pipeline.RunOutcome,
) -> None:
    steps = {step.name: step for step in outcome.reconciliation.waterfall}
    assert not [step for step in steps.values() if step.balance]
    field = steps["field rows that hold a result of a sample in this period"]
    lab = steps["lab rows that hold a result of a sample in this period"]
    assert dict(field.lost) == {"no result": BARE["field.csv"], "no time of measurement": 1}
    assert dict(lab.lost) == {"no result": BARE["lab.csv"]}
    assert (field.kept, lab.kept) == (61, 31)
    samples = steps["samples with a field result"]
    assert (samples.entered, samples.kept, samples.lost) == (30, 30, ())
    samples = steps["samples with a lab result"]
    assert (samples.entered, samples.kept, samples.lost) == (31, 30, (("no field reading", 1),))


def test_the_account_of_each_file_tells_them_too_and_balances(outcome: pipeline.RunOutcome) -> None:
    for account in outcome.reconciliation.account_of_files:
        assert all(step.balance == 0 for step in account.steps)
        if account.path in BARE:
            assert dict(account.use.lost)["no result"] == BARE[account.path]


def test_the_story_and_the_account_say_the_same_of_a_row_without_a_result(
    site: Path, outcome: pipeline.RunOutcome
) -> None:
    told = storytelling.story_of(site, "T000")
    assert [line.what[:16] for line in told.lines if line.kind == "reading"] == ["read: no result "]
    exclusions = outcome.reconciliation.exclusions
    assert set(exclusions.loc[exclusions["sample_id"].eq("T000"), "reason"]) == {"no result"}


def test_a_sample_listed_without_a_result_is_known_and_no_stray_id(
    outcome: pipeline.RunOutcome,
) -> None:
    about = {f.subject for f in outcome.reconciliation.findings if "register" in f.text}
    assert {"T000", "U001"} <= about
    assert not [f for f in outcome.reconciliation.findings if f.subject.startswith("U001 /")]


def test_check_counts_rows_as_rows_and_cells_as_cells(site: Path) -> None:
    files = checking.check(site, PERIOD).files.set_index("path")
    assert (files["rows"] == files["accepted"] + files["refused_rows"] + files["set_aside"]).all()
    field, lab = files.loc["field.csv"], files.loc["lab.csv"]
    assert (field["rows"], field["accepted"], field["refused_rows"]) == (67, 67, 0)
    assert (field["without_result"], field["refused_cells"]) == (5, 5)
    assert (lab["rows"], lab["accepted"], lab["refused_rows"]) == (35, 34, 1)
    assert (lab["without_result"], lab["refused_cells"]) == (3, 0)


def test_the_inputs_of_a_release_count_rows_and_cells_apart(outcome: pipeline.RunOutcome) -> None:
    by_path = {file.path: file for file in outcome.reconciliation.inputs}
    assert (by_path["field.csv"].refused_rows, by_path["field.csv"].refused_cells) == (0, 5)
    assert (by_path["lab.csv"].refused_rows, by_path["lab.csv"].refused_cells) == (1, 0)
    assert sentences.refused(outcome.reconciliation.quarantine) == "1 refused row, 5 refused cells"


def test_a_row_refused_for_two_reasons_is_one_row_and_a_whole_file_is_none() -> None:
    lines = [("a.csv", "", row, column) for row, column in ((0, ""), (3, ""), (3, ""), (4, "Cu"))]
    lines.append(("a.csv", "second", 3, ""))
    table = pd.DataFrame(lines, columns=["file", "sheet", "row", "column"])
    assert tables.refused_counts(table) == tables.Refused(files=1, rows=2, cells=1)
    assert sentences.refused(table) == "1 refused file, 2 refused rows, 1 refused cell"


@pytest.mark.slow
def test_the_terminal_tells_rows_from_cells(site: Path, outcome: pipeline.RunOutcome) -> None:
    code, out, _ = command("check", PERIOD, str(site))
    assert code == 1
    told = "132 rows: 131 accepted, 1 refused, 0 set aside; 5 cells refused"
    assert told in " ".join(out.split())
    code, out, _ = command("run", PERIOD, str(site))
    assert "1 refused row, 5 refused cells" in out


@pytest.mark.slow
def test_a_long_table_counts_lines_without_a_result_too(tmp_path: Path) -> None:
    small.build(tmp_path)
    lines = ["Sample,Element,Result,Unit"]
    for row in (tmp_path / "lab.csv").read_text("utf-8").splitlines()[1:]:
        sample, copper, iron = row.split(",")
        lines += [f"{sample},Cu,{copper},mg/kg", f"{sample},Fe,{iron},%", f"{sample},Zn,n/a,%"]
    (tmp_path / "lab.csv").write_text("\n".join([*lines, ""]), encoding="utf-8")
    made = reconcile.run_period(tmp_path, PERIOD).reconciliation
    (step,) = (s for s in made.waterfall if s.name.startswith("lab rows that"))
    assert (step.entered, step.kept, dict(step.lost)) == (90, 60, {"no result": 30})


@pytest.mark.slow
def test_a_plain_table_has_no_row_without_a_result(tmp_path: Path) -> None:
    with Store(None) as store:
        assert store.rows(Sql("SELECT count(*) FROM row_without_result")) == [(0,)]
    small.build(tmp_path)
    made = reconcile.run_period(tmp_path, PERIOD).reconciliation
    assert not [step for step in made.waterfall if "no result" in dict(step.lost)]
