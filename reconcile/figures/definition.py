"""What a figure is: one record says its code, words, kind, source, place and where it comes from.

A figure is one number of a stratum, with its interval where it has one. Every file, page,
sheet and sentence takes figures from the registry (``figures.registry``), so that one more
needs its record, its words, and nothing else::

    Definition(
        "median_ratio", "ratio", compute=lambda x: my_estimate(x.lab, x.field, x.level),
        places=(Place(Side.LEFT, 25),), source="Author 1999",
    )

with ``"median_ratio": "Median ratio, field/lab"`` among the words' ``FIGURES``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from typing import Any, Generic, Literal, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.model.figures import StratumStatistics
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import Estimate

NAN = math.nan
T = TypeVar("T")
Array = NDArray[np.float64]

#: mass: mg/kg; ratio, number: dimensionless; percent: a fraction shown in %; count; p.
Kind = Literal["mass", "ratio", "number", "percent", "count", "p"]


class Side(Enum):
    """A table of a stratum's page, or of its further figures."""

    LEFT = auto()  # differences
    RIGHT = auto()  # line, scatter and decisions
    FURTHER_LEFT = auto()  # errors and scatter
    FURTHER_RIGHT = auto()  # lines, limits and summaries


@dataclass(frozen=True, slots=True)
class Place:
    """Where a figure stands for readers; ``at`` orders the figures of the two page tables.

    The further tables hold figures that are known, in the order of the registry.
    """

    side: Side
    at: int = 0
    if_known: bool = False  # left out of its table where it has no value


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Number:
    """A number in its base unit (mg/kg, or 1), with what is known of it."""

    value: float
    low: float = NAN
    high: float = NAN
    se: float = NAN
    n: int | None = None
    level: float = NAN
    method: str = ""
    reason: str = ""

    @staticmethod
    def of(found: Estimate | Number) -> Number:
        """An Estimate as a number of the files."""
        if isinstance(found, Number):
            return found
        return Number(
            float(found.value), float(found.low), float(found.high), float(found.se),
            int(found.n), float(found.level), found.method, found.reason,
        )  # fmt: skip


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Several:
    """So many spots (or readings) in a label."""

    count: float
    by_spots: bool


@equal_with_nan
@dataclass(frozen=True, slots=True)
class At:
    """A level in a label: in the reader's unit on a page, by its number in the files."""

    mg_kg: float
    number: int


#: What fills a place in braces of a label.
Part = str | Several | At


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Studied:
    """What a figure may be computed from: the used pairs, and how the period is judged."""

    used: pd.DataFrame  # PAIR_COLUMNS
    lab: Array  # mg/kg, (n,)
    field: Array  # mg/kg, (n,)
    level: float  # confidence of intervals
    share_margin: float  # fraction of the lab's value that counts as near it


@dataclass(frozen=True)  # no slots: a generic class keeps its own type
class Definition(Generic[T]):
    """One figure of a stratum, or of each of several things of it (``Group``)."""

    code: str  # its key in every file; '{n}' is the number in its group
    kind: Kind | Callable[[T], Kind]
    read: Callable[[T], Number | Estimate | None] | None = None  # None: it has no such figure
    label: str = ""  # key of the words' FIGURES; '': the code
    parts: Callable[[T], Mapping[str, Part]] | None = None  # what the label's places hold
    places: Sequence[Place] | Callable[[T], Sequence[Place]] = ()
    source: str = ""  # whose method it is
    signed: bool = False  # a difference, shown with its sign
    decimals: int | None = None  # most decimals for a reader
    compute: Callable[[Studied], Estimate] | None = None  # of the pairs, when they are evaluated

    def kind_of(self, item: T) -> Kind:
        """Its kind, which can depend on the scale of what was found."""
        return self.kind(item) if callable(self.kind) else self.kind

    def places_of(self, item: T) -> tuple[Place, ...]:
        """Where it stands for readers."""
        return tuple(self.places(item) if callable(self.places) else self.places)


@dataclass(frozen=True)
class Group(Generic[T]):
    """Figures of each of the things that ``of`` finds: one, several numbered from 1, or none."""

    of: Callable[[StratumStatistics], Sequence[T]]
    figures: tuple[Definition[T], ...]


@dataclass(frozen=True, slots=True)
class Found:
    """One figure of one stratum: its record, its number, and what it was read from."""

    definition: Definition[Any]
    item: Any
    number: Number
    place_in_group: int  # from 1

    @property
    def code(self) -> str:
        """Its key in every file."""
        return self.definition.code.format(n=self.place_in_group)


def found_in(groups: Sequence[Group[Any]], s: StratumStatistics) -> Iterator[Found]:
    """Every figure of a stratum, in the order of the registry."""
    for group in groups:
        for n, item in enumerate(group.of(s), start=1):
            for definition in group.figures:
                number = (
                    definition.read(item)
                    if definition.read is not None
                    else s.computed.get(definition.code)
                )
                if number is not None:
                    yield Found(definition, item, Number.of(number), n)


def computed_of(groups: Sequence[Group[Any]], studied: Studied) -> dict[str, Estimate]:
    """What the records compute from the pairs, by code."""
    return {
        definition.code: definition.compute(studied)
        for group in groups
        for definition in group.figures
        if definition.compute is not None
    }
