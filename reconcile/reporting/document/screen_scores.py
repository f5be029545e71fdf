"""Factors of earlier months on this month's pairs, on the page for the screen."""

from __future__ import annotations

from reconcile.base.model import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.document import score_pages
from reconcile.reporting.plots.svg import escaped, trend_svg
from reconcile.reporting.render.elements import paragraph, table


def parts(r: Reconciliation) -> list[tuple[str, str, str]]:
    """Anchor, title and content of the section."""
    scores = score_pages.scores_of(r)
    if not scores:
        return [("factor-scores", words.SCORES_TITLE, paragraph(words.SCORES_NONE))]
    figures = "".join(
        f"<figure><figcaption>{escaped(title)}</figcaption>{trend_svg(plot, title)}</figure>"
        for _, title, plot in score_pages.charts(r)
    )
    rows = [(s.label, words.SCORE_CALLS[s.call], score_pages.sentence_of(r, s)) for s in scores]
    content = f'{paragraph(words.SCORES_INTRO)}<div class="two">{figures}</div>'
    content += table(words.SCORE_HEADINGS, rows, ours=(2,))
    return [("factor-scores", words.SCORES_TITLE, content)]
