"""Where the scatter comes from: shots, spots, samples, laboratories and methods.

Nested components stand here; precision from duplicates and the comparison of
several methods without a truth have modules of their own and are offered from here too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import (
    TOO_LARGE,
    Floats,
    Integers,
    check_level,
    estimate,
    labels,
    percent,
    quiet,
    vector,
    with_unit,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.error_ratio import (
    VarianceRatio,
    error_variance_ratio,
    replicate_sd,
    variance_ratio_of_sds,
)
from reconcile.statistics.precision import (
    HalfDifferences,
    Precision,
    duplicate_cv,
    hard,
    repeatability_reproducibility,
)
from reconcile.statistics.reml import reml_components
from reconcile.statistics.result import NAN, Estimate, not_estimable
from reconcile.statistics.three_methods import ThreeMethods, three_method_error_variances
from reconcile.statistics.variance_intervals import combination_limits, standard_error

__all__ = [
    "HalfDifferences",
    "NestedVariance",
    "Precision",
    "ThreeMethods",
    "VarianceRatio",
    "duplicate_cv",
    "error_variance_ratio",
    "hard",
    "nested_variance",
    "repeatability_reproducibility",
    "replicate_sd",
    "three_method_error_variances",
    "variance_ratio_of_sds",
]

Estimator = Literal["moments", "reml"]


@equal_with_nan
@dataclass(frozen=True, slots=True)
class NestedVariance:
    """Variance components (unit squared) and mean (unit) of shots in spots in samples.

    A component that comes out negative is kept as computed in ``value``, with
    ``resolved_*`` False: it cannot be told from zero. ``spot`` is not estimable
    where no spots were given.
    """

    n: int  # shots
    n_samples: int
    n_spots: int
    mean: Estimate
    shot: Estimate  # variance of shots within a spot (within a sample where no spots are given)
    spot: Estimate  # variance of spots within a sample
    sample: Estimate  # variance between samples
    f_ratio: float  # mean square of samples over the one below it
    f_df: tuple[float, float]
    p_value: float
    balanced: bool
    method: str
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One or two plain sentences, as standard deviations."""
        if self.reason:
            return f"The scatter could not be split into its parts: {self.reason}."
        parts = []
        for name, item in (
            ("between shots", self.shot),
            ("between spots", self.spot),
            ("between samples", self.sample),
        ):
            if not item.estimable:
                continue
            if item.value <= 0:
                parts.append(f"{name} not resolved from zero")
            else:
                parts.append(f"{name} {with_unit(math.sqrt(item.value), unit)}")
        known = [max(e.value, 0.0) for e in (self.shot, self.spot, self.sample) if e.estimable]
        total = sum(known)
        share = (
            f" Samples make up {percent(max(self.sample.value, 0.0) / total)} of the variance."
            if self.sample.estimable and total > 0
            else ""
        )
        return (
            f"Standard deviation {', '.join(parts)} ({self.n} shots, {self.n_samples} samples)."
            + share
        )


def _nothing(n: int, reason: str, method: str, level: float) -> NestedVariance:
    e = not_estimable(n, reason, method, level)
    return NestedVariance(n, 0, 0, e, e, e, e, NAN, (0, 0), NAN, False, method, reason)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class _Moments:
    """Ordinary and unweighted mean squares of a nested layout, in scaled units."""

    a: int
    b: int
    n: int
    grand: float
    ms: tuple[float, float, float]  # samples, spots, shots
    df: tuple[int, int, int]
    k: tuple[float, float, float]  # E(ms_spot) = e + k0·spot; E(ms_sample) = e + k1·spot + k2·s
    unweighted: tuple[float, float]  # mean squares of sample means and of spot means
    u: tuple[float, float, float]  # 1/h, c1, c2 of their expectations
    mean_of_means: float
    se_mean: float


