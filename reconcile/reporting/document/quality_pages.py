"""Controls over time, rates against plan, duplicates by stage, results with exclusions put back."""

from __future__ import annotations

import math
from collections.abc import Sequence

from reportlab.graphics.shapes import Circle, Drawing, Line, PolyLine, String
from reportlab.lib.colors import Color, white
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether

from reconcile.base.model import ControlChart, Reconciliation
from reconcile.reporting import fonts, numbers, words
from reconcile.reporting.document.sections import start
from reconcile.reporting.manner import styled
from reconcile.reporting.render.book import Heading
from reconcile.reporting.render.styles import RULE, columns, foreign, gap, grid, own
from reconcile.reporting.text import printable
from reconcile.statistics.result import Estimate

_MOST_CHARTS = 36
_MOST_POINTS = 120  # the latest; a mark needs room to be seen
_MOST_ROWS = 60
_ACROSS = 3
_INK = Color(0.13, 0.13, 0.13)
_SIZE = 6.0


def over_time(r: Reconciliation, width: float) -> list[Flowable]:
    """Charts with rules and their false-alarm rates, rates, stages, and with and without."""
    out: list[Flowable] = [*start(), Heading(words.CONTROL_CHARTS, "control-charts")]
    charts = r.controls.charts
    if charts:
        out += [
            own(words.CHARTS_INTRO, "small"),
            _rules(charts, width),
            own(words.CHART_RULE_NOTE, "small"),
        ]
        out += _charts(charts, width)
    else:
        out.append(own(words.NO_CHARTS))
    if r.controls.rates:
        out += [*start(), Heading(words.RATES, "rates", 0, "h2"), _rates(r, width)]
    if r.controls.stages:
        out += [
            *start(),
            Heading(words.STAGES, "stages", 0, "h2"),
            own(words.STAGES_NOTE, "small"),
            *_stages(r, width),
        ]
    return [*out, *start(), Heading(words.PUT_BACK, "put-back", 0, "h2"), *_put_back(r, width)]


# ---- charts ---------------------------------------------------------------------------


def _spoken(chart: ControlChart) -> int:
    return sum(bool(places) for _, places, _ in chart.rules)


def rule_rows(charts: Sequence[ControlChart]) -> list[list[str]]:
    """For each rule, and any of them: charts that show it, as many as chance has, false alarms."""
    rows = []
    for index, (name, _, _) in enumerate(charts[0].rules):
        rates = [c.rules[index][2] for c in charts]
        shown = sum(bool(c.rules[index][1]) for c in charts)
        rows.append([name, _of(shown, charts), numbers.plain(sum(rates), 1), _range(rates)])
    rates = [c.any_rate for c in charts]
    any_shown, expected = sum(bool(_spoken(c)) for c in charts), numbers.plain(sum(rates), 1)
    return [*rows, [words.CHART_ANY_RULE, _of(any_shown, charts), expected, _range(rates)]]


def _rules(charts: Sequence[ControlChart], width: float) -> Flowable:
    widths = [width * s for s in (0.46, 0.16, 0.16, 0.22)]
    rows = rule_rows(charts)
    return grid(words.CHART_RULE_HEADINGS, rows, widths, right=(1, 2, 3), compact=True)


def _of(shown: int, charts: Sequence[ControlChart]) -> str:
    return words.CHART_SHARE.format(shown=shown, total=len(charts))


def _range(rates: Sequence[float]) -> str:
    low, high = numbers.percent(min(rates), 2), numbers.percent(max(rates), 2)
    return low if low == high else words.TO.format(low=low, high=high)


def kept(charts: Sequence[ControlChart], most: int = _MOST_CHARTS) -> list[ControlChart]:
    """By method; where there are too many, those with signals are kept first."""
    ordered = sorted(charts, key=lambda c: (-_spoken(c), c.side, c.method, c.code, c.element))
    return sorted(ordered[:most], key=lambda c: (c.side, c.method, c.code, c.element))


