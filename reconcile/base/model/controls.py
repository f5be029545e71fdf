"""What control samples show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reconcile.statistics.equality import equal_with_nan

if TYPE_CHECKING:
    from reconcile.statistics.result import Estimate


@equal_with_nan
@dataclass(frozen=True, slots=True)
class QualityCheck:
    """One measured control against its expectation."""

    side: str  # field | lab
    kind: str  # reference material | blank | duplicate | check standard
    code: str  # material or sample
    method: str
    element: str
    batch: str  # certificate, dispatch or day
    n: int
    found: float  # mg/kg (or CV for duplicates, fraction)
    expected: float
    uncertainty: float  # expanded uncertainty of the expectation, mg/kg
    recovery: float  # fraction; NaN where it has no meaning
    score: float  # zeta or z; NaN where it has no meaning
    passed: bool | None
    rule: str  # the rule in words, with its limit
    at: str = ""  # ISO time of the control
    why: str = ""  # what was found by the rule

    @property
    def told(self) -> str:
        """The rule, and what was found by it."""
        return f"{self.rule}: {self.why}" if self.why else self.rule


@equal_with_nan
@dataclass(frozen=True, slots=True)
class ControlChart:
    """The results of one control by one method in order of time, with centre and SD, mg/kg."""

    side: str  # field | lab
    code: str
    element: str
    method: str
    values: tuple[float, ...]
    times: tuple[str, ...]  # ISO, UTC; "" where not known
    centre: float
    sd: float
    rules: tuple[tuple[str, tuple[int, ...], float], ...]
    """Words of each rule, the results (from 0) that complete it, and the share of charts of
    as many good results on which it speaks at least once (simulated)."""
    any_rate: float  # the same for all rules together


@equal_with_nan
@dataclass(frozen=True, slots=True)
class DuplicateStage:
    """How far results of one stage of duplicates repeat, and what that stage adds."""

    side: str
    method: str
    element: str
    stage: str  # lab repeat | pulp | coarse | field
    n: int  # pairs
    rsd: Estimate  # relative SD of one result, all later stages within it (fraction)
    added: float  # relative SD that this stage adds to the one after it; NaN: not resolved


@equal_with_nan
@dataclass(frozen=True, slots=True)
class InsertionRate:
    """Controls of one kind among samples and controls, against the plan."""

    side: str
    kind: str
    controls: int
    samples: int
    rate: float  # fraction
    planned: float  # fraction; NaN where none was planned
    batches: int
    without: tuple[str, ...]  # batches that hold none


@dataclass(frozen=True, slots=True)
class ControlRecord:
    """What the report shows of controls over time and by stage."""

    charts: tuple[ControlChart, ...] = ()
    stages: tuple[DuplicateStage, ...] = ()
    rates: tuple[InsertionRate, ...] = ()
