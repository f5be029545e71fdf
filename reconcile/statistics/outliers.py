"""Outlier tests. They flag and never delete; results stand with and without."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from reconcile.statistics._values import check_level, quiet, show, vector
from reconcile.statistics.result import NAN

Sided = Literal["two-sided", "one-sided"]


def grubbs_critical(n: int, alpha: float = 0.05, sided: Sided = "two-sided") -> float:
    """Largest |x − mean|/s expected by chance (Grubbs 1969); NaN for n < 3."""
    check_level(alpha, "alpha")
    if n < 3:
        return NAN
    tail = alpha / (2 * n) if sided == "two-sided" else alpha / n
    t = float(stats.t.isf(tail, n - 2))
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def cochran_critical(groups: int, per_group: int, alpha: float = 0.05) -> float:
    """Largest share of one variance in the sum expected by chance (Cochran 1941).

    Upper bound through the F distribution, as tabulated in ISO 5725-2.
    """
    check_level(alpha, "alpha")
    if groups < 2 or per_group < 2:
        return NAN
    df = per_group - 1
    f = float(stats.f.isf(alpha / groups, df, df * (groups - 1)))
    return f / (f + groups - 1)


@dataclass(frozen=True, slots=True)
class OutlierFlags:
    """Which values a test flags; positions are those of the array given."""

    method: str
    n: int
    alpha: float
    flagged: tuple[int, ...]
    statistics: tuple[float, ...]  # one per step
    critical: tuple[float, ...]
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"Outliers could not be tested: {self.reason}."
        if not self.flagged:
            return f"No value of {self.n} stands out ({self.method}, α = {self.alpha:g})."
        count = len(self.flagged)
        verb = "stands" if count == 1 else "stand"
        return (
            f"{count} of {self.n} values {verb} out ({self.method}, α = {self.alpha:g}; largest "
            f"deviation {show(self.statistics[0])} SD against {show(self.critical[0])}); "
            "flagged, not removed."
        )


@quiet
def grubbs(values: ArrayLike, alpha: float = 0.05, sided: Sided = "two-sided") -> OutlierFlags:
    """Grubbs' test for a single outlier (Grubbs 1969; ISO 5725-2:1994, 7.3.4)."""
    check_level(alpha, "alpha")
    x = vector(values)
    keep = np.flatnonzero(np.isfinite(x))
    v = x[keep]
    name = f"Grubbs, {sided}"
    if v.size < 3:
        return OutlierFlags(name, v.size, alpha, (), (), (), "fewer than three values")
    size = float(np.abs(v).max())
    scaled = v / size if size > 0 else v
    s = float(scaled.std(ddof=1))
    if s <= 1e-14:
        return OutlierFlags(name, v.size, alpha, (), (), (), "all values are equal")
    deviation = scaled - scaled.mean()
    ranked = np.abs(deviation) if sided == "two-sided" else deviation
    at = int(np.argmax(ranked))
    g, limit = float(ranked[at] / s), grubbs_critical(v.size, alpha, sided)
    flagged = (int(keep[at]),) if g > limit else ()
    return OutlierFlags(name, v.size, alpha, flagged, (g,), (limit,))


@quiet
def generalised_esd(values: ArrayLike, max_outliers: int = 3, alpha: float = 0.05) -> OutlierFlags:
    """Generalised extreme studentised deviate test for up to ``max_outliers`` (Rosner 1983).

    The critical values are accurate from about n = 25 on; from n = 15 they are usable.
    """
    check_level(alpha, "alpha")
    if max_outliers < 1:
        raise ValueError(f"max_outliers must be at least 1, got {max_outliers}")
    x = vector(values)
    keep = np.flatnonzero(np.isfinite(x))
    v = x[keep]
    n = v.size
    name = f"generalised ESD, up to {max_outliers}"
    if n < 3:
        return OutlierFlags(name, n, alpha, (), (), (), "fewer than three values")
    size = float(np.abs(v).max())
    v = v / size if size > 0 else v
    if float(v.std(ddof=1)) <= 1e-14:
        return OutlierFlags(name, n, alpha, (), (), (), "all values are equal")
    found: list[int] = []
    ratios: list[float] = []
    limits: list[float] = []
    remaining = keep.copy()
    for step in range(1, min(max_outliers, n - 2) + 1):
        s = float(v.std(ddof=1))
        if s <= 1e-14:
            break
        at = int(np.argmax(np.abs(v - v.mean())))
        ratios.append(float(abs(v[at] - v.mean()) / s))
        t = float(stats.t.isf(alpha / (2 * (n - step + 1)), n - step - 1))
        limits.append((n - step) * t / math.sqrt((n - step - 1 + t * t) * (n - step + 1)))
        found.append(int(remaining[at]))
        v, remaining = np.delete(v, at), np.delete(remaining, at)
    count = max((i + 1 for i, r in enumerate(ratios) if r > limits[i]), default=0)
    return OutlierFlags(name, n, alpha, tuple(found[:count]), tuple(ratios), tuple(limits))


@quiet
def cochran(variances: ArrayLike, per_group: int, alpha: float = 0.05) -> OutlierFlags:
    """Cochran's test for one group whose variance stands out (ISO 5725-2:1994, 7.3.3)."""
    check_level(alpha, "alpha")
    x = vector(variances, "variances")
    keep = np.flatnonzero(np.isfinite(x) & (x >= 0))
    v = x[keep]
    name = "Cochran"
    if v.size < 2 or per_group < 2:
        return OutlierFlags(
            name, v.size, alpha, (), (), (), "fewer than two groups of two or more values"
        )
    total = float(v.sum())
    if not math.isfinite(total) or total <= 0:
        return OutlierFlags(name, v.size, alpha, (), (), (), "no group shows any scatter")
    at = int(np.argmax(v))
    c, limit = float(v[at] / total), cochran_critical(v.size, per_group, alpha)
    flagged = (int(keep[at]),) if c > limit else ()
    return OutlierFlags(name, v.size, alpha, flagged, (c,), (limit,))
