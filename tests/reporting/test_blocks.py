"""A section is written once, of blocks, and every medium shows all that is in it."""

import ast
import html as escapes
import inspect
import re
import sys
from dataclasses import replace

import pytest
from reportlab.graphics.shapes import Drawing
from reportlab.platypus import Flowable, Paragraph
from reportlab.platypus import Table as Grid

from reconcile.base.characters import visible
from reconcile.base.model.release import Change, Reconciliation
from reconcile.reporting.document import blocks, contents, quality, verdicts
from reconcile.reporting.document.blocks import Across, Caution, Plots, Section, Table, Text, Titled
from reconcile.reporting.render import html, paper
from reconcile.reporting.render.book import PageOf
from reconcile.reporting.text import printable
from tests.reporting import builder, test_quality

WIDTH = 480.0


def release() -> Reconciliation:
    """Controls with charts, rates and stages, findings, refused rows, changes."""
    chart = test_quality.chart([100.0 + (i % 2) for i in range(20)])
    return replace(
        builder.mixed(),
        controls=test_quality.record(chart),
        supersedes="2026-10-r1",
        changes=(Change("pairs", "40", "41"),),
    )


SECTIONS = {s.anchor: s for make in (verdicts.section, contents.sections) for s in make(release())}


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", visible(text).replace("\N{NO-BREAK SPACE}", " ")).strip()


def on_screen(section: Section) -> str:
    page = html.html([section])
    return plain(escapes.unescape(re.sub(r"<[^>]+>", " ", page)))


def leaves(story: object) -> list[Flowable]:
    """Every paragraph and drawing of a story, those in tables and groups too."""
    if isinstance(story, (list, tuple)):
        return [leaf for part in story for leaf in leaves(part)]
    if isinstance(story, Grid):
        return leaves(story._cellvalues)
    inner = getattr(story, "_content", None)
    if inner is not None:
        return leaves(inner)
    return [story] if isinstance(story, Flowable) else []


def on_paper(section: Section) -> str:
    found = leaves(paper.flowables([section], WIDTH))
    return plain(" ".join(p.getPlainText() for p in found if isinstance(p, Paragraph)))


def drawings(section: Section) -> int:
    found = leaves(paper.flowables([section], WIDTH))
    return sum(isinstance(d, Drawing) and d.width > 20 for d in found)  # not a verdict's sign


@pytest.mark.parametrize("anchor", SECTIONS)
def test_every_title_text_and_heading_of_a_section_stands_in_every_medium(anchor: str) -> None:
    section = SECTIONS[anchor]
    screen, printed = on_screen(section), on_paper(section)
    for block in blocks.every([section]):
        match block:
            case Section(_, title) | Titled(title):
                assert plain(title) in screen
                assert plain(title) in printed
            case Text() | Caution():
                told = plain(block.text)
                assert not getattr(block, "on_screen", True) or told in screen
                assert (
                    not getattr(block, "on_paper", True) or plain(printable(block.text)) in printed
                )
            case Table(columns):
                for column in columns:
                    assert not column.on_screen or plain(column.heading) in screen
                    assert not column.share or plain(column.heading) in printed


@pytest.mark.parametrize("anchor", SECTIONS)
def test_every_row_of_a_table_that_is_not_cut_stands_in_every_medium(anchor: str) -> None:
    section = SECTIONS[anchor]
    screen, printed = on_screen(section), on_paper(section)
    for table in blocks.every([section]):
        if not isinstance(table, Table) or len(table.rows) > (table.most or len(table.rows)):
            continue
        for row in table.rows:
            if isinstance(row, Across):
                assert plain(printable(row.text[:100])) in printed
                continue
            for column, value in zip(table.columns, row, strict=True):
                text = value if isinstance(value, str) else value.text
                if column.given and len(text) < 60 and text.isascii():
                    assert not column.on_screen or plain(text) in screen
                    assert not column.share or plain(text) in printed


def test_every_plot_is_drawn_in_every_medium() -> None:
    seen = 0
    for section in SECTIONS.values():
        plots = [p for b in blocks.every([section]) if isinstance(b, Plots) for p in b.plots]
        assert html.html([section]).count("<svg") == len(plots)
        assert drawings(section) == len(plots)
        seen += len(plots)
    assert seen


def test_a_text_for_one_medium_stands_in_that_alone() -> None:
    section = Section(
        "x", "X", (Text("paper alone", on_screen=False), Text("screen alone", on_paper=False))
    )
    assert "paper alone" in on_paper(section)
    assert "paper alone" not in on_screen(section)
    assert "screen alone" in on_screen(section)
    assert "screen alone" not in on_paper(section)


def test_a_cut_table_says_on_paper_how_much_of_it_is_shown_and_where_the_rest_is() -> None:
    column = blocks.Column("Sample", 1.0, given=True)
    table = Table((column,), [(f"S{i}",) for i in range(9)], most=3, rest="pairs.csv")
    text = on_paper(Section("x", "X", (table,)))
    assert "S2" in text
    assert "S3" not in text
    assert "3" in text
    assert "9" in text
    assert "pairs.csv" in text
    assert "S8" in on_screen(Section("x", "X", (table,)))


def test_a_section_knows_no_medium() -> None:
    for make in (verdicts.section, *contents.SECTIONS):
        tree = ast.parse(inspect.getsource(sys.modules[make.__module__]))
        for node in ast.walk(tree):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [f"{node.module}.{a.name}" for a in node.names]
            for name in names:
                assert not name.startswith(("reportlab", "html", "openpyxl")), make.__module__
                assert ".render" not in name, make.__module__


def test_charts_with_signals_are_the_last_that_paper_leaves_out() -> None:
    quiet = [test_quality.chart([100.0 + (i % 2) for i in range(20)]) for _ in range(40)]
    wild = [100.0 + (i % 2) for i in range(20)]
    wild[12] = 130.0
    loud = test_quality.chart(wild)
    value = replace(release(), controls=test_quality.record(*quiet, loud))
    charts = [
        p
        for b in blocks.every(quality.section(value))
        if isinstance(b, Plots)
        for p in b.plots
        if p.data in value.controls.charts
    ]
    assert len(charts) == 41
    shown = [p.data for p in charts if p.on_paper]
    assert len(shown) == 36
    assert loud in shown


def test_the_page_of_a_stratum_stands_on_paper_and_a_link_to_it_on_the_screen() -> None:
    table = Section("x", "X", (Table((blocks.Column("Page", 1.0, on_screen=False),
                                      blocks.Column("Stratum", 0)),
                                     [(blocks.Cell("", page_of="stratum-1"),
                                       blocks.Cell("Cu", anchor="stratum-1"))]),))  # fmt: skip
    found = leaves(paper.flowables([table], WIDTH))
    assert [p.getPlainText() for p in found if isinstance(p, Paragraph)] == ["X", "Page"]
    assert sum(isinstance(p, PageOf) for p in found) == 1
    assert '<a href="#stratum-1">Cu</a>' in html.html([table])
