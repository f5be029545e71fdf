"""A whole stratum off by its unit, its species or its moisture, and whole methods by one factor.

A calibration bias can look like any of these, so that a fault is suspected only where a bias
of that size would be far out of the ordinary for the method, or where the ratios stand in a
tight cluster at the very factor. Nothing here is a fact: each finding says 'suspected' and
what else could give the same numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd

from reconcile.base.finding_codes import FAULTS
from reconcile.base.model.account import Finding
from reconcile.base.model.stratum import ReadAs, Stratum
from reconcile.base.quantities import parse_species
from reconcile.base.settings.thresholds import Thresholds
from reconcile.reporting import words
from reconcile.statistics import distributions as stats

Floats = npt.NDArray[np.float64]

#: Oxides in which laboratories and instruments usually report the elements of rocks, ores,
#: soils and slags (common practice, no source).
_OXIDES = (
    "Li2O", "BeO", "B2O3", "CO2", "Na2O", "MgO", "Al2O3", "SiO2", "P2O5", "SO3", "K2O", "CaO",
    "TiO2", "V2O5", "Cr2O3", "MnO", "FeO", "Fe2O3", "SrO",
    "ZrO2", "Nb2O5", "MoO3", "SnO2", "BaO", "Ta2O5", "WO3", "U3O8",
)  # fmt: skip
#: Powers of ten between units that stand beside each other in tables: per mille or ug/kg
#: against mg/kg, % against mg/kg, fractions against mg/kg …
_USUAL_POWERS = (-6, -4, -3, 3, 4, 6)
#: … and those that are left where none of these comes near: % against fractions or g/kg.
_OTHER_POWERS = (-2, -1, 1, 2)
#: Isotopes on whose mass a molecule of the plasma or of its gases is measured too, so that a
#: result by it can be far off with its unit right (from memory; common practice).
_OVERLAPPED = frozenset(
    {("Si", 28), ("Si", 29), ("P", 31), ("S", 32), ("S", 33), ("S", 34), ("Cl", 35), ("K", 39),
     ("K", 41), ("Ca", 40), ("Ca", 42), ("Ca", 44), ("Cr", 52), ("Fe", 54), ("Fe", 56),
     ("As", 75), ("Se", 77), ("Se", 78), ("Se", 80)}
)  # fmt: skip
#: Fewest pairs from which a fault of the whole stratum is read.
FEWEST_PAIRS = 5
#: At least this share of the pairs lies nearer (in ratio) to the factor than to 1.
_NEARER_SHARE = 0.8
#: Other elements of the method that may show a bias nearly as large (this share of it) while
#: the bias still counts as out of the ordinary.
_AS_LARGE, _OTHERS_AS_LARGE = 0.7, 1
#: Degrees of freedom where the usual size of a bias is the settings' and not the method's own.
_ASSUMED_FREEDOM = 4
_TEN = math.log(10)


@dataclass(frozen=True, slots=True)
class CandidateFactor:
    """A field/lab ratio that a wrong species would give."""

    ratio: float
    side: str  # whose value is the oxide: field or lab
    formula: str


@lru_cache(maxsize=256)
def candidate_factors(element: str) -> tuple[CandidateFactor, ...]:
    """Ratios that an oxide read as the element gives, both ways round, from atomic weights.

    Factors within 5 % of 1 are left out: they can't be told from bias.
    """
    found = []
    for formula in _OXIDES:
        species = parse_species(formula)
        if species is not None and species.element == element:
            share = species.element_per_species
            if share < 1 / 1.05:
                found.append(CandidateFactor(1 / share, "field", formula))
                found.append(CandidateFactor(share, "lab", formula))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Ratios:
    """The ratios of one stratum, in natural logarithms."""

    stratum: Stratum
    logs: Floats
    median: float
    low: float  # 95 % rank interval of the median
    high: float
    spread: float  # robust SD
    moist: Floats  # log of (1 - moisture) of each pair; NaN where not stated


@dataclass(frozen=True, slots=True)
class _Usual:
    """How large the calibration biases of a method are, by its other elements."""

    centre: float
    spread: float
    freedom: float
    elements: int  # 0: taken from the settings
    large: tuple[float, ...]  # distances of the others from the centre, largest first

    def odds(self, median: float, factor: float) -> float:
        """Log of how much likelier the fault makes the median than a bias alone does."""
        # Student's t; its constants cancel
        with_fault, alone = (
            math.log1p(((median - self.centre - f) / self.spread) ** 2 / self.freedom)
            for f in (factor, 0.0)
        )
        return (self.freedom + 1) / 2 * (alone - with_fault)

    def knows(self, distance: float) -> bool:
        """True where several other elements have a bias nearly this large."""
        return sum(d >= _AS_LARGE * distance for d in self.large) > _OTHERS_AS_LARGE


@dataclass(frozen=True, slots=True)
class _Suspicion:
    """One fault of one stratum, before findings of a method are put together."""

    ratios: _Ratios
    code: str
    parameters: tuple[tuple[str, str], ...]
    details: Mapping[str, str]
    evidence: str


def suspected_faults(
    pairs: pd.DataFrame,
    strata: Sequence[Stratum],
    thresholds: Thresholds,
    read_as: Mapping[str, tuple[ReadAs, ReadAs]] | None = None,
) -> tuple[Finding, ...]:
    """Strata and methods whose field/lab ratios stand where a fault would put them.

    ``pairs``: PAIR_COLUMNS, optionally ``moisture_pct`` (stated moisture of the field
    specimen). ``read_as``: by stratum key, how the columns of field and lab were read, so
    that no recalculation of the program's own is suspected. Read from pairs with both sides
    quantified and positive, whether used or not, unless fewer than five of them are used.

    *Unit*: the whole 95 % interval of the median lies further from 1 than ``fault_far``,
    either way; or a power of ten is likelier than a bias as below. *Oxide*: the ratios
    scatter by no more than ``fault_spread``, no more than one other element of the method
    has a bias nearly as large, and either the fault makes the median ``fault_odds`` times
    likelier than a bias as the method's other elements have it (Student's t about their
    median; at both ends of the interval), or the whole interval lies within
    ``fault_tolerance`` of the factor. *Moisture*: dividing by (1 - stated moisture) brings
    the median to 1. *Common factor*: most elements of one method stand at one factor. Where
    most elements of a method show the same fault there is one finding for all of them.

    How often this is wrong and how often right is simulated in tests/test_diagnosis.py.
    """
    if pairs.empty:
        return ()
    by_key = {stratum.key: stratum for stratum in strata}
    methods: dict[tuple[str, ...], list[_Ratios]] = {}
    for key, rows in pairs.groupby("stratum", sort=True):
        if (ratios := _ratios(by_key[str(key)], rows)) is not None:
            methods.setdefault(_method(ratios.stratum), []).append(ratios)
    findings: list[Finding] = []
    for method, members in sorted(methods.items()):
        found = [
            suspicion
            for ratios in members
            if (suspicion := _suspect(ratios, members, thresholds, (read_as or {})))
        ]
        whole, rest = _of_whole_method(method, members, found, thresholds)
        findings += whole
        findings += [_finding(s.ratios.stratum.key, (s,)) for s in rest]
    return tuple(findings)


def by_stratum(findings: Sequence[Finding]) -> dict[str, Finding]:
    """The suspected fault of each stratum: one that blocks its verdict before others."""
    found: dict[str, Finding] = {}
    for finding in findings:
        if finding.code not in FAULTS:
            continue
        for key in finding.strata:
            if key not in found or (finding.blocks and not found[key].blocks):
                found[key] = finding
    return found


def median_interval(values: Floats) -> tuple[float, float, float]:
    """Median with its 95 % rank interval (order statistics; all values below six)."""
    ordered = np.sort(values)
    n = ordered.size
    rank = _left_out(n)
    if rank < 1:
        return float(np.median(ordered)), float(ordered[0]), float(ordered[-1])
    return float(np.median(ordered)), float(ordered[rank - 1]), float(ordered[n - rank])


@lru_cache(maxsize=1024)
def _left_out(n: int) -> int:
    """Values left out at either end of n by the 95 % rank interval of their median."""
    return int(stats.binom.ppf(0.025, n, 0.5))


def _method(stratum: Stratum) -> tuple[str, ...]:
    """What elements share that were read in one go: biases are compared within it."""
    return (
        stratum.field_method, stratum.matrix, stratum.specimen_form, stratum.moisture_basis,
        stratum.pair_type,
    )  # fmt: skip


def _ratios(stratum: Stratum, rows: pd.DataFrame) -> _Ratios | None:
    field, lab = (
        rows[name].to_numpy(dtype="float64", na_value=np.nan) for name in ("field_mean", "lab_mean")
    )
    good = np.isfinite(field) & np.isfinite(lab) & (field > 0) & (lab > 0)
    if "used" in rows.columns:
        used = good & rows["used"].fillna(False).astype(bool).to_numpy()
        good = used if used.sum() >= FEWEST_PAIRS else good
    if good.sum() < FEWEST_PAIRS:
        return None
    logs = np.log(field[good]) - np.log(lab[good])
    moist = np.full(logs.size, np.nan)
    if "moisture_pct" in rows.columns:
        wet = rows["moisture_pct"].to_numpy(dtype="float64", na_value=np.nan)[good]
        stated = np.isfinite(wet) & (wet > 0) & (wet < 100)
        moist[stated] = np.log1p(-wet[stated] / 100)
    median, low, high = median_interval(logs)
    return _Ratios(stratum, logs, median, low, high, 1.4826 * _mad(logs), moist)


def _mad(values: Floats) -> float:
    return float(np.median(np.abs(values - np.median(values))))


def _usual(ratios: _Ratios, members: Sequence[_Ratios], thresholds: Thresholds) -> _Usual:
    far = math.log(thresholds.fault_far)
    others: dict[str, list[float]] = {}
    for other in members:
        if other.stratum.element != ratios.stratum.element and abs(other.median) < far:
            others.setdefault(other.stratum.element, []).append(other.median)
    values = np.array([float(np.median(m)) for m in others.values()])
    if values.size < thresholds.fault_elements:
        spread = math.log1p(thresholds.usual_bias)
        return _Usual(0.0, spread, _ASSUMED_FREEDOM, 0, ())
    centre = float(np.median(values))
    apart = np.sort(np.abs(values - centre))[::-1]
    rest = apart[1:]  # one more fault among them does not hide this one
    spread = max(
        math.log1p(thresholds.least_usual_bias),
        math.sqrt(float(np.sum(rest**2)) / (rest.size - 1)),
        1.4826 * float(np.median(apart)),
    )
    spread *= math.sqrt(1 + 1 / rest.size)
    return _Usual(centre, spread, rest.size - 1, values.size, tuple(apart.tolist()))


def _suspect(
    ratios: _Ratios,
    members: Sequence[_Ratios],
    thresholds: Thresholds,
    read_as: Mapping[str, tuple[ReadAs, ReadAs]],
) -> _Suspicion | None:
    usual = _usual(ratios, members, thresholds)
    field, lab = read_as.get(ratios.stratum.key, (ReadAs(), ReadAs()))
    return (
        _of_moisture(ratios, thresholds)
        or _of_unit(ratios, usual, thresholds, field, lab)
        or _of_species(ratios, usual, thresholds, field, lab)
    )


def _of_unit(
    ratios: _Ratios, usual: _Usual, thresholds: Thresholds, field: ReadAs, lab: ReadAs
) -> _Suspicion | None:
    median, centre, element = ratios.median, usual.centre, ratios.stratum.element
    ends = (ratios.low, ratios.high)
    far = math.log(thresholds.fault_far)
    near = [k for k in _USUAL_POWERS if abs(median - centre - k * _TEN) < _TEN]
    powers = near or [k for k in _OTHER_POWERS if abs(median - centre - k * _TEN) < _TEN]
    if not powers:
        powers = [max(_USUAL_POWERS) if median > 0 else min(_USUAL_POWERS)]
    powers = sorted(powers, key=lambda k: abs(median - centre - k * _TEN))
    best = powers[0] * _TEN
    beyond = ratios.low > far or ratios.high < -far
    likelier = min(usual.odds(end, best) for end in ends) >= math.log(thresholds.fault_odds)
    if not beyond and not (likelier and not usual.knows(abs(median - centre))):
        return None
    if _nearer_share(ratios.logs, best) < _NEARER_SHARE:
        return None
    details = {
        "ratio": _ratio(median),
        "powers": words.FAULT_OR.join(
            words.FAULT_POWER.format(power=k, bias=_ratio(median - k * _TEN)) for k in powers
        ),
    }
    overlapped = [
        (side, number)
        for side, read in (("field", field), ("lab", lab))
        for number in sorted(read.isotopes)
        if (element, number) in _OVERLAPPED
    ]
    if overlapped:
        parameters = tuple((f"{side} isotope", str(number)) for side, number in overlapped)
        details["isotope"] = ", ".join(
            words.FAULT_ISOTOPE.format(side=side, number=number, element=element)
            for side, number in overlapped
        )
        return _Suspicion(ratios, "isotope", parameters, details, _shown(ratios, usual, field, lab))
    return _Suspicion(
        ratios, "unit", (("power of ten", str(powers[0])),), details,
        _shown(ratios, usual, field, lab),
    )  # fmt: skip


def _of_species(
    ratios: _Ratios, usual: _Usual, thresholds: Thresholds, field: ReadAs, lab: ReadAs
) -> _Suspicion | None:
    if ratios.low <= 0 <= ratios.high or ratios.spread > math.log1p(thresholds.fault_spread):
        return None
    if usual.knows(abs(ratios.median - usual.centre)):
        return None
    recalculated = {side for side, read in (("field", field), ("lab", lab)) if read.recalculated}
    near: list[tuple[float, CandidateFactor, float]] = []
    ends = (ratios.low, ratios.high)
    for candidate in candidate_factors(ratios.stratum.element):
        if candidate.side in recalculated:
            continue
        factor = math.log(candidate.ratio)
        odds = min(usual.odds(end, factor) for end in ends)
        within = math.log1p(thresholds.fault_tolerance)
        tight = all(abs(end - factor) <= within for end in ends)
        centre = 0.0 if tight else usual.centre
        if (tight or odds >= math.log(thresholds.fault_odds)) and (
            _nearer_share(ratios.logs - centre, factor) >= _NEARER_SHARE
        ):
            near.append((abs(ratios.median - centre - factor), candidate, odds))
    if not near:
        return None
    _, candidate, odds = min(near, key=lambda item: item[0])
    details = {
        "ratio": _ratio(ratios.median), "element": ratios.stratum.element,
        "formula": candidate.formula, "factor": f"{candidate.ratio:.4g}",
        "bias": f"{math.expm1(ratios.median):+.1%}",
    }  # fmt: skip
    return _Suspicion(
        ratios, f"{candidate.side} oxide", (("formula", candidate.formula),), details,
        _shown(ratios, usual, field, lab, odds),
    )  # fmt: skip


def _nearer_share(logs: Floats, factor: float) -> float:
    return float(np.mean(np.abs(logs - factor) < np.abs(logs)))


def _of_moisture(ratios: _Ratios, thresholds: Thresholds) -> _Suspicion | None:
    stated = np.isfinite(ratios.moist)
    if stated.sum() < FEWEST_PAIRS:
        return None
    plain, rest = ratios.logs[stated], ratios.logs[stated] - ratios.moist[stated]
    median, low, high = median_interval(plain)
    within = math.log1p(thresholds.moisture_tolerance)
    if low <= 0 <= high or abs(median) <= within:
        return None
    left = float(np.median(rest))
    if abs(left) > within or _mad(rest) > _mad(plain) * 1.001:
        return None
    nearer = np.abs(rest) < np.abs(plain)
    if nearer.mean() < _NEARER_SHARE:
        return None
    evidence = words.FAULT_MOISTURE_EVIDENCE.format(
        n=int(stated.sum()), low=_ratio(low), high=_ratio(high), left=_ratio(left),
        nearer=int(nearer.sum()),
    )  # fmt: skip
    return _Suspicion(ratios, "moisture", (), {"ratio": _ratio(median)}, evidence)


def _of_whole_method(
    method: tuple[str, ...],
    members: Sequence[_Ratios],
    found: list[_Suspicion],
    thresholds: Thresholds,
) -> tuple[list[Finding], list[_Suspicion]]:
    """Findings that hold for most elements of a method, and the suspicions left over."""
    subject = " | ".join(part or "-" for part in method)
    elements = {ratios.stratum.element for ratios in members}
    enough = max(thresholds.common_elements, thresholds.common_share * len(elements))
    alike: dict[tuple[str, tuple[tuple[str, str], ...]], list[_Suspicion]] = {}
    for suspicion in found:
        alike.setdefault((suspicion.code, suspicion.parameters), []).append(suspicion)
    for group in alike.values():
        if len({s.ratios.stratum.element for s in group}) >= enough:
            return [_finding(subject, group)], [s for s in found if s not in group]
    centre = float(np.median([ratios.median for ratios in members]))
    within = math.log1p(thresholds.common_tolerance)
    close = [ratios for ratios in members if abs(ratios.median - centre) <= within]
    away = [r for r in close if not r.low <= 0 <= r.high]
    if (
        abs(centre) < math.log1p(thresholds.common_least)
        or len({r.stratum.element for r in close}) < enough
        or len(away) < thresholds.common_share * len(close)
    ):
        return [], found
    keys = {ratios.stratum.key for ratios in close}
    details = {"ratio": _ratio(centre), "count": str(len(elements))}
    evidence = words.FAULT_COMMON_EVIDENCE.format(
        low=_ratio(min(r.median for r in close)), high=_ratio(max(r.median for r in close)),
        within=f"{thresholds.common_tolerance:.0%}", strata=len(members),
    )  # fmt: skip
    common = [_Suspicion(r, "common factor", (), details, evidence) for r in close]
    return [_finding(subject, common)], [s for s in found if s.ratios.stratum.key not in keys]


def _finding(subject: str, suspicions: Sequence[_Suspicion]) -> Finding:
    """One finding for a stratum, or for all elements of a method that show the same."""
    first = suspicions[0]
    text = words.FAULTS[first.code].format(**first.details)
    if len(suspicions) > 1:
        named = ", ".join(
            sorted(f"{s.ratios.stratum.element} {_ratio(s.ratios.median)}" for s in suspicions)
        )
        text += words.FAULT_ALL.format(named=named)
    return Finding(
        area="diagnosis",
        severity=words.FAULT_SEVERITY[first.code],
        subject=subject,
        text=text,
        evidence=first.evidence,
        advice=words.FAULT_ADVICE[first.code],
        code=first.code,
        parameters=first.parameters,
        strata=tuple(s.ratios.stratum.key for s in suspicions),
    )


def _shown(
    ratios: _Ratios, usual: _Usual, field: ReadAs, lab: ReadAs, odds: float | None = None
) -> str:
    """What the suspicion rests on, with how both sides were read."""
    parts = [
        words.FAULT_EVIDENCE.format(
            n=ratios.logs.size, low=_ratio(ratios.low), high=_ratio(ratios.high),
            spread=f"{math.expm1(ratios.spread):.1%}",
        )
    ]  # fmt: skip
    if usual.elements:
        parts.append(
            words.FAULT_OTHERS.format(
                elements=usual.elements, centre=_ratio(usual.centre),
                spread=f"{math.expm1(usual.spread):.0%}",
            )
        )  # fmt: skip
    if odds is not None and odds > 0:
        parts.append(words.FAULT_ODDS.format(odds=f"{math.exp(min(odds, 13.8)):.3g}"))
    parts += [
        words.FAULT_READ.format(side=side, species=" or ".join(sorted(read.species)),
                                units=" or ".join(sorted(read.units)) or words.FAULT_BY_ROW)
        for side, read in (("field", field), ("lab", lab))
        if read.species
    ]  # fmt: skip
    return "; ".join(parts)


def _ratio(log: float) -> str:
    return f"{math.exp(log):.4g}"
