"""Answers put in the place of open questions, in the text of the settings."""

from __future__ import annotations

import json
import tomllib
from typing import Any

from reconcile.base.unanswered import Open, open_questions, standing
from reconcile.proposing.questions import CHOICES, DEFAULTS, NUMBERS, Ask

_OF_KEY = {
    "kind": Ask.KIND, "technique": Ask.LAB_TECHNIQUE, "instrument": Ask.INSTRUMENT,
    "calibration": Ask.CALIBRATION, "laboratory": Ask.LABORATORY, "digestion": Ask.DIGESTION,
    "digestion_class": Ask.DIGESTION_CLASS, "moisture_basis": Ask.MOISTURE, "unit": Ask.UNIT,
    "zero": Ask.ZERO, "limit_from": Ask.LIMIT, "error_sigma": Ask.SIGMA, "use": Ask.USE,
    "bias_margin": Ask.MARGIN, "sample_id": Ask.SAMPLE, "digest_volume_ml": Ask.VOLUME,
    "sample_mass_g": Ask.MASS,
}  # fmt: skip
#: Entries that may be left out: what they say is then not stated.
MAY_BE_EMPTY = frozenset(
    {Ask.INSTRUMENT, Ask.CALIBRATION, Ask.LABORATORY, Ask.LAB_TECHNIQUE, Ask.DIGESTION,
     Ask.DIGESTION_CLASS, Ask.MOISTURE, Ask.LIMIT, Ask.UNIT_AGAIN, Ask.ZERO, Ask.SIGMA}
)  # fmt: skip


def still_open(text: str) -> tuple[Open, ...]:
    """The open questions of the settings' text."""
    return open_questions(tomllib.loads(text), text)


def asks(question: Open, text: str) -> Ask:
    """What is asked, by the place in the settings."""
    place = question.place
    if len(place) >= 2 and "columns" in place:
        if place[-2] == "columns":
            return Ask.COLUMN
        return Ask.ELEMENT if place[-1] == "element" else Ask.UNIT_AGAIN
    if "kind_rules" in place:
        return Ask.ROW_KIND
    ask = _OF_KEY[str(place[-1])]
    if ask is Ask.LAB_TECHNIQUE and _table(question, text).get("kind") == "field":
        return Ask.TECHNIQUE
    return ask


def _table(question: Open, text: str) -> dict[str, Any]:
    raw: Any = tomllib.loads(text)
    for part in question.place[:2]:
        raw = raw[part - 1] if isinstance(part, int) else raw[part]
    return dict(raw)


def choices_of(ask: Ask) -> tuple[str, ...]:
    """The answers that there are; () for free text."""
    return tuple(c for c in CHOICES.get(ask, ()) if c)


def default_of(ask: Ask) -> str:
    """Where one answer is safe."""
    return DEFAULTS.get(ask, "")


def fits(ask: Ask, answer: str) -> bool:
    """Whether the answer can stand: one of the choices, a number where one is wanted."""
    if not answer:
        return ask in MAY_BE_EMPTY
    if (known := choices_of(ask)) and answer not in known:
        return False
    if ask in NUMBERS:
        try:
            return float(answer) > 0
        except ValueError:
            return False
    return True


def answered(text: str, question: Open, ask: Ask, answer: str) -> str:
    """The settings with the answer in the question's place; an empty one takes its line out."""
    mark = json.dumps(standing(question.number, question.words), ensure_ascii=False)
    lines = text.splitlines(keepends=True)
    at = question.line - 1
    if not answer:
        del lines[at]
        return "".join(lines)
    value = answer if ask in NUMBERS else json.dumps(answer, ensure_ascii=False)
    lines[at] = lines[at].replace(mark, value, 1)
    return "".join(lines)
