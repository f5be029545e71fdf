"""A laboratory result that arrives a month late reaches the month in which its sample was read."""

from __future__ import annotations

from pathlib import Path

import pytest

import reconcile

pytestmark = pytest.mark.usefixtures("data_alone")

SETTINGS = """
[workspace]
assign_rows_by = "field time"
[[table]]
kind = "field"
files = ["field_{field}.csv"]
unit = "mg/kg"
fixed = {{ technique = "XRF", matrix = "soil" }}
[[table]]
kind = "lab"
files = ["lab_{lab}.csv"]
unit = "mg/kg"
fixed = {{ technique = "ICP-OES" }}
"""


def workspace(folder: Path, field: str, lab: str) -> Path:
    """S2 is read in September; its certificate comes in October."""
    folder.mkdir()
    (folder / "reconcile.toml").write_text(SETTINGS.format(field=field, lab=lab), encoding="utf-8")
    for name, text in {
        "field_2026-09": "Sample,Time,Cu\nS1,2026-09-04 10:00,1\nS2,2026-09-05 10:00,2\n",
        "field_2026-10": "Sample,Time,Cu\nS3,2026-10-04 10:00,3\n",
        "lab_2026-09": "Sample,Certificate,Cu\nS1,C1,1\n",
        "lab_2026-10": "Sample,Certificate,Cu\nS2,C2,2\nS3,C2,3\n",
    }.items():
        (folder / f"{name}.csv").write_text(text.replace("Time", "Date time"), encoding="utf-8")
    return folder


def used(outcome: reconcile.RunOutcome) -> tuple[set[str], tuple[str, ...]]:
    r = outcome.reconciliation
    return {s for x in r.results for s in x.pairs["sample_id"]}, r.lab_only


@pytest.mark.slow
def test_patterns_without_the_month_take_late_results_into_their_month(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w", "*", "*")
    assert used(reconcile.run_period(folder, "2026-09")) == ({"S1", "S2"}, ())
    assert used(reconcile.run_period(folder, "2026-10")) == ({"S3"}, ())


@pytest.mark.slow
def test_the_month_run_before_the_certificate_came_gets_a_new_revision(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w", "*", "*")
    late = (folder / "lab_2026-10.csv").read_text(encoding="utf-8")
    (folder / "lab_2026-10.csv").unlink()
    first = reconcile.run_period(folder, "2026-09")
    assert used(first)[0] == {"S1"}
    (folder / "lab_2026-10.csv").write_text(late, encoding="utf-8")
    second = reconcile.run_period(folder, "2026-09")
    assert second.reconciliation.revision == first.reconciliation.revision + 1
    assert used(second)[0] == {"S1", "S2"}


@pytest.mark.slow
@pytest.mark.parametrize("field", ["{period}", "*"])
def test_a_laboratory_pattern_with_the_month_misses_the_late_result(
    tmp_path: Path, field: str
) -> None:
    folder = workspace(tmp_path / "w", field, "{period}")
    assert used(reconcile.run_period(folder, "2026-09"))[0] == {"S1"}
    samples, lab_only = used(reconcile.run_period(folder, "2026-10"))
    assert samples == {"S3"}
    assert "S2" in lab_only or field == "*"
