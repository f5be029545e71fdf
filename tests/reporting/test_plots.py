"""Plots: every mark where its numbers are, nothing outside the drawing."""

import dataclasses
import math
import re
from collections.abc import Iterator
from functools import cache
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import ArrayLike
from reportlab.graphics.shapes import Circle, Drawing, Group, Line, Path, PolyLine, Rect, String

from reconcile.base.model.release import StratumResult
from reconcile.base.model.verdict import ACCEPTED, ACCEPTED_CORRECTED, CorrectionFactor
from reconcile.reporting import fonts, words
from reconcile.reporting.document import quality
from reconcile.reporting.plots import axes, canvas, drawn, kinds, marks, signs, svg
from reconcile.reporting.plots.density import MOST_APART
from reconcile.reporting.plots.drawn import difference_plot, method_plot, strip_plot
from reconcile.reporting.plots.kinds import (
    Curve,
    DifferencePlot,
    Level,
    MethodPlot,
    Points,
    Rule,
    Strip,
    StripPlot,
    TrendPlot,
)
from reconcile.reporting.plots.marks import Discs
from reconcile.reporting.plots.stratum import (
    FEWEST_FOR_LINE,
    chance_plots_of,
    difference_plot_of,
    fit_of,
    method_plot_of,
    points_of,
)
from tests.reporting import builder, test_quality

WIDTH, HEIGHT = 300.0, 200.0


def shapes(node: Any) -> Iterator[Any]:
    """Every leaf of a drawing with its place on the drawing (turned text left out)."""
    for child in node.contents:
        if isinstance(child, Group):
            if tuple(child.transform) == (1, 0, 0, 1, 0, 0):
                yield from shapes(child)
        else:
            yield child


def box(shape: Any) -> tuple[float, float, float, float]:
    if isinstance(shape, Circle):
        r = shape.r
        return shape.cx - r, shape.cy - r, shape.cx + r, shape.cy + r
    if isinstance(shape, String):
        w = fonts.width(shape.text, shape.fontSize, shape.fontName == fonts.BOLD)
        x = shape.x - {"start": 0, "middle": w / 2, "end": w}[shape.textAnchor]
        return x, shape.y, x + w, shape.y + shape.fontSize * 0.75
    return shape.getBounds()


def assert_inside(drawing: Drawing, width: float = WIDTH, height: float = HEIGHT) -> None:
    for shape in shapes(drawing):
        x0, y0, x1, y1 = box(shape)
        assert x0 >= -1.5, shape.__dict__
        assert y0 >= -1.5, shape.__dict__
        assert x1 <= width + 1.5, shape.__dict__
        assert y1 <= height + 1.5, shape.__dict__


def method(
    points: tuple[Points, ...], fit: Curve | None = None, levels: tuple[Level, ...] = ()
) -> MethodPlot:
    return MethodPlot(
        points, fit, levels, "Laboratory, mg/kg", "Field, mg/kg", "field = lab", "decision level"
    )


def used(x: ArrayLike, y: ArrayLike) -> Points:
    return Points("used", "used", np.asarray(x, float), np.asarray(y, float))


def test_axes_are_equal_so_that_the_line_of_equality_is_the_diagonal() -> None:
    drawing = method_plot(method((used([1, 2, 9], [2, 3, 8]),)), WIDTH, HEIGHT)
    frame = next(s for s in shapes(drawing) if isinstance(s, Rect))
    assert frame.width == pytest.approx(frame.height)
    diagonal = [
        s for s in shapes(drawing) if isinstance(s, PolyLine) and s.strokeDashArray == [6, 2.5]
    ]
    x0, y0, x1, y1 = diagonal[0].points
    assert (x0 - frame.x, x1 - frame.x) == pytest.approx((0, frame.width))
    assert (y0 - frame.y, y1 - frame.y) == pytest.approx((0, frame.height))


