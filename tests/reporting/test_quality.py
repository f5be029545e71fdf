"""Control charts as drawn, and the tables beside them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reportlab.graphics.shapes import Circle, Drawing, Line
from reportlab.platypus import Paragraph, Table

from reconcile.base.model.controls import ControlChart, ControlRecord, DuplicateStage, InsertionRate
from reconcile.evidence.quality.charts import RULES, false_alarm_rates, individuals_chart
from reconcile.reporting.document import quality
from reconcile.reporting.plots import control
from reconcile.reporting.render import paper
from reconcile.statistics.bias import geometric_mean_ratio
from tests.reporting.builder import mixed


def chart(values: list[float]) -> ControlChart:
    made = individuals_chart(values)
    rates = false_alarm_rates(len(values))
    return ControlChart(
        "field", "RM-1", "Cu", "XRF · X1 · <b>soil</b>", tuple(values),
        tuple(f"2026-10-{i % 28 + 1:02d}T08:00:00Z" for i in range(len(values))),
        made.centre, made.sd, tuple((r.words, made.signals[r.name], rates[r.name]) for r in RULES),
        rates["any"],
    )  # fmt: skip


def record(*charts: ControlChart) -> ControlRecord:
    """Charts (one quiet one where none is given), one stage of duplicates, one rate."""
    pairs = np.array([1.0, 2.0, 4.0, 8.0])
    rsd = replace(geometric_mean_ratio(pairs, pairs * 1.1), value=0.042, low=0.03, high=0.06)
    return ControlRecord(
        charts or (chart([100.0 + (i % 2) for i in range(20)]),),
        (DuplicateStage("lab", "ICP", "Cu", "pulp", 9, rsd, 0.031),),
        (InsertionRate("lab", "blank", 3, 97, 0.03, 0.04, 5, ("C-4",)),),
    )


def shapes(drawing: Drawing, kind: type) -> list:
    return [s for s in drawing.contents if isinstance(s, kind)]


def words_of(story: list) -> str:
    found = []
    for item in story:
        if isinstance(item, Paragraph):
            found.append(item.text)
        elif isinstance(item, Table):
            found += [words_of([c] if not isinstance(c, list) else c)
                      for row in item._cellvalues for c in row]  # fmt: skip
        elif hasattr(item, "_content"):
            found.append(words_of(list(item._content)))
    return " ".join(found)


def test_a_chart_draws_every_result_five_lines_and_rings_the_signals_inside_its_frame() -> None:
    values = [100.0 + (i % 2) for i in range(20)]
    values[12] = 130.0
    made = chart(values)
    drawing = control.control_chart(made, 150, 88)
    circles = shapes(drawing, Circle)
    ringed = [c for c in circles if c.r == 2.6]
    flagged = {p for _, places, _ in made.rules for p in places}
    assert 12 in flagged
    assert len(ringed) == len(flagged)
    assert len(circles) - len(ringed) == 20
    assert len(shapes(drawing, Line)) == 5
    assert all(0 <= c.cx <= 150 and 0 <= c.cy <= 88 for c in circles)


@pytest.mark.slow
def test_a_long_chart_shows_its_latest_results() -> None:
    drawing = control.control_chart(chart([100.0 + (i % 3) for i in range(400)]), 150, 88)
    assert len([c for c in shapes(drawing, Circle) if c.r < 2]) == 120


def test_rules_stand_with_their_false_alarm_rates_and_tables_with_their_numbers() -> None:
    text = words_of(paper.flowables(quality.section(replace(mixed(), controls=record())), 480))
    for words in ("nine successive points on one side", "0 of 1", "3 %", "C-4", "4.2 %", "3.1 %"):
        assert words.replace(" ", "") in text.replace(" ", "").replace("\u00a0", ""), words
    rate = false_alarm_rates(20)["any"]
    assert f"{100 * rate:.2g}" in text
    assert "&lt;b&gt;soil&lt;/b&gt;" in text
    assert "everything put back" in text


def test_without_controls_the_page_says_so() -> None:
    text = words_of(paper.flowables(quality.section(mixed()), 480))
    assert "no chart rests on fewer" in text
