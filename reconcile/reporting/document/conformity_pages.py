"""Specimens against specification limits: section of the report, sheet, rows of the data file."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable

from openpyxl.worksheet.worksheet import Worksheet
from reportlab.platypus import Flowable, KeepTogether, Paragraph

from reconcile.base.model import Reconciliation
from reconcile.judgement import conformity
from reconcile.judgement.conformity import (
    CONSISTENT,
    EXCLUDED,
    MEETS,
    NOT_DECIDED,
    NOT_JUDGED,
    OPEN,
    ConformityRecord,
    Limit,
    SpecimenConformity,
)
from reconcile.reporting import numbers, words
from reconcile.reporting.document import sections
from reconcile.reporting.render import sheets
from reconcile.reporting.render.book import Heading
from reconcile.reporting.render.sheets import Column
from reconcile.reporting.render.styles import boxed, foreign, gap, grid, own, style
from reconcile.reporting.text import markup

_SETS, _GRADES = 30, 40


def limit_text(limit: Limit) -> str:
    """A limit as the table states it, such as "16 to 18 %"."""
    low, high = (
        numbers.exact(v * limit.per_mg_kg) if math.isfinite(v) else ""
        for v in (limit.minimum, limit.maximum)
    )
    form = words.FROM_TO if low and high else words.AT_LEAST if low else words.AT_MOST
    unit = limit.unit if limit.unit == "%" else numbers.unit_name(limit.unit)
    return f"{form.format(low=low, high=high)}\N{NO-BREAK SPACE}{unit}"


def ordered(record: ConformityRecord) -> list[SpecimenConformity]:
    """The result sets, those with no consistent grade first, then the rarer outcomes."""
    outcomes = Counter(_outcome(s) for s in record.specimens)

    def place(s: SpecimenConformity) -> tuple[int, int]:
        fits, unknown = s.grades_of(MEETS, CONSISTENT), s.grades_of(NOT_JUDGED)
        return (0 if not (fits or unknown) else 1), outcomes[_outcome(s)]

    return sorted(record.specimens, key=place)  # stable: else in the order of samples


def _outcome(s: SpecimenConformity) -> tuple[str, ...]:
    return tuple(g.grade for g in s.grades_of(MEETS, CONSISTENT)) or (_no_grade(s),)


def _no_grade(s: SpecimenConformity) -> str:
    """Why no grade is named: that none fits is another thing than that none was judged."""
    unknown = len(s.grades_of(NOT_JUDGED))
    if not unknown:
        return words.NO_GRADE
    return words.NONE_JUDGED if unknown == len(s.grades) else words.NONE_OF_JUDGED


def fitting(s: SpecimenConformity) -> str:
    """The consistent grades, or why none is named."""
    return ", ".join(_outcome(s))


def counts(record: ConformityRecord) -> list[tuple[str, str, int, int]]:
    """Method, consistent grades, how many result sets, and how many of the method in all."""
    total = Counter(s.results.method for s in record.specimens)
    found = Counter((s.results.method, _outcome(s)) for s in record.specimens)
    return [
        (method, ", ".join(grades), n, total[method])
        for (method, grades), n in sorted(found.items(), key=lambda i: (i[0][0], -i[1], i[0][1]))
    ]


def set_texts(s: SpecimenConformity) -> tuple[str, str, str]:
    """What speaks against grades, what is open, what was not measured, each in words."""
    left = [
        (e.why, e.limit.element)
        for g in s.grades_of(MEETS, CONSISTENT, NOT_JUDGED)
        for e in g.elements
        if e.call in (OPEN, NOT_DECIDED)
    ]
    against = [(conformity.why_excluded(g), g.grade) for g in s.grades_of(EXCLUDED)]
    return (
        _said(against),
        _said(left),
        _said([(why, element) for element, why in s.not_measured]),
    )


def _said(pairs: Iterable[tuple[str, str]]) -> str:
    return "; ".join(words.SPEAKS.format(names=names, why=why) for why, names in _together(pairs))


def _together(pairs: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Each reason once, with the names that share it."""
    found: dict[str, dict[str, None]] = {}
    for why, name in pairs:
        found.setdefault(why, {}).setdefault(name, None)
    return [(why, ", ".join(names)) for why, names in found.items()]


def _rule(record: ConformityRecord) -> tuple[str, ...]:
    return conformity.rule_sentences(record.rule, record.guard_factor)


def _fitting(s: SpecimenConformity) -> Paragraph:
    parts = [
        f'<font name="ReportBold">{markup(g.grade, 60)}</font>'
        if g.call == MEETS
        else markup(g.grade, 60)
        for g in s.grades_of(MEETS, CONSISTENT)
    ]
    text = ", ".join(parts) or _no_grade(s)
    unknown = s.grades_of(NOT_JUDGED)
    if unknown and len(unknown) < len(s.grades):
        listed = markup(", ".join(g.grade for g in unknown), 120)
        text += words.AND_NOT_JUDGED.format(not_judged=words.NOT_LOOKED_AT.format(grades=listed))
    return Paragraph(text, style("cell"))


