"""FIGURES: every figure of a stratum, one record each, in the order in which files list them.

``test_registry`` holds every record to its words, its source and its place in CSV, JSON,
workbook, page and report.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from reconcile.base.model.figures import StratumStatistics
from reconcile.figures.definition import (
    Definition,
    Found,
    Group,
    Studied,
    computed_of,
    found_in,
)
from reconcile.figures.of_further import FURTHER
from reconcile.figures.of_lines import LINES
from reconcile.figures.of_pairs import FOLLOWING, LEVELS, PAIRS
from reconcile.statistics.result import Estimate

#: One more figure is one more record in one of these groups.
FIGURES: tuple[Group[Any], ...] = (PAIRS, LINES, FOLLOWING, LEVELS, *FURTHER)


def definitions() -> Iterator[Definition[Any]]:
    """Every record."""
    for group in FIGURES:
        yield from group.figures


def all_of(s: StratumStatistics) -> Iterator[Found]:
    """Every figure of one stratum."""
    return found_in(FIGURES, s)


def compute(studied: Studied) -> dict[str, Estimate]:
    """What the records themselves compute from a stratum's pairs, by code."""
    return computed_of(FIGURES, studied)
