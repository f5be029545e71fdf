"""Scores against a reference value, the Horwitz function and an uncertainty budget."""

from __future__ import annotations

import math
from dataclasses import dataclass

from reconcile.statistics._values import show
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN


def _ratio(top: float, bottom: float) -> float:
    if not (math.isfinite(top) and math.isfinite(bottom)) or bottom <= 0:
        return NAN
    ratio = top / bottom
    return ratio if math.isfinite(ratio) else NAN


def z_score(value: float, reference: float, sigma_pt: float) -> float:
    """(value − reference)/sigma_pt (ISO 13528:2022, section 9.4, from memory); NaN if undefined."""
    return _ratio(value - reference, sigma_pt)


def zeta_score(value: float, reference: float, u_value: float, u_reference: float) -> float:
    """Difference over the joined standard uncertainties (ISO 13528:2022, 9.6, from memory)."""
    if u_value < 0 or u_reference < 0:
        return NAN
    return _ratio(value - reference, math.hypot(u_value, u_reference))


def en_score(value: float, reference: float, expanded: float, expanded_reference: float) -> float:
    """Difference over the joined expanded uncertainties (ISO 13528:2022, 9.7, from memory)."""
    return zeta_score(value, reference, expanded, expanded_reference)


def _reading(score: float) -> str:
    size = abs(score)
    if math.isnan(size):
        return "not estimable"
    return "satisfactory" if size <= 2 else "questionable" if size < 3 else "unsatisfactory"


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Scores:
    """z, zeta and En of one value against one reference; NaN where an input is missing."""

    value: float
    reference: float
    z: float
    zeta: float
    en: float
    z_reading: str  # satisfactory (|z| <= 2), questionable, unsatisfactory (|z| >= 3)
    zeta_reading: str
    en_reading: str  # satisfactory (|En| <= 1) or unsatisfactory

    def sentence(self, unit: str = "") -> str:
        """One plain sentence with the scores that could be formed."""
        parts = [
            f"{name} = {show(score)} ({reading})"
            for name, score, reading in (
                ("z", self.z, self.z_reading),
                ("zeta", self.zeta, self.zeta_reading),
                ("En", self.en, self.en_reading),
            )
            if not math.isnan(score)
        ]
        found = f"{show(self.value, 4)} against {show(self.reference, 4)} {unit}".rstrip()
        return f"{found}: " + ("; ".join(parts) if parts else "no score can be formed") + "."


def scores(
    value: float,
    reference: float,
    u_value: float = NAN,
    u_reference: float = NAN,
    sigma_pt: float = NAN,
    k: float = 2.0,
) -> Scores:
    """z, zeta and En together; standard uncertainties in, expanded by ``k`` for En.

    Limits 2 and 3 for z and zeta and 1 for En as in ISO 13528 and ISO/IEC 17043
    (from memory).
    """
    z = z_score(value, reference, sigma_pt)
    zeta = zeta_score(value, reference, u_value, u_reference)
    en = en_score(value, reference, k * u_value, k * u_reference)
    en_reading = (
        "not estimable" if math.isnan(en) else "satisfactory" if abs(en) <= 1 else "unsatisfactory"
    )
    return Scores(value, reference, z, zeta, en, _reading(z), _reading(zeta), en_reading)
