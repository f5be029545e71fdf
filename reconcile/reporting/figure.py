"""One figure of one stratum as data files and readers get it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from reconcile.figures.definition import NAN, At, Definition, Found, Kind, Part, Place, Several
from reconcile.reporting import numbers, words


@dataclass(frozen=True, slots=True)
class Figure:
    """One number of one stratum. ``value``, ``low`` and ``high`` are in the base unit."""

    key: str
    label: str  # as in the data files
    kind: Kind
    definition: Definition[Any]
    item: Any  # what it was read from
    order: int  # its place in its group, from 1
    value: float
    low: float = NAN
    high: float = NAN
    se: float = NAN
    n: int | None = None
    level: float = NAN
    method: str = ""
    reason: str = ""

    @property
    def base_unit(self) -> str:
        """Unit of ``value`` in the data files."""
        return "mg/kg" if self.kind == "mass" else "1"

    @property
    def places(self) -> tuple[Place, ...]:
        """Where it stands for readers."""
        return self.definition.places_of(self.item)

    def unit(self, mass_unit: str) -> str:
        """Unit of what ``texts`` gives."""
        if self.kind == "mass":
            return numbers.unit_name(mass_unit)
        return "%" if self.kind == "percent" else ""

    def factor(self, per_mg_kg: float) -> float:
        """What multiplies the base unit for the reader."""
        return {"mass": per_mg_kg, "percent": 100.0}.get(self.kind, 1.0)

    def name(self, mass_unit: str, per_mg_kg: float) -> str:
        """Its label on a page, levels in the reader's unit."""
        return label_of(self.definition, self.item, mass_unit, per_mg_kg)

    def texts(self, per_mg_kg: float) -> tuple[str, str]:
        """Value and interval as the reader sees them, without unit."""
        value, low, high = self.parts(per_mg_kg)
        return value, numbers.interval_text(low, high)

    def parts(self, per_mg_kg: float) -> tuple[str, str, str]:
        """Value and both ends of its interval as the reader sees them, without unit."""
        if self.kind == "count":
            return numbers.plain(self.value, 0), numbers.NONE, numbers.NONE
        if self.kind == "p":
            return numbers.p_text(self.value), numbers.NONE, numbers.NONE
        ratio = self.kind == "ratio"
        return numbers.estimate_parts(
            self.value,
            self.low,
            self.high,
            self.factor(per_mg_kg),
            signed=self.definition.signed and not ratio,
            most_decimals=3 if ratio else self.definition.decimals,
            positive=ratio,
        )


def of_found(found: Found) -> Figure:
    """A figure of the registry with its words."""
    d, x = found.definition, found.number
    return Figure(
        found.code, label_of(d, found.item), d.kind_of(found.item), d, found.item,
        found.place_in_group, x.value, x.low, x.high, x.se, x.n, x.level, x.method, x.reason,
    )  # fmt: skip


def label_of(
    definition: Definition[Any], item: Any, mass_unit: str = "", per_mg_kg: float = NAN
) -> str:
    """The label; a level in it by its number where no ``mass_unit`` is given."""

    def said(part: Part) -> str:
        if isinstance(part, Several):
            one, many, _ = words.SCATTER_UNITS[part.by_spots]
            return several(part.count, one, many)
        if isinstance(part, At):
            if mass_unit:
                return numbers.show(part.mg_kg * per_mg_kg, mass_unit)
            return words.LEVEL_NUMBER.format(n=part.number)
        return part

    parts = definition.parts(item) if definition.parts is not None else {}
    text = words.FIGURES[definition.label or definition.code]
    return text.format(**{name: said(part) for name, part in parts.items()})


def several(count: float, one: str, many: str) -> str:
    """ "3 spots"; "2.4 readings" where samples differ."""
    whole = round(count)
    if abs(count - whole) < 0.05:
        return numbers.count(whole, one, many)
    return f"{numbers.plain(count, 1)} {many}"
