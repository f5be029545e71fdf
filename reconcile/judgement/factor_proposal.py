"""Correction factors: choose a form by cross-validation, fit it, say where it holds.

Candidates, simplest first: none, offset, ratio, line, power (a line of the logarithms).
The inverse of the structural fit brings a field value to the lab's scale.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.model import CorrectionFactor, Finding, Stratum
from reconcile.base.settings import Settings
from reconcile.figures.evaluation import Evaluated, structural_line
from reconcile.statistics import lines

Array = NDArray[np.float64]

FORMS = ("none", "offset", "ratio", "line", "power")
_COMPLEXITY = {"none": 0, "offset": 1, "ratio": 1, "line": 2, "power": 2}
_FOLDS, _REPEATS, _SEED = 5, 10, 20_240_229
COVERAGE = 2.0  # coverage factor of expanded uncertainties
_FEWEST = 8  # below this no form can be told from another


@dataclass(frozen=True, slots=True)
class Proposal:
    """What the choice gave: a factor (or none), and corrected values of held-out samples."""

    factor: CorrectionFactor | None
    held_out: Array | None  # mg/kg, one per used pair, corrected by fits that did not see it
    why: str


@dataclass(frozen=True, slots=True)
class _Fit:
    intercept: float
    slope: float


def _apply(form: str, fit: _Fit, field: Array) -> Array:
    if form == "none":
        return field
    if fit.slope == 0:  # as where all field values of a part are zero: nothing to invert
        return np.full(len(field), np.nan)
    if form == "power":
        with np.errstate(all="ignore"):
            return np.exp((np.log(field) - fit.intercept) / fit.slope)
    return (field - fit.intercept) / fit.slope


def _fit(form: str, lab: Array, field: Array, line: Callable[[Array, Array], _Fit]) -> _Fit:
    if form == "none":
        return _Fit(0.0, 1.0)
    if form == "offset":
        return _Fit(float(np.mean(field - lab)), 1.0)
    if form == "ratio":
        return _Fit(0.0, float(np.exp(np.mean(np.log(field / lab)))))
    if form == "line":
        return line(lab, field)
    # Equal relative errors of both sides are assumed for the logarithms only while choosing;
    # the reduced major axis would inflate the slope with the noisier side.
    fitted = lines.deming_point(np.log(lab), np.log(field), 1.0)
    return _Fit(*fitted)


def correct(factor: CorrectionFactor, field_mg_kg: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Corrected values and whether each lies in the factor's range.

    Values outside the range come back NaN, never extrapolated. Shapes as given, mg/kg.
    """
    values = np.asarray(field_mg_kg, dtype=np.float64)
    inside = (values >= factor.low) & (values <= factor.high)
    corrected = _apply(factor.form, _Fit(factor.intercept, factor.slope), values)
    return np.where(inside, corrected, np.nan), inside


