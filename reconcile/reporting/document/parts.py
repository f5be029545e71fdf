"""Parts place by place, places that differ, ordered grades, profiles along a line."""

from __future__ import annotations

import math

import numpy as np

from reconcile.base.grades import (
    CONSISTENT,
    EXCLUDED,
    MEETS,
    ConformityRecord,
    Limit,
    PlaceDifference,
    SpecimenConformity,
)
from reconcile.base.part_roles import HEAT_AFFECTED, WELD_METAL
from reconcile.judgement import conformity
from reconcile.reporting import numbers, words
from reconcile.reporting.document.blocks import (
    Block,
    Cell,
    Column,
    Plot,
    Plots,
    Table,
    Text,
    Titled,
    counted,
)
from reconcile.reporting.plots.kinds import Level, Points, ProfilePlot

_ROWS, _PROFILES = 40, 6
_FILE = "conformity.csv"
_MARKS = {WELD_METAL: "above", HEAT_AFFECTED: "field_below"}


def ordered_blocks(record: ConformityRecord) -> list[Block]:
    """What each part was ordered as, the excluded first; nothing where nobody said."""
    order = (EXCLUDED, *(c for c in words.PARTS_ORDERED_CALLS if c != EXCLUDED))
    told = [(s, call) for s in record.specimens if (call := s.ordered)]
    if not told:
        return []
    told.sort(key=lambda t: order.index(t[1].call))
    sample, method, grade, outcome, against = words.PARTS_ORDERED_HEADINGS
    table = Table(
        (
            Column(sample, 0.14, given=True, bold=True), Column(method, 0.27, given=True),
            Column(grade, 0.18, given=True), Column(outcome, 0.17), Column(against, 0.24),
        ),
        [
            (
                s.results.sample_id, s.results.method, call.grade,
                Cell(words.PARTS_ORDERED_CALLS[call.call], bold=call.call == EXCLUDED),
                conformity.why_excluded(call),
            )
            for s, call in told
        ],
        most=_ROWS, rest=_FILE, file=_FILE, compact=True,
    )  # fmt: skip
    return [Titled(words.PARTS_ORDERED, (Text(words.PARTS_ORDERED_INTRO, "small"), table))]


def blocks(record: ConformityRecord) -> list[Block]:
    """Places, differences and profiles; nothing where no part has places or spots."""
    out: list[Block] = []
    if parts := [s for s in record.specimens if s.places]:
        table = _places(parts)
        out.append(Titled(words.PARTS_PLACES, (Text(words.PARTS_PLACES_INTRO, "small"), table)))
    if any(s.differences for s in record.specimens):
        out.append(_apart(record))
    if plots := profiles(record):
        out.append(Plots(plots, across=2, height_mm=52, most=_PROFILES, title=words.PARTS_PROFILES))
    return out


def _places(parts: list[SpecimenConformity]) -> Table:
    sample, method, place, fits, against = words.PARTS_PLACES_HEADINGS
    return Table(
        (
            Column(sample, 0.13, given=True, bold=True), Column(method, 0.22, given=True),
            Column(place, 0.21, given=True), Column(fits, 0.20, given=True),
            Column(against, 0.24, limit=300),
        ),
        [
            (
                p.results.sample_id, p.results.method,
                p.results.place.name if p.results.place else "",
                ", ".join(g.grade for g in p.grades_of(MEETS, CONSISTENT)) or words.NO_GRADE,
                "; ".join(
                    words.SPEAKS.format(names=g.grade, why=conformity.why_excluded(g))
                    for g in p.grades_of(EXCLUDED)
                ),
            )
            for s in parts
            for p in s.places
        ],
        most=_ROWS, rest=_FILE, file=_FILE, compact=True,
    )  # fmt: skip


