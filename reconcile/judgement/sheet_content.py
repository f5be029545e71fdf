"""What a result sheet says, as values: made once, kept as JSON, read back for recall and scores."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from reconcile.base.errors import ReconcileError
from reconcile.base.grades import Place
from reconcile.base.methods import FieldMethod
from reconcile.judgement.field_values import FieldMean
from reconcile.judgement.part_places import PartPlace
from reconcile.judgement.results import AtLevel, Reason, Result
from reconcile.judgement.sheet_positions import Position
from reconcile.statistics.equality import equal_with_nan


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Costs:
    """What a laboratory assay and each wrong call cost, in one currency; NaN: not given."""

    assay: float = math.nan
    missed: float = math.nan
    false_alarm: float = math.nan
    currency: str = ""


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Unit:
    """The reader's unit of an element in a matrix."""

    element: str
    matrix: str
    unit: str
    per_mg_kg: float


@dataclass(frozen=True, slots=True)
class GradeLine:
    """What the conformity of a release says of one part and grade."""

    sample_id: str
    method: str
    grade: str
    call: str  # base.grades
    against: tuple[str, ...] = ()  # elements that speak against it
    undecided: tuple[str, ...] = ()
    release_id: str = ""
    at_place: str = ""  # of the part; "" for the whole

    @property
    def part(self) -> str:
        """The part, and the place on it."""
        return ", ".join(x for x in (self.sample_id, self.at_place) if x)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class PhotoOf:
    """The picture that stands on the sheet of one part, and the spots marked on it."""

    file: str
    sha256: str  # of the file that it was made small from
    note: str
    marks: tuple[tuple[str, float, float], ...]  # spot, % from the left, % from above


@equal_with_nan
@dataclass(frozen=True, slots=True)
class ResultSheet:
    """One revision of a numbered sheet."""

    number: str  # such as RS-0001
    revision: int
    issued_at: str  # ISO time with zone, as the person stated it
    issued_by: str
    person: str  # id in the register of people; "" where there is none
    title: str  # of the workspace
    prepared_for: str
    purpose: str
    source: str  # name of the table
    source_sha256: str
    table: str  # of the settings, that read it
    lab_method: str  # that was asked for; "" where none
    code_version: str
    settings_sha256: str
    record_lines: int  # of the record before this sheet
    record_head: str
    releases: tuple[tuple[str, str], ...]  # that it rests on: id, SHA-256 of the manifest
    factors: tuple[str, ...]  # ids of the factors used
    supersedes: str  # number and revision; "" for the first
    results: tuple[Result, ...]
    units: tuple[Unit, ...] = ()
    grades: tuple[GradeLine, ...] = ()
    grade_rule: str = ""
    notes: tuple[str, ...] = ()
    answered: int = 0  # samples of the table left out: they have a laboratory result
    spots_share: float = math.nan
    costs: Costs = field(default_factory=Costs)
    decimal_mark: str = "."
    date_style: str = "year-month-day"
    paper: str = "A4"
    positions: tuple[Position, ...] = ()  # of samples whose rows state one
    places: tuple[PartPlace, ...] = ()  # of a sheet of one part
    photo: PhotoOf | None = None

    @property
    def of_one_part(self) -> bool:
        """Whether the sheet is of one sample: then it is one page."""
        return len({r.mean.sample_id for r in self.results}) == 1

    @property
    def name(self) -> str:
        """Number and revision, as printed."""
        return f"{self.number} r{self.revision}"

    def unit_of(self, element: str, matrix: str) -> tuple[str, float]:
        """The reader's unit and how many of it a mg/kg is."""
        for u in self.units:
            if (u.element, u.matrix) == (element, matrix):
                return u.unit, u.per_mg_kg
        return "mg/kg", 1.0


def from_bytes(content: bytes) -> ResultSheet:
    """The sheet of its JSON; raises ReconcileError where it can't be read."""
    try:
        made: ResultSheet = _made(ResultSheet, json.loads(content)["sheet"])
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise ReconcileError(
            f"A result sheet can't be read ({type(error).__name__}: {error}).",
            "Restore it from the copy that was sent out.",
        ) from error
    return made


#: How values inside a sheet are made again from plain ones.
_INSIDE: Mapping[str, type[Any]] = {
    "costs": Costs, "mean": FieldMean, "read_by": FieldMethod, "place": Place,
    "photo": PhotoOf,
}  # fmt: skip
_MANY: Mapping[tuple[type[Any], str], type[Any]] = {
    (ResultSheet, "results"): Result, (ResultSheet, "units"): Unit,
    (ResultSheet, "grades"): GradeLine, (ResultSheet, "positions"): Position,
    (ResultSheet, "places"): PartPlace,
    (Result, "levels"): AtLevel,
    (Result, "reasons"): Reason, (AtLevel, "reasons"): Reason,
}  # fmt: skip


def _made(kind: type[Any], values: Mapping[str, Any]) -> Any:
    found: dict[str, Any] = {}
    for f in dataclasses.fields(kind):
        if f.name not in values:
            continue  # of a later version
        value = values[f.name]
        inner = _MANY.get((kind, f.name))
        if inner is not None:
            value = tuple(_made(inner, each) for each in value)
        elif f.name in _INSIDE and isinstance(value, dict):
            value = _made(_INSIDE[f.name], value)
        elif isinstance(value, list):
            value = tuple(tuple(x) if isinstance(x, list) else x for x in value)
        elif value is None and f.type == "float":
            value = math.nan
        found[f.name] = value
    return kind(**found)