def standard_uncertainty(factor: CorrectionFactor, field_mg_kg: Array, spots: Array) -> Array:
    """Standard uncertainty, mg/kg, of corrected values against one laboratory result each.

    ``spots`` is the number of spots (or readings) behind each field value. By the law of
    propagation (JCGM 100:2008, 5.2.2): u² = [u²(y) + u²(a) + x²u²(b) + 2x·cov(a, b)]/b² +
    s², for ``power`` the same of the logarithms. s² is the scatter of the pairs about the
    fit, the laboratory's included, less what the spots alone explain, so that the field's
    repeatability counts once; where it is not known all of it stays in s². A relative scatter
    about a ``line`` is relative to the reading, not to the corrected result: with an intercept
    the two differ most at the low end. Shapes as given.
    """
    y = np.asarray(field_mg_kg, dtype=np.float64)
    x = _apply(factor.form, _Fit(factor.intercept, factor.slope), y)
    (aa, ab), (_, bb) = factor.covariance
    known = np.isfinite(factor.spot_variance) and np.isfinite(factor.spots)
    variance = factor.spot_variance if known else 0.0
    typical = variance / (factor.spots if known else 1.0)
    count = np.asarray(spots, dtype=np.float64)
    own = np.where(count >= 1, variance / np.maximum(count, 1.0), variance)
    with np.errstate(all="ignore"):
        if factor.form == "power":
            log = np.log(x)
            sensitivity = x / (factor.slope * y)
            fit = x**2 * (aa + log**2 * bb + 2 * log * ab) / factor.slope**2
        else:
            sensitivity = np.full_like(y, 1 / factor.slope)
            fit = (aa + x**2 * bb + 2 * x * ab) / factor.slope**2
        per_mass = y**2 if factor.residual_relative else np.ones_like(y)
        unit = np.abs(y / factor.slope) if factor.form == "line" else x
        scatter = factor.residual_sd**2 * (unit**2 if factor.residual_relative else 1.0)
        between = np.maximum(scatter - sensitivity**2 * per_mass * typical, 0.0)
        total = np.maximum(fit, 0.0) + between + sensitivity**2 * per_mass * own
        return np.asarray(np.sqrt(total), dtype=np.float64)


def interval(
    factor: CorrectionFactor, corrected: Array, uncertainty: Array, k: float = COVERAGE
) -> tuple[Array, Array]:
    """Bounds within which one laboratory result is expected (about 95 % for k = 2), mg/kg.

    x ± k·u; where the scatter is relative, x divided and multiplied by the uncertainty
    factor exp(k·u/x) (Ramsey & Ellison 2019, Eurachem/CITAC guide, uncertainty from
    sampling, appendix on the uncertainty factor; from memory).
    """
    if factor.residual_relative:
        with np.errstate(all="ignore"):
            times = np.exp(k * uncertainty / corrected)
        return corrected / times, corrected * times
    return corrected - k * uncertainty, corrected + k * uncertainty


def propose(
    stratum: Stratum, evaluated: Evaluated, settings: Settings, fault: Finding | None
) -> Proposal:
    """Choose and fit the form that serves held-out samples best, or say why there is none."""
    used = evaluated.used
    lab = used["lab_mean"].to_numpy("float64")
    field = used["field_mean"].to_numpy("float64")
    if fault is not None and fault.blocks:
        return Proposal(None, None, f"No factor: a fault must be mended first. {fault.text}")
    if len(lab) < max(_FEWEST, settings.thresholds.minimum_pairs):
        return Proposal(
            None, None,
            f"No factor: {len(lab)} pairs, {settings.thresholds.minimum_pairs} are needed.",
        )  # fmt: skip
    if np.ptp(lab) == 0 or np.ptp(field) == 0:
        return Proposal(None, None, "No factor: all values of one side are equal.")
    relative = evaluated.statistics.difference_scale == "log ratio"
    positive = bool(np.all(lab > 0) and np.all(field > 0))
    forms = [f for f in FORMS if positive or f in ("none", "offset", "line")]

    def line(x: Array, y: Array) -> _Fit:
        return _Fit(*structural_line(evaluated.statistics, x, y))

    groups = _grouping(used["group"].astype("str").to_numpy(), used["sample_id"].to_numpy())
    held = _held_out(forms, lab, field, groups, line)
    errors = {form: _errors(values, lab, relative and positive) for form, values in held.items()}
    usable = {form: e for form, e in errors.items() if np.all(np.isfinite(e))}
    form = _simplest(usable, groups, prefer="ratio" if relative else "offset")
    factor = _factor(stratum, evaluated, form, lab, field, line, relative and positive)
    factor = replace(
        factor,
        error_before=float(np.sqrt(np.mean(usable["none"]))),
        error_after=float(np.sqrt(np.mean(usable[form]))),
    )
    factor = named(factor)
    corrected = held[form].mean(axis=0)
    return Proposal(factor, corrected, factor.reason)


