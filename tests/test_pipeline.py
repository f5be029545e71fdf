"""The whole program on a small workspace: releases, revisions, crashes, bad inputs."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pandas as pd
import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.intake import workspace as ws
from reconcile.run import pipeline
from reconcile.store.database import Store
from tests import small
from tests.sizes import cases

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

PERIOD = "2026-10"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return small.build(tmp_path / "site")


@pytest.mark.whole_release
def test_a_month_gives_report_workbook_tables_and_manifest(site: Path) -> None:
    outcome = reconcile.run_period(site, PERIOD)
    names = {p.name for p in outcome.release_folder.iterdir()}
    assert names >= {
        "report.pdf", "report.html", "workbook.xlsx", "statistics.csv", "statistics.json",
        "factors.csv", "factors.json", "verdicts.csv", "pairs.csv", "exclusions.csv",
        "quarantine.csv", "waterfall.csv", "evidence.csv", "manifest.json",
    }  # fmt: skip
    manifest = json.loads((outcome.release_folder / "manifest.json").read_text("utf-8"))
    assert {o["name"] for o in manifest["outputs"]} == names - {"manifest.json"}
    for entry in manifest["outputs"]:
        assert ws.sha256_of(outcome.release_folder / entry["name"]) == entry["sha256"]
    for entry in manifest["inputs"]:
        assert ws.sha256_of(site / entry["path"]) == entry["sha256"]
    overview = site / "out" / "index.html"
    leads = {unquote(to) for to in re.findall(r'href="([^"#]+)', overview.read_text("utf-8"))}
    assert f"releases/{PERIOD}/r1/report.pdf" in leads
    assert [to for to in leads if not (overview.parent / to).exists()] == []


def test_the_pairs_and_the_bias_are_those_of_the_tables(site: Path) -> None:
    outcome = reconcile.run_period(site, PERIOD)
    field = pd.read_csv(site / "field.csv")
    lab = pd.read_csv(site / "lab.csv").set_index("sample_id")
    result = next(r for r in outcome.reconciliation.results if r.stratum.element == "Cu")
    readings = field.assign(cu=pd.to_numeric(field["Cu (mg/kg)"], errors="coerce"))
    groups = readings.groupby("sample_id")["cu"]
    means = groups.mean()[groups.count() == 2]
    ratio = np.exp(np.log(means / lab.loc[means.index, "Cu (mg/kg)"]).mean())
    assert result.statistics.n_used == len(means)
    assert result.statistics.n_pairs == len(lab)
    assert result.statistics.bias.geometric_mean_ratio.value == pytest.approx(ratio, rel=1e-12)


@pytest.mark.slow
def test_iron_in_percent_meets_iron_in_mg_per_kg(site: Path) -> None:
    outcome = reconcile.run_period(site, PERIOD)
    result = next(r for r in outcome.reconciliation.results if r.stratum.element == "Fe")
    assert result.unit == "%"
    assert result.statistics.bias.geometric_mean_ratio.value == pytest.approx(1, abs=0.05)


@pytest.mark.slow
def test_every_line_of_the_account_balances(site: Path) -> None:
    outcome = reconcile.run_period(site, PERIOD)
    assert outcome.reconciliation.waterfall
    assert [s for s in outcome.reconciliation.waterfall if s.balance] == []


def test_a_second_run_changes_no_byte_and_makes_no_release(site: Path) -> None:
    first = reconcile.run_period(site, PERIOD)
    before = small.bytes_of(site / "out" / "releases")
    second = reconcile.run_period(site, PERIOD)
    assert first.new_release
    assert not second.new_release
    assert second.release_folder == first.release_folder
    assert small.bytes_of(site / "out" / "releases") == before


@pytest.mark.slow
@pytest.mark.whole_release
def test_two_workspaces_with_equal_inputs_give_equal_bytes(tmp_path: Path) -> None:
    """Also by a process with one core, other threads, another zone, locale and order of hashes."""
    here, there = (small.build(tmp_path / name) for name in ("one", "two"))
    release = reconcile.run_period(here, PERIOD).release_folder
    environment = {**os.environ, **_OTHER_MACHINE}
    subprocess.run(
        [sys.executable, "-c", _ON_ONE_CORE, str(there), PERIOD],
        check=True, env=environment, timeout=300,
    )  # fmt: skip
    assert small.bytes_of(there / release.relative_to(here)) == small.bytes_of(release)


_OTHER_MACHINE = {
    "PYTHONHASHSEED": "4711", "TZ": "Pacific/Auckland", "LC_ALL": "C",
    "OMP_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "2", "MKL_NUM_THREADS": "2",
    "PYTHONPATH": str(Path(__file__).parents[1]),
}  # fmt: skip
_ON_ONE_CORE = """
import os, sys
from pathlib import Path
if hasattr(os, "sched_setaffinity"):
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
import reconcile
reconcile.run_period(Path(sys.argv[1]), sys.argv[2])
"""


@pytest.mark.slow
def test_a_changed_lab_value_makes_a_revision_that_names_the_change(site: Path) -> None:
    first = reconcile.run_period(site, PERIOD)
    before = small.bytes_of(first.release_folder)
    text = (site / "lab.csv").read_text("utf-8")
    line = next(row for row in text.splitlines() if row.startswith("S005,"))
    cells = line.split(",")
    cells[1] = str(float(cells[1]) + 1)
    (site / "lab.csv").write_text(text.replace(line, ",".join(cells)), encoding="utf-8")
    second = reconcile.run_period(site, PERIOD)
    assert second.reconciliation.revision == 2
    assert second.reconciliation.supersedes == first.reconciliation.release_id
    assert small.bytes_of(first.release_folder) == before
    changed = [c.what for c in second.reconciliation.changes]
    assert "input file lab.csv" in changed
    assert [w for w in changed if w.startswith("pair ") and "S005" in w]
    assert not [w for w in changed if w.startswith("pair ") and "S005" not in w]


@pytest.mark.slow
def test_what_changed_begins_with_verdicts_goes_on_with_counts_and_ends_with_pairs(
    site: Path,
) -> None:
    reconcile.run_period(site, PERIOD)
    lines = (site / "lab.csv").read_text("utf-8").splitlines()
    (site / "lab.csv").write_text("\n".join(lines[:13]) + "\n", encoding="utf-8")
    changes = reconcile.run_period(site, PERIOD).reconciliation.changes
    kinds = [
        next(
            k
            for k in (": verdict", ": pairs used", "pairs with", ": geo", ": form", "input", "pair")
            if k in c.what
        )
        for c in changes
        if "rows that belong" not in c.what
    ]
    assert list(dict.fromkeys(kinds)) == [
        ": verdict", ": pairs used", "pairs with", ": geo", ": form", "input", "pair",
    ]  # fmt: skip
    assert kinds == sorted(kinds, key=list(dict.fromkeys(kinds)).index)
    assert changes[0].after == "laboratory only"  # its bias is certain, however few the pairs
    counted = next(c for c in changes if c.what.startswith("pairs with"))
    assert int(counted.after) == len({c.what for c in changes if c.what.startswith("pair ")})


@pytest.mark.slow
def test_going_back_to_the_first_inputs_is_a_third_revision(site: Path) -> None:
    reconcile.run_period(site, PERIOD)
    text = (site / "lab.csv").read_text("utf-8")
    (site / "lab.csv").write_text(text + "S999,5.0,1.0\n", encoding="utf-8")
    reconcile.run_period(site, PERIOD)
    (site / "lab.csv").write_text(text, encoding="utf-8")
    assert reconcile.run_period(site, PERIOD).reconciliation.revision == 3


def test_an_altered_release_is_noticed_and_nothing_is_written(site: Path) -> None:
    first = reconcile.run_period(site, PERIOD)
    with (first.release_folder / "pairs.csv").open("ab") as stream:
        stream.write(b"forged\n")
    with pytest.raises(ReconcileError, match=r"pairs\.csv"):
        reconcile.run_period(site, PERIOD)


@pytest.mark.slow
@pytest.mark.whole_release
def test_the_same_bytes_come_from_a_fresh_store_and_a_used_one(site: Path, tmp_path: Path) -> None:
    reconcile.run_period(site, PERIOD)
    text = (site / "lab.csv").read_text("utf-8")
    (site / "lab.csv").write_text(text.replace("S001,", "S001 ,"), encoding="utf-8")
    used = reconcile.run_period(site, PERIOD)
    fresh_site = tmp_path / "fresh"
    small.build(fresh_site)
    (fresh_site / "lab.csv").write_text(text.replace("S001,", "S001 ,"), encoding="utf-8")
    fresh = reconcile.run_period(fresh_site, PERIOD)
    for name in ("pairs.csv", "statistics.csv", "waterfall.csv"):
        assert (used.release_folder / name).read_bytes() == (
            fresh.release_folder / name
        ).read_bytes()


@pytest.mark.slow
@pytest.mark.parametrize("step", range(0, len(pipeline.STEPS), cases(1, 7)))
def test_a_run_that_dies_after_any_step_costs_nothing(
    site: Path, tmp_path: Path, step: int
) -> None:
    workspace = ws.load_workspace(site)
    with Store(workspace.store_file) as store:
        run = pipeline.begin(workspace, PERIOD, store)
        for _, work in pipeline.STEPS[: step + 1]:
            run = work(run)
    died = reconcile.run_period(site, PERIOD)
    clean = reconcile.run_period(small.build(tmp_path / "clean"), PERIOD)
    assert small.bytes_of(died.release_folder) == small.bytes_of(clean.release_folder)
    assert len(list((site / "out" / "releases" / PERIOD).iterdir())) == 1


@pytest.mark.slow
@pytest.mark.whole_release
def test_a_second_run_at_the_same_time_is_refused_in_plain_words(site: Path) -> None:
    import subprocess
    import sys

    workspace = ws.load_workspace(site)
    with Store(workspace.store_file):
        done = subprocess.run(
            [sys.executable, "-m", "reconcile.cli", "run", PERIOD, str(site)],
            capture_output=True, text=True, timeout=120, check=False, encoding="utf-8",
        )  # fmt: skip
    assert done.returncode == 2
    assert "Another run is using this workspace" in done.stderr
    assert "Traceback" not in done.stderr


BAD_FILES = {
    "missing": lambda p: p.unlink(),
    "empty": lambda p: p.write_bytes(b""),
    "a folder": lambda p: (p.unlink(), p.mkdir()),
    "binary": lambda p: p.write_bytes(bytes(range(256)) * 40),
    "a duplicate heading": lambda p: p.write_text("sample_id,Cu (mg/kg),Cu (mg/kg)\nS001,1,2\n"),
    "an unknown unit": lambda p: p.write_text("sample_id,Cu (furlongs)\nS001,1\n"),
    "no sample column": lambda p: p.write_text("colour,Cu (mg/kg)\nred,1\n"),
}


@pytest.mark.slow
@pytest.mark.parametrize("trouble", BAD_FILES)
@pytest.mark.parametrize("side", ["field", "lab"])
def test_a_bad_file_gives_one_message_and_the_good_files_come_through(
    site: Path, trouble: str, side: str
) -> None:
    good, bad = site / f"{side}.csv", site / f"{side}_2.csv"
    bad.write_bytes(good.read_bytes())
    settings = (site / "reconcile.toml").read_text("utf-8")
    (site / "reconcile.toml").write_text(
        settings.replace(f'files = ["{side}.csv"]', f'files = ["{side}.csv", "{side}_2.csv"]'),
        encoding="utf-8",
    )
    BAD_FILES[trouble](bad)
    outcome = reconcile.run_period(site, PERIOD)
    assert outcome.needs_a_person
    told = [f for f in outcome.reconciliation.findings if f.area == "intake"]
    refused = outcome.reconciliation.quarantine
    about = [f.text for f in told] + refused.loc[refused["file"].eq(bad.name), "reason"].tolist()
    assert len(about) >= 1
    assert all("Traceback" not in text for text in about)
    copper = next(r for r in outcome.reconciliation.results if r.stratum.element == "Cu")
    assert copper.statistics.n_pairs == 30


def test_a_month_without_any_file_says_where_they_were_looked_for(site: Path) -> None:
    for name in ("field.csv", "lab.csv", "register.csv"):
        (site / name).unlink()
    with pytest.raises(ReconcileError, match=r"field\.csv"):
        reconcile.run_period(site, PERIOD)


def test_a_month_whose_only_lab_file_is_bad_can_not_run_and_says_why(site: Path) -> None:
    (site / "lab.csv").write_bytes(b"")
    with pytest.raises(ReconcileError, match=r"lab\.csv"):
        reconcile.run_period(site, PERIOD)


HOSTILE = (
    "=cmd()", '<img src="file:///etc/passwd"/>', "'; DROP TABLE field; --", "+1+1", "@SUM(A1)",
    "-2", "[bold red]x[/]", "..\\..\\x", "{{7*7}}", "é\u0301\u202e",
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.whole_release
def test_hostile_ids_come_through_as_text_and_nothing_runs(tmp_path: Path) -> None:
    site = small.build(tmp_path / "site")
    for name in ("field.csv", "lab.csv", "register.csv"):
        lines = (site / name).read_text("utf-8").splitlines()
        for number, hostile in enumerate(HOSTILE):
            quoted = '"' + hostile.replace('"', '""') + '"'
            lines = [
                quoted + line.removeprefix(f"S{number + 1:03d}")
                if line.startswith(f"S{number + 1:03d},")
                else line
                for line in lines
            ]
        (site / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    outcome = reconcile.run_period(site, PERIOD)
    iron = next(r for r in outcome.reconciliation.results if r.stratum.element == "Fe")
    assert iron.statistics.n_pairs == 30
    pairs = pd.read_csv(outcome.release_folder / "pairs.csv", dtype=str, keep_default_na=False)
    assert {i.lstrip("'") for i in pairs["sample_id"]} >= {"=cmd()", "+1+1", "@SUM(A1)"}


CUSTODY = """
[[table]]
kind = "custody"
files = ["custody.csv"]

