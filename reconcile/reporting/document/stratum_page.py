"""The page of one stratum: verdict, picture, figures, criteria and factor; whole or half a page."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from reportlab.graphics.shapes import Drawing
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether, Table

from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.base.model.verdict import (
    DECISIONS,
    INSUFFICIENT,
)
from reconcile.reporting import evidence, further, numbers, words
from reconcile.reporting.document.figure_rows import Row, further_rows, left_rows, right_rows
from reconcile.reporting.document.stratum_criteria import Folded, criteria_table, open_criteria
from reconcile.reporting.document.stratum_factor import factor_lines, labelled
from reconcile.reporting.figure import Figure
from reconcile.reporting.figures import by_key
from reconcile.reporting.manner import styled
from reconcile.reporting.plots import drawn, signs
from reconcile.reporting.plots.evidence import plot_of as evidence_plot_of
from reconcile.reporting.plots.stratum import (
    after_correction,
    chance_plots_of,
    difference_plot_of,
    method_plot_of,
    trend_plot_of,
)
from reconcile.reporting.render.book import Heading
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import (
    beside,
    boxed,
    columns,
    gap,
    grid,
    height_of,
    own,
    style,
    worded,
)
from reconcile.reporting.sentences import element_name, line_name, range_of
from reconcile.reporting.text import markup

#: Heights between which the plots of a page are chosen, points.
_LOWEST, _HIGHEST = 50 * mm, 78 * mm

_SMALLEST = 40 * mm  # rather than a second page for the last lines

_ONE_LINE = 5 * mm  # where notes are cut, one line says so

_NOTES_ON_HALF = 4

_FEWEST = 8  # pairs from which an insufficient stratum gets a whole page


def is_short(result: StratumResult) -> bool:
    """True where limits can't be estimated or rest on a handful: half a page is enough."""
    s = result.statistics
    limits = (
        s.agreement.limits_log_ratio
        if s.difference_scale == "log ratio"
        else s.agreement.limits_absolute
    )
    if not (limits.lower.estimable and limits.upper.estimable):
        return True
    return result.verdict.decision == INSUFFICIENT and s.n_used < _FEWEST


#: The lines of a title, and what draws the plot in a given width and height.
Small = tuple[tuple[str, ...], Callable[[float, float], Drawing]]


@dataclass(frozen=True, slots=True)
class Left:
    """What a page had no room for."""

    notes: tuple[str, ...] = ()
    plots: tuple[Small, ...] = ()


def full_page(
    result: StratumResult,
    anchor: str,
    size: tuple[float, float],
    small: Sequence[Small] = (),
    reason: str | None = None,
) -> tuple[list[Flowable], Left]:
    """The page of one stratum, its plots as high as the rest of the page allows.

    ``small`` are further plots, shown in one row where there is room; ``reason`` says why
    someone must look at it: then criteria that are met are only counted, and no notes stand
    there. Also returns what had to
    be left to other sections.
    """
    width, height = size
    why = [own(reason, "small")] if reason else []
    head = [*_title(result, anchor, width), *why, *_evidence(result, width), *_sentences(result)]
    for folded in Folded:
        tail = _tail(result, width, folded, in_brief=reason is not None)
        if height - height_of([*head, *tail], width) - 6 >= _LOWEST:
            break
    room = height - height_of([*head, *tail], width) - 6
    months = evidence_plot_of(result)
    if months is not None and room < _SMALLEST + _ONE_LINE:
        head = [*_title(result, anchor, width), *why, *_evidence(result, width, False)]
        head += _sentences(result)
        small = [((words.PLOT_EVIDENCE,), partial(drawn.trend_plot, months)), *small]
        room = height - height_of([*head, *tail], width) - 6
    if reason is not None and room < _SMALLEST:  # rule and reason stand in the audit volume too
        tail = _tail(result, width, folded, in_brief=True, with_rule=False)
        room = height - height_of([*head, *tail], width) - 6
    said = result.factor.reason.rstrip(". ") if result.factor else ""
    listed = tuple(note for note in result.notes if note.rstrip(". ") != said)
    listed = () if reason is not None else listed
    shown = len(listed)
    notes = _notes(listed, shown)
    while shown and room - height_of(notes, width) < _LOWEST:
        shown -= 1
        notes = _notes(listed, shown)
    room -= height_of(notes, width)
    row = small_row(small[:_IN_A_ROW], width)
    fits = bool(row) and shown == len(listed) and room - height_of(row, width) >= _LOWEST
    if fits:
        room -= height_of(row, width)
    plot_height = min(_HIGHEST, max(_SMALLEST, room))
    middle = row if fits else []
    content = [*head, _plots(result, width, plot_height), *middle, *tail, *notes]
    return content, Left(listed[shown:], tuple(small[_IN_A_ROW:] if fits else small))


