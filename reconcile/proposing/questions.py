"""What only a person can answer, and how an open question stands in the settings.

An open question is a text '<number: words>' in the place of the answer. It stops every command
(``reconcile.base.unanswered``) until the answer stands there.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from reconcile.intake.facts import NORMAL_WORDS
from reconcile.proposing.because import Why


class Ask(StrEnum):
    """What is asked; the words stand in ``reporting.words``."""

    KIND = "kind"
    TECHNIQUE = "technique"
    LAB_TECHNIQUE = "lab technique"
    INSTRUMENT = "instrument"
    CALIBRATION = "calibration"
    LABORATORY = "laboratory"
    DIGESTION = "digestion"
    DIGESTION_CLASS = "digestion class"
    MOISTURE = "moisture basis"
    UNIT = "unit"
    UNIT_AGAIN = "unit again"
    ZERO = "zero"
    LIMIT = "limit"
    SIGMA = "sigma"
    COLUMN = "column"
    MASS = "mass"
    VOLUME = "volume"
    TIME = "time"
    SECONDS = "seconds"
    ROW_KIND = "kind of rows"
    ELEMENT = "element"
    SAMPLE = "sample"
    USE = "use"
    MARGIN = "margin"


#: The answers that there are; others are free text.
CHOICES: dict[Ask, tuple[str, ...]] = {
    Ask.KIND: ("field", "lab"),
    Ask.TECHNIQUE: tuple(dict.fromkeys(NORMAL_WORDS["technique"].values())),
    Ask.DIGESTION_CLASS: ("partial", "near-total", "total"),
    Ask.MOISTURE: ("dry", "as received", "wet", "not applicable"),
    Ask.ROW_KIND: ("blank", "reference material", "duplicate", "check standard", "leave out"),
    Ask.ZERO: ("below limit", "no result", "measured"),
    Ask.LIMIT: ("error column", ""),
    Ask.SIGMA: ("1", "2", "3"),
    Ask.USE: (
        "screening", "choosing samples", "sorting", "process control", "grade control",
        "site assessment", "resource or reserve estimate",
    ),
}  # fmt: skip
#: Where one answer is safe: it accepts nothing that another would not.
DEFAULTS: dict[Ask, str] = {Ask.MARGIN: "0.10", Ask.USE: "screening", Ask.COLUMN: "ignore"}
#: Answers that are numbers in the settings.
NUMBERS = frozenset({Ask.SIGMA, Ask.MARGIN, Ask.MASS, Ask.VOLUME})


@dataclass(frozen=True, slots=True)
class Question:
    """One open question; ``found`` is what the tables show that bears on it."""

    ask: Ask
    about: str = ""  # the heading or element in question
    found: Why | None = None
