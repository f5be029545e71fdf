"""Results of a stratum that only some strata have: scatter by source, pooling, one pair less."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reconcile.statistics.equality import equal_with_nan

if TYPE_CHECKING:
    from reconcile.statistics.components import NestedVariance
    from reconcile.statistics.decisions import InteractionTest
    from reconcile.statistics.level_limits import ReplicateLimits
    from reconcile.statistics.result import Estimate


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Scatter:
    """Where the scatter of field readings comes from, and what more spots would buy.

    ``relative``: all figures are of natural logarithms, so that an SD is a relative one;
    else in mg/kg.
    """

    relative: bool
    components: NestedVariance
    by_spots: bool  # False: readings, without spots
    single: Estimate  # SD of one spot's (or reading's) result within a sample
    count: float  # spots (or readings) per sample, harmonic mean
    limits: ReplicateLimits  # of one spot (or reading) against one lab result


@equal_with_nan
@dataclass(frozen=True, slots=True)
class WithoutPair:
    """The leading figures without the pair that moves the slope most."""

    sample_id: str
    influence: float  # change of the slope in its standard errors
    relative: bool  # bias is a ratio; else a difference in mg/kg
    bias: Estimate
    slope: Estimate


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Pooling:
    """Whether strata that differ in some facts only were taken together, and the test."""

    facts: tuple[str, ...]  # what the setting asks to pool
    parts: tuple[str, ...]  # the strata that were to be one
    pooled: bool
    alpha: float
    test: InteractionTest


@equal_with_nan
@dataclass(frozen=True, slots=True)
class PartlyPooled:
    """The bias of a stratum beside that of like ones; biases as fractions."""

    strata: int  # like ones, itself among them
    pairs: int  # of all of them
    own: Estimate  # by its own pairs, with the scatter of all
    seen: Estimate  # drawn towards the common one
    common: Estimate
    between: Estimate  # SD of biases between strata, of logarithms
    gain: float  # so many own pairs would know the bias as well
    shift: float  # of the logarithm, from own to seen
