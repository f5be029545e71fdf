"""Correction factors: fitted under the error model of the pairs, with where they hold.

The form is chosen in ``factor_choice``; its inverse brings a field value to the lab's scale.
"""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from reconcile.base.model.account import Finding
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import CorrectionFactor
from reconcile.base.settings.whole import Settings
from reconcile.figures.evaluation import Evaluated, structural_lines
from reconcile.figures.over_months import MONTH, over_months
from reconcile.figures.repeatability import repeatability
from reconcile.judgement.factor_choice import (
    Candidates,
    Fit,
    Masks,
    applied,
    chosen,
    corrected_unseen,
    fitted,
    power,
)
from reconcile.reporting import words
from reconcile.statistics import error_model
from reconcile.statistics.clusters import ONE_CLUSTER, judged
from reconcile.statistics.line import Covariance

Array = NDArray[np.float64]

COVERAGE = 2.0  # coverage factor of expanded uncertainties
_MONTHS = 3  # from so many on whole months are held out
_CLUSTERS = 3  # from so many on whole clusters are held out
_FEWEST = 8  # below this no form can be told from another


@dataclass(frozen=True, slots=True)
class Proposal:
    """What the choice gave: a factor (or none), and corrected values of held-out samples."""

    factor: CorrectionFactor | None
    held_out: (
        Array | None
    )  # mg/kg, one per used pair, corrected by a choice and fit that did not see it
    why: str