def _charts(charts: Sequence[ControlChart], width: float) -> list[Flowable]:
    drawn = kept(charts)
    out: list[Flowable] = []
    cell = width / _ACROSS
    for method in dict.fromkeys((c.side, c.method) for c in drawn):
        own_charts = [c for c in drawn if (c.side, c.method) == method]
        title = foreign(words.CHART_OF.format(side=method[0], method=method[1]), "h3", 120)
        for first in range(0, len(own_charts), _ACROSS):
            part: list[list[Flowable]] = [
                [control_chart(c, cell - 3 * mm, 31 * mm)]
                for c in own_charts[first : first + _ACROSS]
            ]
            part += [[] for _ in range(_ACROSS - len(part))]
            row = columns(part, [cell] * _ACROSS)
            out.append(KeepTogether([title, row, gap(3)]) if first == 0 else row)
            if first:
                out.append(gap(3))
    if len(charts) > len(drawn):
        text = words.CHARTS_LEFT_OUT.format(shown=len(drawn), total=len(charts))
        out.append(own(text, "small"))
    return out


def control_chart(chart: ControlChart, width: float, height: float) -> Drawing:
    """One small chart: results in order, centre, 2 s and 3 s lines, ringed signals."""
    drawing = Drawing(width, height)
    n = len(chart.values)
    values = chart.values[-_MOST_POINTS:]
    offset = n - len(values)
    reach = max([3.3 * chart.sd, *(abs(v - chart.centre) * 1.08 for v in values), 1e-300])
    labels = [
        (chart.centre + k * chart.sd, numbers.plain_sig(chart.centre + k * chart.sd, 4), k)
        for k in (-3, -2, 0, 2, 3)
    ]
    room = max(fonts.width(text, _SIZE) for _, text, k in labels if k in (-3, 0, 3)) + 6
    left, right, bottom, top = 2.0, width - room, 10.0, height - 11.0
    half = (top - bottom) / 2

    def y_of(value: float) -> float:
        place = (value - chart.centre) / reach if math.isfinite(reach) else 0.0
        return bottom + half + half * min(max(place, -1.0), 1.0)

    def x_of(place: int) -> float:
        return left + 3 + (right - left - 6) * (place / max(len(values) - 1, 1))

    head = words.CHART_HEAD.format(code=chart.code, element=chart.element, n=n)
    head = fonts.fitting(printable(head), 6.6, width)
    drawing.add(String(left, height - 7, head, fontName=fonts.BOLD, fontSize=6.6, fillColor=_INK))
    for value, text, k in labels:
        y = y_of(value)
        dash = {0: None, 2: [0.8, 1.6], 3: [4, 2]}[abs(k)]
        weight = 0.7 if k == 0 else 0.5
        drawing.add(
            Line(left, y, right, y, strokeColor=_INK, strokeWidth=weight, strokeDashArray=dash)
        )
        if abs(k) != 2:
            drawing.add(
                String(
                    right + 4, y - _SIZE * 0.35, text,
                    fontName=fonts.REGULAR, fontSize=_SIZE, fillColor=_INK,
                )
            )  # fmt: skip
    points = [(x_of(i), y_of(v)) for i, v in enumerate(values)]
    drawing.add(PolyLine([c for point in points for c in point], strokeColor=RULE, strokeWidth=0.5))
    flagged = {place - offset for _, places, _ in chart.rules for place in places}
    small = 1.3 if len(values) <= 40 else 0.9
    for i, (x, y) in enumerate(points):
        if i in flagged:
            drawing.add(Circle(x, y, 2.6, fillColor=white, strokeColor=_INK, strokeWidth=0.8))
        drawing.add(Circle(x, y, small, fillColor=_INK, strokeColor=None))
    dates = [styled(t[:10]) for t in chart.times[-_MOST_POINTS:]]
    for x, text, anchor in ((left, dates[0], "start"), (right, dates[-1], "end")):
        drawing.add(
            String(
                x, 2, text, fontName=fonts.REGULAR, fontSize=_SIZE, fillColor=_INK,
                textAnchor=anchor,
            )
        )  # fmt: skip
    return drawing


# ---- tables ---------------------------------------------------------------------------


