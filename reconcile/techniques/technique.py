"""What is known of a field technique: its spellings, what it can't report, how it is judged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class Judged(StrEnum):
    """What readings by a technique are judged for."""

    SHOTS = "shots"  # spots per sample, shots that trend within a spot, rejected shots, purge
    COUNT_TIME = "count time"
    MOISTURE = "moisture"
    ERRORS = "errors"  # results beside their own standard deviations
    AIR = "air"  # light elements that were read without purge
    OVERLAPS = "overlaps"  # lines of other elements; lead on arsenic among them
    DAILY = "daily"  # a blank, and a check of the energy scale, each day


@dataclass(frozen=True, slots=True)
class Technique:
    """One field technique.

    ``name`` stands in tables, settings and reports. ``spellings``: what people write for it, in
    small letters. ``cannot_report``: elements of which no result of it is believed; ``hard``:
    those that it hardly sees in air. ``also_called``: its own names of elements in headings.
    ``told_when_missing``: facts whose absence is told, with their names for a reader.
    """

    name: str
    spellings: tuple[str, ...]
    judged: frozenset[Judged]
    cannot_report: frozenset[str] = frozenset()
    hard: frozenset[str] = frozenset()
    also_called: Mapping[str, str] = field(default_factory=dict)
    told_when_missing: tuple[tuple[str, str], ...] = ()
    sums_close: bool = True
    """A row that adds up to more than the whole is refused; else it is told and kept."""
    quality_levels_written_for: bool = False
    """The levels of data quality were written for it; for others they are an analogy."""
