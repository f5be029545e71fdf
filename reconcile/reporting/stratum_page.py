"""The page of one stratum, and the half-page form where there is too little to plot."""

from __future__ import annotations

import math
from collections.abc import Sequence

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, PageBreak, Paragraph, Table, TableStyle

from reconcile.model import DECISIONS, CorrectionFactor, StratumResult
from reconcile.reporting import numbers, plots, words
from reconcile.reporting.book import Heading
from reconcile.reporting.figures import Figure, by_key
from reconcile.reporting.stratum_plots import difference_plot_of, method_plot_of
from reconcile.reporting.styles import beside, boxed, foreign, gap, grid, minus, own, style
from reconcile.reporting.text import markup

#: Heights between which the plots of a page are chosen, points.
_LOWEST, _HIGHEST = 46 * mm, 76 * mm
_LEVELS_SHOWN = 3
_NOTES_SHOWN = 6


def is_short(result: StratumResult) -> bool:
    """True where limits and line can't be estimated: the half-page form is enough."""
    s = result.statistics
    limits = s.limits_log_ratio if s.difference_scale == "log ratio" else s.limits_absolute
    return not (limits.lower.estimable and limits.upper.estimable) or s.n_used < 3


def full_page(result: StratumResult, anchor: str, size: tuple[float, float]) -> list[Flowable]:
    """The page of one stratum, its plots as high as the rest of the page allows."""
    width, height = size
    head = _head(result, anchor, width)
    figures = by_key(result.statistics)
    tail: list[Flowable] = [
        _counts(figures, result),
        beside(
            [own(words.FIGURES_LEFT, "h3"), _table(_left(figures, result), result, width)],
            [own(words.FIGURES_RIGHT, "h3"), _table(_right(figures, result), result, width)],
            width,
        ),
        own(words.CRITERIA, "h3"),
        criteria_table(result, width),
        *_factor(result, width),
        *_notes(result),
    ]
    room = height - _height([*head, *tail], width) - 6
    plot_height = min(_HIGHEST, max(_LOWEST, room))
    return [PageBreak(), *head, _plots(result, width, plot_height), *tail]


def half_page(result: StratumResult, anchor: str, size: tuple[float, float]) -> list[Flowable]:
    """A short form: what there is, why it is too little, and what to do."""
    width, _ = size
    content = _head(result, anchor, width)
    content.append(_counts(by_key(result.statistics), result))
    plot = method_plot_of(result)
    drawable = any(len(p.x) for p in plot.points)
    column = (width - 5 * mm) * (0.6 if drawable else 1.0)
    table = criteria_table(result, column)
    if drawable:
        drawing = plots.method_plot(plot, width - column - 5 * mm, 52 * mm)
        content.append(_columns([[table], [drawing]], [column, width - column]))
    else:
        content.append(table)
    content += [*_factor(result, width), *_notes(result), gap(10)]
    return [KeepTogether(content)]


def _columns(cells: list[list[Flowable]], widths: Sequence[float]) -> Table:
    return Table(
        [cells],
        colWidths=list(widths),
        hAlign="LEFT",
        style=TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 2),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
                ("ALIGN", (-1, 0), (-1, 0), "RIGHT"),
            ]
        ),
    )


def _height(content: Sequence[Flowable], width: float) -> float:
    total, after = 0.0, 0.0
    for flowable in content:
        _, h = flowable.wrap(width, 10_000)
        total += max(after, flowable.getSpaceBefore()) + h
        after = flowable.getSpaceAfter()
    return total + after


# ---- head ----------------------------------------------------------------------------


def _head(result: StratumResult, anchor: str, width: float) -> list[Flowable]:
    stratum = result.stratum
    parts = [
        (label, getattr(stratum, key))
        for key, label in words.DETAIL_FACTS.items()
        if getattr(stratum, key)
    ]
    line = " &nbsp; ".join(
        f'<font name="ReportBold">{markup(label)}</font> {markup(value, 160)}'
        for label, value in parts
    )
    name = words.element_name(stratum.element)
    title = stratum.label if name == stratum.element else f"{stratum.label} ({name})"
    return [
        Heading(title, anchor, outline=1, title=stratum.label),
        Paragraph(line, style("small")),
        verdict_box(result, width),
        gap(4),
        *[own(sentence) for sentence in result.sentences],
    ]


