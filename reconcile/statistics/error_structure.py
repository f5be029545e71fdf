"""How the error of a method depends on the level: constant, in proportion, or both."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import (
    TOO_LARGE,
    Floats,
    check_level,
    estimate,
    interval_text,
    quiet,
    same_length,
    show,
    vector,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN, Estimate, not_estimable

CONSTANT_SD, CONSTANT_CV, MIXED, UNKNOWN = "constant SD", "constant CV", "mixed", "unknown"
#: Below this many samples or degrees of freedom nothing is said about the structure.
FEWEST_SAMPLES, FEWEST_FREEDOM = 5, 10
#: A constant SD and a constant CV can't be told apart over a narrower range of levels.
NARROWEST_RANGE = 1.5

# log odds of the proportional part's share, from nothing to everything
_ODDS = np.concatenate([[-np.inf], np.linspace(-24, 24, 961), [np.inf]])
_BLOCK = 2048  # samples at once; bounds the memory


@equal_with_nan
@dataclass(frozen=True, slots=True)
class ErrorStructure:
    """σ(c)² = s0² + (θ·c)² fitted to the SDs of replicates at many levels.

    ``s0`` in the unit of the values, ``theta`` a fraction. ``dispersion`` is how much more
    the SDs scatter about the curve than normal replicates would (1 = as expected); the
    tests and intervals allow for it. ``p_constant_sd`` and ``p_constant_cv`` are the p
    values of the two simple structures.
    """

    structure: str  # constant SD, constant CV, mixed, unknown
    s0: Estimate
    theta: Estimate
    dispersion: float
    p_constant_sd: float
    p_constant_cv: float
    n: int  # samples
    degrees_of_freedom: int
    reason: str = ""

    def sd_at(self, level: ArrayLike) -> Floats:
        """σ at a level, by the fitted curve."""
        c = vector(np.atleast_1d(level), "level")
        return np.asarray(np.hypot(self.s0.value, self.theta.value * c), dtype=np.float64)

    def sentence(self, unit: str = "") -> str:
        """One or two plain sentences."""
        if not self.s0.estimable:
            return f"How the error depends on the level could not be estimated: {self.reason}."
        say = {
            CONSTANT_SD: (
                "The error has about the same size at every level: SD "
                f"{interval_text(self.s0, unit)}"
            ),
            CONSTANT_CV: (
                "The error grows in proportion to the level: "
                f"{interval_text(self.theta, as_percent=True)} of it"
            ),
            MIXED: (
                f"The error has a constant part, SD {interval_text(self.s0, unit)}, and a part in "
                f"proportion to the level, {interval_text(self.theta, as_percent=True)} of it"
            ),
            UNKNOWN: "Whether the error is constant or grows with the level is not known",
        }[self.structure]
        why = f": {self.reason}" if self.structure == UNKNOWN and self.reason else ""
        return (
            f"{say}{why} ({self.n} samples with replicates, {self.degrees_of_freedom} degrees "
            f"of freedom; p {_p(self.p_constant_sd)} for a constant SD, "
            f"{_p(self.p_constant_cv)} for a constant CV)."
        )


def _p(value: float) -> str:
    if math.isnan(value):
        return "not known"
    return "below 0.001" if value < 0.001 else show(value, 2)


def _nothing(n: int, freedom: int, reason: str, level: float, method: str) -> ErrorStructure:
    none = not_estimable(n, reason, method, level)
    return ErrorStructure(UNKNOWN, none, none, NAN, NAN, NAN, n, freedom, reason)


@quiet
def error_structure(
    level: ArrayLike,
    sd: ArrayLike,
    n_rep: ArrayLike,
    alpha: float = 0.05,
    confidence: float = 0.95,
) -> ErrorStructure:
    """Fit σ(c)² = s0² + (θc)² to SDs of replicates and classify the structure.

    ``level``: mean of each sample; ``sd``: SD of its ``n_rep`` replicates (divisor n − 1),
    all of shape (samples,). Maximum likelihood on s² ~ σ²·chi-square/(n_rep − 1); the
    curve is that of Rocke & Lorenzato 1995 and of the Eurachem guide on uncertainty
    (appendix E.5), both from memory. A constant SD (θ = 0) or a constant CV (s0 = 0) is
    rejected by the likelihood ratio against the curve, one-sided as the parameter lies on
    its boundary, divided by the dispersion found. Where neither is rejected, or the
    samples are too few, the kind is 'unknown'; where both are, 'mixed'.
    """
    check_level(alpha, "alpha")
    check_level(confidence, "confidence")
    method = "σ² = s0² + (θ·level)², maximum likelihood"
    c, s, k = vector(level, "level"), vector(sd, "sd"), vector(n_rep, "n_rep")
    same_length(c, s, k, names=("level", "sd", "n_rep"))
    keep = np.isfinite(c) & np.isfinite(s) & np.isfinite(k) & (k >= 2) & (s >= 0)
    c, s, df = np.abs(c[keep]), s[keep], k[keep] - 1
    n, freedom = int(c.size), int(df.sum())
    if n < 3 or freedom < 3:
        return _nothing(n, freedom, "too few samples with replicates", confidence, method)
    unit_c, unit_s = float(c.max()), float(s.max())
    if unit_s == 0:
        why = "replicates are all equal, so their scatter cannot be estimated"
        return _nothing(n, freedom, why, confidence, method)
    if not (unit_c < 1e150 and unit_s < 1e150):
        return _nothing(n, freedom, TOO_LARGE, confidence, method)
    if unit_c == 0:
        return _nothing(n, freedom, "all levels are zero", confidence, method)

    c2, s2 = (c / unit_c) ** 2, (s / unit_s) ** 2
    odds = _ODDS
    log_likelihood, total = _profile(c2, s2, df, odds)
    best = int(np.argmax(log_likelihood))
    if 1 < best < odds.size - 2:
        finer = np.linspace(odds[best - 1], odds[best + 1], 201)
        more, more_total = _profile(c2, s2, df, finer)
        odds = np.concatenate([odds, finer])
        log_likelihood = np.concatenate([log_likelihood, more])
        total = np.concatenate([total, more_total])
        best = int(np.argmax(log_likelihood))
    share, rest = special.expit(odds), special.expit(-odds)
    variance = total[best] * (rest[best] + share[best] * c2)
    # var(s²) = 2σ⁴/df for normal replicates
    pearson = float(np.sum(df / 2 * (s2 / variance - 1) ** 2))
    dispersion = max(pearson / max(n - 2, 1), 1.0)
    drop = (log_likelihood[best] - log_likelihood) / dispersion
    p_sd, p_cv = (_boundary_p(2 * float(drop[k])) for k in (0, _ODDS.size - 1))
    s0_low, s0_high, theta_low, theta_high = _intervals(
        drop, total * rest, total * share, float(df.sum()), dispersion, confidence
    )

    def item(square: float, low: float, high: float, unit: float) -> Estimate:
        z = float(stats.norm.ppf((1 + confidence) / 2))
        value, low, high = (math.sqrt(max(v, 0.0)) * unit for v in (square, low, high))
        return estimate(value, (high - low) / 2 / z, low, high, n, confidence, method)

    s0 = item(total[best] * rest[best], s0_low, s0_high, unit_s)
    theta = item(total[best] * share[best], theta_low, theta_high, unit_s / unit_c)
    structure, reason = _classify(p_sd, p_cv, n, freedom, float(c.min()) / unit_c, alpha)
    return ErrorStructure(structure, s0, theta, dispersion, p_sd, p_cv, n, freedom, reason)


def _profile(c2: Floats, s2: Floats, df: Floats, odds: Floats) -> tuple[Floats, Floats]:
    """Per share of the proportional part: log likelihood and the total variance at level 1."""
    share, rest = special.expit(odds)[:, None], special.expit(-odds)[:, None]
    total, logs = np.zeros(odds.size), np.zeros(odds.size)
    for start in range(0, c2.size, _BLOCK):
        part = slice(start, start + _BLOCK)
        shape = rest + share * c2[part]
        total += (df[part] * s2[part] / shape).sum(axis=1)
        logs += (df[part] * np.log(shape)).sum(axis=1)
    freedom = float(df.sum())
    total /= freedom
    likelihood = -0.5 * (freedom * np.log(total) + logs)
    return np.where(np.isfinite(likelihood), likelihood, -np.inf), total


def _boundary_p(statistic: float) -> float:
    """p value of a likelihood ratio whose parameter lies on its boundary (Self & Liang 1987)."""
    if math.isnan(statistic):
        return NAN
    if statistic <= 0:
        return 1.0
    return 0.5 * float(stats.chi2.sf(statistic, 1))


def _intervals(
    drop: Floats,
    constant: Floats,
    proportional: Floats,
    freedom: float,
    dispersion: float,
    confidence: float,
) -> tuple[float, float, float, float]:
    """Profile intervals of s0² and θ²: the extremes over all curves that are likely enough.

    For each share the total variance may move by u with log u + 1/u = 1 + 2·(what is
    left of the drop)·dispersion/df; both solutions are branches of Lambert's W.
    """
    left = float(stats.chi2.ppf(confidence, 1)) / 2 - drop
    inside = left >= 0
    argument = -np.exp(-(1 + 2 * left[inside] * dispersion / freedom))
    down = 1 / -special.lambertw(argument, -1).real
    up = 1 / -special.lambertw(argument, 0).real
    constant, proportional = constant[inside], proportional[inside]
    return (
        float(np.min(down * constant)),
        float(np.max(up * constant)),
        float(np.min(down * proportional)),
        float(np.max(up * proportional)),
    )


def _classify(
    p_sd: float, p_cv: float, n: int, freedom: int, lowest: float, alpha: float
) -> tuple[str, str]:
    if n < FEWEST_SAMPLES or freedom < FEWEST_FREEDOM:
        return UNKNOWN, (
            f"fewer than {FEWEST_SAMPLES} samples or {FEWEST_FREEDOM} degrees of freedom"
        )
    if lowest * NARROWEST_RANGE > 1:
        return UNKNOWN, f"the levels span less than a factor of {NARROWEST_RANGE:g}"
    sd_fits, cv_fits = p_sd >= alpha, p_cv >= alpha
    if sd_fits and cv_fits:
        return UNKNOWN, "the replicates fit a constant SD and a constant CV alike"
    if sd_fits:
        return CONSTANT_SD, ""
    if cv_fits:
        return CONSTANT_CV, ""
    return MIXED, ""
