"""Specimens against specification limits."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable

from reconcile.base.grades import (
    AGAINST,
    CONSISTENT,
    EXCLUDED,
    MEETS,
    NOT_DECIDED,
    NOT_JUDGED,
    OPEN,
    ConformityRecord,
    ElementCall,
    Limit,
    SpecimenConformity,
)
from reconcile.base.model.release import Reconciliation
from reconcile.judgement import conformity
from reconcile.reporting import numbers, words
from reconcile.reporting.document import parts
from reconcile.reporting.document.blocks import (
    Block,
    Caution,
    Cell,
    Column,
    Section,
    Table,
    Text,
    Titled,
)

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

    def place(s: SpecimenConformity) -> tuple[int, int, int]:
        fits, unknown = s.grades_of(MEETS, CONSISTENT), s.grades_of(NOT_JUDGED)
        ordered = 0 if s.ordered and s.ordered.call == EXCLUDED else 1
        return ordered, (0 if not (fits or unknown) else 1), outcomes[_outcome(s)]

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
        (_at_place(e, e.why), e.limit.element)
        for g in s.grades_of(MEETS, CONSISTENT, NOT_JUDGED)
        for e in g.elements
        if e.call in (OPEN, NOT_DECIDED)
    ]
    against = [
        (_at_place(next(e for e in g.elements if e.call == AGAINST), conformity.why_excluded(g)),
         g.grade)
        for g in s.grades_of(EXCLUDED)
    ]  # fmt: skip
    return (
        _said(against),
        _said(left),
        _said([(why, element) for element, why in s.not_measured]),
    )


def _at_place(e: ElementCall, text: str) -> str:
    """A reason with the place that decides, where a part is judged place by place."""
    return f"{text} ({e.place.name})" if e.place and e.place.name else text


def _said(pairs: Iterable[tuple[str, str]]) -> str:
    return "; ".join(words.SPEAKS.format(names=names, why=why) for why, names in _together(pairs))


def _together(pairs: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Each reason once, with the names that share it."""
    found: dict[str, dict[str, None]] = {}
    for why, name in pairs:
        found.setdefault(why, {}).setdefault(name, None)
    return [(why, ", ".join(names)) for why, names in found.items()]


def rule(record: ConformityRecord) -> tuple[str, ...]:
    """The decision rule in sentences."""
    return conformity.rule_sentences(record.rule, record.guard_factor)


def _fitting(s: SpecimenConformity) -> Cell:
    """The grades that fit, those that all elements meet in bold, and which were not judged."""
    fits = s.grades_of(MEETS, CONSISTENT)
    strong = tuple(g.grade for g in fits if g.call == MEETS)
    others = [g.grade for g in fits if g.call != MEETS]
    text = ", ".join([*([""] if strong and others else []), *others])
    text = text or ("" if strong else _no_grade(s))
    unknown = s.grades_of(NOT_JUDGED)
    if unknown and len(unknown) < len(s.grades):
        listed = ", ".join(g.grade for g in unknown)
        text += words.AND_NOT_JUDGED.format(not_judged=words.NOT_LOOKED_AT.format(grades=listed))
    return Cell(text, strong=strong)


def cannot(record: ConformityRecord) -> list[str]:
    """What the techniques of the results can't measure, in words."""
    met = {s.results.technique for s in record.specimens}
    return [text for name, text in words.CONFORMITY_CANNOT.items() if name in met]


def section(r: Reconciliation) -> list[Section]:
    """Limits, how many results fit which grade, each result; nothing without limits."""
    record = r.conformity
    if record is None:
        return []
    said = [*rule(record), words.CONFORMITY_HOW, *cannot(record)]
    blocks: list[Block] = [
        Caution(words.CONFORMITY_CAUTION),
        *(Text(text, "small") for text in (*said, *record.notes)),
        Titled(words.CONFORMITY_LIMITS, (_limits(record),), whole=len(record.grades) <= 20),
    ]
    if record.specimens:
        blocks += parts.ordered_blocks(record)
        blocks += [
            Titled(words.CONFORMITY_COUNTS, (_counts(record),)),
            Titled(words.CONFORMITY_EACH, (_each(record),)),
            *parts.blocks(record),
            *_absent(record),
        ]
    else:
        blocks.append(Text(words.CONFORMITY_NONE))
    return [Section("conformity", words.CONFORMITY, tuple(blocks))]


def _limits(record: ConformityRecord) -> Table:
    grade, limits = words.CONFORMITY_LIMIT_HEADINGS
    return Table(
        (Column(grade, 0.25, given=True, bold=True), Column(limits, 0.75, given=True, limit=500)),
        [
            (of[0].grade, "; ".join(f"{x.name} {limit_text(x)}" for x in of))
            for of in record.grades
        ],
        most=_GRADES, rest="conformity.csv", compact=True,
    )  # fmt: skip


def _counts(record: ConformityRecord) -> Table:
    method, grades, results = words.CONFORMITY_COUNT_HEADINGS
    return Table(
        (
            Column(method, 0.38, given=True),
            Column(grades, 0.48, given=True),
            Column(results, 0.14, number=True),
        ),
        [
            (method, grades, words.CONFORMITY_OF.format(n=n, total=total))
            for method, grades, n, total in counts(record)
        ],
        most=_GRADES, rest="conformity.csv", compact=True, sortable=False,
    )  # fmt: skip


def _each(record: ConformityRecord) -> Table:
    sample, method, grades, against, undecided, missing = words.CONFORMITY_HEADINGS
    rows = []
    for s in ordered(record):
        speaks, is_open, absent = set_texts(s)
        named = ", ".join(element for element, _ in s.not_measured)
        rows.append(
            (s.results.sample_id, s.results.method, _fitting(s), speaks, is_open, named, absent)
        )
    return Table(
        (
            Column(sample, 0.11, given=True, bold=True),
            Column(method, 0.20, given=True),
            Column(grades, 0.17, given=True),
            Column(against, 0.23, limit=400),
            Column(undecided, 0.20, limit=400),
            Column(missing, 0.09, given=True, limit=120, on_screen=False),
            Column(missing, 0),  # on paper the reasons follow below, each once
        ),
        rows, most=_SETS, rest="conformity.csv", compact=True,
    )  # fmt: skip


def _absent(record: ConformityRecord) -> list[Block]:
    """Why elements were not measured, each reason once."""
    absent = [
        (words.ABSENT_BY.format(technique=s.results.technique, why=why), element)
        for s in record.specimens
        for element, why in s.not_measured
    ]
    if not absent:
        return []
    lines = tuple(
        Text(words.ABSENT.format(elements=elements, why=why), "small", given=True, limit=300)
        for why, elements in _together(absent)
    )
    return [Titled(words.CONFORMITY_HEADINGS[-1], lines)]
