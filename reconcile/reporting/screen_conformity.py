"""Conformity with specification limits on the page for the screen."""

from __future__ import annotations

from reconcile import conformity
from reconcile.conformity import CONSISTENT, MEETS
from reconcile.model import Reconciliation
from reconcile.reporting import conformity_pages, words
from reconcile.reporting.elements import MOST_ROWS, cut, paragraph, table


def parts(r: Reconciliation) -> list[tuple[str, str, str]]:
    """Anchor, title and content of the section; nothing without a table of limits."""
    record = r.conformity
    if record is None:
        return []
    texts = [
        words.CONFORMITY_CAUTION, *conformity.rule_sentences(record.rule, record.guard_factor),
        words.CONFORMITY_HOW, words.CONFORMITY_XRF, *record.notes,
    ]  # fmt: skip
    limits = [
        (of[0].grade, "; ".join(f"{x.element} {conformity_pages.limit_text(x)}" for x in of))
        for of in record.grades
    ]
    sets = [
        (
            s.results.sample_id,
            s.results.method,
            ", ".join(g.grade for g in s.grades_of(MEETS, CONSISTENT)) or words.NO_GRADE,
            *conformity_pages.set_texts(s),
        )
        for s in conformity_pages.ordered(record)
    ]
    content = (
        "".join(paragraph(text) for text in texts)
        + f"<h3>{words.CONFORMITY_LIMITS}</h3>"
        + table(words.CONFORMITY_LIMIT_HEADINGS, limits[:MOST_ROWS])
        + f"<h3>{words.CONFORMITY_EACH}</h3>"
        + table(words.CONFORMITY_HEADINGS, sets[:MOST_ROWS])
        + cut(len(sets), "conformity.csv")
    )
    return [("conformity", words.CONFORMITY, content)]