def section(r: Reconciliation, width: float) -> list[Flowable]:
    """The section of the report; nothing where the settings name no limits."""
    record = r.conformity
    if record is None:
        return []
    out: list[Flowable] = [
        *sections.start(),
        Heading(words.CONFORMITY, "conformity"),
        boxed([own(words.CONFORMITY_CAUTION, "small")], width),
        gap(4),
        *[own(text, "small") for text in _rule(record)],
        own(words.CONFORMITY_HOW, "small"),
        *[own(note, "small") for note in record.notes],
    ]
    if any(s.results.technique == "XRF" for s in record.specimens):
        out.append(own(words.CONFORMITY_XRF, "small"))
    limits: list[list[Flowable | str]] = [
        [
            foreign(of[0].grade, "cell-bold"),
            foreign("; ".join(f"{x.element} {limit_text(x)}" for x in of), limit=500),
        ]
        for of in record.grades[:_GRADES]
    ]
    table = grid(
        words.CONFORMITY_LIMIT_HEADINGS, limits, [width * s for s in (0.25, 0.75)], compact=True
    )
    out += [
        KeepTogether([own(words.CONFORMITY_LIMITS, "h3"), table]) if len(limits) <= 20 else table,
        *sections.truncated(len(limits), len(record.grades), "conformity.csv"),
    ]
    if not record.specimens:
        return [*out, own(words.CONFORMITY_NONE)]
    summary: list[list[Flowable | str]] = [
        [foreign(method), foreign(grades), words.CONFORMITY_OF.format(n=n, total=total)]
        for method, grades, n, total in counts(record)
    ]
    out += [
        own(words.CONFORMITY_COUNTS, "h3"),
        grid(
            words.CONFORMITY_COUNT_HEADINGS, summary[:_GRADES],
            [width * s for s in (0.38, 0.48, 0.14)], right=(2,), compact=True,
        ),
        own(words.CONFORMITY_EACH, "h3"),
    ]  # fmt: skip
    shown = ordered(record)[:_SETS]
    each: list[list[Flowable | str]] = []
    for s in shown:
        against, is_open, _ = set_texts(s)
        each.append(
            [
                foreign(s.results.sample_id, "cell-bold"), foreign(s.results.method),
                _fitting(s), foreign(against, limit=400), foreign(is_open, limit=400),
                foreign(", ".join(e for e, _ in s.not_measured), limit=120),
            ]
        )  # fmt: skip
    shares = (0.11, 0.20, 0.17, 0.23, 0.20, 0.09)
    out.append(grid(words.CONFORMITY_HEADINGS, each, [width * s for s in shares], compact=True))
    out += sections.truncated(len(shown), len(record.specimens), "conformity.csv")
    absent = [
        (words.ABSENT_BY.format(technique=s.results.technique, why=why), element)
        for s in record.specimens
        for element, why in s.not_measured
    ]
    if absent:
        out.append(own(words.CONFORMITY_HEADINGS[-1], "h3"))
        out += [
            foreign(words.ABSENT.format(elements=elements, why=why), "small", 300)
            for why, elements in _together(absent)
        ]
    return out


def sheet(sheet: Worksheet, record: ConformityRecord) -> None:
    """One row per result set; the rule and the caution below."""
    widths = (18, 8, 32, 32, 34, 24, 20, 50, 50, 44, 50)
    columns = [
        Column(heading, width=width, wrap=place > 3)
        for place, (heading, width) in enumerate(zip(words.CONFORMITY_COLUMNS, widths, strict=True))
    ]
    lines = []
    for s in ordered(record):
        against, is_open, missing = set_texts(s)
        r = s.results
        lines.append(
            [
                r.sample_id, r.side, r.method, r.description,
                fitting(s),
                ", ".join(g.grade for g in s.grades_of(MEETS)),
                ", ".join(g.grade for g in s.grades_of(NOT_JUDGED)),
                against, is_open, missing, conformity.summary(s),
            ]
        )  # fmt: skip
    last = sheets.table(sheet, columns, lines[: sheets.MOST_ROWS])
    sheets.freeze(sheet, 2, 2)
    texts = [words.CONFORMITY_CAUTION, *_rule(record), words.CONFORMITY_HOW, words.CONFORMITY_XRF]
    texts += record.notes
    for row, text in enumerate(texts, start=last + 2):
        sheets.line(sheet, row, "" if row > last + 2 else words.NOT_USABLE_TITLE, text, 8)
