"""How a result was made, in parts: the field's method, the laboratory's, and both moisture bases.

The joined text is made here, for showing and for the keys of strata; nothing takes it apart
again, for an instrument or a calibration may be named in any way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace


def joined(*parts: str) -> str:
    """Facts side by side, those that are stated."""
    return " · ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True)
class FieldMethod:
    """With what the field read."""

    technique: str = ""
    instrument: str = ""  # its serial
    calibration: str = ""
    heading: str = ""  # the method that a column's heading names
    whole: str = ""  # the joined text alone, as releases gave it before they gave the parts

    @property
    def parts(self) -> tuple[str, ...]:
        """The stated parts in order; the whole text where no parts are known."""
        if self.whole:
            return (self.whole,)
        every = (self.technique, self.instrument, self.calibration, self.heading)
        return tuple(part for part in every if part)

    @property
    def text(self) -> str:
        """The method as shown."""
        return joined(*self.parts)

    @property
    def set_up(self) -> FieldMethod:
        """The instrument as it was set, whatever a column's heading says."""
        return replace(self, heading="")


@dataclass(frozen=True, slots=True)
class LabMethod:
    """How the laboratory determined."""

    technique: str = ""
    code: str = ""
    digestion: str = ""
    heading: str = ""  # the method that a column's heading names beside the code
    laboratory: str = ""  # who determined; two laboratories are never one method
    whole: str = ""  # as of FieldMethod

    @property
    def parts(self) -> tuple[str, ...]:
        """The stated parts in order; the whole text where no parts are known."""
        if self.whole:
            return (self.whole,)
        every = (self.laboratory, self.technique, self.code, self.digestion, self.heading)
        return tuple(part for part in every if part)

    @property
    def anywhere(self) -> LabMethod:
        """The method, whichever laboratory works by it."""
        return replace(self, laboratory="")

    @property
    def text(self) -> str:
        """The method as shown."""
        return joined(*self.parts)


def alike(one: FieldMethod, other: FieldMethod) -> bool:
    """Whether two methods are one; by the whole text where one's parts are not known."""
    if one.whole or other.whole:
        return one.text == other.text
    return one == other


@dataclass(frozen=True, slots=True)
class Moisture:
    """On which moisture basis each side reports; '' where it is not stated."""

    field: str = ""
    lab: str = ""

    @property
    def differs(self) -> bool:
        """True where the two sides do not share a basis."""
        return self.field != self.lab

    @property
    def text(self) -> str:
        """Both bases as shown, said once where they are one."""
        if not self.differs:
            return self.field
        return f"field {self.field or 'not stated'}, lab {self.lab or 'not stated'}"
