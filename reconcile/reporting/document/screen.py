"""report.html: the report as one file for the screen, with nothing from outside it.

Everything that comes from a file is escaped; ``render/shell.py`` lets nothing run or load from
elsewhere.
"""

from __future__ import annotations

from reconcile.base.model import DECISIONS, Reconciliation, StratumResult
from reconcile.judgement.criterion_words import written
from reconcile.reporting import answers, evidence, numbers, words
from reconcile.reporting.details import sentences_of
from reconcile.reporting.document import (
    contents,
    cover,
    figure_rows,
    glance,
    signing,
    stratum_page,
    verdicts,
)
from reconcile.reporting.figures import by_key
from reconcile.reporting.manner import styled, written_for
from reconcile.reporting.plots.evidence import plot_of as evidence_plot_of
from reconcile.reporting.plots.stratum import (
    chance_plots_of,
    difference_plot_of,
    method_plot_of,
    trend_plot_of,
)
from reconcile.reporting.plots.svg import escaped, svg
from reconcile.reporting.render import shell
from reconcile.reporting.render.elements import Cell, facts, paragraph, said, table
from reconcile.reporting.render.html import html
from reconcile.reporting.sentences import line_name, range_of

_CHANGES_FIRST = 12


def page(r: Reconciliation) -> bytes:
    """The whole report as HTML; equal values give equal bytes."""
    with written_for(r):
        return _page(r)


def _page(r: Reconciliation) -> bytes:
    anchors = verdicts.anchors_of(r)
    full = [x for x in r.results if not stratum_page.is_short(x)]
    short = [x for x in r.results if stratum_page.is_short(x)]
    parts = [
        (None, "", _head(r)),
        *((s.anchor, s.title, html(s.blocks)) for s in verdicts.section(r)),
        ("strata", words.STRATA, ""),
        *((anchors[x.stratum.key], x.stratum.label, _stratum(r, x)) for x in full),
        *([("small-strata", words.SMALL_STRATA, "")] if short else []),
        *((anchors[x.stratum.key], x.stratum.label, _stratum(r, x)) for x in short),
        *((s.anchor, s.title, html(s.blocks)) for s in contents.sections(r)),
    ]  # fmt: skip
    strata = set(anchors.values())
    body = []
    for anchor, title, content in parts:
        if anchor is None:
            body.append(content)
            continue
        kind = ' class="stratum"' if anchor in strata else ""
        body.append(f'<section id="{anchor}"{kind}><h2>{escaped(title)}</h2>{content}</section>')
    links = "".join(
        f'<li><a href="#{anchor}">{escaped(title)}</a></li>' for anchor, title, _ in parts if anchor
    )
    body.insert(1, f"<nav><h3>{words.CONTENTS}</h3><ul>{links}</ul></nav>")
    return shell.page(r.title, r.release_id, r.language, "\n".join(body))


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
        f"<h3>{words.Q_MAY_I}</h3>{paragraph(answers.answer(r))}{_picture(r)}"
        f"<h3>{words.Q_RISK}</h3>{''.join(paragraph(line) for line in cover.open_risks(r))}"
        f"<h3>{words.Q_NEXT}</h3>{_next(r)}"
        f"<h2>{words.WHOLE}</h2><h3>{words.Q_VERDICTS}</h3>{paragraph(cover.may_i(r))}{_counts_of_verdicts(r)}"
        f"<h3>{words.Q_HOW_WRONG}</h3>{''.join(paragraph(line) for line in cover.how_wrong(r))}"
        f"<h3>{words.Q_LEFT_OUT}</h3>{paragraph(cover.left_out(r))}"
        f"<h3>{words.Q_CHANGED}</h3>{_changed(r)}"
        f'<p class="caution">{escaped(words.COVER_CAUTION)}</p></header>'
    )


def _picture(r: Reconciliation) -> str:
    """Every stratum at a glance; each line leads to its stratum."""
    plot = glance.picture(r, verdicts.anchors_of(r))
    if plot is None:
        return ""
    flipped = any(x.verdict.flips for x in r.results)
    note = paragraph(words.FLIP_NOTE, "small") if flipped else ""
    return f"<figure>{svg(plot, words.GLANCE)}</figure>{note}"


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


