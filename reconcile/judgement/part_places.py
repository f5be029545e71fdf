"""The places, or spots, of one part, with what was read there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from reconcile.pairs import places, sides
from reconcile.pairs.sides import Key
from reconcile.statistics.equality import equal_with_nan
from reconcile.store.database import Store


@equal_with_nan
@dataclass(frozen=True, slots=True)
class PartPlace:
    """One place of a part; values as read, mg/kg."""

    name: str  # location, role and position as stated; else the spot
    role: str
    position_mm: float  # along a line; NaN where not stated
    spots: int
    values: tuple[tuple[str, float], ...]  # element, mean


def of_one(store: Store, keys: Sequence[Key]) -> tuple[PartPlace, ...]:
    """Every place of the only part of a run; none where its rows tell no places apart.

    The rows must have their dispositions and field means.
    """
    side = sides.Side(store, "field")
    found = places.of_parts(store)
    values: list[list[tuple[str, float]]] = [[] for _ in found.places]
    spots = [0] * len(found.places)
    for key in keys if found.places else ():
        means = found.means(side, key)
        for i in range(len(found.places)):
            low, high = float(means.low[i]), float(means.high[i])
            if means.n[i] and low == high and math.isfinite(low):
                values[i].append((key.element, low))
            spots[i] = max(spots[i], int(means.spots[i]))
    return tuple(
        PartPlace(p.name, p.role, p.position_mm, n, tuple(v))
        for p, n, v in zip(found.places, spots, values, strict=True)
    )
