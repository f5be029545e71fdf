"""Reference materials and check standards against their certified values."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.base.model.controls import QualityCheck
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.quality.controls import (
    CONTROLS,
    QUANTIFIED_FROM,
    QUANTIFIED_FROM_ERROR,
    LimitsOf,
    Rows,
    finite,
    groups,
    is_metal,
    iso,
    number,
    usual_limits,
    whole,
)
from reconcile.samples.identity import comparison_form
from reconcile.statistics.robust import median_mad
from reconcile.statistics.scores import scores

#: From this many results of one material by one method their own spread is used.
_OWN_SPREAD_FROM = 8
_DEFAULT_COVERAGE = 2.0

#: Elements whose minerals resist a four-acid digestion, or that are lost from it (from memory;
#: common geochemical practice). An aqua regia is partial for every element.
NEAR_TOTAL_SHORT = frozenset(
    {"Zr", "Hf", "Cr", "Sn", "Ta", "W", "Ba", "Nb", "Ti", "As", "Sb", "Se", "Hg", "Si", "B"}
)


@dataclass(frozen=True, slots=True)
class ReferenceScores:
    """How a mean of n results stands to a certified value; mass fractions in one unit."""

    n: int
    mean: float
    certified: float
    u_certified: float  # standard uncertainty
    sd: float  # of a single result
    recovery: float  # fraction
    z: float  # (mean - certified)/sd, SD as standard deviation for assessment
    zeta: float
    en: float  # both sides expanded with k = 2
    deviation: float  # mean - certified
    allowed: float  # 2 sqrt(sd²/n + u²)

    @property
    def agrees(self) -> bool | None:
        """|mean - certified| <= 2 sqrt(sd²/n + u²); None where that can't be formed."""
        return abs(self.deviation) <= self.allowed if math.isfinite(self.allowed) else None

    def sentence(self, unit: str = "mg/kg", results: int | None = None) -> str:
        """The scores in one sentence; ``results`` where their number is not ``n``."""
        text = (
            f"{number(self.mean)} found, {number(self.certified)} {unit} certified "
            f"(n = {results or self.n}): recovery {self.recovery:.1%}"
        )
        if math.isfinite(self.zeta):
            text += f", zeta {self.zeta:.2f}, E_n {self.en:.2f}"
        if self.agrees is not None:
            word = "within" if self.agrees else "beyond"
            text += (
                f"; the deviation of {number(self.deviation)} {unit} is {word} "
                f"2·sqrt(s²/n + u²) = {number(self.allowed)} {unit}"
            )
        return text + "."


def reference_scores(
    mean: float, n: int, sd: float, certified: float, u_certified: float
) -> ReferenceScores:
    """Recovery, z, zeta, E_n and the trueness check of a mean.

    z, zeta and E_n after ISO 13528 (from memory); trueness check |mean - certified| <=
    2 sqrt(s²/n + u²) after ISO Guide 33 and ERM Application Note 1 (from memory). What
    can't be formed is NaN.
    """
    u_mean = sd / math.sqrt(n) if n > 0 else math.nan
    made = scores(mean, certified, u_mean, u_certified, sd, k=2.0)
    return ReferenceScores(
        n=n,
        mean=mean,
        certified=certified,
        u_certified=u_certified,
        sd=sd,
        recovery=mean / certified if certified > 0 else math.nan,
        z=made.z,
        zeta=made.zeta,
        en=made.en,
        deviation=mean - certified,
        allowed=2 * math.hypot(u_mean, u_certified),
    )


@dataclass(frozen=True, slots=True)
class Certified:
    """A certified value of one material and element, mg/kg."""

    code: str
    value: float
    expanded: float
    k: float
    matrix: str = ""

    @property
    def standard(self) -> float:
        """Standard uncertainty."""
        return self.expanded / self.k