def verdict_box(result: StratumResult, width: float) -> Table:
    """Verdict with its mark, range, date, binding reason and next step."""
    verdict = result.verdict
    kind = DECISIONS.index(verdict.decision) if verdict.decision in DECISIONS else 3
    title = words.DECISION_TITLE.get(verdict.decision, verdict.decision)
    where = words.range_of(verdict, result.unit, result.per_mg_kg)
    extra = []
    if where != numbers.NONE:
        extra.append(f"{words.VALID_RANGE}: {where}")
    if verdict.valid_until:
        extra.append(f"{words.VALID_UNTIL}: {verdict.valid_until}")
    lines: list[Flowable] = [
        Paragraph(
            f"{markup(title)}"
            + (
                f' &nbsp; <font name="ReportRegular" size="8.5">'
                f"{minus(markup(' · '.join(extra)))}</font>"
                if extra
                else ""
            ),
            style("verdict"),
        )
    ]
    for label, text in ((words.BINDING, verdict.reason), (words.NEXT_STEP, verdict.next_step)):
        if text:
            lines.append(
                Paragraph(
                    f'<font name="ReportBold">{label}:</font> {minus(markup(text, 400))}',
                    style("small"),
                )
            )
    mark = plots.verdict_mark(kind, 13)
    return boxed([_columns([[mark], lines], [20, width - 34])], width)


def _counts(figures: dict[str, Figure], result: StratumResult) -> Flowable:
    def at(key: str) -> int:
        return int(figures[key].value)

    text = (
        f"{numbers.count(at('pairs'), 'pair')} joined: {at('pairs_used')} used, "
        f"{at('pairs_excluded')} excluded; field result censored in {at('field_censored')}, "
        f"lab result in {at('lab_censored')}, both in {at('both_censored')}."
    )
    unit, factor = result.unit, result.per_mg_kg
    ranges = [
        f"{side} {numbers.interval_of_numbers(low * factor, high * factor, unit)}"
        for side, (low, high) in (
            ("laboratory", result.statistics.lab_range),
            ("field", result.statistics.field_range),
        )
        if math.isfinite(low)
    ]
    return own(f"{text} Range of the used pairs: {', '.join(ranges)}." if ranges else text, "small")


def _plots(result: StratumResult, width: float, height: float) -> Flowable:
    half = (width - 5 * mm) / 2
    left: list[Flowable] = [
        own(words.PLOT_METHODS, "h3"),
        plots.method_plot(method_plot_of(result), half, height - 16),
    ]
    difference = difference_plot_of(result)
    ratio = result.statistics.difference_scale == "log ratio"
    right: list[Flowable] = [own(words.PLOT_RATIO if ratio else words.PLOT_DIFFERENCE, "h3")]
    if difference is None:
        right.append(own(words.NOTHING_TO_PLOT, "small"))
    else:
        right.append(plots.difference_plot(difference, half, height - 16))
    return beside(left, right, width)


# ---- figures -------------------------------------------------------------------------

_Row = tuple[str, str, str, str]


def _row(figure: Figure, result: StratumResult, label: str = "") -> _Row:
    unit = figure.unit(result.unit)
    value, interval = figure.texts(result.per_mg_kg)
    name = label or figure.label
    if unit and figure.kind != "count":
        name = f"{name}, {unit}"
    return name, value, interval, "" if figure.n is None else numbers.plain(float(figure.n), 0)


def _left(figures: dict[str, Figure], result: StratumResult) -> list[_Row]:
    s = result.statistics
    keys = ["geometric_mean_ratio", "ratio_as_difference"]
    if "censored_ratio" in figures:
        keys.append("censored_ratio")
    keys += ["mean_relative_difference", "mean_difference", "hodges_lehmann"]
    rows = [_row(figures[k], result) for k in keys]
    rows.append(_equivalence(figures, result))
    lead, other = (
        ("limits_log_ratio", "limits_absolute")
        if s.difference_scale == "log ratio"
        else ("limits_absolute", "limits_relative")
    )
    rows += [_row(figures[f"{lead}_{end}"], result) for end in ("lower", "upper")]
    rows.append(_tolerance(figures, lead, result))
    rows += [_row(figures[f"{other}_{end}"], result) for end in ("lower", "upper")]
    share = f"Share of pairs within ±{numbers.percent(s.share_margin)} of the lab"
    rows.append(_row(figures["share_within"], result, share))
    return rows


def _equivalence(figures: dict[str, Figure], result: StratumResult) -> _Row:
    test = result.statistics.equivalence
    if not math.isfinite(test.p_value):
        answer = numbers.NONE
    else:
        answer = "yes" if test.equivalent else "no"
    _, interval = figures["equivalence_ratio"].texts(1)
    name = (
        f"Equivalent within ±{numbers.percent(test.margin)} "
        f"(p {numbers.p_text(test.p_value)}; interval of the test)"
    )
    return name, answer, interval, str(test.n)


def _tolerance(figures: dict[str, Figure], key: str, result: StratumResult) -> _Row:
    low, high = figures[f"{key}_tolerance_low"], figures[f"{key}_tolerance_high"]
    factor = low.factor(result.per_mg_kg)
    _, interval = numbers.estimate_texts(math.nan, low.value * factor, high.value * factor)
    unit = low.unit(result.unit)
    return (
        f"Tolerance interval 95/95{', ' + unit if unit else ', ratio'}",
        "",
        interval,
        "" if low.n is None else str(low.n),
    )


