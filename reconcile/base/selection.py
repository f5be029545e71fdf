"""How samples were chosen for the laboratory: words, and what is told of each stratum."""

from __future__ import annotations

from dataclasses import dataclass

from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import Estimate

RANDOM, NEAR_LEVEL, EXTREME, SUSPICION = "random", "near a level", "extreme", "suspicion"
#: Chosen for what the field read of them, or for what somebody thought: they stand for no others.
ENDS = frozenset({EXTREME, SUSPICION})


@equal_with_nan
@dataclass(frozen=True, slots=True)
class OfStratum:
    """How the used pairs of one stratum were chosen, and their bias by it."""

    stratum: str  # its key
    label: str
    counts: tuple[tuple[str, int], ...]  # used pairs by selection; '' where not stated
    with_chance: int  # used pairs whose chance of being chosen is known
    relative: bool  # bias as field/lab, else field - lab in mg/kg
    plain: Estimate  # every pair alike
    weighted: Estimate  # each by the inverse of its chance; not estimable where not known
    by_selection: tuple[tuple[str, Estimate], ...]  # of each kind with three pairs or more
    rpd: Estimate  # mean absolute relative difference over the mean of both
    most_rpd: float

    @property
    def only_ends(self) -> bool:
        """Whether only samples were sent that stand for no others."""
        stated = {name for name, n in self.counts if n}
        return bool(stated) and stated <= ENDS and not self.with_chance


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Sent:
    """How many of the samples of one kind that the field read the laboratory has answered for."""

    kind: str  # method, material, form, basis
    read: int
    answered: int
    planned: float  # least share agreed

    @property
    def share(self) -> float:
        """The achieved share."""
        return self.answered / self.read


@dataclass(frozen=True, slots=True)
class SelectionRecord:
    """All of a period."""

    strata: tuple[OfStratum, ...] = ()
    sent: tuple[Sent, ...] = ()
    stated: bool = False  # whether any entry says how a sample was chosen
