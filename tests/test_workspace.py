"""Settings are checked in plain words; files and periods are found as written."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.whole import Settings
from reconcile.intake import workspace as ws
from reconcile.intake.settings_listed import setting_lines

SMALL = """
[[table]]
kind = "field"
files = ["field/{period}_*.csv"]
[[table]]
kind = "lab"
files = ["lab.csv"]
"""


def write(folder: Path, text: str) -> Path:
    (folder / "reconcile.toml").write_text(text, encoding="utf-8")
    return folder


def complaint(folder: Path, text: str) -> str:
    write(folder, text)
    with pytest.raises(ReconcileError) as raised:
        ws.load_workspace(folder)
    return str(raised.value)


def test_the_written_template_asserts_no_chemistry_and_asks_for_what_it_leaves_open(
    tmp_path: Path,
) -> None:
    path = ws.write_template(tmp_path / "site")
    with pytest.raises(ReconcileError) as raised:
        ws.load_workspace(path.parent)
    told = str(raised.value)
    for name in ("technique", "instrument", "calibration", "digestion", "laboratory"):
        assert f"fixed.{name}: is not filled in; write what is true of every row" in told


def test_the_template_is_a_valid_workspace_without_its_open_entries(tmp_path: Path) -> None:
    path = ws.write_template(tmp_path / "site")
    lines = [line for line in path.read_text("utf-8").splitlines() if "<" not in line]
    path.write_text("\n".join(lines) + "\n", "utf-8")
    loaded = ws.load_workspace(path.parent)
    assert all(table.fixed == {} for table in loaded.settings.table)
    assert loaded.settings.workspace.assign_rows_by == "field time"
    assert {t.kind for t in loaded.settings.table} >= {"field", "lab", "custody"}


def test_a_template_never_overwrites_a_workspace(tmp_path: Path) -> None:
    ws.write_template(tmp_path)
    with pytest.raises(ReconcileError, match="there already"):
        ws.write_template(tmp_path)


def test_the_template_shows_the_defaults_that_hold(tmp_path: Path) -> None:
    text = resources.files("reconcile.intake").joinpath("template.toml").read_text(encoding="utf-8")
    shown = tomllib.loads(text)["thresholds"]
    defaults = Settings.model_fields["thresholds"].default
    assert shown == {name: getattr(defaults, name) for name in shown}


def test_an_entry_of_an_earlier_template_that_nobody_filled_in_stops_the_run(
    tmp_path: Path,
) -> None:
    text = (
        SMALL + '[[table]]\nkind = "field"\nfiles = ["f"]\nfixed = { instrument = "serial number" }'
    )
    assert "fixed.instrument: is not filled in" in complaint(tmp_path, text)


def test_a_folder_without_settings_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(ReconcileError, match="reconcile start"):
        ws.load_workspace(tmp_path)


def test_a_typo_in_a_setting_is_named_with_its_place(tmp_path: Path) -> None:
    text = complaint(tmp_path, SMALL + "[thresholds]\nbias_margn = 0.2\n")
    assert "thresholds.bias_margn" in text
    assert "typo" in text


def test_a_number_out_of_bounds_is_shown_as_found(tmp_path: Path) -> None:
    text = complaint(tmp_path, SMALL + "[thresholds]\nbias_margin = 12\n")
    assert "thresholds.bias_margin" in text
    assert "found 12" in text


def test_an_unknown_zone_is_refused_in_plain_words(tmp_path: Path) -> None:
    assert "not a known time zone" in complaint(
        tmp_path, '[workspace]\ntime_zone = "Mars/Nowhere"\n' + SMALL
    )


def test_a_zone_that_looks_like_a_path_is_refused(tmp_path: Path) -> None:
    assert "not a known time zone" in complaint(
        tmp_path, '[workspace]\ntime_zone = "../../etc/passwd"\n' + SMALL
    )


def test_a_workspace_without_lab_table_is_refused(tmp_path: Path) -> None:
    assert 'kind = "lab"' in complaint(tmp_path, '[[table]]\nkind = "field"\nfiles = ["a.csv"]\n')


def test_broken_toml_names_the_line(tmp_path: Path) -> None:
    assert "line 2" in complaint(tmp_path, "[workspace]\ntitle = unquoted\n")


def test_settings_that_are_not_text_are_refused(tmp_path: Path) -> None:
    (tmp_path / "reconcile.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ReconcileError, match="UTF-8"):
        ws.load_workspace(tmp_path)


def test_a_pattern_takes_the_files_of_its_period_only(tmp_path: Path) -> None:
    write(tmp_path, SMALL)
    (tmp_path / "field").mkdir()
    for name in ("2026-10_b.csv", "2026-10_a.csv", "2026-09_a.csv", ".2026-10_hidden.csv"):
        (tmp_path / "field" / name).write_text("x", encoding="utf-8")
    found, missing = ws.find_files(ws.load_workspace(tmp_path), "2026-10")
    assert [f.shown for f in found] == ["field/2026-10_a.csv", "field/2026-10_b.csv"]
    assert all(f.of_period for f in found)
    assert [m.pattern for m in missing] == ["lab.csv"]


@pytest.mark.parametrize("period", ["2026-13", "2026-1", "october", "../x", "2026-10/.."])
def test_a_period_must_be_a_month(tmp_path: Path, period: str) -> None:
    workspace = ws.load_workspace(write(tmp_path, SMALL))
    with pytest.raises(ReconcileError, match="2026-10"):
        ws.check_period(workspace, period)


def test_a_whole_data_set_may_have_any_plain_name(tmp_path: Path) -> None:
    text = '[workspace]\nassign_rows_by = "nothing"\n' + SMALL
    workspace = ws.load_workspace(write(tmp_path, text))
    assert ws.check_period(workspace, "campaign-1") == "campaign-1"
    with pytest.raises(ReconcileError):
        ws.check_period(workspace, "../outside")


def test_a_month_begins_at_midnight_of_the_workspace_zone() -> None:
    start, finish = ws.period_bounds("2026-12", "Africa/Nairobi")
    assert start.astimezone(UTC) == datetime(2026, 11, 30, 21, tzinfo=UTC)
    assert finish.astimezone(UTC) == datetime(2026, 12, 31, 21, tzinfo=UTC)


def test_a_factor_of_october_valid_three_months_ends_with_january() -> None:
    assert ws.month_after("2026-10", 3) == "2027-01-31"
    assert ws.month_after("2026-11", 3) == "2027-02-28"
    assert ws.month_after("campaign", 3) == ""


def test_comments_and_the_output_folder_do_not_change_the_settings_hash(tmp_path: Path) -> None:
    first = ws.load_workspace(write(tmp_path, SMALL)).settings
    second = ws.load_workspace(
        write(tmp_path, '# remark\n[workspace]\noutput = "elsewhere"\n' + SMALL)
    ).settings
    third = ws.load_workspace(write(tmp_path, SMALL + "[thresholds]\nbias_margin = 0.2\n")).settings
    assert ws.settings_hash(first) == ws.settings_hash(second)
    assert ws.settings_hash(first) != ws.settings_hash(third)


def test_every_threshold_is_printed_with_its_meaning(tmp_path: Path) -> None:
    settings = ws.load_workspace(write(tmp_path, SMALL)).settings
    lines = {line.name: line for line in setting_lines(settings)}
    for name in type(settings.thresholds).model_fields:
        assert lines[f"thresholds.{name}"].meaning


@given(st.integers(1, 9998), st.integers(1, 12))
def test_months_follow_each_other_without_gap(year: int, month: int) -> None:
    period = f"{year:04d}-{month:02d}"
    start, finish = ws.period_bounds(period, "UTC")
    assert start < finish
    following = f"{finish.year:04d}-{finish.month:02d}"
    assert ws.period_bounds(following, "UTC")[0] == finish
