"""Controls and readings of a run, in a whole workspace."""

from __future__ import annotations

from pathlib import Path

from reconcile import pipeline
from tests import small


def test_readings_without_any_time_give_an_account_and_no_fault(tmp_path: Path) -> None:
    site = small.build(tmp_path / "site")
    field = site / "field.csv"
    rows = [line.split(",") for line in field.read_text("utf-8").splitlines()]
    text = "\n".join(",".join([*row[:2], *row[3:]]) for row in rows)
    field.write_text(text + "\n", encoding="utf-8")
    made = pipeline.run_period(site, "2026-10").reconciliation
    (step,) = [s for s in made.waterfall if s.name.startswith("field rows that are")]
    assert step.lost == (("no time of measurement", 60),)
    assert not made.results
