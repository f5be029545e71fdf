"""Controls over time, rates against plan, duplicates by stage, results with exclusions put back."""

from __future__ import annotations

import math
from collections.abc import Sequence

from reportlab.graphics.shapes import Circle, Drawing, Line, PolyLine, String
from reportlab.lib.colors import Color, white
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether

from reconcile.model import ControlChart, Reconciliation
from reconcile.reporting import fonts, numbers, words
from reconcile.reporting.book import Heading
from reconcile.reporting.manner import styled
from reconcile.reporting.sections import start
from reconcile.reporting.styles import RULE, columns, foreign, gap, grid, own
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


def _rules(charts: Sequence[ControlChart], width: float) -> Flowable:
    rows: list[list[Flowable | str]] = []
    names = [name for name, _, _ in charts[0].rules]
    for index, name in enumerate(names):
        rates = [c.rules[index][2] for c in charts]
        shown = sum(bool(c.rules[index][1]) for c in charts)
        rows.append([name, _of(shown, charts), numbers.plain(sum(rates), 1), _range(rates)])
    rates = [c.any_rate for c in charts]
    shown = sum(bool(_spoken(c)) for c in charts)
    rows.append(
        [words.CHART_ANY_RULE, _of(shown, charts), numbers.plain(sum(rates), 1), _range(rates)]
    )
    shares = (0.46, 0.16, 0.16, 0.22)
    return grid(
        words.CHART_RULE_HEADINGS, rows, [width * s for s in shares], right=(1, 2, 3), compact=True
    )


def _of(shown: int, charts: Sequence[ControlChart]) -> str:
    return words.CHART_SHARE.format(shown=shown, total=len(charts))


def _range(rates: Sequence[float]) -> str:
    low, high = numbers.percent(min(rates), 2), numbers.percent(max(rates), 2)
    return low if low == high else words.TO.format(low=low, high=high)


def _charts(charts: Sequence[ControlChart], width: float) -> list[Flowable]:
    """Charts by method, those with signals first to be kept where there are too many."""
    ordered = sorted(charts, key=lambda c: (-_spoken(c), c.side, c.method, c.code, c.element))
    kept = sorted(
        ordered[:_MOST_CHARTS], key=lambda c: (c.side, c.method, c.code, c.element)
    )  # fmt: skip
    out: list[Flowable] = []
    cell = width / _ACROSS
    for method in dict.fromkeys((c.side, c.method) for c in kept):
        own_charts = [c for c in kept if (c.side, c.method) == method]
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
    if len(charts) > len(kept):
        out.append(
            own(
                words.CHARTS_LEFT_OUT.format(shown=len(kept), total=len(charts)),
                "small",
            )
        )
    return out


def control_chart(chart: ControlChart, width: float, height: float) -> Drawing:
    """One small chart: results in order, centre, 2 s and 3 s lines, ringed signals."""
    drawing = Drawing(width, height)
    n = len(chart.values)
    values = chart.values[-_MOST_POINTS:]
    offset = n - len(values)
    reach = max([3.3 * chart.sd, *(abs(v - chart.centre) * 1.08 for v in values)])
    labels = [
        (chart.centre + k * chart.sd, numbers.plain_sig(chart.centre + k * chart.sd, 4), k)
        for k in (-3, -2, 0, 2, 3)
    ]
    room = max(fonts.width(text, _SIZE) for _, text, k in labels if k in (-3, 0, 3)) + 6
    left, right, bottom, top = 2.0, width - room, 10.0, height - 11.0
    half = (top - bottom) / 2

    def y_of(value: float) -> float:
        return bottom + half + half * (value - chart.centre) / reach

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


def _rates(r: Reconciliation, width: float) -> Flowable:
    rows: list[list[Flowable | str]] = []
    for rate in r.controls.rates:
        named = ", ".join(rate.without[:4])
        if rate.side == "field":
            named = styled(named)  # by days
        if len(rate.without) > 4:
            named = words.AND_MORE.format(named=named, n=len(rate.without) - 4)
        planned = math.isfinite(rate.planned)
        rows.append(
            [
                foreign(rate.side),
                foreign(rate.kind),
                str(rate.controls),
                str(rate.samples),
                numbers.NONE if math.isnan(rate.rate) else numbers.percent(rate.rate, 2),
                numbers.percent(rate.planned, 2) if planned else words.NOT_PLANNED,
                str(rate.batches),
                foreign(f"{len(rate.without)}: {named}" if rate.without else "0")
                if planned
                else "",
            ]
        )
    shares = (0.07, 0.17, 0.09, 0.09, 0.08, 0.09, 0.08, 0.33)
    return grid(words.PLAN_HEADINGS, rows, [width * s for s in shares], right=(2, 3, 4, 5, 6))


def _stages(r: Reconciliation, width: float) -> list[Flowable]:
    shown = r.controls.stages[:_MOST_ROWS]
    rows: list[list[Flowable | str]] = []
    for item in shown:
        rsd = item.rsd
        known = math.isfinite(rsd.value)
        limits = math.isfinite(rsd.low) and math.isfinite(rsd.high)
        rows.append(
            [
                foreign(item.method),
                foreign(item.element),
                foreign(item.stage),
                str(item.n),
                numbers.percent(rsd.value, 2) if known else numbers.NONE,
                words.TO.format(low=numbers.percent(rsd.low, 2), high=numbers.percent(rsd.high, 2))
                if limits
                else numbers.NONE,
                numbers.percent(item.added, 2) if math.isfinite(item.added) else numbers.NONE,
            ]
        )
    shares = (0.33, 0.08, 0.12, 0.07, 0.14, 0.14, 0.12)
    out: list[Flowable] = [
        grid(
            words.STAGE_HEADINGS,
            rows,
            [width * s for s in shares],
            right=(3, 4, 5, 6),
            compact=True,
        )
    ]
    if len(r.controls.stages) > len(shown):
        out.append(
            own(words.LINES_SHOWN.format(shown=len(shown), total=len(r.controls.stages)), "small")
        )
    return out


def _put_back(r: Reconciliation, width: float) -> list[Flowable]:
    rows: list[list[Flowable | str]] = []
    for result in r.results:
        lines = [(name, e) for name, e in result.statistics.details if name in words.PUT_BACK_LINES]
        if not lines:
            continue
        s = result.stratum
        label = foreign(f"{s.label} · {s.lab_method}", limit=120)
        rows.append([label, words.AS_REPORTED, *_ratio(result.statistics.geometric_mean_ratio)])
        rows += [["", words.PUT_BACK_LINES[name], *_ratio(estimate)] for name, estimate in lines]
    if not rows:
        return [own(words.NO_PUT_BACK)]
    shares = (0.40, 0.20, 0.08, 0.16, 0.16)
    return [
        own(words.PUT_BACK_NOTE, "small"),
        grid(
            words.PUT_BACK_HEADINGS,
            rows,
            [width * s for s in shares],
            right=(2, 3, 4),
            compact=True,
        ),
    ]


def _ratio(estimate: Estimate) -> list[Flowable | str]:
    if not estimate.estimable:
        return [str(estimate.n), numbers.NONE, numbers.NONE]
    value, interval = numbers.of_estimate(estimate)
    return [str(estimate.n), value, interval]