def _moments(x: Floats, sample: Integers, spot: Integers) -> _Moments:
    """Nested sums of squares; ``spot`` codes are unique over samples."""
    n_shots = np.bincount(spot).astype(np.float64)
    spot_mean = np.bincount(spot, weights=x) / n_shots
    owner = np.zeros(n_shots.size, dtype=np.int64)
    owner[spot] = sample
    n_sample = np.bincount(sample).astype(np.float64)
    sample_mean = np.bincount(sample, weights=x) / n_sample
    n, a, b = x.size, n_sample.size, n_shots.size
    grand = float(x.mean())
    ss_sample = float(np.sum(n_sample * (sample_mean - grand) ** 2))
    ss_spot = float(np.sum(n_shots * (spot_mean - sample_mean[owner]) ** 2))
    ss_shot = float(np.sum((x - spot_mean[spot]) ** 2))
    df = (a - 1, b - a, n - b)
    ms = tuple(
        s / d if d > 0 else NAN for s, d in zip((ss_sample, ss_spot, ss_shot), df, strict=True)
    )
    # coefficients of the expected mean squares (Searle, Casella & McCulloch 1992, section 3.6)
    per_sample = np.bincount(owner, weights=n_shots**2) / n_sample
    k0 = (n - float(per_sample.sum())) / df[1] if df[1] > 0 else NAN
    k1 = (float(per_sample.sum()) - float(np.sum(n_shots**2)) / n) / df[0] if df[0] > 0 else NAN
    k2 = (n - float(np.sum(n_sample**2)) / n) / df[0] if df[0] > 0 else NAN
    # unweighted means: spot means within samples, sample means of spot means
    spots_in = np.bincount(owner).astype(np.float64)
    mean_of_spots = np.bincount(owner, weights=spot_mean) / spots_in
    centre = float(mean_of_spots.mean())
    u_sample = float(np.sum((mean_of_spots - centre) ** 2)) / df[0] if df[0] > 0 else NAN
    u_spot = float(np.sum((spot_mean - mean_of_spots[owner]) ** 2)) / df[1] if df[1] > 0 else NAN
    inverse = np.bincount(owner, weights=1 / n_shots)
    # E(u_spot) = spot + shot·w0; E(u_sample) = sample + spot·c1 + shot·c2
    w0 = float(np.sum(inverse * (1 - 1 / spots_in))) / df[1] if df[1] > 0 else NAN
    c1 = float(np.mean(1 / spots_in))
    c2 = float(np.mean(inverse / spots_in**2))
    se_mean = math.sqrt(u_sample / a) if df[0] > 0 else NAN
    return _Moments(
        a,
        b,
        n,
        grand,
        (ms[0], ms[1], ms[2]),
        df,
        (k0, k1, k2),
        (u_sample, u_spot),
        (w0, c1, c2),
        centre,
        se_mean,
    )