def _tail(
    result: StratumResult, width: float, folded: Folded, in_brief: bool = False,
    with_rule: bool = True,
) -> list[Flowable]:  # fmt: skip
    """What stands below the plots, the notes apart."""
    figures = by_key(result.statistics)
    method = line_name(result.statistics.headline.method)
    return [
        _counts(figures, result),
        beside(
            [own(words.FIGURES_LEFT, "h3"), _table(left_rows(result), result, width)],
            [
                own(words.FIGURES_RIGHT.format(method=method), "h3"),
                _table(right_rows(result), result, width),
            ],
            width,
        ),
        _rule(result) if with_rule else own(words.FURTHER_AT, "small"),
        CondPageBreak(30 * mm),  # the heading with the first of its rows
        own(words.CRITERIA, "h3"),
        *(
            open_criteria(result, width, counted=True)
            if in_brief
            else [criteria_table(result, width, folded=folded)]
        ),
        *factor_lines(result, width, with_rule),
    ]


def rule_lines(result: StratumResult) -> list[str]:
    """The rule that chose the headline line, and what it says of least squares."""
    headline = result.statistics.headline
    rule = [words.RULE.format(rule=headline.rule_text)] if headline.rule_text else []
    return [*rule, *([headline.caution] if headline.caution else [])]


def _rule(result: StratumResult) -> Flowable:
    """The rule, and where the further figures stand."""
    short = [words.SHORT_NOTE] if further.short_of(result.statistics) else []
    return own(" ".join([*short, *rule_lines(result), words.FURTHER_AT]), "small")


def further_tables(result: StratumResult, width: float) -> list[Flowable]:
    """The further figures in two tables side by side; nothing where there are none."""
    left, right = further_rows(result)
    if not (left or right):
        return []
    sides = [
        [own(title, "small"), _table(rows, result, width)] if rows else []
        for title, rows in ((words.FURTHER_LEFT, left), (words.FURTHER_RIGHT, right))
    ]
    return [beside(sides[0], sides[1], width), gap(3)]


_IN_A_ROW, _SMALL_HEIGHT = 3, 30 * mm


def small_row(small: Sequence[Small], width: float) -> list[Flowable]:
    """Up to three small plots side by side."""
    if not small:
        return []
    each = (width - (_IN_A_ROW - 1) * 4 * mm) / _IN_A_ROW
    cells: list[list[Flowable]] = []
    for title, draw in small:
        cells.append([*(own(line, "small") for line in title), draw(each, _SMALL_HEIGHT)])
    widths = [each + 4 * mm] * (len(cells) - 1) + [each]
    return [columns(cells, widths), gap(3)]


def small_plots(r: Reconciliation, result: StratumResult) -> list[Small]:
    """The trend over the periods where no months stand at the head; then chances at levels."""
    out: list[Small] = []
    trend = trend_plot_of(r, result) if evidence_plot_of(result) is None else None
    if trend is not None:
        out.append(((words.PLOT_TREND,), partial(drawn.trend_plot, trend)))
    out += [
        ((chance_title(result),), partial(drawn.chance_plot, chance))
        for chance in chance_plots_of(result)
    ]
    return out


def half_page(
    result: StratumResult, anchor: str, size: tuple[float, float]
) -> tuple[list[Flowable], Left]:
    """A short form: what there is, why it is too little, and what to do.

    Also returns the notes for which there was no room.
    """
    width, _ = size
    heading = _title(result, anchor, width)
    sentences = [*_evidence(result, width), *_sentences(result)]
    counts = _counts(by_key(result.statistics), result)
    shown = min(len(result.notes), _NOTES_ON_HALF)
    notes = _notes(result.notes, shown)
    plot = method_plot_of(result)
    middle: list[Flowable] = [*sentences, counts, *notes]
    if any(len(p.x) for p in plot.points):
        left = width * 0.52
        right = width - left - 5 * mm
        drawing = drawn.method_plot(plot, right, 47 * mm)
        middle = [columns([middle, [], [drawing]], [left, 5 * mm, right])]
    content = [*heading, *middle, gap(3), *open_criteria(result, width), gap(12)]
    return [KeepTogether(content)], Left(result.notes[shown:])


# ---- head ----------------------------------------------------------------------------
def _title(result: StratumResult, anchor: str, width: float) -> list[Flowable]:
    """Heading, methods and verdict."""
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
    name = element_name(stratum.element)
    title = stratum.label
    if name != stratum.element:
        title = words.TITLE_WITH_NAME.format(label=title, name=name)
    return [
        Heading(title, anchor, outline=1, title=stratum.label),
        Paragraph(line, style("small")),
        verdict_box(result, width),
        gap(4),
    ]


def _sentences(result: StratumResult) -> list[Flowable]:
    return [own(_cut(sentence, 900)) for sentence in result.sentences]


_EVIDENCE_HEIGHT = 22 * mm


def _evidence(result: StratumResult, width: float, drawn_too: bool = True) -> list[Flowable]:
    """The months behind the verdict, before what the month itself says; their biases beside."""
    lines = evidence.lines_of(result)
    if not lines:
        return []
    text = own(_cut(" ".join(lines), 900), "small")
    plot = evidence_plot_of(result) if drawn_too else None
    if plot is None:
        return [text, gap(3)]
    left = 0.55 * width
    right = width - left - 4 * mm
    drawing = drawn.trend_plot(plot, right, _EVIDENCE_HEIGHT)
    return [columns([[text], [], [drawing]], [left, 4 * mm, right]), gap(2)]


