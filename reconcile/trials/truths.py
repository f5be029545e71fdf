"""Truths: what a field method and a laboratory do, written down before any study is drawn.

A truth says what the field reads of a sample, and how far it scatters. Errors are
log-normal; the true mass fractions of the samples are log-uniform between two ends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: SD of the further log-normal error of an outlier: a factor of 2.2 at one SD.
OUTLIER_SD = 0.8


@dataclass(frozen=True, slots=True)
class Truth:
    """One field method against one laboratory; mass fractions in mg/kg, SDs as fractions."""

    name: str  # in plain words
    low: float = 50.0  # true mass fractions of the samples, log-uniform
    high: float = 800.0
    level: float = 200.0  # the decision level; 0: none
    ratio: float = 1.0  # what the field reads of a true t: ratio·t …
    power: float = 1.0  # … ·(t/middle)^(power − 1), middle the geometric mean of low and high
    offset: float = 0.0  # … + offset
    above: float = 1.0  # and times this above the middle: a step in the level
    later: float = 1.0  # and times this in the second half of the period: a step in time
    rsd: float = 0.08  # repeatability of a field mean
    between: float = 0.0  # SD from the spots to the split that went to the laboratory
    noise: float = 0.0  # and its part that is the same at every level, SD in mg/kg
    lab_rsd: float = 0.02  # of one laboratory determination
    spots: int = 3
    outliers: float = 0.0  # share of samples whose field result has a further gross error
    censored: float = 0.0  # share of samples whose true value lies below the field's limit
    duplicates: int = 20  # samples that the laboratory determined twice

    @property
    def middle(self) -> float:
        """Geometric mean of the two ends."""
        return math.sqrt(self.low * self.high)

    @property
    def limit(self) -> float:
        """Lower limit of the field method; 0 where nothing is censored."""
        if not self.censored:
            return 0.0
        return float(self.low * (self.high / self.low) ** self.censored)

    def reads(self, true: Array, later: NDArray[np.bool_] | bool = True) -> Array:
        """Geometric mean of what the field reads of ``true``; same shape, mg/kg.

        ``later``: whether a step in time lies behind; by default as in the months to come.
        """
        t = np.asarray(true, dtype=np.float64)
        read = self.ratio * t * (t / self.middle) ** (self.power - 1) + self.offset
        read = read * np.where(t >= self.middle, self.above, 1.0)
        return np.asarray(read * np.where(later, self.later, 1.0), dtype=np.float64)

    @property
    def field_sd(self) -> float:
        """SD of the logarithm of a field mean about what is true of the split, outliers apart."""
        return math.hypot(self.rsd, self.between)

    def with_range(self, factor: float) -> Truth:
        """The same over a range of ``factor``, about the same middle."""
        half = math.sqrt(factor)
        return replace(self, low=self.middle / half, high=self.middle * half)


#: Just beyond the agreed margin of 10 %: an acceptance is wrong, and hardest to avoid.
UP, DOWN = 1.101, 1 / 1.101
#: Just beyond limits of agreement within a factor 1.40.
SPREAD = math.sqrt((math.log(1.41) / 1.959964) ** 2 - 0.08**2 - 0.02**2)
#: A power law whose ratio is 1 in the middle (200) and just beyond the margin at 500.
CURVE = 1 + math.log(UP) / math.log(500 / 200)

TRUTHS: tuple[Truth, ...] = (
    Truth("no bias, RSD 8 %"),
    Truth("no bias, spots to split 10 %", between=0.10),
    Truth("no bias, 20 % below the limit", censored=0.20),
    Truth("no bias, 40 % below the limit", censored=0.40),
    Truth("no bias, range ×2").with_range(2),
    Truth("no bias, range ×1000").with_range(1000),
    Truth("no bias, 5 % outliers", outliers=0.05),
    Truth("proportional, just above the margin", ratio=UP),
    Truth("proportional, just below the margin", ratio=DOWN),
    Truth("proportional, +20 %", ratio=1.20),
    Truth("just above the margin, range ×2", ratio=UP).with_range(2),
    Truth("just above the margin, range ×1000", ratio=UP).with_range(1000),
    Truth("just above the margin, 40 % below the limit", ratio=UP, censored=0.40),
    Truth("just above the margin, 5 % outliers", ratio=UP, outliers=0.05),
    Truth("just above the margin, spots to split 20 %", ratio=UP, between=0.20),
    Truth("constant, +10 mg/kg", offset=10.0),
    Truth("constant, +60 mg/kg", offset=60.0),
    Truth("power law, mean ratio 1, just beyond at 500", power=CURVE, level=500.0),
    Truth("power law, mean ratio 1, +18 % at 500", level=500.0,
          power=1 + math.log(1.18) / math.log(500 / 200)),
    Truth("power law, exponent 0.8", power=0.8),
    Truth("step in level, +12 % above 200", above=1.12),
    Truth("step in time, +15 % in the second half", later=1.15),
    Truth("spread just beyond what was agreed", between=SPREAD, level=0.0),
    Truth("no bias, spots to split 20 %", between=0.20),
    Truth("no bias, spots to split 20 %, range ×2", between=0.20).with_range(2),
    Truth("no bias, spots to split 30 %", between=0.30),
    Truth("misses: −8 %, RSD 12 %", ratio=0.92, rsd=0.12),
    Truth("false alarms: +8 %, RSD 12 %", ratio=1.08, rsd=0.12),
    # where little scatters a wrong acceptance is most tempting
    Truth("RSD 3 %, no bias", rsd=0.03),
    Truth("RSD 3 %, just above the margin, no level", rsd=0.03, ratio=UP, level=0.0),
    Truth("RSD 3 %, constant, +5.1 mg/kg", rsd=0.03, offset=5.1),
    Truth("RSD 3 %, just beyond at 500, no level", rsd=0.03, power=CURVE, level=0.0),
    Truth("RSD 3 %, step in level just beyond", rsd=0.03, above=UP, level=0.0),
    Truth("RSD 3 %, step in time just beyond", rsd=0.03, later=UP, level=0.0),
    Truth("misses just beyond, RSD 11.15 %", rsd=0.1115),
    Truth("misses low down: RSD 3 %, SD 9 mg/kg, level 70", rsd=0.03, noise=9.0, level=70.0),
)  # fmt: skip