def _grouping(group: NDArray[np.object_], sample: NDArray[np.object_]) -> NDArray[np.int64]:
    """Number of each pair's group: the grouping unit where every pair has one, else the sample."""
    labels = group if np.all(group != "") and len(set(group)) >= _FOLDS else sample
    return np.unique(labels.astype(str), return_inverse=True)[1].astype(np.int64)


def _held_out(
    forms: list[str],
    lab: Array,
    field: Array,
    groups: NDArray[np.int64],
    line: Callable[[Array, Array], _Fit],
) -> dict[str, Array]:
    """Corrected values of held-out pairs, shape (repeats, pairs), whole groups held out."""
    rng = np.random.default_rng(_SEED)
    count = int(groups.max()) + 1
    result = {form: np.full((_REPEATS, len(lab)), np.nan) for form in forms}
    for repeat in range(_REPEATS):
        fold_of_group = rng.permutation(count) % min(_FOLDS, count)
        fold = fold_of_group[groups]
        for number in range(min(_FOLDS, count)):
            test, train = fold == number, fold != number
            for form in forms:
                fit = _fit(form, lab[train], field[train], line)
                result[form][repeat, test] = _apply(form, fit, field[test])
    return result


def _errors(values: Array, lab: Array, relative: bool) -> Array:
    """Mean squared error per pair over the repeats; squared log ratio where relative."""
    if relative:
        with np.errstate(all="ignore"):
            return np.asarray(np.mean(np.log(values / lab) ** 2, axis=0), dtype=np.float64)
    scale = float(np.mean(np.abs(lab))) or 1.0
    return np.asarray(np.mean(((values - lab) / scale) ** 2, axis=0), dtype=np.float64)


def _simplest(errors: dict[str, Array], groups: NDArray[np.int64], prefer: str) -> str:
    """The simplest form whose error is within one standard error of the best form's.

    The standard error is that of the paired difference between the two forms over groups
    (Hastie, Tibshirani & Friedman 2009, section 7.10, one-standard-error rule).
    """
    best = min(errors, key=lambda form: float(np.mean(errors[form])))
    order = sorted(errors, key=lambda form: (_COMPLEXITY[form], form != prefer))
    for form in order:
        excess = errors[form] - errors[best]
        by_group = np.bincount(groups, weights=excess) / np.bincount(groups)
        se = float(np.std(by_group, ddof=1) / np.sqrt(len(by_group)))
        if float(np.mean(by_group)) <= se:
            return form
    return best


def _factor(
    stratum: Stratum,
    evaluated: Evaluated,
    form: str,
    lab: Array,
    field: Array,
    line: Callable[[Array, Array], _Fit],
    relative: bool,
) -> CorrectionFactor:
    n = len(lab)
    fit = _fit(form, lab, field, line)
    covariance = ((0.0, 0.0), (0.0, 0.0))
    if form == "offset":
        covariance = ((float(np.var(field - lab, ddof=1)) / n, 0.0), (0.0, 0.0))
    elif form == "ratio":
        variance = fit.slope**2 * float(np.var(np.log(field / lab), ddof=1)) / n
        covariance = ((0.0, 0.0), (0.0, variance))
    elif form == "line":
        covariance = evaluated.statistics.headline_line.covariance
    elif form == "power":
        covariance = lines.deming(np.log(lab), np.log(field), 1.0).covariance
    corrected = _apply(form, fit, field)
    freedom = n - (0 if form == "none" else 1 if form in ("offset", "ratio") else 2)
    with np.errstate(all="ignore"):  # a line may correct a low reading to below zero
        residual = np.log(corrected / lab) if relative else corrected - lab
    if relative and form == "line":
        predicted = fit.intercept + fit.slope * lab
        residual = (
            np.log(field / predicted) if np.all(predicted > 0) else (field - predicted) / field
        )
    pairs_hash = hashlib.sha256(
        json.dumps(
            [
                [str(s), float(f), float(x)]
                for s, f, x in zip(evaluated.used["sample_id"], field, lab, strict=True)
            ]
        ).encode()
    ).hexdigest()
    spot_variance, spots = repeatability(evaluated.used, relative)
    return CorrectionFactor(
        factor_id="",
        stratum=stratum,
        form=form,
        intercept=fit.intercept,
        slope=fit.slope,
        covariance=covariance,
        residual_sd=float(np.sqrt(np.sum(residual**2) / max(freedom, 1))),
        residual_relative=relative,
        low=float(field.min()),
        high=float(field.max()),
        n=n,
        pairs_hash=pairs_hash,
        error_before=float("nan"),
        error_after=float("nan"),
        basis=basis_of(stratum),
        reason=(
            "No correction is better for held-out samples than any other form within one "
            "standard error."
            if form == "none"
            else f"The form '{form}' is the simplest within one standard error of the best for "
            "held-out samples."
        ),
        spot_variance=spot_variance,
        spots=spots,
    )


