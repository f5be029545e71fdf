"""An element by one method in one kind of material: what is judged by itself."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from reconcile.base.methods import FieldMethod, LabMethod, Moisture, joined
from reconcile.statistics.equality import equal_with_nan

if TYPE_CHECKING:
    from reconcile.statistics.result import Estimate


@dataclass(frozen=True)
class Stratum:
    """The set of pairs that one statistic speaks of."""

    element: str
    read_by: FieldMethod
    determined_by: LabMethod
    matrix: str
    specimen_form: str = ""
    moisture: Moisture = field(default_factory=Moisture)
    pair_type: str = ""
    digestion_class: str = ""  # partial, near-total, total or ""
    mark: str = field(default="", compare=False)
    """What tells it from strata of the same element, technique and matrix; see ``told_apart``."""

    @property
    def technique(self) -> str:
        """Of the field method: LIBS or XRF."""
        return self.read_by.technique

    @property
    def field_method(self) -> str:
        """The field's method as shown: technique · instrument serial · calibration."""
        return self.read_by.text

    @property
    def lab_method(self) -> str:
        """The laboratory's as shown: laboratory · technique · lab's method code · digestion."""
        return self.determined_by.text

    @property
    def laboratory(self) -> str:
        """Who determined; '' where no table says so."""
        return self.determined_by.laboratory

    @property
    def moisture_basis(self) -> str:
        """Both sides' moisture bases as shown."""
        return self.moisture.text

    @cached_property
    def key(self) -> str:
        """A stable identity, the same in every file of a release; nothing takes it apart."""
        return " | ".join(
            part or "-"
            for part in (
                self.element,
                self.field_method,
                self.lab_method,
                self.matrix,
                self.specimen_form,
                self.moisture_basis,
                self.pair_type,
            )
        )

    @property
    def label(self) -> str:
        """Short name for headings: element, field technique (and what sets it apart), matrix."""
        return joined(self.element, self.rest_of_label)

    @property
    def rest_of_label(self) -> str:
        """The short name without the element."""
        technique = " ".join(p for p in (self.technique, self.mark) if p)
        return joined(technique, self.matrix)


@dataclass(frozen=True, slots=True)
class ReadAs:
    """How the columns behind one side of a stratum were read."""

    species: frozenset[str] = frozenset()  # element or oxide, as the headings name it
    units: frozenset[str] = frozenset()
    isotopes: frozenset[int] = frozenset()  # mass numbers that the headings name
    recalculated: bool = False  # the program turned every one of them from oxide to element


@equal_with_nan
@dataclass(frozen=True, slots=True)
class LevelBias:
    """Bias of the field method at one decision level, from the headline line."""

    level: float  # mg/kg
    name: str
    bias: Estimate  # mg/kg
    lab_above: int  # samples at or above the level by the lab
    field_above: int
    false_negative: Estimate  # field below while lab at or above; fraction of lab_above
    false_positive: Estimate  # field at or above while lab below; fraction of the rest
    acts: str = "at or above"  # or "below": then a false positive is the dangerous miss

    @property
    def missed(self) -> Estimate:
        """Share of samples on the acting side that the field method puts on the other."""
        return self.false_positive if self.acts == "below" else self.false_negative
