"""Parts place by place: the part is what its worst place is, and places that differ are found."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from reconcile.base.finding_codes import FindingCode
from reconcile.base.grades import (
    AGAINST,
    EXCLUDED,
    NOT_DECIDED,
    NOT_IN_TABLE,
    NOT_MEASURED,
    OPEN,
    WITHIN,
    ConformityRecord,
    ElementCall,
    GradeCall,
    Measured,
    Place,
    PlaceDifference,
    ResultSet,
    SpecimenConformity,
)
from reconcile.base.model.account import Finding
from reconcile.base.part_roles import BASE_METAL
from reconcile.base.settings.papers import ConformitySettings
from reconcile.judgement.conformity import grade_call, why_excluded
from reconcile.statistics.places import differing

_MOST = 4  # places that a group names
#: Calls of an element, the worst first.
_WORST = (AGAINST, OPEN, NOT_DECIDED, NOT_MEASURED, WITHIN)


def judged(
    whole: ResultSet,
    places: Sequence[ResultSet],
    judge: Callable[[ResultSet], SpecimenConformity],
    agreed: ConformitySettings,
) -> SpecimenConformity:
    """A specimen against the grades: place by place where its rows state places.

    Where they state none the mean is judged; an element of which a spot differs from the
    others then speaks against a grade and not for one.
    """
    found = differences(places, agreed)
    if places and places[0].place is not None and places[0].place.stated:
        each = tuple(judge(p) for p in places)
        return worst(whole, each, found)
    apart = {
        d.element: f"{next(p.name for p, told in zip(d.places, d.told, strict=True) if told)} "
        "differs from the others"
        for d in found
        if any(d.told)
    } | {d.element: "its places fall into two groups" for d in found if d.upper}
    values = tuple(
        replace(m, untrusted=_both(apart[m.element], m.untrusted)) if m.element in apart else m
        for m in whole.values
    )
    return replace(judge(replace(whole, values=values)), differences=found)


def _both(first: str, second: str) -> str:
    return f"{first}; {second}" if second else first


def worst(
    whole: ResultSet,
    places: tuple[SpecimenConformity, ...],
    found: tuple[PlaceDifference, ...] = (),
) -> SpecimenConformity:
    """The calls of the worst place, grade by grade and element by element."""
    grades = []
    for at, grade in enumerate(places[0].grades):
        elements = tuple(
            min(
                (_placed(p.grades[at].elements[i], p.results.place) for p in places),
                key=lambda e: _WORST.index(e.call),
            )
            for i in range(len(grade.elements))
        )
        # complete: a table with refused rows has made no place MEETS, so that none is made here
        every = all(p.grades[at].call == grade_call(p.grades[at].elements, True) for p in places)
        grades.append(GradeCall(grade.grade, grade_call(elements, every), elements))
    return SpecimenConformity(whole, tuple(grades), places, found)


def _placed(call: ElementCall, place: Place | None) -> ElementCall:
    return replace(call, place=place)


def differences(
    places: Sequence[ResultSet], agreed: ConformitySettings
) -> tuple[PlaceDifference, ...]:
    """The test of every element with a number at two places or more."""
    if len(places) < 2:
        return ()
    elements = dict.fromkeys(m.element for p in places for m in p.values)
    found = []
    for element in sorted(elements):
        known = [
            (p.place, m)
            for p in places
            for m in p.values
            if m.element == element and not m.unusable and math.isfinite(m.raw) and p.place
        ]
        if len(known) >= 2:
            found.append(_tested(element, known, agreed))
    return tuple(found)


def _tested(
    element: str, known: Sequence[tuple[Place, Measured]], agreed: ConformitySettings
) -> PlaceDifference:
    """Values as read: a correction moves every place alike, and the test needs their scatter."""
    values = np.array([m.raw for _, m in known])
    spots = np.array([m.spots for _, m in known], dtype=np.float64)
    sds = np.array([m.se * math.sqrt(m.spots) for _, m in known])
    base = [place.role == BASE_METAL for place, _ in known]
    test = differing(values, spots, sds, agreed.place_level, base)
    shifts = np.array(test.shifts)
    with np.errstate(all="ignore"):
        against = np.abs(values - shifts)
        large = np.abs(shifts) >= agreed.place_size * against
    upper = np.array(test.upper, dtype=bool)
    if len(upper):
        low, high = values[~upper].mean(), values[upper].mean()
        if not high - low >= agreed.place_size * abs(low):
            upper = upper[:0]
    return PlaceDifference(
        element, tuple(p for p, _ in known), tuple(values.tolist()),
        tuple(int(s) for s in spots), test.shifts, test.p_values,
        tuple((np.array(test.differs) & large).tolist()), test.reference, test.method, test.reason,
        tuple(upper.tolist()), test.p_groups,
    )  # fmt: skip


# ---- what is told -----------------------------------------------------------------------


def findings(record: ConformityRecord) -> tuple[Finding, ...]:
    """Parts that are not the ordered grade, and places that differ from their part."""
    return (*_ordered(record), *_apart(record), *_in_two_groups(record))


def _ordered(record: ConformityRecord) -> list[Finding]:
    found = []
    unknown: dict[str, list[str]] = {}
    for s in record.specimens:
        call = s.ordered
        if call is None:
            continue
        if call.call == NOT_IN_TABLE:
            unknown.setdefault(call.grade, []).append(s.results.sample_id)
        if call.call != EXCLUDED:
            continue
        where = [p for p in s.places if (c := p.ordered) and c.call == EXCLUDED]
        named = "; ".join(
            f"{p.results.place.name if p.results.place else ''}: {why_excluded(c)}"
            for p in where
            if (c := p.ordered)
        )
        found.append(
            Finding(
                "quality", "serious", s.results.sample_id,
                f"{s.results.sample_id} was ordered as {call.grade}, and its results by "
                f"{s.results.method} speak against that: {named or why_excluded(call)}.",
                advice="Set the part aside, read it again on a ground surface, and let the "
                "laboratory confirm; a competent person decides under the local code.",
                code=FindingCode.ORDERED_GRADE_EXCLUDED,
            )
        )  # fmt: skip
    for grade, samples in sorted(unknown.items()):
        many = sorted(set(samples))
        named = ", ".join(many[:5]) + (f" and {len(many) - 5} more" if many[5:] else "")
        found.append(
            Finding(
                "intake", "warning", grade,
                f"The ordered grade '{grade}' ({named}) is not in the table of limits: it was not "
                "judged.",
                advice="Write the grade as the table of limits does, or add its limits.",
                code=FindingCode.ORDERED_GRADE_UNKNOWN,
            )
        )  # fmt: skip
    return found


def _apart(record: ConformityRecord) -> list[Finding]:
    found = []
    for s in record.specimens:
        told: dict[str, list[str]] = {}
        for d in s.differences:
            for place, value, shift, is_told in zip(
                d.places, d.values, d.shifts, d.told, strict=True
            ):
                if is_told:
                    told.setdefault(place.name, []).append(
                        f"{d.element} {value:.4g} mg/kg against {value - shift:.4g}"
                    )
        if told:
            named = "; ".join(f"{place}: {', '.join(what)}" for place, what in told.items())
            found.append(
                Finding(
                    "quality", "warning", s.results.sample_id,
                    f"Places of {s.results.sample_id} read by {s.results.method} differ from the "
                    f"rest of it ({named}; level {record.place_level:g} for each element, least "
                    f"difference {record.place_size:.0%}).",
                    advice="A weld, a coating, another part or a bad surface: look at the place. "
                    "The mean over the part is the content of none of them.",
                    code=FindingCode.PLACE_DIFFERS,
                )
            )  # fmt: skip
    return found


def _in_two_groups(record: ConformityRecord) -> list[Finding]:
    found = []
    for s in record.specimens:
        grouped = [d for d in s.differences if d.upper]
        if not grouped:
            continue
        named = "; ".join(
            f"{d.element} {' and '.join(_group_text(d, upper) for upper in (False, True))}, "
            f"p {d.p_groups:.2g}"
            for d in grouped
        )
        found.append(
            Finding(
                "quality", "warning", s.results.sample_id,
                f"Places of {s.results.sample_id} read by {s.results.method} fall into two groups: "
                f"possibly two materials ({named}; level {record.place_level / 2:g} for each "
                f"element, least difference {record.place_size:.0%}).",
                advice="Read each place again, three spots at least: two materials, a joint, a "
                "coating or a gradient. The mean over the part may be the content of none of them.",
                code=FindingCode.PLACES_IN_TWO_GROUPS,
            )
        )  # fmt: skip
    return found


def _group_text(d: PlaceDifference, upper: bool) -> str:
    of_it = [(p.name, v) for p, v, u in zip(d.places, d.values, d.upper, strict=True) if u == upper]
    values = [v for _, v in of_it]
    names = ", ".join(name for name, _ in of_it[:_MOST])
    more = f" and {len(of_it) - _MOST} more" if of_it[_MOST:] else ""
    return f"{min(values):.4g} to {max(values):.4g} mg/kg at {names}{more}"
