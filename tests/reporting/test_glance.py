"""The one picture of a release: every stratum once, under its verdict, on one scale."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from pypdf import PdfReader
from reportlab.graphics.shapes import Drawing, Group, Polygon, Shape, String

from reconcile.base.model.release import EarlierResult, Reconciliation
from reconcile.base.model.verdict import ACCEPTED, APPROVED, INSUFFICIENT, LABORATORY_ONLY
from reconcile.reporting import answers, words
from reconcile.reporting.document import glance, report, screen, verdicts
from reconcile.reporting.document.verdicts import kind_of
from reconcile.reporting.plots import glance as drawn
from reconcile.reporting.plots.kinds import Glance, GlanceGroup, GlanceRow, Spot
from reconcile.reporting.plots.marks import Marks
from tests.reporting import builder


def picture(r: Reconciliation, most: int = glance.MOST) -> Glance:
    found = glance.picture(r, verdicts.anchors_of(r), most)
    assert found is not None
    return found


def shapes(of: Drawing | Group) -> Iterator[Shape]:
    for shape in of.contents:
        yield shape
        if isinstance(shape, Group) and not isinstance(shape, Marks):
            yield from shapes(shape)


def plot_of(*rows: GlanceRow, spans: tuple[float, ...] = (1.4,)) -> Glance:
    group = GlanceGroup(0, "Accepted · 1", rows)
    return Glance((group,), spans, "ratio", "counted", "none", ("key",), "{title}, continued")


def row(value: float, name: str = "Cu", half: float = 1.05) -> GlanceRow:
    spot = Spot(name, value, value / half, value * half)
    return GlanceRow(name, (spot,), (value / 1.2, value * 1.2), (1 / 1.1, 1.1), "40 · 3")


def flat(outline: list[Any]) -> Iterator[Any]:
    """Every bookmark of the outline."""
    for entry in outline:
        yield from flat(entry) if isinstance(entry, list) else [entry]


def places(plot: Glance, width: float = 500.0) -> dict[str, tuple[float, float]]:
    """Where the disc or wedge of each name stands."""
    made = drawn.glance(plot, width)
    found = [x for x in shapes(made) if isinstance(x, Marks)]
    return {told: (x, y) for marks in found for x, y, _, told in marks.places}


def test_every_stratum_stands_once_under_its_verdict() -> None:
    r = builder.mixed()
    plot = picture(r)
    names = {group.verdict: [x.name for x in group.rows] for group in plot.groups}
    for x in r.results:
        (kind,) = [kind for kind, rows in names.items() if x.stratum.label[:20] in str(rows)]
        assert kind == kind_of(x)
    assert sum(map(len, names.values())) == len(r.results)
    assert [group.verdict for group in plot.groups] == [
        kind for kind in glance.ORDER if kind in names
    ]


@pytest.mark.slow
def test_many_strata_share_lines_by_method_and_none_is_lost() -> None:
    r = builder.many(24)
    plot = picture(r, most=12)
    rows = [x for group in plot.groups for x in group.rows]
    assert len(rows) <= 12
    assert sorted(s.name for x in rows for s in x.spots) == sorted(
        x.stratum.label for x in r.results
    )
    assert words.GLANCE_TOGETHER in plot.key
    assert words.GLANCE_TOGETHER not in picture(r, most=24).key


def test_the_farthest_from_none_in_margins_stand_first() -> None:
    plot = picture(builder.mixed())
    for group in plot.groups:
        far = [
            abs(math.log(x.spots[0].value)) / math.log(x.margin[1]) for x in group.rows
            if math.isfinite(x.spots[0].value)
        ]  # fmt: skip
        assert far == sorted(far, reverse=True)


def test_a_verdict_that_changed_since_the_last_month_carries_its_sign() -> None:
    r = builder.reconciliation([builder.ordinary(), builder.insufficient()])
    assert not any(x.changed for g in picture(r).groups for x in g.rows)
    keys = [x.stratum.key for x in r.results]

    def signs(*before: str) -> list[str]:
        past = tuple(
            EarlierResult("2026-09", "2026-09-r1", key, 20, 1.0, 0.9, 1.1, verdict)
            for key, verdict in zip(keys, before, strict=False)
        )
        older = EarlierResult("2026-08", "2026-08-r1", keys[0], 20, 1.0, 0.9, 1.1, ACCEPTED)
        rows = {
            x.name: x.changed
            for g in picture(replace(r, history=(older, *past))).groups
            for x in g.rows
        }
        return [rows[x.stratum.label] for x in r.results]

    first = r.results[0].verdict.decision
    assert signs(first, INSUFFICIENT) == ["", ""]
    assert signs(LABORATORY_ONLY, LABORATORY_ONLY) == [words.GLANCE_BETTER, words.GLANCE_WORSE]
    assert signs(first) == ["", words.GLANCE_NEW]


def test_discs_stand_by_the_logarithm_of_the_ratio_and_all_on_one_scale() -> None:
    found = places(plot_of(row(1.0, "a"), row(1.1, "b"), row(1 / 1.1, "c"), row(1.21, "d")))
    # the last three stand in the second column, one below the other
    (b, y), (c, z), (d, _) = (found[name] for name in "bcd")
    assert y > z
    assert b - c == pytest.approx(2 * (d - b), rel=1e-6)
    assert found["a"][0] == pytest.approx((b + c) / 2 - 250 - drawn._GAP / 2)


def test_what_lies_beyond_the_scale_is_a_wedge_at_its_edge() -> None:
    plot = plot_of(row(1.0, "a"), row(9.0, "b"), row(0.01, "c"), row(30.0, "d"))
    found = places(plot)
    assert found["c"][0] < found["b"][0]
    assert found["b"][0] == found["d"][0]
    made = drawn.glance(plot, 500.0)
    assert sum(isinstance(x, Polygon) for x in shapes(made)) == 3


def test_what_was_agreed_always_lies_on_the_scale() -> None:
    for span in (1.1, 1.4, 3.0):
        plot = plot_of(row(span, "at the edge"), spans=(span,))
        made = drawn.glance(plot, 500.0)
        assert not any(isinstance(x, Polygon) for x in shapes(made)), span


def test_a_row_without_a_usable_pair_says_so() -> None:
    bare = GlanceRow("Au", (Spot("Au", *[math.nan] * 3),), (math.nan,) * 2, (0.9, 1.1), "0")
    texts = [x.text for x in shapes(drawn.glance(plot_of(bare), 500.0)) if isinstance(x, String)]
    assert "none" in texts


def test_names_are_made_smaller_before_they_are_cut() -> None:
    long = row(1.0, "LIBS · chromium-molybdenum steel X")
    made = drawn.glance(plot_of(long), 500.0)
    assert any(x.text == long.name for x in shapes(made) if isinstance(x, String))


def test_the_first_page_leads_from_each_line_to_the_page_of_its_stratum() -> None:
    r = builder.mixed()
    reader = PdfReader(io.BytesIO(report.report(r)))
    links: Any = reader.pages[0]["/Annots"]
    linked = {reader.get_page_number(a.get_object()["/Dest"][0].get_object()) for a in links}
    of = {
        str(entry.title): reader.get_destination_page_number(entry)
        for entry in flat(reader.outline)
    }
    assert linked == {of[x.stratum.label] for x in r.results if x.stratum.label in of}
    assert len(links) == len(r.results)


def test_on_the_screen_each_line_leads_to_its_stratum() -> None:
    r = builder.mixed()
    page = screen.page(r).decode("utf-8")
    (drawing,) = re.findall(r'<svg class="wide".*?</svg>', page, re.DOTALL)
    assert set(re.findall(r'href="#([^"]+)"', drawing)) == set(verdicts.anchors_of(r).values())
    for anchor in verdicts.anchors_of(r).values():
        assert f'id="{anchor}"' in page


def test_the_answer_counts_what_may_be_used_apart_from_what_waits_for_a_person() -> None:
    read, corrected = builder.ordinary(), builder.ordinary()
    assert corrected.factor is not None
    r = builder.reconciliation([read])
    assert kind_of(read) in (0, 1)
    waiting = [x for x in builder.mixed().results if kind_of(x) == 1]
    assert waiting
    said = answers.answer(builder.reconciliation(waiting[:1]))
    assert "in none of 1" in said.lower()
    assert "1 could be used once a second person approves" in said
    assert waiting[0].factor is not None
    approved = replace(waiting[0], factor=replace(waiting[0].factor, status=APPROVED))
    said = answers.answer(builder.reconciliation([approved]))
    assert "1 with a factor in force" in said
    assert "could be used" not in said
    assert answers.approvals(builder.reconciliation([approved])) == ""
    assert waiting[0].factor.factor_id in answers.approvals(builder.reconciliation(waiting[:1]))
    assert len(answers.answer(r).split()) <= 60
