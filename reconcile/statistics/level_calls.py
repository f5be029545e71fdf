"""Below a level, above it, or too close to call: a rule with a set chance of each wrong call.

A result is called 'above' only where a content at the level would give so high a result with a
chance of at most the agreed rate, and 'below' in the same way. So whatever the content of a
sample is, however near the level, the chance that it is called on the wrong side is at most the
rate of that side (guarded acceptance and guarded rejection: JCGM 106:2012, 8.3; ILAC-G8:09/2019,
4.2; the two errors are those of US EPA QA/G-4, 2006, step 6; all from memory). What lies between
is called neither. Nothing is promised of shares of samples: where all contents lie near a level,
few are called and many of the few are wrong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from scipy import special

from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN

Called = Literal["below", "above", "too close to call"]
BELOW: Called = "below"
ABOVE: Called = "above"
TOO_CLOSE: Called = "too close to call"
_MOST = 600.0  # no number is larger by a factor of which this is the logarithm


@equal_with_nan
@dataclass(frozen=True, slots=True)
class LevelCall:
    """On which side of a level a result lies; limits in the unit of the values."""

    call: Called
    below_up_to: float  # results below it are called below
    above_from: float  # results at or above it are called above
    other_side: float  # chance that the content is on the other side than the result, no prior


def level_call(
    value: float,
    level: float,
    u: float,
    freedom: float,
    rate_above: float,
    rate_below: float,
    relative: bool,
    bias: float = 0.0,
) -> LevelCall:
    """Call one result; raises ValueError where a number is not usable.

    ``u``: standard uncertainty of a result whose content is at the level, unit of the values, with
    ``freedom`` degrees of freedom (inf where known). ``rate_above``: chance of 'above' at most
    where the content is below the level; ``rate_below`` the other way round. ``relative``: errors
    are of logarithms. ``bias``: of results over contents, known and not corrected (of logarithms
    where relative): the side that it favours is guarded by it, the other gains nothing.
    """
    if not (u > 0 and math.isfinite(u) and math.isfinite(value) and freedom > 0):
        raise ValueError("a call needs a value and its uncertainty")
    if relative and not (value > 0 and level > 0):
        raise ValueError("relative errors need a value and a level above zero")
    spread = u / level if relative else u
    distance = math.log(value / level) if relative else value - level
    up = quantile(freedom, rate_above) * spread + max(bias, 0.0)
    down = quantile(freedom, rate_below) * spread + max(-bias, 0.0)
    call = ABOVE if distance >= up else BELOW if distance < -down else TOO_CLOSE
    ends = level - down, level + up
    if relative:
        ends = level * math.exp(-down), level * math.exp(min(up, _MOST))
    beyond = abs(distance - bias) / spread
    return LevelCall(call, *ends, tail(freedom, beyond))


def quantile(freedom: float, rate: float) -> float:
    """Deviate of Student's t that is exceeded with the chance ``rate``; at most one half."""
    if not 0 < rate <= 0.5:
        return NAN
    found = (
        special.stdtrit(freedom, 1 - rate) if math.isfinite(freedom) else special.ndtri(1 - rate)
    )
    return float(found)


def tail(freedom: float, deviate: float) -> float:
    """Chance that Student's t exceeds ``deviate``."""
    found = special.stdtr(freedom, -deviate) if math.isfinite(freedom) else special.ndtr(-deviate)
    return float(found)
