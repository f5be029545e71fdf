"""report.html: the report as one file for the screen, with nothing from outside it.

Everything that comes from a file is escaped. What few read is folded: a link or a click opens it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime

from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.base.model.verdict import DECISIONS
from reconcile.judgement.criterion_words import written
from reconcile.reporting import answers, evidence, numbers, words
from reconcile.reporting.details import sentences_of
from reconcile.reporting.document import (
    contents,
    cover,
    figure_rows,
    glance,
    signing,
    stratum_factor,
    stratum_page,
    verdicts,
)
from reconcile.reporting.document.attention import verdicts_before
from reconcile.reporting.document.blocks import Section
from reconcile.reporting.figures import by_key
from reconcile.reporting.manner import styled, written_for
from reconcile.reporting.pair_lists import lists_of, pairs_name
from reconcile.reporting.plots.alt import alt
from reconcile.reporting.plots.evidence import one_scale
from reconcile.reporting.plots.evidence import plot_of as evidence_plot_of
from reconcile.reporting.plots.kinds import Kind
from reconcile.reporting.plots.stratum import (
    chance_plots_of,
    difference_plot_of,
    method_plot_of,
    trend_plot_of,
)
from reconcile.reporting.plots.svg import escaped, svg
from reconcile.reporting.render import shell
from reconcile.reporting.render.elements import Cell, cut, facts, packed, paragraph, said, table
from reconcile.reporting.render.html import html
from reconcile.reporting.sentences import line_name, range_of

_CHANGES_FIRST = 12
#: Facts of a pair that its story tells, in the order of the headings.
_STORY = ("reason", "field_time", "operator", "lab_time", "certificate", "custody")


def page(r: Reconciliation) -> bytes:
    """The whole report as HTML; equal values give equal bytes."""
    with written_for(r), one_scale(r):
        return _page(r)


def _page(r: Reconciliation) -> bytes:
    anchors = verdicts.anchors_of(r)
    before = verdicts_before(r)
    full = [x for x in r.results if not stratum_page.is_short(x)]
    short = [x for x in r.results if stratum_page.is_short(x)]
    sections = contents.sections(r)
    groups = [("strata", words.STRATA, full)]
    if short:
        groups.append(("small-strata", words.SMALL_STRATA, short))
    body = [_head(r), _contents(r, groups, sections, anchors)]
    for s in verdicts.section(r):
        body.append(
            f'<section id="{s.anchor}"><h2>{escaped(s.title)}</h2>{html(s.blocks)}</section>'
        )
    body.append(_choose(r, before))
    for anchor, title, results in groups:
        strata = "".join(_stratum(r, x, anchors[x.stratum.key], before) for x in results)
        body.append(f'<section id="{anchor}"><h2>{escaped(title)}</h2>{strata}</section>')
    for s in sections:
        shown = escaped(words.SHOW_SECTION.format(title=s.title))
        body.append(
            f'<section id="{s.anchor}"><h2>{escaped(s.title)}</h2><details>'
            f"<summary>{shown}</summary>{html(s.blocks)}</details></section>"
        )
    return shell.page(r.title, r.release_id, r.language, "\n".join(body))


def _contents(
    r: Reconciliation,
    groups: Sequence[tuple[str, str, Sequence[StratumResult]]],
    sections: Sequence[Section],
    anchors: Mapping[str, str],
) -> str:
    def item(anchor: str, title: str) -> str:
        return f'<li><a href="#{anchor}">{escaped(title)}</a></li>'

    first = [item(s.anchor, s.title) for s in verdicts.section(r)]
    first += [item(anchor, title) for anchor, title, _ in groups]
    first += [item(s.anchor, s.title) for s in sections]
    strata = [item(anchors[x.stratum.key], x.stratum.label) for _, _, of in groups for x in of]
    return (
        f'<nav aria-label="{words.CONTENTS}"><h2>{words.CONTENTS}</h2><ul>{"".join(first)}</ul>'
        f"<details><summary>{escaped(words.SHOW_SECTION.format(title=words.STRATA))}</summary>"
        f"<ul>{''.join(strata)}</ul></details></nav>"
    )


def _kept(x: StratumResult, before: dict[str, str]) -> dict[str, str]:
    """What a stratum can be chosen by."""
    return {
        "element": x.stratum.element,
        "technique": x.stratum.technique,
        "material": x.stratum.matrix,
        "verdict": words.DECISION_TITLE[DECISIONS[verdicts.kind_of(x)]],
        "change": words.CHANGES_OF_VERDICT[glance.change_of(x, before)],
    }


def _choose(r: Reconciliation, before: dict[str, str]) -> str:
    """The choice of strata; shown where the script runs."""
    if not r.results:
        return ""
    given = [_kept(x, before) for x in r.results]
    parts = []
    for name, label in words.CHOOSE_BY.items():
        values = sorted({g[name] for g in given})
        options = "".join(f'<option value="{escaped(v)}">{escaped(v)}</option>' for v in values)
        parts.append(
            f'<label>{label} <select name="{name}"><option value="">{words.CHOOSE_ALL}</option>'
            f"{options}</select></label>"
        )
    return (
        f'<div class="filter choose" role="group" aria-label="{words.CHOOSE}" hidden>'
        f"<strong>{words.CHOOSE}</strong> {' '.join(parts)} "
        f'<button type="button">{words.CHOOSE_AGAIN}</button> '
        '<output aria-live="polite"></output></div>'
    )


# ---- sections ------------------------------------------------------------------------


def _head(r: Reconciliation) -> str:
    revision = words.REVISION.format(period=r.period, revision=r.revision)
    draft = f' <span class="draft">{words.RELEASE_STATES[r.status]}</span>'
    given = [
        (words.FACTS["prepared_for"], r.prepared_for or words.NOT_STATED),
        (words.FACTS["prepared_by"], r.prepared_by or words.NOT_STATED),
        (words.FACTS["purpose"], r.purpose or words.NOT_STATED),
        *signing.on_cover(r),
        (words.FACTS["data_until"], styled(r.data_until) or words.NOT_STATED),
        (words.FACTS["supersedes"], r.supersedes or words.NOTHING_SUPERSEDED),
    ]
    return (
        f"<header><h1>{escaped(r.title)}</h1>"
        f"<p>{escaped(revision)} · {escaped(r.release_id)}{draft}</p>{facts(given)}"
        f"<h2>{words.Q_MAY_I}</h2>{paragraph(answers.answer(r))}{_picture(r)}"
        f"<h2>{words.Q_RISK}</h2>{''.join(paragraph(line) for line in cover.open_risks(r))}"
        f"<h2>{words.Q_NEXT}</h2>{_next(r)}"
        f"<h2>{words.Q_VERDICTS}</h2>{paragraph(cover.may_i(r))}{_counts_of_verdicts(r)}"
        f"<h2>{words.Q_HOW_WRONG}</h2>{''.join(paragraph(line) for line in cover.how_wrong(r))}"
        f"<h2>{words.Q_LEFT_OUT}</h2>{paragraph(cover.left_out(r))}"
        f"<h2>{words.Q_CHANGED}</h2>{_changed(r)}"
        f'<p class="caution">{escaped(words.COVER_CAUTION)}</p></header>'
    )


def _picture(r: Reconciliation) -> str:
    """Every stratum at a glance; each line leads to its stratum."""
    plot = glance.picture(r, verdicts.anchors_of(r))
    if plot is None:
        return ""
    flipped = any(x.verdict.flips for x in r.results)
    note = paragraph(words.FLIP_NOTE, "small") if flipped else ""
    drawn = svg(plot, alt(plot, words.GLANCE))
    return f'<figure class="glance"><figcaption>{words.GLANCE}</figcaption>{drawn}</figure>{note}'


def _changed(r: Reconciliation) -> str:
    if text := cover.unchanged(r):
        return paragraph(text)
    items = "".join(f"<li>{said(item)}</li>" for item in cover.changed(r, _CHANGES_FIRST))
    return f"<ul>{items}</ul>"


def _next(r: Reconciliation) -> str:
    items = [
        f'{said(text)} <span class="small">({escaped(named)})</span>'
        for text, named in answers.steps(r)
    ]
    items[:0] = [said(text) for text in (cover.look_at(r), answers.approvals(r)) if text]
    if not items:
        return paragraph(words.NOTHING_NEXT)
    return f"<ul>{''.join(f'<li>{item}</li>' for item in items)}</ul>"


def _counts_of_verdicts(r: Reconciliation) -> str:
    """For each verdict, what it means and the strata that have it with their ranges."""
    rows: list[list[Cell | int]] = []
    for kind, decision in enumerate(DECISIONS):
        these = [x for x in r.results if verdicts.kind_of(x) == kind]
        named = [cover.label_with_range(x) for x in these]
        title = f"{words.DECISION_TITLE[decision]}: {words.DECISION_MEANING[decision]}"
        rows.append([title, len(these), "; ".join(named) or numbers.NONE])
    return table(words.COVER_VERDICT_HEADINGS[1:], rows, (1,), sortable=False, ours=(2,))


def _stratum(r: Reconciliation, x: StratumResult, anchor: str, before: dict[str, str]) -> str:
    s, figures = x.stratum, by_key(x.statistics)
    verdict = x.verdict
    extra = []
    where = range_of(verdict, x.unit, x.per_mg_kg)
    if where != numbers.NONE:
        extra.append(f"{words.VALID_RANGE}: {where}")
    if verdict.valid_until:
        extra.append(f"{words.VALID_UNTIL}: {verdict.valid_until}")
    box = (
        f"<strong>{escaped(words.DECISION_TITLE.get(verdict.decision, verdict.decision))}</strong> "
        f"{said(' · '.join(extra))}"
        + "".join(
            f"<br><strong>{escaped(label)}:</strong> {said(text)}"
            for label, text in stratum_page.unsaid(x)
        )
    )
    given = [
        (label, getattr(s, key)) for key, label in words.DETAIL_FACTS.items() if getattr(s, key)
    ]
    method = line_name(x.statistics.headline.method)
    level = numbers.percent(x.statistics.bias.mean_difference.level)
    headings = [h.format(level=level) for h in words.FIGURE_HEADINGS]
    criteria = [[w.name, w.asked, w.found, w.outcome] for w in map(written, verdict.criteria)]
    more = [*stratum_page.rule_lines(x), *sentences_of(x)]
    more_rows = [row for side in figure_rows.further_rows(x) for row in side]
    more_rows += figure_rows.other_rows(x)
    more_table = table(headings, more_rows, (1, 2, 3), sortable=False) if more_rows else ""
    further = words.FURTHER_OF.format(label=x.stratum.label)
    more_text = "".join(paragraph(line, "small") for line in more)
    notes = "".join(f"<li>{said(note)}</li>" for note in x.notes)
    kept = "".join(f' data-{name}="{escaped(v)}"' for name, v in _kept(x, before).items())
    sign = words.VERDICT_MARKS[verdicts.kind_of(x)]
    summary = escaped(words.SHOW_STRATUM.format(label=x.stratum.label))
    return (
        f'<section id="{anchor}" class="stratum"{kept}><h3>'
        f'<span class="mark" aria-hidden="true">{sign}</span> {escaped(x.stratum.label)}</h3>'
        f'<div class="verdict">{box}</div><details><summary>{summary}</summary>{facts(given)}'
        + _evidence(x)
        + "".join(paragraph(sentence) for sentence in x.sentences)
        + paragraph(stratum_page.counts_text(figures, x), "small")
        + _at_once_or_packed(r, x, _plots(x), words.PACKED_PLOTS)
        + _small_plots(r, x)
        + f'<div class="two"><div><h4>{words.FIGURES_LEFT}</h4>'
        + table(headings, figure_rows.left_rows(x), (1, 2, 3), False, ours=(0,))
        + f"</div><div><h4>{escaped(words.FIGURES_RIGHT.format(method=method))}</h4>"
        + table(headings, figure_rows.right_rows(x), (1, 2, 3), False, ours=(0,))
        + f"</div></div><h4>{words.CRITERIA}</h4>"
        + table(words.CRITERIA_HEADINGS, criteria, sortable=False, ours=(0, 1, 2, 3))
        + f"<h4>{words.FACTOR}</h4>{paragraph(stratum_factor.factor_text(x))}"
        + (f"<h4>{words.NOTES}</h4><ul>{notes}</ul>" if notes else "")
        + f"<h4>{words.DETAILS}</h4><details><summary>{escaped(further)}</summary>"
        + f"{more_table}{more_text}</details>"
        + _at_once_or_packed(r, x, _pairs(r, x), words.PACKED_PAIRS)
        + "</details></section>"
    )


def _at_once_or_packed(r: Reconciliation, x: StratumResult, made: str, what: str) -> str:
    """Markup that grows with the pairs; packed where they are many, so that the page stays small.

    A reader without script sees what is packed and where else it stands.
    """
    n = len(x.pairs)
    if n <= r.page_at_once:
        return made
    note = words.PACKED.format(
        what=what, label=x.stratum.label, n=numbers.plain(n, 0), file=pairs_name(r)
    )
    return packed(made, paragraph(note, "small"))


def _evidence(x: StratumResult) -> str:
    """The months behind the verdict: in words, and month by month."""
    lines = evidence.lines_of(x)
    if x.evidence is None:
        return ""
    if x.evidence.watched is not None and (chart := evidence.chart_text(x.evidence.watched)):
        lines = [*lines, chart]
    rows = evidence.rows_of(x.evidence)
    return (
        f"<h4>{words.EVIDENCE}</h4>"
        + "".join(paragraph(line) for line in lines)
        + table(words.EVIDENCE_HEADINGS, rows, (1, 2, 3), False, ours=(0,))
    )


def _pairs(r: Reconciliation, x: StratumResult) -> str:
    """Pairs with their story, as the marks of the plots tell it; a setting bounds the rows."""
    most = r.page_pairs
    pairs, unit, per = lists_of(x.pairs), numbers.unit_name(x.unit), x.per_mg_kg
    if not len(x.pairs):
        return ""
    rows: list[list[Cell | int]] = []
    for sample, lab_mean, field_mean, used, *told in zip(
        *(pairs.of(name)[:most] for name in ("sample_id", "lab_mean", "field_mean", "used")),
        *(pairs.of(name)[:most] for name in _STORY),
        strict=True,
    ):
        lab, field = _float(lab_mean), _float(field_mean)
        ratio = field / lab if lab > 0 else math.nan
        rows.append(
            [
                str(sample),
                (numbers.plain_sig(lab * per, 4) if math.isfinite(lab) else "", lab),
                (numbers.plain_sig(field * per, 4) if math.isfinite(field) else "", field),
                (numbers.plain_sig(ratio) if math.isfinite(ratio) else "", ratio),
                words.YES_NO[bool(used)],
                *map(_told, told),
            ]
        )
    title = words.PAIRS_OF.format(label=x.stratum.label)
    headings = [h.format(unit=unit) for h in words.PAIRS_OF_HEADINGS]
    made = table(headings, rows, (1, 2, 3), kind="pairs")
    rest = cut(len(x.pairs), pairs_name(r), most)
    return f"<details><summary>{escaped(title)}</summary>{made}{rest}</details>"


def _float(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) else math.nan


def _told(value: object) -> str:
    """A fact of a pair for a reader; '' where there is none."""
    if isinstance(value, tuple):
        return ", ".join(map(str, value))
    if isinstance(value, datetime):
        return "" if value != value else styled(words.AT_UTC.format(at=f"{value:%Y-%m-%d %H:%M}"))
    return "" if value is None or value != value else str(value)


def _plots(x: StratumResult) -> str:
    plot, difference = method_plot_of(x), difference_plot_of(x)
    if not any(len(p.x) for p in plot.points):
        return paragraph(words.NOTHING_TO_PLOT, "small")
    shown = [(words.PLOT_METHODS, svg(plot, _alt(plot, words.PLOT_METHODS, x), keys=True))]
    if difference is not None:
        title = words.PLOT_RATIO if difference.ratio else words.PLOT_DIFFERENCE
        shown.append((title, svg(difference, _alt(difference, title, x), keys=True)))
    figures = "".join(
        f"<figure><figcaption>{title}</figcaption>{drawing}</figure>" for title, drawing in shown
    )
    return (
        f'<div class="plots"><div class="two">{figures}</div>'
        f'<output class="story" aria-live="polite">{words.HOVER}</output></div>'
    )


def _alt(plot: Kind, title: str, x: StratumResult) -> str:
    return alt(plot, f"{title}: {x.stratum.label}")


def _small_plots(r: Reconciliation, x: StratumResult) -> str:
    figures = []
    months = evidence_plot_of(x)
    trend = months or trend_plot_of(r, x)
    if trend is not None:
        name = words.PLOT_EVIDENCE if months is not None else words.PLOT_TREND
        figures.append((name, svg(trend, _alt(trend, name, x))))
    for chance in chance_plots_of(x):
        title = f"{stratum_page.chance_title(x)}: {chance.level.name}"
        figures.append((title, svg(chance, _alt(chance, title, x))))
    if not figures:
        return ""
    inner = "".join(
        f"<figure><figcaption>{escaped(title)}</figcaption>{drawing}</figure>"
        for title, drawing in figures
    )
    return f'<div class="two">{inner}</div>'