def judge_reference_materials(
    field_controls: pd.DataFrame,
    lab_controls: pd.DataFrame,
    reference: pd.DataFrame,
    thresholds: Thresholds,
    limits_of: LimitsOf | None = None,
) -> tuple[QualityCheck, ...]:
    """One check per material, method, element and batch (field: day; lab: certificate).

    ``limits_of``: what holds for an element in the material's matrix; else ``thresholds``.

    Field: the mean of the day and, beyond twice its own noise, the mean of the last
    third of the day's readings must recover ``recovery_low`` to ``recovery_high`` of the
    certified value (what is outside may be repeated; US EPA Method 6200 section 9.4, limits
    from memory). Lab: |zeta| at most ``lab_zeta``; where neither eight results of the material nor
    stated errors show the spread, or the certificate states no uncertainty, the recovery
    limits instead. Not judged (None): a certified value below what can be quantified,
    censored results that leave the answer open, low recovery of a total value by a digestion
    that is partial for the element.
    """
    certified = certified_values(reference)
    at_most = certified_limits(reference)
    known_codes = {code for code, _ in (*certified, *at_most)}
    checks: list[QualityCheck] = []
    for side, controls in (("field", field_controls), ("lab", lab_controls)):
        everything = whole(controls).put(side=np.full(len(controls), side, dtype=object))
        limits = usual_limits(everything)
        rows = everything.take(np.isin(everything["sample_kind"], CONTROLS))
        codes = rows.code()
        forms = np.array([comparison_form(code) for code in codes], dtype=object)
        rows = rows.put(code=codes, form=forms)
        for (form, element, method, kind), own in groups(
            rows, "form", "element", "method", "sample_kind"
        ):
            value = certified.get((form, element))
            if value is None:
                if (limit := at_most.get((form, element))) is not None:
                    spread = spread_of(own)
                    for (batch,), of_batch in groups(own, "batch"):
                        checks.append(
                            _below(side, kind, method, element, batch, of_batch, limit, spread)
                        )
                continue
            t = limits_of(element, value.matrix, is_metal(own)) if limits_of else thresholds
            basis = _Basis(value, spread_of(own), limits.get((side, method, element), math.nan), t)
            for (batch,), of_batch in groups(own, "batch"):
                checks.append(_check(side, kind, method, element, batch, of_batch, basis))
        for (form, kind), own in groups(rows, "form", "sample_kind"):
            if form not in known_codes:
                checks.append(_without_certificate(side, kind, own))
    return tuple(
        sorted(checks, key=lambda c: (c.side, c.kind, c.code, c.method, c.element, c.batch))
    )


def certified_values(reference: pd.DataFrame) -> dict[tuple[str, str], Certified]:
    """Certified values by comparison form of the code, and element; the first entry stands."""
    values: dict[tuple[str, str], Certified] = {}
    for row in reference.to_dict("records"):
        form, element = comparison_form(row.get("reference_code")), str(row.get("element"))
        value, expanded, k = (
            _number(row.get(name))
            for name in ("certified_mg_kg", "uncertainty_mg_kg", "coverage_factor")
        )
        if form and value > 0:
            values.setdefault(
                (form, element),
                Certified(
                    str(row["reference_code"]).strip(), value,
                    expanded if expanded >= 0 else math.nan, k if k > 0 else _DEFAULT_COVERAGE,
                    _text(row.get("matrix")),
                ),
            )  # fmt: skip
    return values


def certified_limits(reference: pd.DataFrame) -> dict[tuple[str, str], Certified]:
    """What a material is certified to hold less of, as ``certified_values``."""
    limits: dict[tuple[str, str], Certified] = {}
    for row in reference.to_dict("records"):
        form, element = comparison_form(row.get("reference_code")), str(row.get("element"))
        limit = _number(row.get("at_most_mg_kg"))
        if form and limit > 0:
            code, matrix = str(row["reference_code"]).strip(), _text(row.get("matrix"))
            limits.setdefault((form, element), Certified(code, limit, math.nan, 2.0, matrix))
    return limits


def _text(cell: object) -> str:
    return cell.strip() if isinstance(cell, str) else ""


def _number(cell: object) -> float:
    value = pd.to_numeric(cell, errors="coerce")  # type: ignore[call-overload]
    return float(value) if value is not pd.NA and np.isfinite(value) else math.nan


