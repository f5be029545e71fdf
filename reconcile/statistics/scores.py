"""Scores against a reference value, the Horwitz function and an uncertainty budget."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics._values import percent, quiet, same_length, show, vector
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


def horwitz(mass_fraction: float) -> float:
    """Predicted relative reproducibility SD, as a fraction (Horwitz, Kamps & Boyer 1980).

    0.02·c^(−0.1505) with c the dimensionless mass fraction; NaN unless 0 < c <= 1.
    """
    if not 0 < mass_fraction <= 1:
        return NAN
    return float(0.02 * mass_fraction**-0.1505)


def horwitz_modified(mass_fraction: float) -> float:
    """Horwitz function as modified by Thompson (2000, Analyst 125:385), relative SD as fraction.

    22 % below c = 1.2e-7, 0.02·c^(−0.1505) up to c = 0.138, 0.01·c^(−0.5) above.
    """
    if not 0 < mass_fraction <= 1:
        return NAN
    if mass_fraction < 1.2e-7:
        return 0.22
    if mass_fraction > 0.138:
        return float(0.01 * mass_fraction**-0.5)
    return horwitz(mass_fraction)


def horrat(relative_sd: float, mass_fraction: float, modified: bool = False) -> float:
    """Observed over predicted relative reproducibility SD; about 0.5 to 2 is usual."""
    predicted = horwitz_modified(mass_fraction) if modified else horwitz(mass_fraction)
    return _ratio(relative_sd, predicted)


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Within-laboratory reproducibility and bias joined into one uncertainty (fractions)."""

    u_within: float  # u(Rw)
    bias_rms: float
    u_reference: float  # u(Cref), mean over the rounds
    u_bias: float
    u_combined: float
    expanded: float  # k times the combined one
    k: float
    n: int  # rounds or reference materials
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"The uncertainty could not be estimated: {self.reason}."
        return (
            f"Expanded uncertainty ±{percent(self.expanded, 2)} (k = {self.k:g}) from "
            f"day-to-day scatter {percent(self.u_within)} and bias {percent(self.u_bias)} over "
            f"{self.n} comparisons."
        )


@quiet
def nordtest_uncertainty(
    u_within: float, relative_bias: ArrayLike, u_reference: ArrayLike, k: float = 2.0
) -> Uncertainty:
    """Uncertainty from control data and comparisons (Nordtest TR 537, from memory).

    ``u_within`` is u(Rw), relative, as a fraction. ``relative_bias`` holds one
    relative bias per round or reference material; ``u_reference`` the relative
    standard uncertainty of each assigned value (for a comparison round
    s_R/sqrt(number of laboratories)). u(bias) = sqrt(RMS_bias² + mean u(Cref)²).
    """
    bias, u_ref = vector(relative_bias, "relative_bias"), vector(u_reference, "u_reference")
    same_length(bias, u_ref, names=("relative_bias", "u_reference"))
    keep = np.isfinite(bias) & np.isfinite(u_ref) & (u_ref >= 0)
    bias, u_ref = bias[keep], u_ref[keep]
    if bias.size == 0 or not math.isfinite(u_within) or u_within < 0:
        what = "no comparison is usable" if bias.size == 0 else "u(Rw) is not a usable number"
        return Uncertainty(u_within, NAN, NAN, NAN, NAN, NAN, k, bias.size, what)
    rms = float(np.sqrt(np.mean(bias**2)))
    mean_u = float(np.mean(u_ref))
    u_bias = math.hypot(rms, mean_u)
    combined = math.hypot(u_within, u_bias)
    return Uncertainty(u_within, rms, mean_u, u_bias, combined, k * combined, k, bias.size)
