"""Data-quality levels as the field-XRF literature of the United States regulator defines them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from reconcile.statistics._values import percent, show
from reconcile.statistics.equality import equal_with_nan

DEFINITIVE = "definitive"
QUANTITATIVE_SCREENING = "quantitative screening"
QUALITATIVE_SCREENING = "qualitative screening"
NOT_ASSIGNED = "not assigned"


@equal_with_nan
@dataclass(frozen=True, slots=True)
class QualityLevelLimits:
    """The published limits; relative standard deviations and r² as fractions.

    Level table: US EPA verification programme for field-portable XRF analysers
    (1998), from memory. Method 6200 (2007), sections 9.5 and 9.7, from memory.
    """

    definitive_rsd: float = 0.10  # at most
    definitive_r_squared: float = 0.85  # at least, and relation statistically similar
    screening_rsd: float = 0.20  # below
    screening_r_squared: float = 0.70  # at least
    method_rsd: float = 0.20  # Method 6200: at most, from at least seven replicates
    method_rsd_chromium: float = 0.30
    method_r_screening: float = 0.7
    method_r_definitive: float = 0.9  # and no difference at 99 % confidence
    method_replicates: int = 7


PUBLISHED_LIMITS = QualityLevelLimits()


@equal_with_nan
@dataclass(frozen=True, slots=True)
class DataQualityLevel:
    """Level of one element for one method, with what bound it."""

    level: str
    rsd: float
    r_squared: float
    similar: bool | None  # slope 1 and intercept 0 not rejected; None where not tested
    binding: str  # which figure kept it from the next better level
    note: str
    source: str = "US EPA verification programme for field-portable XRF, level table"
    limits: QualityLevelLimits = PUBLISHED_LIMITS

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.level == NOT_ASSIGNED:
            return f"No data-quality level can be assigned: {self.binding}."
        tail = f"; {self.binding}" if self.binding else ""
        return (
            f"Data-quality level: {self.level} (relative standard deviation {percent(self.rsd)}, "
            f"r² {show(self.r_squared)}{tail}). {self.note}"
        )


def data_quality_level(
    rsd: float,
    r_squared: float,
    similar: bool | None = None,
    limits: QualityLevelLimits = PUBLISHED_LIMITS,
) -> DataQualityLevel:
    """Definitive, quantitative screening or qualitative screening.

    ``rsd``: relative SD of replicates, as a fraction. ``r_squared``: of field on
    lab (log scale where the range exceeds a decade). ``similar``: whether slope 1
    and intercept 0 stand, None where not tested (then 'definitive' is not given).
    The table leaves combinations open (RSD 5 % with r² 0.6); the poorer of the
    two then decides.
    """
    note = "r² depends on the range and is blind to bias; it is printed, not the verdict."
    if not (math.isfinite(rsd) and math.isfinite(r_squared)):
        missing = "the relative standard deviation" if not math.isfinite(rsd) else "r²"
        return DataQualityLevel(
            NOT_ASSIGNED, rsd, r_squared, similar, f"{missing} is not estimable", note,
            limits=limits,
        )  # fmt: skip
    if rsd < 0 or not -1e-12 <= r_squared <= 1 + 1e-12:
        raise ValueError(f"need rsd >= 0 and 0 <= r_squared <= 1, got {rsd} and {r_squared}")
    if rsd >= limits.screening_rsd:
        level, binding = (
            QUALITATIVE_SCREENING,
            f"the relative standard deviation is not below {percent(limits.screening_rsd)}",
        )
    elif r_squared < limits.screening_r_squared:
        level, binding = (
            QUALITATIVE_SCREENING,
            f"r² is below {show(limits.screening_r_squared)}",
        )
    elif rsd > limits.definitive_rsd:
        level, binding = (
            QUANTITATIVE_SCREENING,
            f"the relative standard deviation is above {percent(limits.definitive_rsd)}",
        )
    elif r_squared < limits.definitive_r_squared:
        level, binding = (
            QUANTITATIVE_SCREENING,
            f"r² is below {show(limits.definitive_r_squared)}",
        )
    elif similar is None:
        level, binding = (
            QUANTITATIVE_SCREENING,
            "whether slope 1 and intercept 0 stand was not tested",
        )
    elif not similar:
        level, binding = QUANTITATIVE_SCREENING, "slope or intercept differs from 1 or 0"
    else:
        level, binding = DEFINITIVE, ""
    return DataQualityLevel(level, rsd, r_squared, similar, binding, note, limits=limits)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class MethodCriteria:
    """The numeric criteria of US EPA Method 6200 for one element."""

    element: str
    precision_met: bool | None
    enough_replicates: bool | None
    screening_met: bool | None
    definitive_met: bool | None
    rsd_limit: float
    replicates: int | None = None  # the most of one sample
    source: str = "US EPA SW-846 Method 6200 (2007), sections 9.5 and 9.7"

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""

        def word(met: bool | None) -> str:
            return "not judged" if met is None else "met" if met else "not met"

        return (
            f"{self.element or 'Element'}: precision (at most {percent(self.rsd_limit)}) "
            f"{word(self.precision_met)}, correlation for screening {word(self.screening_met)}, "
            f"for definitive use {word(self.definitive_met)}."
        )


def method_6200_criteria(
    rsd: float,
    r: float,
    similar_at_99: bool | None = None,
    element: str = "",
    replicates: int | None = None,
    limits: QualityLevelLimits = PUBLISHED_LIMITS,
) -> MethodCriteria:
    """Precision and correlation criteria of Method 6200; None where a figure is missing."""
    rsd_limit = limits.method_rsd_chromium if element == "Cr" else limits.method_rsd
    precision = rsd <= rsd_limit if math.isfinite(rsd) else None
    screening = r >= limits.method_r_screening if math.isfinite(r) else None
    definitive: bool | None = None
    if math.isfinite(r):
        if r < limits.method_r_definitive:
            definitive = False
        elif similar_at_99 is not None:
            definitive = similar_at_99
    enough = None if replicates is None else replicates >= limits.method_replicates
    return MethodCriteria(element, precision, enough, screening, definitive, rsd_limit, replicates)