@dataclass(frozen=True, slots=True)
class Spread:
    """SD of one result, where it comes from, and whether repeats in a batch lessen it."""

    sd: float
    source: str
    shared: bool = False


@dataclass(frozen=True, slots=True)
class _Basis:
    """What the results of one material, method and element are held against."""

    certified: Certified
    spread: Spread
    usual_limit: float
    thresholds: Thresholds


def spread_of(rows: Rows) -> Spread:
    """The spread of this material by this method over all its batches."""
    values = finite(rows["value_mg_kg"][rows["qualifier"] == ""])
    n = values.size
    if n >= _OWN_SPREAD_FROM:
        # The median absolute deviation: failed batches among the good ones must not widen it.
        # n/(n - 0.8) takes away its bias in small numbers (Croux & Rousseeuw 1992, from memory).
        robust = median_mad(values)
        if robust.scale.estimable and robust.scale.value > 0:
            sd = robust.scale.value * n / (n - 0.8)
            return Spread(sd, f"spread from {n} results of this material", shared=True)
    errors = finite(rows["se"])
    errors = errors[errors > 0]
    if errors.size:
        return Spread(float(np.sqrt(np.mean(errors**2))), "spread from the stated errors")
    return Spread(math.nan, "spread not known")


def _check(
    side: str, kind: str, method: str, element: str, batch: str, rows: Rows, basis: _Basis
) -> QualityCheck:
    certified, spread, thresholds = basis.certified, basis.spread, basis.thresholds
    low, high = thresholds.recovery_low, thresholds.recovery_high
    window = f"recovery {low:.0%} to {high:.0%}"
    found_low, found_high, n = _bounds(rows)
    censored = found_low != found_high
    mean = found_low if not censored else math.nan
    # Results of one batch share its errors: their number does not lessen a spread over batches.
    independent = 1 if spread.shared and side == "lab" else n
    result = reference_scores(mean, independent, spread.sd, certified.value, certified.standard)
    stated = finite(rows["limit_mg_kg"])
    limit = float(stated.max()) if stated.size else basis.usual_limit
    errors = finite(rows["se"])
    error = float(np.median(errors)) if errors.size else math.nan
    by_zeta = side == "lab" and math.isfinite(result.zeta)
    rule = window if not by_zeta else f"|zeta| at most {thresholds.lab_zeta:g} ({spread.source})"
    passed: bool | None
    if n == 0:
        passed, why = None, "no usable result"
    elif certified.value < QUANTIFIED_FROM * limit:
        passed = None
        why = (
            f"the certified value of {number(certified.value)} mg/kg is below "
            f"{QUANTIFIED_FROM:.1f} times the limit of {number(limit)} mg/kg: not quantifiable"
        )
    elif certified.value < QUANTIFIED_FROM_ERROR * error:
        passed = None
        why = (
            f"the certified value of {number(certified.value)} mg/kg is below "
            f"{QUANTIFIED_FROM_ERROR:.0f} times the stated error of {number(error)} mg/kg: not "
            "quantifiable"
        )
    elif censored:
        rule = window
        passed = _by_bounds(found_low, found_high, certified.value, low, high)
        why = (
            f"between {number(found_low)} and {number(found_high)} mg/kg found (limits among "
            f"{n} results), {number(certified.value)} mg/kg certified"
        )
    elif by_zeta:
        passed = abs(result.zeta) <= thresholds.lab_zeta
        why = result.sentence(results=n).rstrip(".")
    else:
        passed = low <= result.recovery <= high
        why = result.sentence(results=n).rstrip(".")
        drifted = _end_of_day(rows, certified.value, spread.sd, low, high)
        if side == "field" and passed and drifted:
            passed = False
            why += f"; {drifted}"
    if passed is False and _short(rows, element) and found_high < certified.value:
        passed = None
        why += (
            "; the digestion is partial for this element, so that a low recovery of a total "
            "value is its extractable share and no error"
        )
    return QualityCheck(
        side=side,
        kind=kind,
        code=certified.code,
        method=method,
        element=element,
        batch=batch,
        n=n,
        found=mean,
        expected=certified.value,
        uncertainty=certified.expanded,
        recovery=result.recovery,
        score=result.zeta,
        passed=passed,
        rule=rule,
        why=why,
        at=iso(rows["at"]),
    )


