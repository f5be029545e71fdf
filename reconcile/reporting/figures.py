"""Every figure of a stratum as one flat list: the source of page, workbook and files.

A figure is kept in its base unit (mg/kg, or 1 for ratios and fractions); what a reader
sees is derived from it in one place, so that a sentence and a table can't disagree.
"""

from __future__ import annotations

import math

from reconcile.base.model import StratumStatistics
from reconcile.figures import registry
from reconcile.figures.definition import Side
from reconcile.reporting.figure import Figure, of_found

#: The two tables of further figures.
FURTHER_TABLES = (Side.FURTHER_LEFT, Side.FURTHER_RIGHT)


def figures_of(s: StratumStatistics) -> tuple[Figure, ...]:
    """All figures of one stratum, in the order of the registry."""
    return tuple(of_found(found) for found in registry.all_of(s))


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
