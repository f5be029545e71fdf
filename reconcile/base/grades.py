"""What is said of the specimens of a period against grades of a table of limits, mg/kg.

How it is judged is told in ``judgement.conformity``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from reconcile.base.formulas import Formula
from reconcile.statistics.equality import equal_with_nan

SIMPLE, GUARDED, GUARDED_REJECTION = (
    "simple acceptance", "guarded acceptance", "guarded rejection",
)  # fmt: skip
RULES = (SIMPLE, GUARDED, GUARDED_REJECTION)

#: Of one element against one grade.
WITHIN, AGAINST, OPEN, NOT_DECIDED, NOT_MEASURED = (
    "within", "against", "open", "not decided", "not measured",
)  # fmt: skip
#: Of one grade.
MEETS, CONSISTENT, EXCLUDED, NOT_JUDGED = (
    "every limit decided within", "consistent", "not this grade", "not judged",
)  # fmt: skip

#: Of an ordered grade that the table of limits does not name.
NOT_IN_TABLE = "not in the table of limits"

LOW, HIGH = "below the minimum", "above the maximum"


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Limit:
    """What one grade may hold of one element, mg/kg; NaN where there is no limit."""

    grade: str
    element: str
    minimum: float
    maximum: float
    unit: str = "mg/kg"  # in which the limit was stated
    per_mg_kg: float = 1.0
    formula: Formula | None = None  # of elements, in ``unit``; ``element`` is then its name

    @property
    def needs(self) -> tuple[str, ...]:
        """The elements that must be measured."""
        return self.formula.elements if self.formula else (self.element,)

    @property
    def name(self) -> str:
        """As shown: the element, or the formula with its name."""
        if self.formula is None or self.formula.text == self.element:
            return self.element
        return f"{self.element} = {self.formula.text}"


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Measured:
    """One element's result of one specimen, mg/kg, with what is known of its uncertainty."""

    element: str
    low: float  # bounds of the result, equal where it is quantified
    high: float
    u: float = math.nan  # standard uncertainty; NaN where not known
    k: float = 2.0  # coverage factor
    source: str = ""  # whence the uncertainty, or why it is not known
    raw: float = math.nan  # the value as read, where it was corrected
    factor_id: str = ""
    untrusted: str = ""  # why it may speak against a grade, but not for one
    unusable: str = ""  # why it is not used at all
    spots: int = 1  # spots, or readings, behind it
    se: float = math.nan  # of the mean as read, by its own spots

    @property
    def value(self) -> float:
        """The result, or NaN where it is known between bounds only."""
        return self.low if self.low == self.high else math.nan


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Place:
    """A place of a part, as its rows state it."""

    location: str = ""
    role: str = ""  # of ``base.part_roles``, or as written
    position_mm: float = math.nan
    stated: bool = True  # False: a spot of a part whose rows state no place

    @property
    def name(self) -> str:
        """As shown, such as "left, weld metal, 12.5 mm"."""
        role = self.role if self.role.casefold() != self.location.casefold() else ""
        at = f"{self.position_mm:g} mm" if self.position_mm == self.position_mm else ""
        return ", ".join(part for part in (self.location, role, at) if part)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class PlaceDifference:
    """The test of one element over the places of one part; mg/kg."""

    element: str
    places: tuple[Place, ...]
    values: tuple[float, ...]  # of each place
    spots: tuple[int, ...]
    shifts: tuple[float, ...]  # against the reference
    p_values: tuple[float, ...]  # NaN where only the limits of the procedure are known
    told: tuple[bool, ...]  # differs at the level, by the agreed size or more
    reference: float
    method: str
    reason: str = ""  # why nothing was tested
    upper: tuple[bool, ...] = ()  # of two groups of places, the one that reads higher; (): one
    p_groups: float = math.nan


@dataclass(frozen=True, slots=True)
class ResultSet:
    """All results of one specimen, or of one place of it, by one method."""

    sample_id: str
    side: str  # field | lab
    technique: str
    method: str
    description: str  # matrix and form, or certificates
    values: tuple[Measured, ...]
    place: Place | None = None  # None: the whole specimen
    ordered: str = ""  # the grade that it should be, where somebody said so


#: Calls of a grade, the worst first.
_WORST = (EXCLUDED, NOT_IN_TABLE, NOT_JUDGED, CONSISTENT, MEETS)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class ElementCall:
    """What one element says of one grade; mg/kg."""

    limit: Limit
    call: str  # WITHIN, AGAINST, OPEN, NOT_DECIDED or NOT_MEASURED
    why: str = ""
    accept_low: float = math.nan  # acceptance limits of the rule
    accept_high: float = math.nan
    probability: float = math.nan  # that the true value lies within the limits
    measured: Measured | None = None  # on which the call rests
    place: Place | None = None  # of a part: the place that decides


@dataclass(frozen=True, slots=True)
class GradeCall:
    """What a result set says of one grade."""

    grade: str
    call: str  # MEETS, CONSISTENT, EXCLUDED or NOT_JUDGED
    elements: tuple[ElementCall, ...]

    def of(self, call: str) -> tuple[str, ...]:
        """The elements with this call, in the order of the table of limits."""
        return tuple(e.limit.element for e in self.elements if e.call == call)


@dataclass(frozen=True, slots=True)
class SpecimenConformity:
    """One result set against every grade of the table.

    A part whose readings state places is what its worst place is: its calls are the worst of
    ``places``, grade by grade and element by element.
    """

    results: ResultSet
    grades: tuple[GradeCall, ...]
    places: tuple[SpecimenConformity, ...] = ()
    differences: tuple[PlaceDifference, ...] = ()

    @property
    def ordered(self) -> GradeCall | None:
        """What is said of the ordered grade; None where none is ordered.

        Where places were ordered in several grades, the worst of them.
        """
        if self.places:
            found = [call for place in self.places if (call := place.ordered)]
            return min(found, key=lambda g: _WORST.index(g.call)) if found else None
        wanted = self.results.ordered.strip()
        if not wanted:
            return None
        for grade in self.grades:
            if grade.grade.casefold() == wanted.casefold():
                return grade
        return GradeCall(wanted, NOT_IN_TABLE, ())

    def grades_of(self, *calls: str) -> tuple[GradeCall, ...]:
        """Grades with one of these calls, in the order of the table."""
        return tuple(g for g in self.grades if g.call in calls)

    @property
    def not_measured(self) -> tuple[tuple[str, str], ...]:
        """Elements with limits in any grade that were not measured, each with the reason."""
        found: dict[str, str] = {}
        for grade in self.grades:
            for e in grade.elements:
                if e.call == NOT_MEASURED:
                    found.setdefault(e.limit.element, e.why)
        return tuple(found.items())


@equal_with_nan
@dataclass(frozen=True, slots=True)
class ConformityRecord:
    """Every result set of a period against a table of limits, with the rule."""

    rule: str
    guard_factor: float
    grades: tuple[tuple[Limit, ...], ...]  # of each grade, in the order of the table
    specimens: tuple[SpecimenConformity, ...]
    notes: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()  # what it rests on beside the period's own inputs
    place_level: float = math.nan  # of the test of places
    place_size: float = math.nan  # and the least relative difference that is told
