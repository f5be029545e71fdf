"""The table of conformity as it stands in ``conformity.csv``."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from reconcile.base.grades import ConformityRecord, SpecimenConformity

COLUMNS = (
    "sample_id", "side", "method", "description", "grade", "grade_call", "element",
    "minimum_mg_kg", "maximum_mg_kg", "element_call", "why", "value_mg_kg", "low_mg_kg",
    "high_mg_kg", "raw_mg_kg", "standard_uncertainty_mg_kg", "coverage_factor",
    "expanded_uncertainty_mg_kg", "uncertainty_from", "factor_id", "accept_from_mg_kg",
    "accept_to_mg_kg", "probability_within", "decision_rule", "guard_factor", "place",
    "role", "position_mm", "deciding_place", "ordered_grade", "ordered_call",
)  # fmt: skip

TEXT_COLUMNS = frozenset(
    {
        "sample_id", "side", "method", "description", "grade", "grade_call", "element",
        "element_call", "why", "uncertainty_from", "factor_id", "decision_rule",
        "place", "role", "deciding_place", "ordered_grade", "ordered_call",
    }
)  # fmt: skip


def rows(record: ConformityRecord) -> Iterable[list[Any]]:
    """One row per result set, grade and element of its limits, COLUMNS.

    Behind a part that is judged place by place stand its places.
    """
    for specimen in record.specimens:
        for each in (specimen, *specimen.places):
            yield from _rows(record, each)


def _rows(record: ConformityRecord, specimen: SpecimenConformity) -> Iterable[list[Any]]:
    r, place, ordered = specimen.results, specimen.results.place, specimen.ordered
    at = [place.location, place.role, place.position_mm] if place else ["", "", math.nan]
    for grade in specimen.grades:
        for e in grade.elements:
            m = e.measured
            found = (
                [m.value, m.low, m.high, m.raw, m.u, m.k if m.u == m.u else math.nan,
                 m.k * m.u, m.source, m.factor_id]
                if m is not None
                else [*[math.nan] * 7, "", ""]
            )  # fmt: skip
            yield [
                r.sample_id, r.side, r.method, r.description, grade.grade, grade.call,
                e.limit.name, e.limit.minimum, e.limit.maximum, e.call, e.why, *found,
                e.accept_low, e.accept_high, e.probability, record.rule, record.guard_factor,
                *at, e.place.name if e.place else "",
                ordered.grade if ordered else "", ordered.call if ordered else "",
            ]  # fmt: skip
