"""Certificates that answer more than once: re-issues, re-assays, later ones, the best value."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import reconcile
from reconcile.commands.checking import check
from reconcile.commands.storytelling import story_of
from reconcile.releases import kept_rows

pytestmark = pytest.mark.usefixtures("data_alone")

SETTINGS = """
[workspace]
assign_rows_by = "nothing"

[thresholds]
rate_reference_materials = 0
rate_blanks = 0
rate_duplicates = 0

{extra}

[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = {{ technique = "XRF", instrument = "X1", calibration = "c", matrix = "soil", specimen_form = "pulp", moisture_basis = "dry", pair_type = "split" }}

[[table]]
kind = "lab"
files = ["lab*.csv"]
unit = "mg/kg"
fixed = {{ technique = "ICP-OES", digestion = "four acids", digestion_class = "near-total", moisture_basis = "dry", laboratory = "laboratory A" }}
"""  # noqa: E501

SAMPLES = ("S1", "S2", "S3", "S4")


def workspace(folder: Path, *, extra: str = "", **lab: str) -> Path:
    """Four samples read for copper and iron; each keyword is one laboratory file."""
    folder.mkdir(exist_ok=True)
    (folder / "reconcile.toml").write_text(SETTINGS.format(extra=extra), encoding="utf-8")
    rows = "".join(f"{s},{1000 * (i + 1)},{20000 + i}\n" for i, s in enumerate(SAMPLES))
    (folder / "field.csv").write_text("Sample,Cu,Fe\n" + rows, encoding="utf-8")
    for name, text in lab.items():
        (folder / f"{name}.csv").write_text(text.replace("|", "\n") + "\n", encoding="utf-8")
    return folder


def pairs_of(outcome: reconcile.RunOutcome) -> pd.DataFrame:
    frame = pd.read_csv(outcome.release_folder / "pairs.csv", dtype=str, keep_default_na=False)
    frame["element"] = frame["stratum"].str.split(" | ", regex=False).str[0]
    return frame


def lab_values(outcome: reconcile.RunOutcome) -> dict[tuple[str, str], str]:
    """(element, sample) -> the laboratory's number in the pair, as text."""
    pairs = pairs_of(outcome)
    marks = list(zip(pairs["element"], pairs["sample_id"], strict=True))
    assert len(marks) == len(set(marks)), "more than one stratum answers"
    return {mark: str(value) for mark, value in zip(marks, pairs["lab_mean_mg_kg"], strict=True)}


def results_step(outcome: reconcile.RunOutcome) -> dict[str, int]:
    (step,) = [s for s in outcome.reconciliation.waterfall if s.unit == "results"]
    assert step.balance == 0
    return {"entered": step.entered, "kept": step.kept, **dict(step.lost)}


FULL = (
    "Sample,Certificate,Issue,Reported,Lab method,Cu,Fe|"
    "S1,C1,{issue},2026-10-01,M1,{cu},21000|S2,C1,{issue},2026-10-01,M1,2000,21001|"
    "S3,C1,{issue},2026-10-01,M1,3000,21002|S4,C1,{issue},2026-10-01,M1,4000,21003"
)


@pytest.mark.slow
def test_a_re_issue_of_some_elements_replaces_only_those(tmp_path: Path) -> None:
    outcome = reconcile.run_period(
        workspace(
            tmp_path / "w",
            lab1=FULL.format(issue=1, cu=1000),
            lab2="Sample,Certificate,Issue,Reported,Lab method,Cu|S1,C1,2,2026-10-09,M1,1111",
        ),
        "all",
    )
    values = lab_values(outcome)
    assert values["Cu", "S1"] == "1111.0"
    assert values["Fe", "S1"] == "21000.0"
    assert values["Cu", "S2"] == "2000.0"
    assert results_step(outcome) == {"entered": 9, "kept": 8, "superseded by a re-issue": 1}
    assert any("does not answer for all" in f.text and "Fe" in f.text
               for f in outcome.reconciliation.findings)  # fmt: skip


@pytest.mark.slow
def test_a_re_issue_that_renames_the_method_leaves_nothing_of_the_earlier_issue(
    tmp_path: Path,
) -> None:
    outcome = reconcile.run_period(
        workspace(
            tmp_path / "w",
            lab1=FULL.format(issue=1, cu=1000),
            lab2="Sample,Certificate,Issue,Reported,Lab method,Cu,Fe|S1,C1,2,2026-10-09,M2,1111,7",
        ),
        "all",
    )
    assert lab_values(outcome)["Cu", "S1"] == "1111.0"
    assert lab_values(outcome)["Fe", "S1"] == "7.0"


@pytest.mark.slow
def test_a_later_certificate_for_one_sample_and_element_replaces_only_that(tmp_path: Path) -> None:
    folder = workspace(
        tmp_path / "w",
        lab1=FULL.format(issue=1, cu=1000),
        lab2="Sample,Certificate,Issue,Reported,Lab method,Cu|S1,C2,1,2026-10-09,M1,1111",
    )
    outcome = reconcile.run_period(folder, "all")
    values = lab_values(outcome)
    assert (values["Cu", "S1"], values["Fe", "S1"]) == ("1111.0", "21000.0")
    pairs = pairs_of(outcome).set_index(["element", "sample_id"])
    link = pairs.loc[("Cu", "S1"), "lab_link"]
    for part in ("1000 mg/kg", "1111 mg/kg", "certificate C1", "certificate C2"):
        assert part in link
    assert pairs.loc[("Fe", "S1"), "lab_link"] == ""
    assert results_step(outcome)["replaced by a later certificate"] == 1


@pytest.mark.slow
def test_two_certificates_are_replicates_where_the_settings_say_so(tmp_path: Path) -> None:
    folder = workspace(
        tmp_path / "w",
        extra='[lab]\nlater_certificate = "replicate"',
        lab1=FULL.format(issue=1, cu=1000),
        lab2="Sample,Certificate,Issue,Reported,Lab method,Cu|S1,C2,1,2026-10-09,M1,1200",
    )
    assert lab_values(reconcile.run_period(folder, "all"))["Cu", "S1"] == "1100.0"


@pytest.mark.slow
def test_certificates_without_dates_are_averaged_and_asked_about(tmp_path: Path) -> None:
    folder = workspace(
        tmp_path / "w",
        lab1="Sample,Certificate,Lab method,Cu|S1,C1,M1,1000",
        lab2="Sample,Certificate,Lab method,Cu|S1,C2,M1,1200",
    )
    outcome = reconcile.run_period(folder, "all")
    assert lab_values(outcome)["Cu", "S1"] == "1100.0"
    assert any("no date says which is later" in f.text for f in outcome.reconciliation.findings)


OVER = "Sample,Certificate,Issue,Reported,Lab method,Cu|S1,C2,1,2026-10-09,M1-HIGH,15200"


@pytest.mark.slow
def test_an_over_range_re_assay_stands_for_the_limited_value_and_both_are_named(
    tmp_path: Path,
) -> None:
    folder = workspace(tmp_path / "w", lab1=FULL.format(issue=1, cu=">10000"), lab2=OVER)
    outcome = reconcile.run_period(folder, "all")
    pairs = pairs_of(outcome).set_index(["element", "sample_id"])
    row: Any = pairs.loc[("Cu", "S1")]
    assert row["lab_mean_mg_kg"] == "15200.0"
    assert row["used"] == "yes"
    assert " | laboratory A · ICP-OES · M1 · four acids | " in row["stratum"]
    assert row["certificate"] == "C1, C2"
    for part in (">10000 mg/kg", "15200 mg/kg", "M1-HIGH", "lab1.csv, row 2", "lab2.csv, row 2"):
        assert part in row["lab_link"]
    strata: Any = pairs.loc["Cu", "stratum"]
    assert set(strata) == {row["stratum"]}
    assert results_step(outcome)["stands in the place of a value above the range"] == 1
    excluded = outcome.reconciliation.exclusions
    assert excluded["evidence"].str.contains("superseded by the over-range re-assay").any()
    story = story_of(folder, "S1")
    assert any("superseded by the over-range re-assay" in line.what for line in story.lines)


@pytest.mark.slow
def test_an_over_range_column_of_the_same_certificate_answers_too(tmp_path: Path) -> None:
    """The usual shape: the element stands twice, with a second method code above it."""
    folder = workspace(
        tmp_path / "w",
        lab1="Method,M1-ICP,M1-HIGH|Sample,Cu,Cu|Unit,mg/kg,%|S1,>10000,1.52|S2,2000,|S3,3000,",
    )
    values = lab_values(reconcile.run_period(folder, "all"))
    assert values == {("Cu", "S1"): "15200.0", ("Cu", "S2"): "2000.0", ("Cu", "S3"): "3000.0"}


@pytest.mark.slow
def test_over_range_methods_are_kept_apart_where_the_settings_say_so(tmp_path: Path) -> None:
    folder = workspace(
        tmp_path / "w", extra='[lab]\nover_range = "keep apart"',
        lab1=FULL.format(issue=1, cu=">10000"), lab2=OVER,
    )  # fmt: skip
    pairs = pairs_of(reconcile.run_period(folder, "all"))
    assert pairs.loc[pairs["element"].eq("Cu"), "stratum"].nunique() == 2


@pytest.mark.slow
def test_a_method_that_answers_within_the_range_as_well_is_no_re_assay(tmp_path: Path) -> None:
    second = OVER + "|S2,C2,1,2026-10-09,M1-HIGH,2100"
    folder = workspace(tmp_path / "w", lab1=FULL.format(issue=1, cu=">10000"), lab2=second)
    pairs = pairs_of(reconcile.run_period(folder, "all"))
    assert pairs.loc[pairs["element"].eq("Cu"), "stratum"].nunique() == 2
    named = workspace(
        tmp_path / "named", extra='[lab]\nover_range_methods = ["M1-HIGH"]',
        lab1=FULL.format(issue=1, cu=">10000"), lab2=second,
    )  # fmt: skip
    pairs = pairs_of(reconcile.run_period(named, "all"))
    copper = pairs.loc[pairs["element"].eq("Cu")]
    assert set(copper.loc[copper["sample_id"].eq("S1"), "lab_mean_mg_kg"]) == {"15200.0"}
    assert len(copper.loc[copper["sample_id"].eq("S1")]) == 1
    assert len(copper.loc[copper["sample_id"].eq("S2")]) == 2


@pytest.mark.slow
def test_a_re_assay_below_the_limit_contradicts_and_replaces_nothing(tmp_path: Path) -> None:
    folder = workspace(
        tmp_path / "w", lab1=FULL.format(issue=1, cu=">10000"), lab2=OVER.replace("15200", "8000")
    )
    outcome = reconcile.run_period(folder, "all")
    pairs = pairs_of(outcome)
    assert "15200.0" not in set(pairs["lab_mean_mg_kg"])
    (found,) = [f for f in outcome.reconciliation.findings if "contradicted" in f.text]
    assert found.severity == "serious"


@pytest.mark.slow
def test_a_total_assay_does_not_stand_for_a_partial_digestion(tmp_path: Path) -> None:
    folder = workspace(
        tmp_path / "w",
        lab1="Sample,Certificate,Lab method,Digestion class,Cu|S1,C1,M1,partial,>10000",
        lab2="Sample,Certificate,Lab method,Digestion class,Cu|S1,C2,M2,total,15200",
    )
    pairs = pairs_of(reconcile.run_period(folder, "all"))
    assert len(pairs) == 2


@pytest.mark.slow
def test_two_methods_are_kept_apart_unless_the_settings_rank_them(tmp_path: Path) -> None:
    second = (
        "Sample,Certificate,Lab method,Cu|S1,C9,M9,1001|S2,C9,M9,<2500|S3,C9,M9,3001|S4,C9,M9,4001"
    )
    apart = reconcile.run_period(
        workspace(tmp_path / "a", lab1=FULL.format(issue=1, cu=1000), lab2=second), "all"
    )
    pairs = pairs_of(apart)
    assert pairs.loc[pairs["element"].eq("Cu"), "stratum"].nunique() == 2
    ranked = reconcile.run_period(
        workspace(
            tmp_path / "b", extra='[lab]\nbest_value = ["M9", "M1"]',
            lab1=FULL.format(issue=1, cu=1000), lab2=second,
        ), "all",
    )  # fmt: skip
    values = lab_values(ranked)
    assert values["Cu", "S1"] == "1001.0"
    assert values["Cu", "S2"] == "2000.0"  # M9 does not quantify it, M1 does
    assert values["Fe", "S1"] == "21000.0"  # only one method answers
    lines = {line.name: line.value for line in ranked.reconciliation.settings}
    assert lines["lab.best_value"] == "M9, M1"
    step = results_step(ranked)
    assert step["another method stands by the best-value rule"] == 4


@pytest.mark.slow
def test_controls_of_elements_that_a_re_issue_lacks_still_judge_them(tmp_path: Path) -> None:
    """A blank of issue 1 still speaks for iron where issue 2 answers for copper alone."""
    folder = workspace(
        tmp_path / "w",
        lab1="Sample,Certificate,Issue,Sample type,Lab method,Cu,Fe|S1,C1,1,sample,M1,900,21000|"
        "BL,C1,1,blank,M1,1,5",
        lab2="Sample,Certificate,Issue,Sample type,Lab method,Cu|S1,C1,2,sample,M1,1000|"
        "BL,C1,2,blank,M1,2",
    )
    settings = (folder / "reconcile.toml").read_text(encoding="utf-8")
    files = 'files = ["lab*.csv"]'
    named = files + '\ncolumns = { "Sample type" = "sample_kind" }'
    (folder / "reconcile.toml").write_text(settings.replace(files, named), encoding="utf-8")
    outcome = reconcile.run_period(folder, "all")
    blanks = {(c.element, c.found) for c in outcome.reconciliation.quality if c.kind == "blank"}
    assert blanks == {("Cu", 2.0), ("Fe", 5.0)}


@pytest.mark.slow
def test_the_manifest_and_a_second_run_agree(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w", lab1=FULL.format(issue=1, cu=">10000"), lab2=OVER)
    first = reconcile.run_period(folder, "all")
    assert not reconcile.run_period(folder, "all").new_release
    manifest = json.loads((first.release_folder / "manifest.json").read_text(encoding="utf-8"))
    stand_behind = kept_rows.superseded(first.release_folder, manifest)
    assert any("over-range" in text for row in stand_behind for text in row)
    assert not [f for f in check(folder, "all").findings if f.severity == "serious"]


@pytest.mark.parametrize("rule", ["superseded", "keep apart"])
def test_every_step_of_the_account_balances(tmp_path: Path, rule: str) -> None:
    folder = workspace(
        tmp_path / "w", extra=f'[lab]\nover_range = "{rule}"\nbest_value = ["M1", "M1-HIGH"]',
        lab1=FULL.format(issue=1, cu=">10000"), lab2=OVER, lab3=OVER.replace("C2", "C3"),
    )  # fmt: skip
    outcome = reconcile.run_period(folder, "all")
    assert all(step.balance == 0 for step in outcome.reconciliation.waterfall)


@pytest.mark.slow
def test_a_failed_control_of_the_re_assay_s_batch_keeps_the_pair_out(tmp_path: Path) -> None:
    """The number comes from certificate C2, so its controls judge the pair, though M1 names it."""
    control = "|RM1,C2,1,2026-10-09,M1-HIGH,30000"
    for number, (value, kept) in enumerate((("30000", False), ("20000", True))):
        folder = workspace(
            tmp_path / f"w{number}", lab1=FULL.format(issue=1, cu=">10000"),
            lab2=OVER + control.replace("30000", value),
        )  # fmt: skip
        text = (folder / "reconcile.toml").read_text(encoding="utf-8")
        rule = '{ column = "Sample", pattern = "RM.*", kind = "reference material" }'
        text = text.replace('files = ["lab*.csv"]', f'files = ["lab*.csv"]\nkind_rules = [{rule}]')
        text += '\n[[table]]\nkind = "reference materials"\nfiles = ["rm.csv"]\n'
        (folder / "reconcile.toml").write_text(text, encoding="utf-8")
        (folder / "rm.csv").write_text(
            "Code,Element,Value,Uncertainty,k,Unit\nRM1,Cu,20000,400,2,mg/kg\n", encoding="utf-8"
        )
        pairs = pairs_of(reconcile.run_period(folder, "all")).set_index(["element", "sample_id"])
        row: Any = pairs.loc[("Cu", "S1")]
        assert (row["used"] == "yes") is kept, row["reason"]
        assert row["reason"].startswith("" if kept else "batch failed its control")


@pytest.mark.slow
def test_two_columns_of_one_element_stay_two_methods_where_the_row_names_one_too(
    tmp_path: Path,
) -> None:
    folder = workspace(
        tmp_path / "w",
        lab1="Sample,Lab method,Cu 327.395 (mg/kg),Cu 324.754 (mg/kg)|S1,M1,1000,1010|S2,M1,2,3",
    )
    pairs = pairs_of(reconcile.run_period(folder, "all"))
    assert not pairs.duplicated(["stratum", "sample_id"]).any()
    assert set(pairs["stratum"].str.split(" | ", regex=False).str[2]) == {
        "laboratory A · ICP-OES · M1 · four acids · 327.395 nm",
        "laboratory A · ICP-OES · M1 · four acids · 324.754 nm",
    }  # fmt: skip
