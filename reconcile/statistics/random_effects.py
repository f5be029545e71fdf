"""Biases of several sites beside each other: their mean, how much they differ, who is apart.

Each site's value has a variance of its own, known beforehand; the sites' true values scatter
about a mean with the variance tau². Tau² by Paule & Mandel (1982; the generalised Q of DerSimonian
& Kacker 2007, section 2), which assumes no distribution; the interval of the mean by Hartung
(1999) and Knapp & Hartung (2003), never narrower than without their factor (Röver, Knapp & Friede
2015); Q and I² by Higgins & Thompson (2002); the prediction interval by Higgins, Thompson &
Spiegelhalter (2009), t with n − 2 degrees of freedom.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import Booleans, Floats, check_level, quiet, same_length, vector
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.multiplicity import benjamini_hochberg
from reconcile.statistics.result import NAN
from reconcile.statistics.roots import brentq

TOO_FEW = "fewer than two sites have a value with a variance"


@equal_with_nan
@dataclass(frozen=True, slots=True)
class RandomEffects:
    """The mean over sites, in the unit of the values, and what the sites differ by."""

    n: int  # sites
    mean: float
    se: float
    low: float
    high: float
    level: float
    tau2: float  # variance between sites
    q: float  # Cochran's
    q_p: float  # chance of so large a Q where no sites differ
    i2: float  # share of the scatter that no site's own error explains, 0 to 1
    predicted_low: float  # where the true value of a further site is expected; NaN below 3 sites
    predicted_high: float
    reason: str = ""


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Apart:
    """One site against all others."""

    difference: float  # its value minus the mean of the others
    low: float
    high: float
    t: float
    df: int
    p: float
    p_adjusted: float  # over all sites, Benjamini & Hochberg


def _known(values: ArrayLike, variances: ArrayLike) -> tuple[Floats, Floats, Booleans]:
    y, v = vector(values), vector(variances, "variances")
    same_length(y, v, names=("values", "variances"))
    if np.any(v <= 0):
        raise ValueError("variances must be above zero")
    return y, v, np.isfinite(y) & np.isfinite(v)


def between_variance(y: Floats, v: Floats) -> float:
    """Tau² at which the generalised Q is its degrees of freedom; 0 where it is less without."""

    def beyond(tau2: float) -> float:
        w = 1 / (v + tau2)
        return float(np.sum(w * (y - np.sum(w * y) / np.sum(w)) ** 2)) - (y.size - 1)

    if beyond(0.0) <= 0:
        return 0.0
    most = float(np.sum((y - y.mean()) ** 2)) / (y.size - 1) + float(v.max())
    while beyond(most) > 0:
        most *= 2
    return float(brentq(beyond, 0.0, most, xtol=1e-14 * most, rtol=1e-13))


def _mean(y: Floats, v: Floats) -> tuple[float, float, float]:
    """Mean, its standard error by Knapp & Hartung, tau²."""
    tau2 = between_variance(y, v)
    w = 1 / (v + tau2)
    mean = float(np.sum(w * y) / np.sum(w))
    scatter = float(np.sum(w * (y - mean) ** 2)) / (y.size - 1)
    return mean, math.sqrt(max(scatter, 1.0) / float(np.sum(w))), tau2


@quiet
def random_effects(values: ArrayLike, variances: ArrayLike, level: float = 0.95) -> RandomEffects:
    """The mean of sites' values with their variances; NaN among them is passed over.

    Raises ValueError for variances that are not above zero.
    """
    check_level(level)
    y, v, known = _known(values, variances)
    y, v = y[known], v[known]
    if y.size < 2:
        return RandomEffects(
            int(y.size), NAN, NAN, NAN, NAN, level, NAN, NAN, NAN, NAN, NAN, NAN, TOO_FEW
        )
    mean, se, tau2 = _mean(y, v)
    df = y.size - 1
    fixed = 1 / v
    q = float(np.sum(fixed * (y - np.sum(fixed * y) / np.sum(fixed)) ** 2))
    half = float(stats.t.ppf((1 + level) / 2, df)) * se
    wide = NAN
    if y.size > 2:
        wide = float(stats.t.ppf((1 + level) / 2, y.size - 2)) * math.sqrt(tau2 + se**2)
    return RandomEffects(
        int(y.size), mean, se, mean - half, mean + half, level, tau2, q,
        float(stats.chi2.sf(q, df)), max(0.0, 1 - df / q) if q > 0 else 0.0,
        mean - wide, mean + wide,
    )  # fmt: skip


@quiet
def apart_from_peers(
    values: ArrayLike, variances: ArrayLike, level: float = 0.95
) -> tuple[Apart, ...]:
    """Each site against the mean of the others, who alone say how far sites differ anyway.

    The difference has the variances of the site, of the others' mean and tau² of the others; t with
    n − 2 degrees of freedom. At least four sites are needed, else every number is NaN. Viechtbauer
    & Cheung (2010), studentised deleted residuals, with t for the normal distribution.
    """
    check_level(level)
    y, v, known = _known(values, variances)
    found = np.full((y.size, 4), np.nan)
    df = int(known.sum()) - 2
    for i in np.flatnonzero(known) if df >= 2 else ():
        others = known.copy()
        others[i] = False
        mean, se, tau2 = _mean(y[others], v[others])
        spread = math.sqrt(v[i] + tau2 + se**2)
        difference = y[i] - mean
        found[i] = difference, spread, difference / spread, 0.0
        found[i, 3] = 2 * stats.t.sf(abs(difference / spread), df)
    adjusted = benjamini_hochberg(found[:, 3])
    times = float(stats.t.ppf((1 + level) / 2, df)) if df >= 2 else NAN
    return tuple(
        Apart(d, d - times * s, d + times * s, t, max(df, 0), p, float(a))
        for (d, s, t, p), a in zip(found.tolist(), adjusted, strict=True)
    )
