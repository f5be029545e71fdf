"""The page of a stratum leads with the months behind it; every file says the same of them."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest

import reconcile
from reconcile.base.model.months import Beginning, Begun
from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.base.spreadsheet import csv_text
from reconcile.reporting import evidence, words
from reconcile.reporting.plots import drawn
from reconcile.reporting.plots.evidence import one_scale, plot_of
from reconcile.run import releasing
from tests import months, small

NAMES = ("2026-08", "2026-09", "2026-10")


@pytest.fixture(scope="module")
def last(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Reconciliation]:
    """The third of three months, its report whole."""
    site = months.build(tmp_path_factory.mktemp("behind") / "site", dict.fromkeys(NAMES, 0.04))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(releasing, "write_release", small.data_alone)
        for period in NAMES[:2]:
            reconcile.run_period(site, period)
    outcome = reconcile.run_period(site, NAMES[2])
    return outcome.release_folder, outcome.reconciliation


@pytest.mark.slow
def test_the_sentences_say_how_many_pairs_and_months_and_what_they_show(
    last: tuple[Path, Reconciliation],
) -> None:
    result = last[1].results[0]
    first, second, third = evidence.lines_of(result)
    assert "42 pairs of 3 months, 2026-08 to 2026-10; 14 of them of this month" in first
    assert "(n 42)" in second
    assert "SD between months" in second
    e = result.evidence
    assert e is not None
    for end in (e.coming.low, e.coming.high):
        assert f"{abs(100 * end):.1f}" in second
    assert third == "3 months are too few to tell a step from a spread."


def test_the_plot_sets_this_month_and_a_coming_one_apart(
    last: tuple[Path, Reconciliation],
) -> None:
    result = last[1].results[0]
    plot = plot_of(result)
    assert plot is not None
    assert plot.periods == (*NAMES, words.EVIDENCE_NEXT)
    assert plot.apart == 2
    assert plot.bounds == pytest.approx((1 / 1.1, 1.1))
    e = result.evidence
    assert e is not None
    assert plot.values[-1] == pytest.approx(1 + e.coming.value)
    drawing = drawn.trend_plot(plot, 200, 70)
    assert drawing.width == 200


def test_every_file_says_the_same_of_the_months(last: tuple[Path, Reconciliation]) -> None:
    folder, r = last
    result = r.results[0]
    e = result.evidence
    assert e is not None
    text = (folder / "evidence.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["period"] for row in rows if row["what"] == "month"] == list(NAMES)
    assert {row["what"] for row in rows} >= {"CUSUM up", "CUSUM down", "weighted mean of months"}
    (coming,) = [row for row in rows if row["what"] == "bias of a coming month"]
    assert float(coming["low"]) == e.coming.low
    assert coming["pairs"] == "42"
    (stratum,) = json.loads((folder / "statistics.json").read_text("utf-8"))["strata"]
    assert stratum["evidence"]["coming"]["high"] == e.coming.high
    assert [m["pairs"] for m in stratum["evidence"]["months"]] == [14, 14, 14]
    sheet = openpyxl.load_workbook(folder / "workbook.xlsx")[words.SHEETS["evidence"]]
    cells = [[c.value for c in row] for row in sheet.iter_rows(min_row=2)]
    assert [row[7] for row in cells[:3]] == [14, 14, 14]
    assert cells[5][8] == pytest.approx(e.coming.value)
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert f">{words.EVIDENCE}</h4>" in page
    for row in evidence.rows_of(e):
        assert row[0] in page


def test_every_reason_for_a_beginning_has_words() -> None:
    for why in Beginning:
        begun = Begun(why, "tube replaced, 2026-05-04", "2026-04", ("field_method", "lab_method"))
        said = evidence.begun_text(begun)
        assert said.endswith(".")
        assert "{" not in said
    assert "tube replaced" in evidence.begun_text(Begun(Beginning.EVENT, "tube replaced"))
    assert csv_text(Beginning.EVENT) == "event"


def test_the_months_of_one_element_share_one_scale_within_a_document(
    last: tuple[Path, Reconciliation],
) -> None:
    r = last[1]
    near = r.results[0]
    assert near.evidence is not None
    moved = tuple(replace(m, raw=replace(m.raw, high=m.raw.high + 0.5))
                  for m in near.evidence.months)  # fmt: skip
    wide = replace(near, evidence=replace(near.evidence, months=moved))

    def axis_of(x: StratumResult) -> tuple[float, float]:
        plot = plot_of(x)
        assert plot is not None
        _, y = drawn.trend_axes(plot)
        return y.low, y.high

    assert axis_of(near) != axis_of(wide)
    with one_scale(replace(r, results=(near, wide))):
        assert axis_of(near) == axis_of(wide)
    assert axis_of(near) != axis_of(wide)
