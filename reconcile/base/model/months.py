"""What earlier months say of a stratum."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from reconcile.statistics.equality import equal_with_nan

if TYPE_CHECKING:
    from reconcile.statistics.result import Estimate


class Beginning(StrEnum):
    """Why the evidence of a stratum goes no further back."""

    ALONE = "month alone"  # the settings gather nothing, or the period is no month
    FIRST = "first month"  # no earlier month has released pairs of this element and technique
    OTHER_KEY = "another method"  # those that there are differ in named facts
    UNNAMED = "laboratory not named"  # by the releases that there are
    EVENT = "event"  # named in the settings
    NOT_BEFORE = "not before"  # the day that the settings name
    WINDOW = "window"  # as many months as may count
    MOVED = "bias moved"  # a step or a drift was signalled, and the settings begin anew after it
    ALL = "all there is"


@dataclass(frozen=True, slots=True)
class Begun:
    """Where evidence begins and why, as data."""

    why: Beginning
    what: str = ""  # the event, in a person's words; the day; the month with which it begins
    last: str = ""  # the last month with pairs of the other method
    differing: tuple[str, ...] = ()  # names of facts in which it differs


@dataclass(frozen=True, slots=True)
class EvidenceMonth:
    """One month of a stratum's evidence; biases as fractions."""

    period: str
    release_id: str  # "" for the month in hand
    pairs: int  # that count
    raw: Estimate
    seen: Estimate  # as the model sees it beside the other months


@equal_with_nan
@dataclass(frozen=True, slots=True)
class BiasMoved:
    """A change of the bias over months that was signalled; ``size`` as a fraction.

    Of a step: after less before; of a drift: per month.
    """

    change: str  # "step" or "drift"
    first: str  # month with which the bias goes on after it
    seen: str  # month that signalled it
    size: Estimate
    distance: float  # from no change, in standard deviations
    limit: float


@equal_with_nan
@dataclass(frozen=True, slots=True)
class MonthChart:
    """The months since the last change against what the ones before each said; in SDs."""

    since: str  # first month
    score: float  # of the last month; NaN for the first one
    up: float  # CUSUM
    down: float
    k: float
    h: float
    cusum_run: float  # mean months to a false alarm
    average: float  # exponentially weighted
    average_limit: float
    average_run: float
    beyond: bool  # one of both is beyond its limit


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Watched:
    """Whether the bias stays from month to month: changes, oldest first, and the charts."""

    months: int  # that were looked at
    rate: float  # chance of a false signal in any twelve months
    moved: tuple[BiasMoved, ...] = ()
    distance: float = float("nan")  # of the last look; NaN where there was none
    limit: float = float("nan")
    chart: MonthChart | None = None
    begins_anew: bool = True  # by the settings, after a change


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Evidence:
    """The months on which a stratum is judged; biases and SDs as fractions, n counts pairs."""

    months: tuple[EvidenceMonth, ...]  # oldest first, the month in hand last
    begun: Begun
    scale: str  # "log ratio" or "absolute"
    at: float  # mg/kg: differences are shown as a fraction of it; NaN for ratios
    long_run: Estimate
    between: Estimate  # SD between months
    coming: Estimate  # bias of a month to come
    coming_sample: Estimate  # error of one sample of it
    assumed_sd: float  # between months, as a fraction
    assumed_months: float
    again: int = 0  # pairs of samples that another month counts
    limited: int = 0  # pairs known only by a limit
    reason: str = ""  # why there is no bias over months
    limited_kept: int = 0  # of these, the ones that enter the bias over months
    watched: Watched | None = None
