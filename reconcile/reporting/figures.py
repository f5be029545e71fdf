"""Every figure of a stratum as one flat list: the source of page, workbook and files.

A figure is kept in its base unit (mg/kg, or 1 for ratios and fractions); what a reader
sees is derived from it in one place, so that a sentence and a table can't disagree.
"""

from __future__ import annotations

import math

from reconcile.base.model.figures import StratumStatistics
from reconcile.figures.definition import Side
from reconcile.reporting.figure import Figure, of_found

#: The two tables of further figures.
FURTHER_TABLES = (Side.FURTHER_LEFT, Side.FURTHER_RIGHT)


#: Figures of strata by the place in memory of what they are of, which is kept with them.
_KNOWN: dict[int, tuple[StratumStatistics, tuple[Figure, ...]]] = {}
_MOST_KNOWN = 500


def figures_of(s: StratumStatistics) -> tuple[Figure, ...]:
    """All figures of one stratum, in the order of the registry; made once, every document asks."""
    known = _KNOWN.get(id(s))
    if known is not None and known[0] is s:
        return known[1]
    if len(_KNOWN) >= _MOST_KNOWN:
        _KNOWN.clear()
    from reconcile.figures import registry  # with all statistics; a short answer needs none

    made = tuple(of_found(found) for found in registry.all_of(s))
    _KNOWN[id(s)] = (s, made)
    return made


def forget() -> None:
    """Give the memory back, once every document is written."""
    _KNOWN.clear()


def by_key(s: StratumStatistics) -> dict[str, Figure]:
    """The figures of one stratum by their key."""
    return {figure.key: figure for figure in figures_of(s)}


def in_table(s: StratumStatistics, side: Side) -> list[Figure]:
    """The figures of one of the two tables of a stratum's page, in their order there."""
    placed = [
        (place.at, figure)
        for figure in figures_of(s)
        for place in figure.places
        if place.side is side and not (place.if_known and not math.isfinite(figure.value))
    ]
    return [figure for _, figure in sorted(placed, key=lambda one: one[0])]


def further(s: StratumStatistics, side: Side) -> list[Figure]:
    """The known figures of one of the two tables of further figures."""
    return [f for f in in_table(s, side) if math.isfinite(f.value)]
