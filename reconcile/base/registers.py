"""What tables say of instruments and laboratories, and of the conditions of readings."""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Any


class Doubt(StrEnum):
    """What speaks against a pair; a person judges."""

    CALIBRATION_OVERDUE = "calibration overdue"
    SCOPE_ENDED = "scope ended"
    NO_LONGER_AUTHORISED = "reader no longer authorised"
    NOT_AUTHORISED = "reader not authorised"
    CERTIFICATE_DIFFERS = "certificate differs"


INSTRUMENT, LABORATORY, PERSON = "instrument", "laboratory", "person"
READINGS, CERTIFICATE = "readings", "certificate"


@dataclass(frozen=True, slots=True)
class Instrument:
    """One entry of the register of instruments; '' where it does not say."""

    instrument: str  # serial
    make: str = ""
    model: str = ""
    software: str = ""
    calibration: str = ""
    calibration_due: str = ""  # ISO date
    licence: str = ""


@dataclass(frozen=True, slots=True)
class Laboratory:
    """One entry of the register of laboratories: a laboratory, or a method of it."""

    laboratory: str
    lab_method: str = ""
    scope: str = ""
    accreditation: str = ""
    valid_until: str = ""  # ISO date


@dataclass(frozen=True, slots=True)
class Conditions:
    """What the readings of one set-up state of how they were made, each value once."""

    technique: str
    instrument: str
    calibration: str
    values: tuple[tuple[str, tuple[str, ...]], ...]  # by fact

    @property
    def said(self) -> Said:
        """The same as what is said of them."""
        name = ", ".join(p for p in (self.technique, self.instrument, self.calibration) if p)
        return Said(READINGS, name, tuple((f, "; ".join(many)) for f, many in self.values))

    def of(self, fact: str) -> tuple[str, ...]:
        """The values of one fact."""
        return next((values for name, values in self.values if name == fact), ())


@dataclass(frozen=True, slots=True)
class Reader:
    """One person whom field rows name, as the register of people has them."""

    name: str
    role: str
    authorised_for: tuple[str, ...]
    authorised_until: str  # ISO date; "" where the register does not say
    technique: str
    last_day: str  # of their readings, ISO date; "" where no time is stated


@dataclass(frozen=True, slots=True)
class Said:
    """What a register says of one thing or person: facts by the name of their column."""

    kind: str  # INSTRUMENT, LABORATORY, PERSON, READINGS or CERTIFICATE
    name: str
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class TextDifference:
    """A result of a table that its certificate's document does not hold."""

    sample_id: str
    element: str
    table: str  # the number, in the unit in which the table has it
    document: tuple[str, ...]  # numbers that stand there instead; none: no number is left
    page: int


@dataclass(frozen=True, slots=True)
class CertificateText:
    """A document of a certificate beside the table's results of it."""

    certificate: str
    file: str
    pages: int
    agreeing: int  # results
    differing: tuple[TextDifference, ...] = ()
    absent: tuple[str, ...] = ()  # samples that no page names
    scales: tuple[tuple[str, int], ...] = ()  # element, power of ten by which the document differs
    problem: str = ""  # why nothing was compared


@dataclass(frozen=True, slots=True)
class Registers:
    """All of them."""

    instruments: tuple[Instrument, ...] = ()
    laboratories: tuple[Laboratory, ...] = ()
    conditions: tuple[Conditions, ...] = ()
    readers: tuple[Reader, ...] = ()
    certificates: tuple[CertificateText, ...] = ()

    def said(self) -> tuple[Said, ...]:
        """What the registers say of each instrument, laboratory and person."""
        return (
            *(said_of(INSTRUMENT, x.instrument, x) for x in self.instruments),
            *(said_of(LABORATORY, x.laboratory, x) for x in self.laboratories),
            *(said_of(PERSON, x.name, x) for x in self.readers),
            *(x.said for x in self.conditions if x.values),
        )

    def instrument(self, serial: str) -> Instrument | None:
        """The entry of an instrument; the first stands."""
        return next((i for i in self.instruments if i.instrument == serial), None)

    def of_laboratory(self, name: str) -> tuple[Laboratory, ...]:
        """The entries of a laboratory."""
        return tuple(x for x in self.laboratories if x.laboratory == name)


def said_of(kind: str, name: str, entry: Any) -> Said:
    """The facts that an entry states, in the order of its register; its own name is none."""
    facts = []
    for f in fields(entry)[1:]:
        value = getattr(entry, f.name)
        text = "; ".join(value) if isinstance(value, tuple) else str(value)
        if text:
            facts.append((f.name, text))
    return Said(kind, name, tuple(facts))