def test_marks_stand_where_the_numbers_are() -> None:
    drawing = method_plot(method((used([0, 10], [0, 5]),)), WIDTH, HEIGHT)
    frame = next(s for s in shapes(drawing) if isinstance(s, Rect))
    discs = sorted(
        tuple(place[:2]) for s in shapes(drawing) if isinstance(s, Discs) for place in s.at
    )
    axis = axes.linear(-0.0, 10.3)
    right = frame.x + frame.width * float(axis.place(10.0))
    middle = frame.y + frame.height * float(axis.place(5.0))
    assert discs[-1] == pytest.approx((right, middle), abs=0.3)


@pytest.mark.parametrize(
    ("low", "high", "log"), [(1.0, 9.9, False), (1.0, 10.1, True), (-1.0, 1000.0, False)]
)
def test_axes_are_logarithmic_where_the_range_exceeds_one_order_of_magnitude(
    low: float, high: float, log: bool
) -> None:
    assert axes.wants_log(np.array([low, high])) is log


@given(
    st.floats(-1e7, 1e7),
    st.floats(1e-3, 1e7),
)
def test_linear_axes_hold_their_data_and_have_ticks_of_equal_step(low: float, width: float) -> None:
    axis = axes.linear(low, low + width)
    slack = 1e-8 * (abs(low) + width)
    assert axis.low <= low + slack
    assert axis.high >= low + width - slack
    for tick, label in zip(axis.ticks, axis.labels, strict=True):
        shown = float(label.replace("−", "-").replace("\N{NO-BREAK SPACE}", ""))
        assert shown == pytest.approx(tick, rel=1e-6, abs=1e-9)
    steps = np.diff(axis.ticks)
    assert np.allclose(steps, steps[0], rtol=1e-6, atol=1e-9)
    assert 2 <= len(axis.ticks) <= 12


@given(st.floats(1e-4, 1e4), st.floats(1.0, 1e4))
def test_logarithmic_axes_hold_their_data_and_at_least_one_tick(low: float, ratio: float) -> None:
    axis = axes.logarithmic(low, low * ratio)
    assert axis.low <= low
    assert axis.high >= low * ratio
    assert len(axis.ticks) <= 15
    assert all(axis.low <= t <= axis.high for t in axis.ticks)
    assert not any("e" in label for label in axis.labels)


values = hnp.arrays(
    np.float64,
    st.integers(1, 30),
    elements=st.one_of(st.floats(-1e6, 1e6), st.floats(1e-3, 1e3), st.just(math.nan)),
)


@settings(max_examples=60, deadline=None)
@given(values, st.data())
def test_no_mark_or_text_of_a_method_plot_leaves_the_drawing(
    x: np.ndarray, data: st.DataObject
) -> None:
    y = data.draw(hnp.arrays(np.float64, len(x), elements=st.floats(-1e6, 1e6)))
    kind = data.draw(st.sampled_from(kinds.MARKS))
    points = Points(kind, "any", x, y, y if kind == "partial" else None)
    levels = (Level("a level with a long long name", 5.0), Level("b", 5.1), Level("c", 500.0))
    fit = Curve("fit", np.array([1.0, 10.0]), np.array([1.0, 1e9]))
    assert_inside(method_plot(method((points,), fit, levels), WIDTH, HEIGHT))


@settings(max_examples=60, deadline=None)
@given(values, st.booleans(), st.data())
def test_no_mark_or_text_of_a_difference_plot_leaves_the_drawing(
    x: np.ndarray, ratio: bool, data: st.DataObject
) -> None:
    x = np.abs(x) + 1e-3 if ratio else x
    y = data.draw(hnp.arrays(np.float64, len(x), elements=st.floats(1e-3, 1e3)))
    rules = tuple(
        Rule(v, v / 1.1, v * 1.1, f"{v:.3g}", "lower limit", v > 1)
        for v in data.draw(st.lists(st.floats(0.01, 100), max_size=3))
    )
    plot = DifferencePlot(
        (used(x, y),), rules, 1.0 if ratio else 0.0, ratio, "Mean, mg/kg", "Field − lab", "a note"
    )
    assert_inside(difference_plot(plot, WIDTH, HEIGHT))