@quiet
def nested_variance(
    values: ArrayLike,
    sample: ArrayLike,
    spot: ArrayLike | None = None,
    level: float = 0.95,
    estimator: Estimator = "moments",
) -> NestedVariance:
    """Split the scatter of shots into shots, spots and samples.

    ``values`` one per shot, ``sample`` and ``spot`` its labels (a spot label counts
    within its sample). Estimates by the method of moments on the nested analysis of
    variance (Searle, Casella & McCulloch 1992, section 3.6); balanced data give the
    textbook figures. ``estimator`` 'reml' replaces the three component estimates by
    restricted maximum likelihood, which weighs unbalanced data better and never goes below
    zero; in balanced data without negative estimates it gives those of the moments.
    Intervals in both cases: chi-square for shots, modified large sample on unweighted mean
    squares for the others (Burdick & Graybill 1992, chapters 3 and 5, from memory), good for
    mild imbalance.
    The mean is the mean of sample means with a t interval over samples.
    """
    check_level(level)
    x = vector(values)
    s_codes = labels(sample, x.size, "sample")
    p_codes = labels(spot, x.size, "spot") if spot is not None else None
    keep = np.isfinite(x)
    x, s_codes = x[keep], np.unique(s_codes[keep], return_inverse=True)[1].astype(np.int64)
    method = "nested analysis of variance" if estimator == "moments" else "REML"
    if x.size == 0:
        return _nothing(0, "there is no value", method, level)
    if p_codes is not None:
        both = s_codes * (int(p_codes.max()) + 1) + p_codes[keep]
        spots = np.unique(both, return_inverse=True)[1].astype(np.int64)
    else:
        spots = s_codes
    size = float(np.abs(x).max())
    if not size < 1e150:
        return _nothing(x.size, TOO_LARGE, method, level)
    unit = size if size > 0 else 1.0
    # centred first: values with many equal leading digits lose them otherwise
    centre = float(x[0]) / unit
    z = (x - x[0]) / unit
    m = _moments(z, s_codes, spots)
    middle = m.mean_of_means + centre
    n = m.n
    if m.df[2] == 0:
        what = "spot" if p_codes is not None else "sample"
        no_shot = not_estimable(n, f"no {what} was measured more than once", method, level)
    else:
        no_shot = None
    shot_ms = m.ms[2] if m.df[2] > 0 else 0.0
    floor = 1e-28

    def component(c: tuple[float, float, float], value: float) -> Estimate:
        """From unweighted sample, unweighted spot and shot mean squares."""
        ms = (m.unweighted[0], m.unweighted[1] if m.df[1] > 0 else 0.0, shot_ms)
        low, high = combination_limits(c, ms, m.df, level)
        se = standard_error(c, ms, m.df)
        scale = unit * unit
        return estimate(
            value * scale,
            se * scale,
            max(low, 0.0) * scale,
            max(high, 0.0) * scale,
            n,
            level,
            method,
        )

    shot = no_shot or component((0, 0, 1), shot_ms)
    if p_codes is None:
        spot_item = not_estimable(n, "no spots were given", method, level)
        spot_value, w0, c1, c2 = 0.0, 0.0, 0.0, m.u[2]
        # one 'spot' per sample: the harmonic mean of shots enters directly
    elif m.df[1] == 0:
        spot_item = not_estimable(n, "no sample has more than one spot", method, level)
        spot_value, w0, c1, c2 = NAN, NAN, NAN, NAN
    elif no_shot:
        # single shots: the spot variance contains the shot variance
        w0, c1, c2 = 0.0, m.u[1], 0.0
        spot_value = m.ms[1]
        spot_item = component((0, 1, 0), spot_value)
    else:
        w0, c1, c2 = m.u
        spot_value = (m.ms[1] - shot_ms) / m.k[0]
        spot_item = component((0, 1, -w0), spot_value)
    if m.df[0] == 0:
        sample_item = not_estimable(n, "there is only one sample", method, level)
        f_ratio, f_df, p_value = NAN, (0.0, 0.0), NAN
        mean = estimate(middle * unit, NAN, NAN, NAN, n, level, method)
    else:
        if no_shot and p_codes is None:
            sample_item = not_estimable(n, "no sample was measured more than once", method, level)
        elif math.isnan(spot_value):
            sample_item = not_estimable(
                n,
                "no sample has more than one spot, so spots and samples cannot be told apart",
                method,
                level,
            )
        else:
            if p_codes is None:
                sample_value = (m.ms[0] - shot_ms) / m.k[2]
            elif no_shot:
                sample_value = (m.ms[0] - m.ms[1]) / m.k[2]
            else:
                sample_value = (m.ms[0] - shot_ms - m.k[1] * spot_value) / m.k[2]
            sample_item = component((1, -c1, -(c2 - c1 * w0)), sample_value)
        below, df_below = (m.ms[1], m.df[1]) if m.df[1] > 0 else (m.ms[2], m.df[2])
        if df_below > 0 and below > floor:
            f_ratio = m.ms[0] / below
            f_df = (float(m.df[0]), float(df_below))
            p_value = float(stats.f.sf(f_ratio, *f_df))
        else:
            f_ratio, f_df, p_value = NAN, (0.0, 0.0), NAN
        t = float(stats.t.isf((1 - level) / 2, m.df[0]))
        mean = estimate(
            middle * unit,
            m.se_mean * unit,
            (middle - t * m.se_mean) * unit,
            (middle + t * m.se_mean) * unit,
            n,
            level,
            "mean of sample means, t interval",
        )
    counts = np.bincount(spots)
    per_sample = np.bincount(np.unique(np.stack([s_codes, spots]), axis=1)[0])
    balanced = bool(np.ptp(counts) == 0 and np.ptp(per_sample) == 0)
    reason = ""
    if not (shot.estimable or spot_item.estimable or sample_item.estimable):
        reason = shot.reason
    result = NestedVariance(
        n,
        m.a,
        m.b,
        mean,
        shot,
        spot_item,
        sample_item,
        f_ratio,
        f_df,
        p_value,
        balanced,
        method,
        reason,
    )
    if estimator == "reml" and shot.estimable and sample_item.estimable:
        return _with_reml(result, z, s_codes, spots if p_codes is not None else None, unit)
    return result


def _with_reml(
    result: NestedVariance, x: Floats, sample: Integers, spot: Integers | None, unit: float
) -> NestedVariance:
    """``result`` with its component estimates replaced; the intervals stay."""
    found = reml_components(x, sample, spot if result.spot.estimable else None)
    if found is None:
        why = "restricted maximum likelihood did not converge"
        nothing = not_estimable(result.n, why, "REML", result.shot.level)
        return replace(result, shot=nothing, spot=nothing, sample=nothing, reason=why)

    def put(item: Estimate, value: float) -> Estimate:
        return replace(item, value=value * unit * unit) if item.estimable else item

    shot, within, between = found
    return replace(
        result,
        shot=put(result.shot, shot),
        spot=put(result.spot, within),
        sample=put(result.sample, between),
    )