def _apart(record: ConformityRecord) -> Titled:
    level, size = f"{record.place_level:g}", numbers.percent(record.place_size)
    said: list[Block] = [Text(words.PARTS_APART_INTRO.format(level=level, size=size), "small")]
    rows = [
        _difference(s, d, at)
        for s in record.specimens
        for d in s.differences
        for at, told in enumerate(d.told)
        if told
    ]
    untested = sum(
        all(d.reason for d in s.differences) for s in record.specimens if s.differences
    )  # fmt: skip
    if untested:
        said.append(Text(words.PARTS_APART_UNTESTED.format(parts=untested), "small"))
    said += [
        Text(
            words.PARTS_GROUPS.format(
                sample=s.results.sample_id, element=d.element, p=numbers.p_text(d.p_groups)
            ),
            "small",
        )
        for s in record.specimens
        for d in s.differences
        if d.upper
    ]
    if not rows:
        return Titled(words.PARTS_APART, (*said, Text(words.PARTS_APART_NONE)))
    sample, element, place, found, others, shift, p, n = words.PARTS_APART_HEADINGS
    table = Table(
        (
            Column(sample, 0.15, given=True, bold=True), Column(element, 0.08),
            Column(place, 0.24, given=True), Column(found, 0.15, number=True),
            Column(others, 0.15, number=True), Column(shift, 0.11, number=True),
            Column(p, 0.07, number=True), Column(n, 0.05, number=True),
        ),
        rows, most=_ROWS, rest="", compact=True,
    )  # fmt: skip
    return Titled(words.PARTS_APART, (*said, table))


def _difference(s: SpecimenConformity, d: PlaceDifference, at: int) -> list[str | Cell]:
    value, shift = d.values[at], d.shifts[at]
    others, p = value - shift, d.p_values[at]
    return [
        s.results.sample_id, d.element, d.places[at].name,
        Cell(numbers.show(value, "mg/kg"), value), Cell(numbers.show(others, "mg/kg"), others),
        Cell(numbers.percent(shift / others) if others else numbers.NONE, shift),
        numbers.p_text(p) if p == p else numbers.NONE, counted(d.spots[at]),
    ]  # fmt: skip


def profiles(record: ConformityRecord) -> tuple[Plot, ...]:
    """Contents along the line of parts with three positions or more; those that differ first."""
    found = []
    for s in record.specimens:
        limits = {e.limit.element: e.limit for g in s.grades for e in g.elements}
        told = {d.element for d in s.differences if any(d.told)}
        elements = dict.fromkeys(m.element for p in s.places for m in p.results.values)
        for element in elements:
            if element in limits and (plot := _profile(s, element, limits[element])):
                title = words.PARTS_PROFILE_TITLE.format(
                    element=element, sample=s.results.sample_id
                )
                found.append((element not in told, Plot(plot, (title,))))
    return tuple(plot for _, plot in sorted(found, key=lambda f: f[0]))


def _profile(s: SpecimenConformity, element: str, limit: Limit) -> ProfilePlot | None:
    rows = sorted(
        (place.position_mm, place.role, m.value * limit.per_mg_kg, m.k * m.u * limit.per_mg_kg)
        for p in s.places
        for m in p.results.values
        if (place := p.results.place) and m.element == element
        and math.isfinite(place.position_mm) and math.isfinite(m.value)
    )  # fmt: skip
    if len({row[0] for row in rows}) < 3:
        return None
    roles = dict.fromkeys(row[1] for row in rows)
    points = []
    for role in roles:
        x, y = (np.array([row[at] for row in rows if row[1] == role]) for at in (0, 2))
        points.append(Points(_MARKS.get(role, "used"), role or words.PARTS_ROLE_NONE, x, y))
    at, _, value, wide = (np.array([row[i] for row in rows], dtype=object) for i in range(4))
    middle, u = value.astype("float64"), wide.astype("float64")
    unit = limit.unit if limit.unit == "%" else numbers.unit_name(limit.unit)
    return ProfilePlot(
        tuple(points), middle - u, middle + u, at.astype("float64"), _levels(s, element),
        words.PARTS_POSITION, words.PARTS_CONTENT.format(element=element, unit=unit),
    )  # fmt: skip


def _levels(s: SpecimenConformity, element: str) -> tuple[Level, ...]:
    """The limits of the ordered grade."""
    if not (call := s.ordered):
        return ()
    return tuple(
        Level(f"{words.PARTS_LIMIT}: {call.grade}", value * e.limit.per_mg_kg)
        for e in call.elements
        if e.limit.element == element
        for value in (e.limit.minimum, e.limit.maximum)
        if math.isfinite(value)
    )