def _stratum(r: Reconciliation, x: StratumResult) -> str:
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
    more_table = table(headings, more_rows, (1, 2, 3), sortable=False) if more_rows else ""
    further = words.FURTHER_OF.format(label=x.stratum.label)
    more_text = "".join(paragraph(line, "small") for line in more)
    notes = "".join(f"<li>{said(note)}</li>" for note in x.notes)
    return (
        f'<div class="verdict">{box}</div>{facts(given)}'
        + _evidence(x)
        + "".join(paragraph(sentence) for sentence in x.sentences)
        + paragraph(stratum_page.counts_text(figures, x), "small")
        + _plots(x)
        + _small_plots(r, x)
        + f'<div class="two"><div><h3>{words.FIGURES_LEFT}</h3>'
        + table(headings, figure_rows.left_rows(x), (1, 2, 3), False, ours=(0,))
        + f"</div><div><h3>{escaped(words.FIGURES_RIGHT.format(method=method))}</h3>"
        + table(headings, figure_rows.right_rows(x), (1, 2, 3), False, ours=(0,))
        + f"</div></div><h3>{words.CRITERIA}</h3>"
        + table(words.CRITERIA_HEADINGS, criteria, sortable=False, ours=(0, 1, 2, 3))
        + f"<h3>{words.FACTOR}</h3>{paragraph(stratum_page.factor_text(x))}"
        + (f"<h3>{words.NOTES}</h3><ul>{notes}</ul>" if notes else "")
        + f"<h3>{words.DETAILS}</h3><details><summary>{escaped(further)}</summary>"
        + f"{more_table}{more_text}</details>"
    )


def _evidence(x: StratumResult) -> str:
    """The months behind the verdict: in words, and month by month."""
    lines = evidence.lines_of(x)
    if x.evidence is None:
        return ""
    if x.evidence.watched is not None and (chart := evidence.chart_text(x.evidence.watched)):
        lines = [*lines, chart]
    rows = evidence.rows_of(x.evidence)
    return (
        f"<h3>{words.EVIDENCE}</h3>"
        + "".join(paragraph(line) for line in lines)
        + table(words.EVIDENCE_HEADINGS, rows, (1, 2, 3), False, ours=(0,))
    )


def _plots(x: StratumResult) -> str:
    plot, difference = method_plot_of(x), difference_plot_of(x)
    if not any(len(p.x) for p in plot.points):
        return paragraph(words.NOTHING_TO_PLOT, "small")
    out = (
        f'<div class="two"><figure><figcaption>{words.PLOT_METHODS}</figcaption>'
        f"{svg(plot, f'{words.PLOT_METHODS}: {x.stratum.label}')}"
        f'<p class="key">{words.HOVER}</p></figure>'
    )
    if difference is not None:
        title = words.PLOT_RATIO if difference.ratio else words.PLOT_DIFFERENCE
        out += (
            f"<figure><figcaption>{title}</figcaption>"
            f"{svg(difference, f'{title}: {x.stratum.label}')}</figure>"
        )
    return out + "</div>"


def _small_plots(r: Reconciliation, x: StratumResult) -> str:
    figures = []
    months = evidence_plot_of(x)
    trend = months or trend_plot_of(r, x)
    if trend is not None:
        name = words.PLOT_EVIDENCE if months is not None else words.PLOT_TREND
        figures.append((name, svg(trend, f"{name}: {x.stratum.label}")))
    for chance in chance_plots_of(x):
        title = f"{words.PLOT_CHANCE}: {chance.level.name}"
        figures.append((title, svg(chance, f"{title}: {x.stratum.label}")))
    if not figures:
        return ""
    inner = "".join(
        f"<figure><figcaption>{escaped(title)}</figcaption>{drawing}</figure>"
        for title, drawing in figures
    )
    return f'<div class="two">{inner}</div>'
