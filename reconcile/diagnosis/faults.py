"""A whole stratum off by an oxide factor, a power of ten or its moisture."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from reconcile.model import Finding
from reconcile.quantities import parse_species
from reconcile.settings import Thresholds

Floats = npt.NDArray[np.float64]

#: Oxides in which laboratories and instruments usually report the elements of rocks, ores,
#: soils and slags (common practice, no source).
_OXIDES = (
    "Li2O", "BeO", "B2O3", "CO2", "Na2O", "MgO", "Al2O3", "SiO2", "P2O5", "SO3", "K2O", "CaO",
    "TiO2", "V2O5", "Cr2O3", "MnO", "FeO", "Fe2O3", "SrO",
    "ZrO2", "Nb2O5", "MoO3", "SnO2", "BaO", "Ta2O5", "WO3", "U3O8",
)  # fmt: skip
#: Oxides seldom reported: their factors (1.06 to 1.58) would call many an ordinary bias a fault,
#: so that they count only together with a power of ten.
_SELDOM = (
    "MnO2", "Fe3O4", "CoO", "NiO", "CuO", "ZnO", "As2O3", "Cs2O", "PbO", "Rb2O", "Y2O3", "La2O3",
    "CeO2", "ThO2",
)  # fmt: skip
_POWERS = (-6, -5, -4, -3, -2, -1, 1, 2, 3, 4, 5, 6)
#: Fewest pairs from which a fault of the whole stratum is read.
FEWEST_PAIRS = 5
#: 'Tight': at least this share of the pairs lies nearer (in ratio) to the factor than to 1.
TIGHT_SHARE = 0.8


@dataclass(frozen=True, slots=True)
class CandidateFactor:
    """A field/lab ratio that a fault would give, and the fault in words."""

    ratio: float
    fault: str


@lru_cache(maxsize=256)
def candidate_factors(element: str) -> tuple[CandidateFactor, ...]:
    """Ratios that a wrong species or unit gives for this element, plain ones first.

    Oxide factors from the atomic weights (both ways round), powers of ten, and both
    together. Factors within 5 % of 1 are left out: they can't be told from bias.
    """
    oxides = []
    for formula in (*_OXIDES, *_SELDOM):
        species = parse_species(formula)
        if species is not None and species.element == element:
            oxides.append((formula, 1 / species.element_per_species))
    plain = [CandidateFactor(10.0**k, f"a power of ten (10^{k}): units differ") for k in _POWERS]
    for formula, factor in oxides:
        if formula in _SELDOM:
            continue
        plain += [
            CandidateFactor(factor, f"{formula}/{element}: the field value is the oxide"),
            CandidateFactor(1 / factor, f"{element}/{formula}: the lab value is the oxide"),
        ]
    both = [
        CandidateFactor(10.0**k * f, f"10^{k} times {name}")
        for k in _POWERS
        for formula, factor in oxides
        for f, name in (
            (factor, f"{formula}/{element}: units differ and the field value is the oxide"),
            (1 / factor, f"{element}/{formula}: units differ and the lab value is the oxide"),
        )
    ]
    return tuple(c for c in (*plain, *both) if abs(math.log(c.ratio)) > math.log(1.05))


def suspected_faults(pairs: pd.DataFrame, thresholds: Thresholds) -> tuple[Finding, ...]:
    """Strata whose median field/lab ratio sits on a factor that a fault would give.

    ``pairs``: PAIR_COLUMNS and ``element``, optionally ``moisture_pct`` (stated moisture of
    the field specimen). Read from pairs with both sides quantified and positive, whether
    used or not, unless fewer than five of them. Suspected where the median is within
    ``fault_tolerance`` of the factor and the ratios are tight: at least 80 % of them nearer
    to the factor than to 1, and the 95 % rank interval of the median leaves out 1. Moisture
    is suspected where the median of ratio/(1 - moisture) is within the tolerance of 1 while
    the plain median is not, and dividing by it makes the ratios no wider. The subject of
    each finding is the stratum's key. A true bias that happens to equal a factor looks the
    same: of 1 500 simulated strata with a true bias spread evenly between one half and two
    (in the logarithm) 8 to 9 % were named where the element has one usual oxide (Al, Zr, Ca),
    17 % for Fe with two, none for Cu with none. Of strata without bias (field error 25 %,
    n = 20) at most 1 %.
    """
    needed = {"stratum", "element", "field_mean", "lab_mean"}
    if pairs.empty or not needed <= set(pairs.columns):
        return ()
    findings: list[Finding] = []
    for (key, element), rows in pairs.groupby(["stratum", "element"], sort=True):
        field = rows["field_mean"].to_numpy(dtype="float64", na_value=np.nan)
        lab = rows["lab_mean"].to_numpy(dtype="float64", na_value=np.nan)
        good = np.isfinite(field) & np.isfinite(lab) & (field > 0) & (lab > 0)
        if "used" in rows.columns:
            used = good & rows["used"].fillna(False).astype(bool).to_numpy()
            good = used if used.sum() >= FEWEST_PAIRS else good
        if good.sum() < FEWEST_PAIRS:
            continue
        logs = np.log(field[good]) - np.log(lab[good])
        finding = None
        if "moisture_pct" in rows.columns:
            # First, for it explains each ratio by a number of its own.
            wet = rows["moisture_pct"].to_numpy(dtype="float64", na_value=np.nan)[good]
            finding = _of_moisture(str(key), logs, wet, thresholds)
        finding = finding or _of_factor(str(key), str(element), logs, thresholds)
        if finding is not None:
            findings.append(finding)
    return tuple(findings)


def median_interval(values: Floats) -> tuple[float, float, float]:
    """Median with its 95 % rank interval (order statistics; infinite below six values)."""
    ordered = np.sort(values)
    n = ordered.size
    rank = int(stats.binom.ppf(0.025, n, 0.5))  # values left out at either end
    if rank < 1:
        return float(np.median(ordered)), float(ordered[0]), float(ordered[-1])
    return float(np.median(ordered)), float(ordered[rank - 1]), float(ordered[n - rank])


def _of_factor(key: str, element: str, logs: Floats, thresholds: Thresholds) -> Finding | None:
    median, low, high = median_interval(logs)
    if low <= 0 <= high:
        return None
    near = [
        (abs(math.expm1(median - math.log(c.ratio))), place, c)
        for place, c in enumerate(candidate_factors(element))
        if abs(math.expm1(median - math.log(c.ratio))) <= thresholds.fault_tolerance
    ]
    if not near:
        return None
    # Plain factors stand before combined ones; among equals the nearer.
    plain = [item for item in near if " times " not in item[2].fault]
    distance, _, candidate = min(plain or near, key=lambda item: item[:2])
    target = math.log(candidate.ratio)
    nearer = np.abs(logs - target) < np.abs(logs)
    if nearer.mean() < TIGHT_SHARE:
        return None
    return Finding(
        area="diagnosis",
        severity="serious",
        subject=key,
        text=(
            f"The median field/lab ratio is {_ratio(median)}, which is {candidate.fault} "
            f"({candidate.ratio:.4g})."
        ),
        evidence=(
            f"n = {logs.size}, 95 % interval of the median {_ratio(low)} to {_ratio(high)}; "
            f"{distance:.1%} from the factor (tolerance {thresholds.fault_tolerance:.0%}); "
            f"{int(nearer.sum())} of {logs.size} ratios are nearer to it than to 1"
        ),
        advice=(
            "Check unit and species of both tables before any factor is made; nothing was "
            "corrected."
        ),
    )


def _of_moisture(
    key: str, logs: Floats, moisture_pct: Floats, thresholds: Thresholds
) -> Finding | None:
    stated = np.isfinite(moisture_pct) & (moisture_pct > 0) & (moisture_pct < 100)
    if stated.sum() < FEWEST_PAIRS:
        return None
    dry = np.log1p(-moisture_pct[stated] / 100)
    plain, rest = logs[stated], logs[stated] - dry
    median, low, high = median_interval(plain)
    tolerance = thresholds.fault_tolerance
    if low <= 0 <= high or abs(math.expm1(median)) <= tolerance:
        return None
    if abs(math.expm1(float(np.median(rest)))) > tolerance or _mad(rest) > _mad(plain) * 1.001:
        return None
    nearer = np.abs(rest) < np.abs(plain)
    if nearer.mean() < TIGHT_SHARE:
        return None
    return Finding(
        area="diagnosis",
        severity="serious",
        subject=key,
        text=(
            f"The median field/lab ratio of {_ratio(median)} is what the stated moisture gives "
            "where the field specimen was wet and the lab's was dry."
        ),
        evidence=(
            f"n = {int(stated.sum())}, 95 % interval of the median {_ratio(low)} to "
            f"{_ratio(high)}; divided by (1 - moisture) the median is "
            f"{_ratio(float(np.median(rest)))}; {int(nearer.sum())} ratios come nearer to 1"
        ),
        advice=(
            "Bring both sides to one moisture basis, or measure dried specimens; water also "
            "weakens the signal, so that dilution alone is no full correction."
        ),
    )


def _mad(values: Floats) -> float:
    return float(np.median(np.abs(values - np.median(values))))


def _ratio(log: float) -> str:
    return f"{math.exp(log):.4g}"
