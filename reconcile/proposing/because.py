"""From what a proposed line was found; the words stand in ``reporting.words``."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Because(StrEnum):
    """Codes of the reasons."""

    BOTH_SIDES = "both sides"
    ONE_SHEET = "one sheet"
    WORD = "word"
    IDS_MEET = "ids meet"
    IDS_OF_OTHER = "ids of the other side"
    IDS_DIFFER = "ids differ"
    LAB_IDS = "lab ids"
    HOLDS_LAB_IDS = "holds lab ids"
    COUNTS_ROWS = "counts rows"
    KINDS = "kinds"
    OWN_IDS = "own ids"
    METHODS = "methods"
    CELLS = "cells"
    TIMES = "times"
    NO_TIMES = "no times"
    # what bears on a question
    UNIT_RATIO = "unit by ratio"
    UNIT_RATIO_ODD = "no unit by ratio"
    UNIT_PERCENT = "unit by sums"
    UNIT_OFF = "another unit"
    OXIDE = "oxides"
    COUNTED = "counted"
    READING = "as it was read"


@dataclass(frozen=True, slots=True)
class Why:
    """One reason and what fills its words, in their order."""

    code: Because
    values: tuple[str, ...] = ()