[[table]]
kind = "aliases"
files = ["aliases.csv"]
"""


@pytest.mark.slow
def test_custody_events_under_an_alias_belong_to_the_sample_and_double_entries_are_named(
    site: Path,
) -> None:
    settings = site / "reconcile.toml"
    settings.write_text(settings.read_text("utf-8") + CUSTODY, encoding="utf-8")
    (site / "custody.csv").write_text(
        "event_id,sample_id,event,at,by,to\n"
        "E1,BAG-7; S002,collected,2026-10-01 06:00,technician,\n"
        "E2,BAG-7; S002,relinquished,2026-10-02 06:00,technician,laboratory\n"
        "E3,BAG-7; S002,received,2026-10-02 08:00,laboratory,\n",
        encoding="utf-8",
    )
    (site / "aliases.csv").write_text(
        "written_id,sample_id,entered_by,reason\nBAG-7,S001,keeper,seen on the bag\n",
        encoding="utf-8",
    )
    register = site / "register.csv"
    register.write_text(register.read_text("utf-8") + "S002,soil,sieved,dry,split\n", "utf-8")
    workspace = ws.load_workspace(site)
    with Store(None) as store:
        run = pipeline.begin(workspace, PERIOD, store)
        for _, step in pipeline.STEPS[:4]:
            run = step(run)
    assert run.custody_status["S001"] == "complete"
    assert run.custody_status["S003"] == "not recorded"
    (double,) = [f for f in run.findings if f.text.startswith("Id registered twice")]
    assert double.subject == "S002"
    assert run.custody_status["S002"] == "deviation"


@pytest.mark.slow
@pytest.mark.parametrize("numbered", [True, False])
def test_readings_of_two_files_are_each_their_own_spot(site: Path, numbered: bool) -> None:
    settings = site / "reconcile.toml"
    text = settings.read_text("utf-8").replace('["field.csv"]', '["field*.csv"]')
    settings.write_text(text, encoding="utf-8")
    heading = "sample_id,reading_no,measured_at,Cu (mg/kg)"
    for name, readings in (("field", ((1, 100), (2, 100))), ("field_b", ((1, 400),))):
        lines = [
            f"S001,{number if numbered else ''},2026-10-02 09:0{number},{value}"
            for number, value in readings
        ]
        (site / f"{name}.csv").write_text("\n".join([heading, *lines]) + "\n", encoding="utf-8")
    result = pipeline.run_period(site, PERIOD).reconciliation.results[0]
    (row,) = result.pairs.itertuples()
    assert row.field_mean == pytest.approx((100 + 100 + 400) / 3)
    assert (row.field_n, row.field_spots) == (3, 3)


@pytest.mark.slow
def test_a_failed_field_control_keeps_out_the_day_of_the_place_not_of_greenwich(
    tmp_path: Path,
) -> None:
    site = small.build(tmp_path / "east", bias=1.0)
    settings = site / "reconcile.toml"
    text = settings.read_text("utf-8").replace('"UTC"', '"Australia/Brisbane"')
    text = text.replace(
        'calibration = "soil 1" }',
        'calibration = "soil 1" }\nkind_rules = [{ column = "sample_id", pattern = "RM1", '
        'kind = "reference material" }]',
    )
    text += '\n[[table]]\nkind = "reference materials"\nfiles = ["rm.csv"]\nunit = "mg/kg"\n'
    settings.write_text(text, encoding="utf-8")
    (site / "rm.csv").write_text("code,element,value,uncertainty,unit\nRM1,Cu,100,4,mg/kg\n")
    heading, *lines = (site / "field.csv").read_text("utf-8").splitlines()
    # Read at noon, ten hours east of Greenwich; the control at eight falls on the day before there.
    lines = [line.replace(" 01:00", " 12:00").replace(" 02:00", " 12:10") for line in lines]
    lines += [
        f"RM1,{90 + day},2026-10-{day:02d} 08:00,{300 if day == 5 else 100},35000"
        for day in range(1, 29)
    ]
    (site / "field.csv").write_text("\n".join([heading, *lines]) + "\n", encoding="utf-8")
    outcome = pipeline.run_period(site, PERIOD)
    (failed,) = [c for c in outcome.reconciliation.quality if c.passed is False]
    assert failed.batch == "2026-10-05"
    pairs = outcome.reconciliation.results[0].pairs
    kept_out = pairs.loc[pairs["reason"].str.startswith("batch failed")]
    assert kept_out["sample_id"].tolist() == ["S005"]


@pytest.mark.slow
def test_a_copy_under_another_name_is_not_read_twice(site: Path) -> None:
    (site / "lab2.csv").write_bytes((site / "lab.csv").read_bytes())
    text = (site / "reconcile.toml").read_text("utf-8")
    (site / "reconcile.toml").write_text(
        text.replace('files = ["lab.csv"]', 'files = ["lab*.csv"]'), encoding="utf-8"
    )
    outcome = reconcile.run_period(site, PERIOD)
    copper = next(r for r in outcome.reconciliation.results if r.stratum.element == "Cu")
    assert copper.pairs["lab_n"].eq(1).all()
    assert any("copy of" in f.text for f in outcome.reconciliation.findings)


@pytest.mark.slow
def test_another_month_does_not_change_this_one_unseen(site: Path) -> None:
    text = (site / "reconcile.toml").read_text("utf-8")
    (site / "reconcile.toml").write_text(
        text.replace('"field.csv"', '"field*.csv"').replace('"lab.csv"', '"lab*.csv"'),
        encoding="utf-8",
    )
    (site / "lab_11.csv").write_text(
        "sample_id,Cu (mg/kg),Fe (%)\nN001,100,3\nN002,120,3\n", encoding="utf-8"
    )
    first = reconcile.run_period(site, PERIOD)
    assert first.reconciliation.lab_only == ("N001", "N002")
    (site / "field_11.csv").write_text(
        "sample_id,reading_no,measured_at,Cu (mg/kg),Fe (mg/kg)\n"
        "N001,1,2026-11-03 01:00,101,30000\nN002,1,2026-11-03 01:00,119,30000\n",
        encoding="utf-8",
    )
    second = reconcile.run_period(site, PERIOD)
    assert second.reconciliation.lab_only == ()
    assert second.new_release
    assert any("rows that belong" in c.what for c in second.reconciliation.changes)
    assert not reconcile.run_period(site, PERIOD).new_release


@pytest.mark.slow
def test_a_sample_read_on_a_failed_day_is_left_out_whichever_day_came_first(site: Path) -> None:
    lines = (site / "field.csv").read_text("utf-8").splitlines()
    out = [lines[0]]
    for line in lines[1:]:
        cells = line.split(",")
        cells[2] = "2026-10-05 01:00" if cells[1] == "1" else "2026-10-06 01:00"
        out.append(",".join(cells))
    for day, value in (("05", 100), ("06", 300)):
        for number in range(3):
            out.append(f"RM1,{number},2026-10-{day} 0{number}:30,{value + number},30000")
    (site / "field.csv").write_text("\n".join(out) + "\n", encoding="utf-8")
    (site / "rm.csv").write_text(
        "reference_code,element,certified_mg_kg,uncertainty_mg_kg\nRM1,Cu,100,4\n",
        encoding="utf-8",
    )
    text = (
        (site / "reconcile.toml")
        .read_text("utf-8")
        .replace(
            'files = ["field.csv"]',
            'files = ["field.csv"]\n'
            'kind_rules = [{ column = "sample_id", pattern = "RM1", kind = "reference material" }]',
        )
    )
    text += '\n[[table]]\nkind = "reference materials"\nfiles = ["rm.csv"]\nunit = "mg/kg"\n'
    (site / "reconcile.toml").write_text(text, encoding="utf-8")
    outcome = reconcile.run_period(site, PERIOD)
    copper = next(r for r in outcome.reconciliation.results if r.stratum.element == "Cu")
    assert copper.statistics.n_used == 0
    assert copper.pairs["reason"].str.contains("failed its control").any()