def test_names_of_rules_never_overlap() -> None:
    rules = tuple(Rule(v, v, v, f"{v}", "limit", v == 1.01) for v in (1.0, 1.01, 1.02))
    plot = DifferencePlot((used([1, 2], [0.5, 2.0]),), rules, 1.0, True, "x", "y")
    drawing = difference_plot(plot, WIDTH, HEIGHT)
    bold = sorted(
        s.y for s in shapes(drawing) if isinstance(s, String) and s.fontName == fonts.BOLD
    )
    assert len(bold) == 3
    assert np.diff(bold).min() >= canvas.TEXT_SIZE


def test_censored_pairs_are_drawn_at_their_limits_and_none_is_lost() -> None:
    result = builder.censored()
    points = {p.kind: p for p in points_of(result.pairs, 1.0)}
    assert set(points["field_below"].y) == {12.0}
    assert set(points["both_below"].x) == {6.0}
    assert set(points["both_below"].y) == {12.0}
    s = result.statistics
    assert len(points["both_below"].x) == s.censored.both
    assert len(points["field_below"].x) == s.censored.field - s.censored.both
    assert sum(len(p.x) for p in points.values()) == s.n_pairs


def test_marks_of_different_meaning_have_different_shapes() -> None:
    found = {}
    for kind, draw in marks.SHAPES.items():
        path = Path()
        draw(path, 0.0, 0.0, 2.0)
        found[kind] = (tuple(path.operators), tuple(np.round(path.points, 3)))
    assert len(set(found.values())) == len(kinds.MARKS)


def test_the_line_is_drawn_over_the_range_of_its_pairs_only() -> None:
    result = builder.ordinary()
    fit = fit_of(result.statistics, result.per_mg_kg)
    assert fit is not None
    low, high = result.statistics.lab_range
    assert fit.x.min() == pytest.approx(low)
    assert fit.x.max() == pytest.approx(high)
    assert np.all(fit.low <= fit.y)
    assert np.all(fit.y <= fit.high)


def test_the_difference_plot_shows_the_limits_of_the_scale_that_leads() -> None:
    ratio = difference_plot_of(builder.ordinary())
    assert ratio is not None
    assert ratio.ratio
    assert ratio.reference == 1.0
    limits = builder.ordinary().statistics.agreement.limits_log_ratio
    assert [r.value for r in ratio.rules] == pytest.approx(
        [limits.lower.value, limits.bias.value, limits.upper.value], rel=1e-3
    )
    absolute = difference_plot_of(builder.absolute())
    assert absolute is not None
    assert not absolute.ratio
    assert absolute.reference == 0.0
    assert "mass\N{NO-BREAK SPACE}%" in absolute.y_title


def test_decision_levels_stand_in_the_reader_s_unit() -> None:
    plot = method_plot_of(builder.absolute())
    assert plot.levels[0].value == pytest.approx(48.0)


def test_ten_thousand_pairs_make_a_small_drawing() -> None:
    rng = np.random.default_rng(0)
    x = np.exp(rng.normal(size=10_000))
    drawing = method_plot(method((used(x, x * 1.1),)), WIDTH, HEIGHT)
    drawn = sum(len(s.at) if isinstance(s, Discs) else isinstance(s, Line) for s in shapes(drawing))
    assert 0 < drawn < 100 + MOST_APART


def test_the_accent_colour_is_dark_in_grey() -> None:
    c = canvas.ACCENT
    assert 0.299 * c.red + 0.587 * c.green + 0.114 * c.blue < 0.35


