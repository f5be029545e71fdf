"""Controls: counts, each check, rules; over time; against plan; by stage; with all put back."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

from reconcile.base.model.controls import ControlChart, QualityCheck
from reconcile.base.model.further import PUT_BACK
from reconcile.base.model.release import Reconciliation
from reconcile.reporting import numbers, words
from reconcile.reporting.document.blocks import (
    Block,
    Cell,
    Column,
    Gap,
    Items,
    Plot,
    Plots,
    Section,
    Table,
    Text,
    Titled,
)
from reconcile.reporting.manner import styled
from reconcile.reporting.plots.kinds import Strip, StripPlot
from reconcile.reporting.text import printable
from reconcile.statistics.result import Estimate

_CONTROLS, _MOST_ROWS = 45, 60  # rows on paper
_MOST_CHARTS = 36  # on paper
_ON_SCREEN = 120
_STRIPS = 20  # elements side by side in one plot
#: A check that failed stands before one without a verdict, and that before one that passed.
_ORDER = {False: 0, None: 1, True: 2}


def section(r: Reconciliation) -> list[Section]:
    """Controls of the month, then charts over time and the tables beside them."""
    return [
        Section("quality", words.QUALITY, tuple(_checks(r))),
        Section("control-charts", words.CONTROL_CHARTS, tuple(_over_time(r))),
    ]


def _columns(
    headings: Sequence[str], shares: Sequence[float], right: Sequence[int], given: Sequence[int]
) -> tuple[Column, ...]:
    return tuple(
        Column(heading, share, i in right, i in given, limit=120 if i in given else None)
        for i, (heading, share) in enumerate(zip(headings, shares, strict=True))
    )


def _checks(r: Reconciliation) -> list[Block]:
    if not r.quality:
        return [Text(words.QUALITY_NONE)]
    shares: tuple[float, ...] = (0.14, 0.34, 0.13, 0.13, 0.13, 0.13)
    counts = _columns(words.RATES_HEADINGS, shares, (2, 3, 4, 5), (0, 1))
    out: list[Block] = [Table(counts, count_rows(r)), Gap(6)]
    if plots := recoveries(r):
        out.append(
            Plots(
                tuple(Plot(plot) for plot in plots), across=1, height_mm=48,
                title=words.RECOVERY_TITLE,
            )
        )  # fmt: skip
    shares = (0.05, 0.14, 0.115, 0.07, 0.11, 0.035, 0.105, 0.145, 0.08, 0.055, 0.095)
    columns = _columns(words.QUALITY_HEADINGS, shares, (5, 6, 7, 8, 9), (0, 1, 2, 3, 4))
    rows: list[list[str | Cell]] = []
    for c in sorted(r.quality, key=lambda c: _ORDER[c.passed]):
        texts = check_texts(c)
        sort = (float(c.n), c.found, c.expected, c.recovery, c.score)
        shown = [Cell(text, by) for text, by in zip(texts[5:10], sort, strict=True)]
        rows.append([*texts[:5], *shown, texts[10], c.told])
    where = words.SHEET_OF.format(sheet=words.SHEETS["quality"])
    out.append(Table((*columns, Column(words.RULE_HEADING, 0)), rows, most=_CONTROLS, rest=where))
    return [*out, Titled(words.QUALITY_RULES, (Items(tuple(rules_of(r))),))]


def _over_time(r: Reconciliation) -> list[Block]:
    """Charts with rules and their false-alarm rates, rates, stages, and with and without."""
    charts = r.controls.charts
    shares: tuple[float, ...]
    if charts:
        shares = (0.46, 0.16, 0.16, 0.22)
        columns = _columns(words.CHART_RULE_HEADINGS, shares, (1, 2, 3), ())
        out: list[Block] = [
            Text(words.CHARTS_INTRO, "small"),
            Table(columns, rule_rows(charts), compact=True, sortable=False),
            Text(words.CHART_RULE_NOTE, "small"),
            *_charts(charts),
        ]
    else:
        out = [Text(words.NO_CHARTS)]
    if r.controls.rates:
        shares = (0.07, 0.17, 0.09, 0.09, 0.08, 0.09, 0.08, 0.33)
        columns = _columns(words.PLAN_HEADINGS, shares, (2, 3, 4, 5, 6), (0, 1, 7))
        table = Table(columns, rate_rows(r), sortable=False)
        out.append(Section("rates", words.RATES, (table,)))
    if r.controls.stages:
        shares = (0.33, 0.08, 0.12, 0.07, 0.14, 0.14, 0.12)
        columns = _columns(words.STAGE_HEADINGS, shares, (3, 4, 5, 6), (0, 1, 2))
        table = Table(columns, stage_rows(r), most=_MOST_ROWS, compact=True)
        out.append(Section("stages", words.STAGES, (Text(words.STAGES_NOTE, "small"), table)))
    return [*out, Section("put-back", words.PUT_BACK, tuple(_put_back(r)))]


def _put_back(r: Reconciliation) -> list[Block]:
    rows = put_back_rows(r)
    if not rows:
        return [Text(words.NO_PUT_BACK)]
    shares = (0.40, 0.20, 0.08, 0.16, 0.16)
    columns = _columns(words.PUT_BACK_HEADINGS, shares, (2, 3, 4), (0,))
    return [Text(words.PUT_BACK_NOTE, "small"), Table(columns, rows, compact=True, sortable=False)]


# ---- charts ---------------------------------------------------------------------------


def _charts(charts: Sequence[ControlChart]) -> list[Block]:
    """The charts of each method; on paper those with signals first, where there are too many."""
    drawn = kept(charts, _ON_SCREEN)
    on_paper = set(map(id, kept(drawn)))
    out: list[Block] = []
    for side, method in dict.fromkeys((c.side, c.method) for c in drawn):
        of = [c for c in drawn if (c.side, c.method) == (side, method)]
        out.append(
            Plots(
                tuple(Plot(c, on_paper=id(c) in on_paper) for c in of), height_mm=31,
                title=words.CHART_OF.format(side=side, method=method), level="h4",
            )
        )  # fmt: skip
    for most, paper in ((_MOST_CHARTS, True), (_ON_SCREEN, False)):
        if len(charts) > most:
            text = words.CHARTS_LEFT_OUT.format(shown=most, total=len(charts))
            out.append(Text(text, "small", on_paper=paper, on_screen=not paper))
    return out


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


def _of(shown: int, charts: Sequence[ControlChart]) -> str:
    return words.CHART_SHARE.format(shown=shown, total=len(charts))


def _range(rates: Sequence[float]) -> str:
    low, high = numbers.percent(min(rates), 2), numbers.percent(max(rates), 2)
    return low if low == high else words.TO.format(low=low, high=high)


def kept(charts: Sequence[ControlChart], most: int = _MOST_CHARTS) -> list[ControlChart]:
    """By method; where there are too many, those with signals are kept first."""
    ordered = sorted(charts, key=lambda c: (-_spoken(c), c.side, c.method, c.code, c.element))
    return sorted(ordered[:most], key=lambda c: (c.side, c.method, c.code, c.element))


# ---- rows ------------------------------------------------------------------------------


def count_rows(r: Reconciliation) -> list[list[str]]:
    """Checks by side and kind with their outcomes, in the order of words.RATES_HEADINGS."""
    counts: dict[tuple[str, str], Counter[bool | None]] = {}
    for check in r.quality:
        counts.setdefault((check.side, check.kind), Counter())[check.passed] += 1
    return [
        [side, kind, *(str(n) for n in (sum(c.values()), c[True], c[False], c[None]))]
        for (side, kind), c in sorted(counts.items())
    ]


def rules_of(r: Reconciliation) -> list[str]:
    """Each rule by which controls were judged, said once."""
    rules = sorted({(c.kind, c.rule) for c in r.quality if c.rule})
    return [f"{kind}: {rule}" for kind, rule in rules]


def recoveries(r: Reconciliation) -> list[StripPlot]:
    """Recovery by element, field beside laboratory, as many elements to a plot as stay legible."""
    found = [
        c
        for c in r.quality
        if c.kind == "reference material" and math.isfinite(c.recovery) and c.recovery > 0
    ]
    names = sorted({c.element for c in found})
    out = []
    for first in range(0, len(names), _STRIPS):
        part = names[first : first + _STRIPS]
        marks = tuple(
            Strip(
                part.index(c.element),
                c.recovery,
                "failed" if c.passed is False else c.side,
                c.side == "lab",
                " · ".join([c.code, c.element, _batch(c)]),
                c.n,
            )
            for c in found
            if c.element in part
        )
        labels = tuple(printable(name)[:8] for name in part)
        out.append(StripPlot(labels, marks, words.RECOVERY_AXIS, words.RECOVERY_SIDES))
    return out


def _batch(c: QualityCheck) -> str:
    # A field batch is named by its day.
    return styled(c.batch) if c.side == "field" else c.batch


def check_texts(c: QualityCheck) -> list[str]:
    """The cells of one control, in the order of words.QUALITY_HEADINGS."""
    if c.kind == "duplicate":
        found = (
            numbers.NONE if math.isnan(c.found) else words.CV.format(value=numbers.percent(c.found))
        )
        expected = _share(c.expected)
    else:
        found = numbers.show(c.found, "mg/kg")
        expected = numbers.show(c.expected, "mg/kg", c.uncertainty)
        if math.isfinite(c.uncertainty) and c.uncertainty > 0 and expected != numbers.NONE:
            decimals = numbers.decimals_for(c.expected, c.uncertainty)
            value = numbers.plain(c.expected, decimals)
            expected = f"{value} ± {numbers.plain(c.uncertainty, decimals)}\N{NO-BREAK SPACE}mg/kg"
    score = "" if math.isnan(c.score) else numbers.plain(c.score, 1)
    return [
        c.side,
        c.kind,
        c.code,
        c.element,
        _batch(c),
        str(c.n),
        found,
        expected,
        "" if math.isnan(c.recovery) else _share(c.recovery),
        score,
        words.PASSED[c.passed],
    ]


def _share(value: float) -> str:
    return numbers.NONE if math.isnan(value) else numbers.percent(value)


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


def put_back_rows(r: Reconciliation) -> list[list[str]]:
    """Ratios as reported and with exclusions put back, in the order of words.PUT_BACK_HEADINGS."""
    rows = []
    for result in r.results:
        found = result.statistics.further
        lines = [(key.name, e) for key in PUT_BACK if (e := found.get(key)) is not None]
        if not lines:
            continue
        s = result.stratum
        as_reported = _ratio(result.statistics.bias.geometric_mean_ratio)
        rows.append([f"{s.label} · {s.lab_method}", words.AS_REPORTED, *as_reported])
        rows += [["", words.PUT_BACK_LINES[name], *_ratio(e)] for name, e in lines]
    return rows


def _ratio(estimate: Estimate) -> list[str]:
    if not estimate.estimable:
        return [str(estimate.n), numbers.NONE, numbers.NONE]
    value, interval = numbers.of_estimate(estimate)
    return [str(estimate.n), value, interval]