def _right(figures: dict[str, Figure], result: StratumResult) -> list[_Row]:
    s = result.statistics
    method = s.headline.method
    rows = [
        _row(figures["headline_slope"], result, f"Slope ({method})"),
        _row(figures["headline_intercept"], result, f"Intercept ({method})"),
        _row(figures["headline_residual_sd"], result, "Residual SD"),
        _row(figures["error_ratio"], result, "Error ratio λ (variance, field/lab)"),
        _row(figures["concordance"], result),
        _row(figures["correlation"], result, "Correlation r (no criterion)"),
        _row(figures["spearman"], result),
        _row(figures["difference_p_adjusted"], result, "p of no difference, adjusted"),
    ]
    for index, level in enumerate(s.levels[:_LEVELS_SHOWN], start=1):
        key = f"level_{index}"
        value = numbers.show(level.level * result.per_mg_kg, result.unit)
        rows += [
            _row(figures[f"{key}_bias"], result, f"Bias at {level.name} ({value})"),
            _row(figures[f"{key}_false_negative"], result, "– missed (false negatives)"),
            _row(figures[f"{key}_false_positive"], result, "– false alarms (false positives)"),
        ]
    if len(s.levels) > _LEVELS_SHOWN:
        more = len(s.levels) - _LEVELS_SHOWN
        rows.append((f"{more} further decision levels: statistics.csv", "", "", ""))
    return rows


def _table(rows: list[_Row], result: StratumResult, width: float) -> Table:
    half = (width - 5 * mm) / 2
    level = numbers.percent(result.statistics.mean_difference.level)
    headings = [h.format(level=level) for h in words.FIGURE_HEADINGS]
    shares = (0.49, 0.155, 0.255, 0.10)
    cells = [[foreign(r[0], limit=90), *r[1:]] for r in rows]
    return grid(headings, cells, [half * s for s in shares], right=(1, 2, 3), compact=True)


def criteria_table(result: StratumResult, width: float) -> Table:
    """Every criterion of the verdict: asked, found, met."""
    rows = [
        [foreign(minus(c.name)), foreign(minus(c.asked)), foreign(minus(c.found)), words.MET[c.met]]
        for c in result.verdict.criteria
    ]
    shares = (0.22, 0.33, 0.34, 0.11)
    return grid(words.CRITERIA_HEADINGS, rows, [width * s for s in shares], compact=True)


# ---- factor and notes ----------------------------------------------------------------


def factor_coefficients(factor: CorrectionFactor, unit: str, per_mg_kg: float) -> tuple[str, str]:
    """Intercept and slope with their standard errors, as text."""
    se_a, se_b = (
        math.sqrt(v) if v >= 0 else math.nan
        for v in (factor.covariance[0][0], factor.covariance[1][1])
    )
    scale = 1.0 if factor.form == "power" else per_mg_kg

    def one(value: float, se: float, unit: str) -> str:
        text = numbers.show(value, unit, se)
        if not (math.isfinite(se) and se > 0):
            return text
        decimals = numbers.decimals_for(value, se)
        return f"{text} (standard error {numbers.plain(se, max(decimals, 0))})"

    intercept = one(factor.intercept * scale, se_a * scale, "" if factor.form == "power" else unit)
    slope = one(factor.slope, se_b, "")
    return intercept, slope


def _factor(result: StratumResult, width: float) -> list[Flowable]:
    factor = result.factor
    head = own(words.FACTOR, "h3")
    if factor is None or factor.form == "none":
        reason = f" {factor.reason}" if factor is not None and factor.reason else ""
        return [head, own(f"{words.NO_FACTOR}{reason}", "small")]
    intercept, slope = factor_coefficients(factor, result.unit, result.per_mg_kg)
    low, high = factor.low * result.per_mg_kg, factor.high * result.per_mg_kg
    used = []
    if factor.form in ("offset", "line", "power"):
        used.append(f"a = {intercept}")
    if factor.form in ("ratio", "line", "power"):
        used.append(f"b = {slope}")
    text = (
        f"{factor.factor_id} ({factor.status}), {words.FACTOR_FORM.get(factor.form, factor.form)}; "
        f"{', '.join(used)}; n = {factor.n}; field values "
        f"{numbers.interval_of_numbers(low, high, result.unit)}. Root mean square error on pairs "
        f"held out: {numbers.percent(factor.error_before)} before, "
        f"{numbers.percent(factor.error_after)} after. Basis: {factor.basis}."
        + (f" {factor.reason}" if factor.reason else "")
    )
    return [head, own(text, "small")]


def _notes(result: StratumResult) -> list[Flowable]:
    if not result.notes:
        return []
    shown = result.notes[:_NOTES_SHOWN]
    out: list[Flowable] = [own(words.NOTES, "h3")]
    out += [foreign(f"· {note}", "small", 500) for note in shown]
    if len(result.notes) > len(shown):
        out.append(own(words.NOTES_CUT.format(n=len(result.notes) - len(shown)), "small"))
    return out