def test_recoveries_stand_by_element_with_failed_ones_crossed() -> None:
    marks = (
        Strip(0, 1.02, "field", False),
        Strip(1, 0.97, "lab", True),
        Strip(1, 1.6, "failed", False),
    )
    plot = StripPlot(("As", "Cu"), marks, "Recovery", {"field": "f", "lab": "l", "failed": "x"})
    drawing = strip_plot(plot, WIDTH, 130.0)
    assert_inside(drawing, WIDTH, 130.0)
    texts = [s.text for s in shapes(drawing) if isinstance(s, String)]
    assert {"As", "Cu", "f", "l", "x"} <= set(texts)


KINDS = ("method", "censored", "difference", "trend", "chance", "strip", "control")


@cache
def every_kind() -> dict[str, Any]:
    """One plot of each kind."""
    r = builder.mixed()
    first, censored = r.results[0], builder.censored()
    wild = [100.0 + (i % 2) for i in range(200)]
    wild[12] = 130.0
    values = np.array([1.0, 1.1, 0.9])
    trend = TrendPlot(("2026-08", "2026-09", "2026-10"), values, values - 0.1, values + 0.1,
                      (20, 21, 22), "Field / lab")  # fmt: skip
    return {
        "method": method_plot_of(first),
        "censored": method_plot_of(censored),
        "difference": difference_plot_of(first),
        "trend": trend,
        "chance": chance_plots_of(first)[0],
        "strip": quality.recoveries(r)[0],
        "control": test_quality.chart(wild),
    }


@pytest.mark.slow
@pytest.mark.parametrize("name", KINDS)
def test_paper_and_screen_draw_the_same_scene(name: str) -> None:
    plot = every_kind()[name]
    root = ElementTree.fromstring(svg.svg(plot, "a plot"))
    width, height = map(float, root.attrib["viewBox"].split()[2:])
    drawing = drawn.drawing(plot, width, height, whole=True)
    found: list[str] = [e.tag for e in root.iter()]

    def count(node: Group | Drawing, kind: type) -> int:
        return sum(
            count(c, kind) if isinstance(c, Group) else isinstance(c, kind) for c in node.contents
        )

    def texts(node: Group | Drawing) -> list[str]:
        return [
            text
            for c in node.contents
            for text in (texts(c) if isinstance(c, Group) else
                         [c.text] if isinstance(c, String) else [])
        ]  # fmt: skip

    assert found.count("line") == count(drawing, Line)
    assert found.count("polyline") == count(drawing, PolyLine)
    assert found.count("rect") == count(drawing, Rect)
    assert [e.text or "" for e in root.iter("text")] == texts(drawing)


@pytest.mark.slow
@pytest.mark.parametrize("name", KINDS)
def test_on_the_screen_every_value_is_a_mark_that_says_something(name: str) -> None:
    plot = every_kind()[name]
    root = ElementTree.fromstring(svg.svg(plot, "a plot"))
    told = [e.text for e in root.iter("title")]
    points = getattr(plot, "points", ())
    expected = {
        "method": sum(len(p.x) for p in points),
        "censored": sum(len(p.x) for p in points),
        "difference": sum(len(p.x) for p in points),
        "trend": 3,
        "chance": 16,
        "strip": len(getattr(plot, "marks", ())),
        "control": 200,
    }
    assert len(told) == expected[name]
    assert all(told)


def test_every_mark_on_the_screen_stands_inside_the_drawing() -> None:
    for plot in every_kind().values():
        root = ElementTree.fromstring(svg.svg(plot, "a plot"))
        width, height = map(float, root.attrib["viewBox"].split()[2:])
        for mark in root.iter("circle"):
            assert 0 <= float(mark.attrib["cx"]) <= width
            assert 0 <= float(mark.attrib["cy"]) <= height


def test_a_sign_that_was_moved_stands_where_it_was_moved_to_on_the_screen() -> None:
    moved = Group(signs.verdict_mark(0, 10.0))
    moved.translate(50, 20)
    drawing = Drawing(100, 40)
    drawing.add(moved)
    path = re.search(r'<path d="M([\d.]+) ([\d.]+)', svg.picture(drawing, "sign"))
    assert (float(path[1]), float(path[2])) == pytest.approx((59.4, 15.0))


