"""Laboratories beside each other, certificates of one, operators of one instrument: as shown."""

from __future__ import annotations

from dataclasses import dataclass

from reconcile.base.methods import LabMethod
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import Estimate


@equal_with_nan
@dataclass(frozen=True, slots=True)
class BetweenLaboratories:
    """Results of two laboratories for the same samples; ratios are second over first."""

    element: str
    first: LabMethod  # of the laboratory that stands, where the settings name one
    second: LabMethod
    moisture_basis: str
    stands: bool  # the settings let the first stand
    n: int  # samples that both quantify
    limited: int  # samples of which a result is known by a limit only
    ratio: Estimate  # geometric mean
    difference: Estimate  # mean, mg/kg
    lower: Estimate  # limits of agreement of the ratios
    upper: Estimate
    share: Estimate  # of samples within share_margin of the first
    share_margin: float
    margin: float  # the bias margin agreed for the element
    within: bool  # the bias is shown to lie within the margin
    beyond: bool  # the bias is shown to lie beyond it

    @property
    def outcome(self) -> str:
        """'within' or 'beyond' the margin; '' where neither is shown."""
        return "within" if self.within else "beyond" if self.beyond else ""


@dataclass(frozen=True, slots=True)
class GroupMean:
    """The pairs of one certificate or operator against those of the others of one stratum."""

    name: str
    day: str  # of a certificate's report, ISO; "" where no date is stated
    n: int
    shift: Estimate  # from the mean of the others; a fraction, or mg/kg


CERTIFICATES, OPERATORS = "certificates", "operators"


@equal_with_nan
@dataclass(frozen=True, slots=True)
class GroupShifts:
    """Whether certificates, or operators, read differently against the other side of the pairs.

    Shifts are of laboratory over field for certificates, of field over laboratory for operators.
    """

    kind: str  # CERTIFICATES or OPERATORS
    stratum: str  # key
    label: str
    of: str  # the laboratory, or the instrument
    relative: bool  # shifts are fractions; else mg/kg
    means: tuple[GroupMean, ...]  # in order of their days
    p_value: float  # of no difference between them
    by_date: Estimate  # shift over 30 days; of certificates
    p_by_date: float
    told: bool  # beyond the level and the size of the settings