def _below(
    side: str, kind: str, method: str, element: str, batch: str, rows: Rows, limit: Certified,
    spread: Spread,
) -> QualityCheck:  # fmt: skip
    """A result against a value that is certified as below a limit.

    Passed where all that was found lies below it; failed where the mean is above it by more
    than twice its own noise; in between nothing is decided.
    """
    low, high, n = _bounds(rows)
    noise = 2 * spread.sd / math.sqrt(n) if n and math.isfinite(spread.sd) else 0.0
    passed = None if n == 0 else True if high <= limit.value else None
    if n and low - noise > limit.value:
        passed = False
    found = f"{number(low)}" if low == high else f"between {number(low)} and {number(high)}"
    why = (
        f"{found} mg/kg found, certified below {number(limit.value)} mg/kg (n = {n})"
        if n
        else "no usable result"
    )
    return QualityCheck(
        side, kind, limit.code, method, element, batch, n, low if low == high else math.nan,
        limit.value, math.nan, math.nan, math.nan, passed,
        "not above what the material is certified to hold less of", iso(rows["at"]), why,
    )  # fmt: skip


def _end_of_day(rows: Rows, certified: float, spread: float, low: float, high: float) -> str:
    """Words where the last third of the readings clearly leaves the limits, else ''."""
    values = finite(rows["value_mg_kg"])
    if values.size < 2 or np.isnat(rows["at"]).any():
        return ""
    last = values[-max(1, values.size // 3) :]
    noise = 2 * (spread if math.isfinite(spread) else 0.0) / math.sqrt(last.size)
    mean = float(last.mean())
    if low * certified - noise <= mean <= high * certified + noise:
        return ""
    which = "reading" if last.size == 1 else f"{last.size} readings"
    return (
        f"the last {which} of the day recover {mean / certified:.1%}, and no later one makes "
        "that good"
    )


def _bounds(rows: Rows) -> tuple[float, float, int]:
    """Lowest and highest possible mean and the number of results; no number is invented."""
    lows, highs = [], []
    for value, mark, limit in zip(
        rows["value_mg_kg"], rows["qualifier"], rows["limit_mg_kg"], strict=True
    ):
        edge = limit if math.isfinite(limit) else value
        if mark == "<" and math.isfinite(edge):
            lows.append(0.0)
            highs.append(edge)
        elif mark == ">" and math.isfinite(edge):
            lows.append(edge)
            highs.append(math.inf)
        elif mark == "" and math.isfinite(value):
            lows.append(value)
            highs.append(value)
    if not lows:
        return math.nan, math.nan, 0
    low, high = math.fsum(lows) / len(lows), math.fsum(highs) / len(highs)
    return low, high, len(lows)


def _by_bounds(
    found_low: float, found_high: float, certified: float, low: float, high: float
) -> bool | None:
    if found_high < low * certified or found_low > high * certified:
        return False
    return None


def _short(rows: Rows, element: str) -> bool:
    stated = {c for c in rows["digestion_class"] if c}
    words = " ".join(rows["method"]).casefold()
    if "partial" in stated or (not stated and "aqua regia" in words):
        return True
    near = "near-total" in stated or (
        not stated and any(w in words for w in ("four-acid", "four acid", "4-acid", "4 acid"))
    )
    return near and element in NEAR_TOTAL_SHORT


def _without_certificate(side: str, kind: str, rows: Rows) -> QualityCheck:
    nan = math.nan
    return QualityCheck(
        side, kind, str(rows["code"][0]), "", "", "", len(rows), nan, nan, nan, nan, nan, None,
        "no certified value is entered for this code", iso(rows["at"]),
        "enter it in the reference materials table",
    )  # fmt: skip