def test_the_plot_of_ratios_shows_what_was_agreed_for_bias_and_spread() -> None:
    result = builder.ordinary()
    plot = difference_plot_of(result)
    assert plot is not None
    margin = result.statistics.bias.equivalence.margin
    assert plot.margin == (1 / (1 + margin), 1 + margin)
    assert words.AGREED_MARGIN in plot.note
    bare = dataclasses.replace(plot, margin=(), span=())
    drawn_lines = [sum(isinstance(s, PolyLine) for s in shapes(difference_plot(p, WIDTH, HEIGHT)))
                   for p in (bare, plot)]  # fmt: skip
    assert drawn_lines[1] - drawn_lines[0] == 2 + len(plot.span)


def test_few_pairs_get_no_fitted_line_in_their_plot() -> None:
    result = builder.ordinary()
    few = dataclasses.replace(result.statistics, n_used=FEWEST_FOR_LINE - 1)
    assert fit_of(result.statistics, 1.0) is not None
    assert fit_of(few, 1.0) is None


def test_a_plot_of_differences_shows_the_agreed_bias_as_shares_of_the_level() -> None:
    result = builder.absolute()
    plot = difference_plot_of(result)
    assert plot is not None
    assert not plot.ratio
    margin = result.statistics.bias.equivalence.margin
    for end, share in zip((1 / (1 + margin), 1 + margin), plot.margin, strict=True):
        lab = 20.0
        field = lab * end
        assert field - lab == pytest.approx(share * (field + lab) / 2)
    bare = dataclasses.replace(plot, margin=(), span=())
    lines = [sum(isinstance(s, PolyLine) for s in shapes(difference_plot(p, WIDTH, HEIGHT)))
             for p in (bare, plot)]  # fmt: skip
    assert lines[1] - lines[0] == 2 + len(plot.span)


def as_read(result: StratumResult) -> StratumResult:
    """The same with a verdict of the readings."""
    return dataclasses.replace(
        result, verdict=dataclasses.replace(result.verdict, decision=ACCEPTED), factor=None
    )


def corrected(result: StratumResult) -> StratumResult:
    """The same with a verdict of corrected values and a factor that halves every reading."""
    verdict = dataclasses.replace(result.verdict, decision=ACCEPTED_CORRECTED)
    factor = CorrectionFactor(
        "F-1", result.stratum, "ratio", 0.0, 2.0, ((0.0, 0.0), (0.0, 0.0)), 0.1, True, 1.0, 1e6,
        40, "", 0.2, 0.1, "",
    )  # fmt: skip
    return dataclasses.replace(result, verdict=verdict, factor=factor)


def test_corrected_values_stand_beside_the_readings_where_only_they_may_be_used() -> None:
    result = builder.ordinary()
    kinds_of = {p.kind: p for p in difference_plot_of(corrected(result)).points}
    np.testing.assert_allclose(kinds_of["corrected"].y, kinds_of["used"].y / 2)
    assert "corrected" not in {p.kind for p in difference_plot_of(as_read(result)).points}


def test_the_chance_of_a_wrong_call_is_that_of_corrected_values_where_only_they_may_be_used() -> (
    None
):
    result = builder.ordinary()
    read = chance_plots_of(as_read(result))[0]
    of_corrected = chance_plots_of(corrected(result))[0]
    pairs = result.pairs.assign(field_mean=result.pairs["field_mean"] / 2)
    halved = as_read(dataclasses.replace(result, pairs=pairs))
    by_hand = chance_plots_of(halved)[0]
    np.testing.assert_allclose(of_corrected.branches[0].y, by_hand.branches[0].y)
    assert not np.allclose(of_corrected.branches[0].y, read.branches[0].y)
