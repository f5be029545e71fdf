"""What tables say of instruments and laboratories, and of the conditions of readings."""

from __future__ import annotations

from dataclasses import dataclass


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

    def of(self, fact: str) -> tuple[str, ...]:
        """The values of one fact."""
        return next((values for name, values in self.values if name == fact), ())


@dataclass(frozen=True, slots=True)
class Registers:
    """All of them."""

    instruments: tuple[Instrument, ...] = ()
    laboratories: tuple[Laboratory, ...] = ()
    conditions: tuple[Conditions, ...] = ()

    def instrument(self, serial: str) -> Instrument | None:
        """The entry of an instrument; the first stands."""
        return next((i for i in self.instruments if i.instrument == serial), None)

    def of_laboratory(self, name: str) -> tuple[Laboratory, ...]:
        """The entries of a laboratory."""
        return tuple(x for x in self.laboratories if x.laboratory == name)