def correct(factor: CorrectionFactor, field_mg_kg: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Corrected values and whether each lies in the factor's range.

    Values outside the range come back NaN, never extrapolated. Shapes as given, mg/kg.
    """
    values = np.asarray(field_mg_kg, dtype=np.float64)
    inside = (values >= factor.low) & (values <= factor.high)
    corrected = applied(factor.form, Fit(factor.intercept, factor.slope), values)
    return np.where(inside, corrected, np.nan), inside


def of_any(factor: CorrectionFactor, field_mg_kg: Array) -> Array:
    """Corrected values, also outside the factor's range: for limits, never for results."""
    return applied(factor.form, Fit(factor.intercept, factor.slope), field_mg_kg)


def standard_uncertainty(factor: CorrectionFactor, field_mg_kg: Array, spots: Array) -> Array:
    """Standard uncertainty, mg/kg, of corrected values against one laboratory result each.

    ``spots`` is the number of spots (or readings) behind each field value. By the law of
    propagation (JCGM 100:2008, 5.2.2): u² = [u²(y) + u²(a) + x²u²(b) + 2x·cov(a, b)]/b² +
    s², for ``power`` the same of the logarithms. s² is the scatter of the pairs about the
    fit, the laboratory's included, less what the spots alone explain, so that the field's
    repeatability counts once; where it is not known all of it stays in s². A relative scatter
    about a ``line`` is relative to the reading, not to the corrected result. Shapes as given.
    """
    fit, between, own = uncertainty_parts(factor, field_mg_kg, spots)
    return np.asarray(np.sqrt(fit + between + own), dtype=np.float64)


def uncertainty_parts(
    factor: CorrectionFactor, field_mg_kg: Array, spots: Array
) -> tuple[Array, Array, Array]:
    """Its variances, (mg/kg)²: of the factor, between spots and split, of the spots."""
    y = np.asarray(field_mg_kg, dtype=np.float64)
    x = applied(factor.form, Fit(factor.intercept, factor.slope), y)
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
        return np.maximum(fit, 0.0), between, sensitivity**2 * per_mass * own


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
    """Choose and fit the form that serves unseen samples best, or say why there is none.

    None where no correction is as good as any, and where the gain is not worth having
    (``least_gain``): a factor that changes nothing is no factor.
    """
    t = settings.thresholds
    used = evaluated.used
    lab = used["lab_mean"].to_numpy("float64")
    field = used["field_mean"].to_numpy("float64")
    if fault is not None and fault.blocks:
        return Proposal(None, None, f"No factor: a fault must be mended first. {fault.text}")
    if len(lab) < max(_FEWEST, t.minimum_pairs):
        return Proposal(None, None, f"No factor: {len(lab)} pairs, {t.minimum_pairs} are needed.")
    if np.ptp(lab) == 0 or np.ptp(field) == 0:
        return Proposal(None, None, "No factor: all values of one side are equal.")
    if evaluated.effective == 0:
        return Proposal(None, None, f"No factor: {ONE_CLUSTER}.")
    of = _candidates(evaluated, lab, field, settings)
    groups = _groups(evaluated)
    form = chosen(lab, field, groups, of)
    if form == "none":
        return Proposal(
            None, None,
            "No factor: for unseen samples no correction is as good as any, within one standard "
            "error.",
        )  # fmt: skip
    unseen = corrected_unseen(lab, field, groups, of, _months(used))
    before, after = (
        float(np.sqrt(np.mean(_errors(values, lab, of.relative))))
        for values in (field[None, :], unseen)
    )
    factor = replace(
        _factor(stratum, evaluated, form, lab, field, of), error_before=before, error_after=after
    )
    factor = _over_months(factor, evaluated, settings)
    if not after <= (1 - t.least_gain) * before and not _bias_proved(factor, lab, t.confidence):
        return Proposal(
            None, None,
            f"No factor: the error of unseen samples would fall from {before:.2%} to {after:.2%}, "
            f"less than the {t.least_gain:.0%} asked for, and no bias is proved.",
        )  # fmt: skip
    factor = named(factor, settings.workspace.site)
    return Proposal(factor, unseen.mean(axis=0), factor.reason)


def _over_months(
    factor: CorrectionFactor, evaluated: Evaluated, settings: Settings
) -> CorrectionFactor:
    """The factor with the spread between months in its uncertainty, where pairs name their months.

    The scatter of the pairs about a fit to a months holds (a − 1)/a of the variance between
    months. A result of a coming month has all of it, and the fit's own mean 1/a of it, which the
    pairs as independent do not show: 2/a is added. The variance is that found in the corrected
    values and that assumed, by their degrees of freedom.
    """
    if MONTH not in evaluated.used:
        return factor
    corrected = of_any(factor, evaluated.used["field_mean"].to_numpy("float64"))
    scaled = over_months(factor.stratum, evaluated, settings, corrected, partial(of_any, factor))
    between = scaled.between()
    if between is None:
        return factor
    wider = math.sqrt(factor.residual_sd**2 + 2 * between.variance / scaled.model.months)
    return replace(factor, residual_sd=wider, months=scaled.model.months)


def _candidates(evaluated: Evaluated, lab: Array, field: Array, settings: Settings) -> Candidates:
    """What is compared, under the one error model of the stratum."""
    t, s = settings.thresholds, evaluated.statistics
    relative = s.difference_scale == "log ratio"
    model = s.error_model
    logs = None
    if relative and model is not None:  # its variances are relative: those of logarithms
        logs = error_model.error_model(
            np.log(lab), np.log(field), *model.known, "constant", t.confidence, model.split_known
        )

    def of_parts(x: Array, y: Array, present: Masks) -> tuple[Array, Array]:
        return structural_lines(s, x, y, present)

    return Candidates(
        relative, of_parts, logs, None if relative else model,
        t.power_range if len(lab) >= t.power_pairs else math.inf, t.slope_room, t.confidence,
        t.held_out_pairs,
    )  # fmt: skip


def remaining_bias(factor: CorrectionFactor, at: Array) -> tuple[Array, float]:
    """Standard uncertainty of the bias that corrected values keep, and its degrees of freedom.

    ``at``: true levels, mg/kg, any shape; the uncertainty has that shape, mg/kg. It comes from
    the coefficients' covariance under the error model (JCGM 100:2008, 5.2.2); the mean error of
    held-out pairs is no measure of it, being about 0 by construction. NaN where it is not known.
    """
    x = np.asarray(at, dtype=np.float64)
    (aa, ab), (_, bb) = factor.covariance
    with np.errstate(all="ignore"):
        level = np.log(x) if factor.form == "power" else x
        variance = np.maximum(aa + level**2 * bb + 2 * level * ab, 0.0) / factor.slope**2
        se = np.sqrt(variance) * (x if factor.form == "power" else 1.0)
    fitted_numbers = {"none": 0, "offset": 1, "ratio": 1}.get(factor.form, 2)
    return np.asarray(se, dtype=np.float64), float(max(factor.n - fitted_numbers, 1))


def _bias_proved(factor: CorrectionFactor, lab: Array, level: float) -> bool:
    """Whether uncorrected values are proved off the laboratory's at a tenth, half or nine tenths.

    Each of three levels is tested at a third of the error (Bonferroni).
    """
    at = np.quantile(lab, [0.1, 0.5, 0.9])
    se, df = remaining_bias(factor, at)
    read = (
        at**factor.slope * math.exp(factor.intercept)
        if factor.form == "power"
        else (factor.intercept + factor.slope * at)
    )
    off = np.abs(applied(factor.form, Fit(factor.intercept, factor.slope), at) - at)
    off = np.minimum(off, np.abs(read - at) / max(abs(factor.slope), 1e-12))
    return bool(np.any(off > float(special.stdtrit(df, 1 - (1 - level) / 6)) * se))


def _groups(evaluated: Evaluated) -> NDArray[np.int64]:
    """Number of what is held out together: the cluster, where there are some, else the sample."""
    for codes in evaluated.groupings[:1]:
        if int(codes.max()) + 1 >= _CLUSTERS:
            return codes
    samples = evaluated.used["sample_id"].astype("str").to_numpy()
    return np.unique(samples, return_inverse=True)[1].astype(np.int64)


def _months(used: pd.DataFrame) -> NDArray[np.int64] | None:
    """Number of each pair's month where the pairs are of several: a factor serves coming ones."""
    if MONTH not in used or used[MONTH].nunique() < _MONTHS:
        return None
    return np.unique(used[MONTH].astype("str").to_numpy(), return_inverse=True)[1].astype(np.int64)


def _errors(values: Array, lab: Array, relative: bool) -> Array:
    """Mean squared error per pair over the repeats; squared log ratio where relative."""
    if relative:
        with np.errstate(all="ignore"):
            return np.asarray(np.mean(np.log(values / lab) ** 2, axis=0), dtype=np.float64)
    scale = float(np.mean(np.abs(lab))) or 1.0
    return np.asarray(np.mean(((values - lab) / scale) ** 2, axis=0), dtype=np.float64)


def _covariance(
    form: str, fit: Fit, evaluated: Evaluated, lab: Array, field: Array, of: Candidates
) -> Covariance:
    n = len(lab)
    if form == "offset":
        return (float(np.var(field - lab, ddof=1)) / n, 0.0), (0.0, 0.0)
    if form == "ratio":
        variance = fit.slope**2 * float(np.var(np.log(field / lab), ddof=1)) / n
        return (0.0, 0.0), (0.0, variance)
    if form == "line":
        return evaluated.statistics.headline_line.covariance
    if of.logs is not None and of.logs.usable:
        return of.logs.line.covariance
    # about the mean of the logarithms intercept and slope are independent
    x, y = np.log(lab), np.log(field)
    scatter = float(np.var(y - fit.intercept - fit.slope * x, ddof=2))
    of_slope = power(lab, field, of)[1] ** 2
    mean = float(x.mean())
    return (
        (scatter / n + mean**2 * of_slope, -mean * of_slope),
        (-mean * of_slope, of_slope),
    )


def _widened(
    covariance: Covariance, residual: Array, fitted_numbers: int, evaluated: Evaluated
) -> Covariance:
    """The covariance of the coefficients by the design effect that clusters of the pairs show."""
    if not evaluated.groupings or not np.all(np.isfinite(residual)):
        return covariance
    found = judged(residual, evaluated.groupings, float(fitted_numbers))
    times = 1.0 if found is None else found.widening(len(residual) - fitted_numbers)
    (aa, ab), (ba, bb) = covariance
    return (times * aa, times * ab), (times * ba, times * bb)


def _factor(
    stratum: Stratum, evaluated: Evaluated, form: str, lab: Array, field: Array, of: Candidates
) -> CorrectionFactor:
    n, relative = len(lab), of.relative
    fit = fitted(form, lab, field, of)
    corrected = applied(form, fit, field)
    freedom = n - (1 if form in ("offset", "ratio") else 2)
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
        covariance=_widened(
            _covariance(form, fit, evaluated, lab, field, of), residual, n - freedom, evaluated
        ),
        residual_sd=float(np.sqrt(np.sum(residual**2) / max(freedom, 1))),
        residual_relative=relative,
        low=float(field.min()),
        high=float(field.max()),
        n=n,
        pairs_hash=pairs_hash,
        error_before=float("nan"),
        error_after=float("nan"),
        basis=basis_of(stratum),
        reason=f"The form '{form}' is the simplest within one standard error of the best for "
        "held-out samples, under the error model of the pairs."
        + (words.HELD_OUT_OF_MANY.format(most=of.most, n=n) if n > of.most else ""),
        spot_variance=spot_variance,
        spots=spots,
    )


def named(factor: CorrectionFactor, site: str = "") -> CorrectionFactor:
    """The factor under the id that its content gives: another coefficient, another id.

    ``site``: its short name, which leads the id where there is one.
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
    lead = f"{site}-" if site else ""
    return replace(factor, factor_id=f"{lead}{factor.stratum.element}-{digest[:10]}")


def dated(proposal: Proposal, valid_from: str, valid_until: str, site: str = "") -> Proposal:
    """The same proposal with the dates between which its factor may be used (ISO, or '')."""
    if proposal.factor is None:
        return proposal
    factor = replace(proposal.factor, valid_from=valid_from, valid_until=valid_until)
    return replace(proposal, factor=named(factor, site))


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