def rate_rows(r: Reconciliation) -> list[list[str]]:
    """Controls against plan, in the order of words.PLAN_HEADINGS."""
    rows = []
    for rate in r.controls.rates:
        named = ", ".join(rate.without[:4])
        if rate.side == "field":
            named = styled(named)  # by days
        if len(rate.without) > 4:
            named = words.AND_MORE.format(named=named, n=len(rate.without) - 4)
        without = f"{len(rate.without)}: {named}" if rate.without else "0"
        planned = math.isfinite(rate.planned)
        rows.append(
            [
                rate.side,
                rate.kind,
                str(rate.controls),
                str(rate.samples),
                _percent(rate.rate),
                _percent(rate.planned) if planned else words.NOT_PLANNED,
                str(rate.batches),
                without if planned else "",
            ]
        )
    return rows


def _percent(value: float) -> str:
    return numbers.percent(value, 2) if math.isfinite(value) else numbers.NONE


def _rates(r: Reconciliation, width: float) -> Flowable:
    widths = [width * s for s in (0.07, 0.17, 0.09, 0.09, 0.08, 0.09, 0.08, 0.33)]
    rows = _cells(rate_rows(r), (0, 1, 7))
    return grid(words.PLAN_HEADINGS, rows, widths, right=(2, 3, 4, 5, 6))


def _cells(rows: list[list[str]], given: Sequence[int]) -> list[list[Flowable | str]]:
    """Rows for a grid; columns in ``given`` hold text from outside."""
    return [
        [foreign(text, limit=120) if i in given else text for i, text in enumerate(row)]
        for row in rows
    ]


def stage_rows(r: Reconciliation) -> list[list[str]]:
    """Duplicates by stage, in the order of words.STAGE_HEADINGS."""
    rows = []
    for item in r.controls.stages:
        rsd = item.rsd
        interval = numbers.NONE
        if math.isfinite(rsd.low) and math.isfinite(rsd.high):
            interval = words.TO.format(low=_percent(rsd.low), high=_percent(rsd.high))
        shown = [item.method, item.element, item.stage, str(item.n), _percent(rsd.value)]
        rows.append([*shown, interval, _percent(item.added)])
    return rows


def _stages(r: Reconciliation, width: float) -> list[Flowable]:
    rows = stage_rows(r)
    widths = [width * s for s in (0.33, 0.08, 0.12, 0.07, 0.14, 0.14, 0.12)]
    shown = _cells(rows[:_MOST_ROWS], (0, 1, 2))
    out: list[Flowable] = [
        grid(words.STAGE_HEADINGS, shown, widths, right=(3, 4, 5, 6), compact=True)
    ]
    if len(rows) > _MOST_ROWS:
        text = words.LINES_SHOWN.format(shown=_MOST_ROWS, total=len(rows))
        out.append(own(text, "small"))
    return out


def put_back_rows(r: Reconciliation) -> list[list[str]]:
    """Ratios as reported and with exclusions put back, in the order of words.PUT_BACK_HEADINGS."""
    rows = []
    for result in r.results:
        details = result.statistics.details
        lines = [(name, e) for name, e in details if name in words.PUT_BACK_LINES]
        if not lines:
            continue
        s = result.stratum
        as_reported = _ratio(result.statistics.geometric_mean_ratio)
        rows.append([f"{s.label} · {s.lab_method}", words.AS_REPORTED, *as_reported])
        rows += [["", words.PUT_BACK_LINES[name], *_ratio(e)] for name, e in lines]
    return rows


def _put_back(r: Reconciliation, width: float) -> list[Flowable]:
    rows = put_back_rows(r)
    if not rows:
        return [own(words.NO_PUT_BACK)]
    widths = [width * s for s in (0.40, 0.20, 0.08, 0.16, 0.16)]
    cells = _cells(rows, (0,))
    return [
        own(words.PUT_BACK_NOTE, "small"),
        grid(words.PUT_BACK_HEADINGS, cells, widths, right=(2, 3, 4), compact=True),
    ]


def _ratio(estimate: Estimate) -> list[str]:
    if not estimate.estimable:
        return [str(estimate.n), numbers.NONE, numbers.NONE]
    value, interval = numbers.of_estimate(estimate)
    return [str(estimate.n), value, interval]
