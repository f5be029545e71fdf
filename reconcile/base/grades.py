"""What is said of the specimens of a period against grades of a table of limits, mg/kg.

How it is judged is told in ``judgement.conformity``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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

LOW, HIGH = "below the minimum", "above the maximum"


@dataclass(frozen=True, slots=True)
class Limit:
    """What one grade may hold of one element, mg/kg; NaN where there is no limit."""

    grade: str
    element: str
    minimum: float
    maximum: float
    unit: str = "mg/kg"  # in which the limit was stated
    per_mg_kg: float = 1.0


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

    @property
    def value(self) -> float:
        """The result, or NaN where it is known between bounds only."""
        return self.low if self.low == self.high else math.nan


@dataclass(frozen=True, slots=True)
class ResultSet:
    """All results of one specimen by one method."""

    sample_id: str
    side: str  # field | lab
    technique: str
    method: str
    description: str  # matrix and form, or certificates
    values: tuple[Measured, ...]


@dataclass(frozen=True, slots=True)
class ElementCall:
    """What one element says of one grade; mg/kg."""

    limit: Limit
    call: str  # WITHIN, AGAINST, OPEN, NOT_DECIDED or NOT_MEASURED
    why: str = ""
    accept_low: float = math.nan  # acceptance limits of the rule
    accept_high: float = math.nan
    probability: float = math.nan  # that the true value lies within the limits


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
    """One result set against every grade of the table."""

    results: ResultSet
    grades: tuple[GradeCall, ...]

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


@dataclass(frozen=True, slots=True)
class ConformityRecord:
    """Every result set of a period against a table of limits, with the rule."""

    rule: str
    guard_factor: float
    grades: tuple[tuple[Limit, ...], ...]  # of each grade, in the order of the table
    specimens: tuple[SpecimenConformity, ...]
    notes: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()  # what it rests on beside the period's own inputs
