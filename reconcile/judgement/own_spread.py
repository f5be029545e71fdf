"""A part's own spread between its spots in the uncertainty of its mean."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from reconcile.base.grades import Measured
from reconcile.base.model.verdict import CorrectionFactor
from reconcile.judgement import factor_proposal
from reconcile.judgement.field_values import FieldMean
from reconcile.statistics import distributions as stats


def added(
    measured: Measured, value: FieldMean, scatter: CorrectionFactor, freedom: float
) -> Measured:
    """The result with what its own spots scatter beyond the spots of ordinary samples.

    ``measured.u`` holds the typical scatter between spots (``scatter.spot_variance``); where the
    standard error of this mean is larger, the excess of its square is added (JCGM 100:2008,
    5.1.2), and k follows from the effective degrees of freedom of both (G.4, Welch and
    Satterthwaite; ``freedom``: those of ``measured.u``). It never makes u smaller.
    """
    if not (math.isfinite(value.se) and value.se > 0 and value.spots >= 2 and measured.u > 0):
        return measured
    per_mass = value.low if scatter.residual_relative else 1.0
    variance = scatter.spot_variance * per_mass**2 if math.isfinite(scatter.spot_variance) else 0.0
    excess = value.se**2 - variance / value.spots
    if not excess > 0:
        return measured
    se = math.sqrt(excess) * _slope(scatter, value.low)
    if not math.isfinite(se):
        return measured
    u = math.hypot(measured.u, se)
    own = float(value.spots - 1)
    effective = u**4 / (measured.u**4 / freedom + se**4 / own)
    k = max(measured.k, float(stats.t.isf(0.025, effective))) if effective < 1e6 else measured.k
    return replace(measured, u=u, k=k, source=f"{measured.source}; its own spread between spots")


def _slope(scatter: CorrectionFactor, at: float) -> float:
    """How much a corrected value moves with the reading."""
    if scatter.form == "none":
        return 1.0
    step = 1e-4 * abs(at)
    low, high = factor_proposal.of_any(scatter, np.array([at - step, at + step]))
    return abs(float(high - low)) / (2 * step) if step > 0 else math.nan
