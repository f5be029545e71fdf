"""The sheet of specimens against specification limits."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.base.grades import MEETS, NOT_JUDGED, ConformityRecord, SpecimenConformity
from reconcile.judgement import conformity
from reconcile.reporting import words
from reconcile.reporting.document import conformity as pages
from reconcile.reporting.render import sheets
from reconcile.reporting.render.grid import Sheet
from reconcile.reporting.render.sheets import Column


def sheet(sheet: Sheet, record: ConformityRecord) -> Sequence[Column]:
    """One row per result set and per place of a part; the rule and the caution below."""
    widths = (18, 8, 32, 32, 34, 24, 20, 50, 50, 44, 50, 24, 20, 24)
    columns = [
        Column(heading, width=width, wrap=place > 3)
        for place, (heading, width) in enumerate(zip(words.CONFORMITY_COLUMNS, widths, strict=True))
    ]
    lines = []
    for s in pages.ordered(record):
        lines += [_line(each) for each in (s, *s.places)]
    last = sheets.table(sheet, columns, lines[: sheets.MOST_ROWS], name=words.TABLES["conformity"])
    sheets.freeze(sheet, 2, 2)
    texts = [
        words.CONFORMITY_CAUTION,
        *pages.rule(record),
        words.CONFORMITY_HOW,
        *pages.cannot(record),
    ]
    texts += record.notes
    for row, text in enumerate(texts, start=last + 2):
        sheets.line(sheet, row, "" if row > last + 2 else words.NOT_USABLE_TITLE, text, 8)
    return columns


def _line(s: SpecimenConformity) -> list[str]:
    """One specimen, or one place of it."""
    against, is_open, missing = pages.set_texts(s)
    r, call = s.results, s.ordered
    return [
        r.sample_id, r.side, r.method, r.description,
        pages.fitting(s),
        ", ".join(g.grade for g in s.grades_of(MEETS)),
        ", ".join(g.grade for g in s.grades_of(NOT_JUDGED)),
        against, is_open, missing, conformity.summary(s), r.place.name if r.place else "",
        call.grade if call else "", words.PARTS_ORDERED_CALLS[call.call] if call else "",
    ]  # fmt: skip