def verdict_box(result: StratumResult, width: float) -> Table:
    """Verdict with its mark, range, date, binding reason and next step."""
    verdict = result.verdict
    kind = DECISIONS.index(verdict.decision) if verdict.decision in DECISIONS else 3
    title = words.DECISION_TITLE.get(verdict.decision, verdict.decision)
    where = range_of(verdict, result.unit, result.per_mg_kg)
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
                f"{styled(markup(' · '.join(extra)))}</font>"
                if extra
                else ""
            ),
            style("verdict"),
        )
    ]
    for label, text in unsaid(result):
        lines.append(
            Paragraph(
                f'<font name="ReportBold">{label}:</font> {styled(markup(text, 400))}',
                style("small"),
            )
        )
    mark = signs.verdict_mark(kind, 13)
    return boxed([columns([[mark], lines], [20, width - 34])], width)


def unsaid(result: StratumResult) -> list[tuple[str, str]]:
    """Binding reason and next step where the sentences don't say them already."""
    verdict, said = result.verdict, " ".join(result.sentences).lower()
    return [
        (label, text)
        for label, text in ((words.BINDING, verdict.reason), (words.NEXT_STEP, verdict.next_step))
        if text and text.strip().rstrip(".").lower() not in said
    ]


def _counts(figures: dict[str, Figure], result: StratumResult) -> Flowable:
    return own(counts_text(figures, result), "small")


def counts_text(figures: dict[str, Figure], result: StratumResult) -> str:
    """Pairs joined, used, excluded and censored, and their range."""

    def at(key: str) -> int:
        return int(figures[key].value)

    joined = numbers.count(at("pairs"), *words.PAIRS)
    text = words.COUNTS_TEXT.format(
        joined=f"{joined[:1].upper()}{joined[1:]}",
        used=at("pairs_used"),
        excluded=at("pairs_excluded"),
        field=at("field_censored"),
        lab=at("lab_censored"),
        both=at("both_censored"),
    )
    if "pairs_effective" in figures:
        effective = f"{math.floor(figures['pairs_effective'].value + 1e-9)}"
        text += " " + words.CLUSTERS_TEXT.format(clusters=at("clusters"), effective=effective)
        if figures["pairs_effective"].value < at("pairs_used"):
            text += f" {words.CLUSTERS_JUDGED}"
    unit, factor = result.unit, result.per_mg_kg
    ranges = [
        f"{side} {numbers.interval_of_numbers(low * factor, high * factor, unit)}"
        for side, (low, high) in (
            (words.SIDES["lab"], result.statistics.lab_range),
            (words.SIDES["field"], result.statistics.field_range),
        )
        if math.isfinite(low)
    ]
    return f"{text} {words.RANGE_TEXT.format(ranges=', '.join(ranges))}" if ranges else text


def chance_title(result: StratumResult) -> str:
    """Of which values the chances are."""
    return words.PLOT_CHANCE if after_correction(result) is None else words.PLOT_CHANCE_CORRECTED


def _plots(result: StratumResult, width: float, height: float) -> Flowable:
    gap_width, tall = 5 * mm, height - 16
    data = method_plot_of(result)
    left_width = min(drawn.method_width(data, tall), 0.55 * width)
    right_width = width - left_width - gap_width
    difference = difference_plot_of(result)
    ratio = result.statistics.difference_scale == "log ratio"
    right: list[Flowable] = [own(words.PLOT_RATIO if ratio else words.PLOT_DIFFERENCE, "h3")]
    if difference is None:
        right.append(own(words.NOTHING_TO_PLOT, "small"))
    else:
        right.append(drawn.difference_plot(difference, right_width, tall))
    left: list[Flowable] = [
        own(words.PLOT_METHODS, "h3"),
        drawn.method_plot(data, left_width, tall),
    ]
    return columns([left, [], right], [left_width, gap_width, right_width])


# ---- figures -------------------------------------------------------------------------
def _table(rows: list[Row], result: StratumResult, width: float) -> Table:
    half = (width - 5 * mm) / 2
    level = numbers.percent(result.statistics.bias.mean_difference.level)
    headings = [h.format(level=level) for h in words.FIGURE_HEADINGS]
    shares = (0.505, 0.145, 0.27, 0.08)
    cells = [[worded(r[0], limit=90), *r[1:]] for r in rows]
    return grid(headings, cells, [half * s for s in shares], right=(1, 2, 3), compact=True)


def _cut(text: str, most: int = 400) -> str:
    return text if len(text) <= most else f"{text[:most]}…"


def _notes(notes: Sequence[str], shown: int) -> list[Flowable]:
    out: list[Flowable] = []
    for i, note in enumerate(_cut(note) for note in notes[:shown]):
        out.append(labelled(words.NOTES, note) if i == 0 else worded(f"· {note}", "small", 500))
    if left := len(notes) - shown:
        text = words.NOTES_CUT.format(n=left, section=words.DETAILS)
        out.append(own(text, "small") if out else labelled(words.NOTES, text))
    return out
