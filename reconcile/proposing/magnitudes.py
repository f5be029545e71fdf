"""What the sizes of results say of their unit: by the other side, and by what a row adds up to."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from reconcile.base.quantities import parse_species

_FEWEST = 5  # samples that both sides have
#: Ratios of what is read as mg/kg that another unit explains, within a factor of two.
_EXPLAINED = {"%": 1e-4, "g/kg": 1e-3}
_WITHIN = 2.0
#: Oxides in which whole rock is reported; parts of the element in each, within this much.
_OXIDES = ("SiO2", "Al2O3", "Fe2O3", "CaO", "MgO", "K2O", "Na2O", "TiO2", "MnO", "P2O5")
_OXIDE_WITHIN, _FEWEST_OXIDES = 0.05, 3

Means = Mapping[str, Mapping[str, float]]


@dataclass(frozen=True, slots=True)
class Ratio:
    """Median ratio of one side's results to the other's, of one element."""

    element: str
    ratio: float
    samples: int


@dataclass(frozen=True, slots=True)
class Doubt:
    """Ratios that another unit or an oxide explains; ``unit``: '' where it is the oxide."""

    unit: str
    ratios: tuple[Ratio, ...]


def ratios(first: Means, second: Means) -> tuple[Ratio, ...]:
    """Of each element that both have in enough of the same samples."""
    found = []
    for element in sorted(first.keys() & second.keys()):
        both = first[element].keys() & second[element].keys()
        if len(both) >= _FEWEST:
            middle = median(first[element][s] / second[element][s] for s in both)
            found.append(Ratio(element, middle, len(both)))
    return tuple(found)


def explained_by(found: tuple[Ratio, ...]) -> str:
    """The unit of results read as mg/kg that brings most of the ratios near one; '' for none."""
    if not found:
        return ""
    middle = math.log(median(r.ratio for r in found))
    units = {"mg/kg": 0.0, **{u: math.log(f) for u, f in _EXPLAINED.items()}}
    unit, off = min(((u, abs(middle - at)) for u, at in units.items()), key=lambda p: p[1])
    return unit if off <= math.log(_WITHIN) else ""


def doubts(found: tuple[Ratio, ...]) -> tuple[Doubt, ...]:
    """Ratios that are no bias: a power of ten of units, or the factor of the usual oxide."""
    made = []
    for unit, factor in _EXPLAINED.items():
        for at in (factor, 1 / factor):
            near = tuple(
                r for r in found if abs(math.log(r.ratio / at)) <= math.log(_WITHIN)
            )  # fmt: skip
            if near:
                made.append(Doubt(unit, near))
    for up in (True, False):
        near = tuple(
            r for r in found
            if (part := _OF_ELEMENT.get(r.element)) is not None
            and abs(r.ratio * (part if up else 1 / part) - 1) <= _OXIDE_WITHIN
        )  # fmt: skip
        if len(near) >= _FEWEST_OXIDES:
            made.append(Doubt("", near))
    return tuple(made)


def _parts() -> dict[str, float]:
    species = [parse_species(formula) for formula in _OXIDES]
    return {s.element: s.element_per_species for s in species if s is not None}


_OF_ELEMENT = _parts()


def adds_up_to_percent(sums: Sequence[float]) -> bool:
    """Whether most rows add up to about 100, as whole rock or alloy in % does."""
    near = sum(80 <= s <= 105 for s in sums)
    return len(sums) >= _FEWEST and near >= 0.8 * len(sums)
