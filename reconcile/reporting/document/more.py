"""What the strata's pages had no room for: small plots, further figures, notes."""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.details import sentences_of
from reconcile.reporting.document import stratum_page
from reconcile.reporting.document.stratum_page import Small, small_row
from reconcile.reporting.manner import styled
from reconcile.reporting.render.book import Heading
from reconcile.reporting.render.paper import start
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import gap, own, style
from reconcile.reporting.text import markup, printable


def more_plots(left: Sequence[tuple[str, Small]], width: float) -> list[Flowable]:
    """Small plots for which the strata's pages had no room, three to a row."""
    if not left:
        return []
    named = [((printable(label)[:60], *title), draw) for label, (title, draw) in left]
    rows = [
        KeepTogether(small_row(named[first : first + 3], width))
        for first in range(0, len(named), 3)
    ]
    head = Heading(words.MORE_PLOTS, "more-plots")
    return [*start(), head, own(words.MORE_PLOTS_INTRO, "small"), *rows]


def details(
    r: Reconciliation, notes_left: dict[str, tuple[str, ...]], anchors: dict[str, str], width: float
) -> list[Flowable]:
    """Further figures of each stratum, in tables and words, and notes without room on its page."""
    body: list[Flowable] = []
    for result in r.results:
        key = result.stratum.key
        lines = [*stratum_page.rule_lines(result), *sentences_of(result), *notes_left.get(key, ())]
        tables = stratum_page.further_tables(result, width)
        if not (lines or tables):
            continue
        label = result.stratum.label
        title = words.FURTHER_OF.format(label=label)
        anchor = f"further-{anchors[key]}"
        body += [
            CondPageBreak(40 * mm),
            Heading(title, anchor, outline=1, name="h3"),
            *tables,
        ]
        body += [
            Paragraph(styled(markup(f"{line.rstrip('. ')}.", 1500)), style("small"))
            for line in lines
        ]
        body.append(gap(6))
    if not body:
        return []
    return [
        *start(),
        Heading(words.DETAILS, "details"),
        own(words.DETAILS_INTRO, "small"),
        *body,
    ]
