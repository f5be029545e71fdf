"""Nine sites, an instrument that reads high and a laboratory that reads low: who is named."""

from __future__ import annotations

import csv
import html
import json
import math
import re
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from reconcile.base.errors import ReconcileError
from reconcile.cli import app
from reconcile.portfolio import comparison, release
from reconcile.portfolio.comparison import OperatorBias
from reconcile.portfolio.listed import Portfolio
from reconcile.portfolio.release import Made
from reconcile.reporting.document import between_sites
from tests import small
from tests.portfolio.conftest import COUNT, MONTH

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def made(released: Portfolio) -> Made:
    return release.make(released, MONTH)


@pytest.mark.slow
def test_the_two_injected_faults_are_named_first_and_nothing_else(made: Made) -> None:
    named = [(s.kind, s.name) for s in made.value.suspects if s.named]
    assert set(named) == {("instrument", "X04"), ("laboratory", "laboratory C")}
    first = [(s.kind, s.name) for s in made.value.suspects[:2]]
    assert first == named
    of_laboratory = next(s for s in made.value.suspects if s.kind == "laboratory")
    for c in of_laboratory.contrasts:
        assert 0.05 < c.difference < 0.25  # injected: 0.15; sites differ by some 0.02 anyway
        assert (c.lines, c.others) == (3, 5)  # not the one whose instrument is named


def test_the_bias_of_each_site_is_that_of_its_release(made: Made, released: Portfolio) -> None:
    line = made.value.compared[0].lines[0]
    site = released.sites[0].workspace
    assert site is not None
    text = (site.releases(MONTH) / "r1" / "statistics.csv").read_text("utf-8")
    (row,) = [
        r for r in csv.DictReader(text.splitlines())
        if r["figure"] == "geometric_mean_ratio" and r["element"] == line.element
    ]  # fmt: skip
    assert math.exp(line.value) == pytest.approx(float(row["value"]), rel=1e-14)
    assert line.se == pytest.approx(float(row["standard_error"]) / float(row["value"]), rel=1e-14)


def test_the_same_site_releases_make_no_new_release_and_another_one_does(
    made: Made, released: Portfolio
) -> None:
    before = small.bytes_of(made.folder)
    again = release.make(released, MONTH)
    assert (again.new, again.folder, again.value) == (False, made.folder, made.value)
    assert small.bytes_of(made.folder) == before
    fewer = replace(released, sites=released.sites[:-1])
    other = release.make(fewer, MONTH)
    assert (other.new, other.value.revision) == (True, 2)
    assert other.value.supersedes == made.value.release_id
    assert small.bytes_of(made.folder) == before


def test_its_inputs_are_the_releases_of_the_sites(made: Made, released: Portfolio) -> None:
    manifest = json.loads((made.folder / "manifest.json").read_text("utf-8"))
    assert len(manifest["sites"]) == COUNT
    for entry, site in zip(manifest["sites"], released.sites, strict=True):
        assert site.workspace is not None
        own = json.loads((site.workspace.releases(MONTH) / "r1/manifest.json").read_text("utf-8"))
        assert (entry["site"], entry["release_id"]) == (site.name, own["release_id"])


def test_report_page_and_workbook_say_who_stands_out(made: Made) -> None:
    reader = PdfReader(made.folder / "report.pdf")
    assert len(reader.pages) <= 5
    text = re.sub(r"\s+", " ", reader.pages[0].extract_text())
    page = (made.folder / "report.html").read_text("utf-8")
    for words in (text, html.unescape(page)):
        assert "Instrument X04 differs from its peers" in words
        assert "What is measured against 'laboratory C' differs from the rest" in words
        assert made.value.release_id in words
    assert page.count("<title>site-0") == 2 * COUNT  # each mark of the picture says its site
    book = openpyxl.load_workbook(made.folder / "workbook.xlsx")
    assert book.sheetnames == ["Sites", "Elements", "Suspects", "Inputs"]
    assert book["Sites"].max_row == 2 * COUNT + 1


def test_an_altered_site_release_does_not_count_and_is_named(
    released: Portfolio, tmp_path: Path
) -> None:
    site = released.sites[0].workspace
    assert site is not None
    path = site.releases(MONTH) / "r1" / "statistics.json"
    before = path.read_bytes()
    path.write_bytes(before.replace(b"1.", b"2.", 1))
    try:
        settings = released.settings.model_copy(update={"output": str(tmp_path / "other")})
        made = release.make(replace(released, settings=settings), MONTH)
    finally:
        path.write_bytes(before)
    (left,) = made.value.without
    assert left[0] == "site-00"
    assert "not as it was released" in left[1]


def test_an_altered_portfolio_release_is_told_and_nothing_is_written(
    made: Made, released: Portfolio, tmp_path: Path
) -> None:
    settings = released.settings.model_copy(update={"output": str(tmp_path / "other")})
    other = replace(released, settings=settings)
    folder = release.make(other, MONTH).folder
    (folder / "sites.csv").write_text("none\n")
    with pytest.raises(ReconcileError, match=r"altered after it was made: sites\.csv"):
        release.make(other, MONTH)
    assert [p.name for p in folder.parent.iterdir() if p.is_dir()] == ["r1"]


def test_the_command_says_who_stands_out_and_where_the_release_is(
    made: Made, released: Portfolio
) -> None:
    printed = CliRunner().invoke(app, ["portfolio", "compare", MONTH, str(released.folder)])
    assert printed.exit_code == 1, printed.output
    assert "Instrument X04 differs from its peers" in printed.output
    none = CliRunner().invoke(app, ["portfolio", "compare", "2026-01", str(released.folder)])
    assert none.exit_code != 0
    assert isinstance(none.exception, ReconcileError)
    assert "0 of 9 sites have a release" in none.exception.message


def test_an_operator_who_reads_otherwise_at_two_sites_is_named_and_not_their_instruments() -> None:
    lines = [
        OperatorBias("Cu", f"s{site}", operator, f"X{site}", "A", bias + 0.01 * (site % 3), 0.0004)
        for site in range(6)
        for operator, bias in (("p", 0.0), (f"q{site}", 0.01), ("r", 0.25))
        if operator != "r" or site in (1, 4)
    ]
    found = comparison.suspected_operators(lines, 0.05, 0.95)
    assert [s.name for s in found if s.named] == ["r"]
    assert "operator r differ from those of others" in between_sites.sentence(found[0])
