"""Conformity with specification limits on the page for the screen."""

from __future__ import annotations

from reconcile.base.model import Reconciliation
from reconcile.judgement import conformity
from reconcile.judgement.conformity import ConformityRecord
from reconcile.reporting import words
from reconcile.reporting.document import conformity_pages as pages
from reconcile.reporting.plots.svg import escaped
from reconcile.reporting.render.elements import MOST_ROWS, cut, paragraph, table


def parts(r: Reconciliation) -> list[tuple[str, str, str]]:
    """Anchor, title and content of the section; nothing where the settings name no limits."""
    record = r.conformity
    return [] if record is None else [("conformity", words.CONFORMITY, _section(record))]


def _section(record: ConformityRecord) -> str:
    out = f'<p class="caution">{escaped(words.CONFORMITY_CAUTION)}</p>'
    texts = [*conformity.rule_sentences(record.rule, record.guard_factor), words.CONFORMITY_HOW]
    if any(s.results.technique == "XRF" for s in record.specimens):
        texts.append(words.CONFORMITY_XRF)
    out += "".join(paragraph(text, "small") for text in (*texts, *record.notes))
    limits = [
        [of[0].grade, "; ".join(f"{x.element} {pages.limit_text(x)}" for x in of)]
        for of in record.grades
    ]
    out += _titled(words.CONFORMITY_LIMITS, table(words.CONFORMITY_LIMIT_HEADINGS, limits))
    if not record.specimens:
        return out + paragraph(words.CONFORMITY_NONE)
    counted = [
        [method, grades, words.CONFORMITY_OF.format(n=n, total=total)]
        for method, grades, n, total in pages.counts(record)
    ]
    out += _titled(words.CONFORMITY_COUNTS, table(words.CONFORMITY_COUNT_HEADINGS, counted))
    each = []
    for s in pages.ordered(record)[:MOST_ROWS]:
        against, is_open, missing = pages.set_texts(s)
        each.append(
            [s.results.sample_id, s.results.method, pages.fitting(s), against, is_open, missing]
        )
    shown = table(words.CONFORMITY_HEADINGS, each, ours=(3, 4, 5))
    return out + _titled(
        words.CONFORMITY_EACH, shown + cut(len(record.specimens), "conformity.csv")
    )


def _titled(title: str, content: str) -> str:
    return f"<h3>{escaped(title)}</h3>{content}"