def named(factor: CorrectionFactor) -> CorrectionFactor:
    """The factor under the id that its content gives: another coefficient, another id.

    Coefficients count to 9 significant digits, beyond which machines may differ.
    """
    (aa, ab), (_, bb) = factor.covariance
    numbers = (
        factor.intercept, factor.slope, aa, ab, bb, factor.residual_sd, factor.low, factor.high,
        factor.spot_variance, factor.spots,
    )  # fmt: skip
    content = [
        factor.stratum.key, factor.form, *(f"{value:.9g}" for value in numbers),
        factor.residual_relative, factor.n, factor.pairs_hash, factor.basis,
        factor.valid_from, factor.valid_until,
    ]  # fmt: skip
    digest = hashlib.sha256(json.dumps(content, ensure_ascii=False).encode()).hexdigest()
    return replace(factor, factor_id=f"{factor.stratum.element}-{digest[:10]}")


def dated(proposal: Proposal, valid_from: str, valid_until: str) -> Proposal:
    """The same proposal with the dates between which its factor may be used (ISO, or '')."""
    if proposal.factor is None:
        return proposal
    factor = replace(proposal.factor, valid_from=valid_from, valid_until=valid_until)
    return replace(proposal, factor=named(factor))


def repeatability(used: pd.DataFrame, relative: bool) -> tuple[float, float]:
    """Pooled variance of one spot and the harmonic mean number of spots; NaN where unknown.

    A reading or shot stands for a spot where a sample has one spot. The variance is
    relative to the mean where ``relative``, else in (mg/kg)². ``used``: used pairs
    (model.PAIR_COLUMNS).
    """
    mean = used["field_mean"].to_numpy("float64")
    spots = used["field_spots"].to_numpy("float64")
    shots = used["field_n"].to_numpy("float64")
    count = np.where(spots >= 2, spots, shots)
    se = used["field_se"].to_numpy("float64") / (np.abs(mean) if relative else 1.0)
    keep = np.isfinite(se) & (count >= 2)
    if not keep.any():
        return float("nan"), float("nan")
    freedom = count[keep] - 1
    variance = float(np.sum(freedom * count[keep] * se[keep] ** 2) / np.sum(freedom))
    return variance, float(1 / np.mean(1 / np.maximum(count, 1)))


def basis_of(stratum: Stratum) -> str:
    """What the lab's number stands for, so that a factor never hides a digestion deficit."""
    method = stratum.lab_method or "the laboratory's method (not stated)"
    if stratum.digestion_class == "partial":
        return (
            f"to the basis of {method}: a partial digestion, which leaves part of the element "
            "undissolved. A corrected value is the extractable, not the total, mass fraction; "
            "the difference is no calibration fault of the field instrument"
        )
    if stratum.digestion_class:
        return f"to the {stratum.digestion_class} basis of {method}"
    return f"to the basis of {method}; digestion class not stated"
