"""Acceptance limits inside a specification, by a stated rule and with its risk."""

from __future__ import annotations

import math
from dataclasses import dataclass

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import percent, with_unit
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN


@equal_with_nan
@dataclass(frozen=True, slots=True)
class GuardBand:
    """The acceptance limits that a stated rule sets inside the specification limits."""

    lower_limit: float  # NaN where there is none
    upper_limit: float
    u: float  # standard uncertainty
    width: float  # guard band w = r·k·u
    accept_low: float
    accept_high: float
    rule: str
    risk_at_limit: float  # chance of accepting a value that sits on the limit
    reason: str = ""

    def accepts(self, value: float) -> bool | None:
        """Whether a measured value is accepted; None where it cannot be judged."""
        if self.reason or not math.isfinite(value):
            return None
        low_ok = math.isnan(self.accept_low) or value >= self.accept_low
        high_ok = math.isnan(self.accept_high) or value <= self.accept_high
        return low_ok and high_ok

    def sentence(self, unit: str = "") -> str:
        """The rule, its limits and its risk."""
        if self.reason:
            return f"No acceptance limit can be set: {self.reason}."
        sides = []
        if not math.isnan(self.accept_low):
            sides.append(f"at or above {with_unit(self.accept_low, unit)}")
        if not math.isnan(self.accept_high):
            sides.append(f"at or below {with_unit(self.accept_high, unit)}")
        return (
            f"Accepted {' and '.join(sides)} (rule: {self.rule}); a value exactly on the limit "
            f"would be accepted with a chance of {percent(self.risk_at_limit, 2)}."
        )


def guard_band(
    u: float,
    upper_limit: float = NAN,
    lower_limit: float = NAN,
    r: float = 1.0,
    k: float = 2.0,
) -> GuardBand:
    """Acceptance limits pulled in by w = r·U, U = k·u (ILAC-G8:09/2019; JCGM 106:2012, 8.3).

    r = 0 is simple acceptance (risk up to 50 % at the limit), r = 1 the usual rule
    (below 2.5 %). The risk printed is that of one measured value, normally
    distributed about a true value on the limit. Numbers from memory and recomputed.
    """
    width = r * k * u
    rule = f"guard band w = {r:g}·U, U = {k:g}·u (ILAC-G8; JCGM 106)"

    def failed(reason: str) -> GuardBand:
        return GuardBand(lower_limit, upper_limit, u, width, NAN, NAN, rule, NAN, reason)

    if not math.isfinite(u) or u <= 0:
        return failed("the standard uncertainty is not known")
    if not (math.isfinite(upper_limit) or math.isfinite(lower_limit)):
        return failed("there is no limit")
    accept_low = lower_limit + width if math.isfinite(lower_limit) else NAN
    accept_high = upper_limit - width if math.isfinite(upper_limit) else NAN
    if not math.isnan(accept_low) and not math.isnan(accept_high) and accept_low > accept_high:
        return failed("the uncertainty is too large for the distance between the limits")
    risk = float(stats.norm.cdf(-width / u))
    return GuardBand(lower_limit, upper_limit, u, width, accept_low, accept_high, rule, risk)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Conformity:
    """Chance that the true value lies within the limits, given the measured one."""

    value: float
    u: float
    probability: float
    accepted: bool | None
    band: GuardBand
    reading: str  # pass, conditional pass, conditional fail, fail (ILAC-G8:09/2019, 4.2.3)

    def sentence(self, unit: str = "") -> str:
        """One plain sentence with the rule."""
        if self.accepted is None:
            return f"Conformity could not be judged: {self.band.reason or 'no usable value'}."
        return (
            f"{with_unit(self.value, unit)} ± {with_unit(self.u, unit)} (standard uncertainty): "
            f"{self.reading}; the true value lies within the limits with a chance of "
            f"{percent(self.probability)}. {self.band.sentence(unit)}"
        )


def conformity(
    value: float,
    u: float,
    upper_limit: float = NAN,
    lower_limit: float = NAN,
    r: float = 1.0,
    k: float = 2.0,
) -> Conformity:
    """Conformance probability (JCGM 106:2012, section 7, no prior knowledge) and the rule's call.

    The reading is the four-way statement of ILAC-G8:09/2019 (from memory).
    """
    band = guard_band(u, upper_limit, lower_limit, r, k)
    accepted = band.accepts(value)
    if accepted is None or not math.isfinite(u) or u <= 0:
        return Conformity(value, u, NAN, None, band, "not judged")
    inside_high = (
        1.0 if math.isnan(upper_limit) else float(stats.norm.cdf((upper_limit - value) / u))
    )
    outside_low = (
        0.0 if math.isnan(lower_limit) else float(stats.norm.cdf((lower_limit - value) / u))
    )
    probability = max(inside_high - outside_low, 0.0)
    within = (math.isnan(upper_limit) or value <= upper_limit) and (
        math.isnan(lower_limit) or value >= lower_limit
    )
    beyond = (not math.isnan(upper_limit) and value > upper_limit + band.width) or (
        not math.isnan(lower_limit) and value < lower_limit - band.width
    )
    if accepted:
        reading = "pass"
    elif within:
        reading = "conditional pass"
    elif beyond:
        reading = "fail"
    else:
        reading = "conditional fail"
    return Conformity(value, u, probability, accepted, band, reading)
