"""Many tests at once, and whether strata may be pooled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import Floats, labels, quiet, same_length, show, vector
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN


def benjamini_hochberg(p_values: ArrayLike) -> Floats:
    """Adjusted p values that control the false discovery rate (Benjamini & Hochberg 1995).

    NaN (a test that could not be made) stays NaN and is not counted as a test.
    """
    p = vector(p_values, "p_values")
    adjusted = np.full(p.size, np.nan)
    known = np.flatnonzero(~np.isnan(p))
    if np.any((p[known] < 0) | (p[known] > 1)):
        raise ValueError("p values must lie between 0 and 1")
    if known.size:
        adjusted[known] = stats.false_discovery_control(p[known])
    return adjusted


@equal_with_nan
@dataclass(frozen=True, slots=True)
class InteractionTest:
    """Do strata share one slope, and with one slope one intercept?"""

    n: int
    n_strata: int
    scale: str
    slopes_f: float
    slopes_df: tuple[int, int]
    slopes_p: float
    intercepts_f: float
    intercepts_df: tuple[int, int]
    intercepts_p: float
    left_out: tuple[str, ...] = ()  # strata with fewer than three pairs or no spread
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One or two plain sentences."""
        if self.reason:
            return f"Whether the strata may be pooled could not be tested: {self.reason}."
        slopes = "differ" if self.slopes_p < 0.05 else "show no difference"
        shifts = "differ" if self.intercepts_p < 0.05 else "show no difference"
        return (
            f"Between {self.n_strata} strata the slopes {slopes} (p = {show(self.slopes_p)}) and, "
            f"given one slope, the offsets {shifts} (p = {show(self.intercepts_p)}); n = {self.n}. "
            "No difference shown is not proof that there is none."
        )


def _standard(values: Floats) -> Floats:
    """Moved to their middle and scaled to at most one; unchanged where that fails."""
    if values.size == 0:
        return values
    moved = values - (values.min() / 2 + values.max() / 2)
    size = float(np.abs(moved).max())
    return np.asarray(moved / size if size > 0 and math.isfinite(size) else moved)


@quiet
def interaction_test(
    lab: ArrayLike,
    field: ArrayLike,
    stratum: ArrayLike,
    scale: Literal["absolute", "log"] = "log",
) -> InteractionTest:
    """Analysis of covariance: are slopes, then intercepts, homogeneous over strata?

    Least squares of field on lab within strata (Snedecor & Cochran, Statistical
    Methods, analysis of covariance): F test of separate against one common
    slope, then of separate against one common intercept given the common slope.
    ``scale`` 'log' uses natural logarithms and drops pairs that are not
    positive. Least squares ignores the lab's error; where that matters, compare
    errors-in-variables slopes with :func:`homogeneity`.
    """
    x, y = vector(lab, "lab"), vector(field, "field")
    same_length(x, y, names=("lab", "field"))
    codes = labels(stratum, x.size, "stratum")
    names = [str(item) for item in dict.fromkeys(np.asarray(stratum).tolist())]
    keep = np.isfinite(x) & np.isfinite(y)
    if scale == "log":
        keep &= (x > 0) & (y > 0)
    x, y, codes = x[keep], y[keep], codes[keep]
    if scale == "log":
        x, y = np.log(x), np.log(y)
    total_n = x.size
    # F does not change with origin or unit; squares of extreme values would
    x, y = _standard(x), _standard(y)
    sxx_list, sxy_list, syy_list, n_list, mean_x, mean_y = [], [], [], [], [], []
    left_out: list[str] = []
    for code, name in enumerate(names):
        xs, ys = x[codes == code], y[codes == code]
        dx = xs - xs.mean() if xs.size else xs
        sxx = float(dx @ dx)
        if xs.size < 3 or sxx <= 1e-24 * float(xs @ xs):
            left_out.append(name)
            continue
        dy = ys - ys.mean()
        n_list.append(xs.size)
        mean_x.append(float(xs.mean()))
        mean_y.append(float(ys.mean()))
        sxx_list.append(sxx)
        sxy_list.append(float(dx @ dy))
        syy_list.append(float(dy @ dy))
    k = len(n_list)

    def failed(reason: str) -> InteractionTest:
        nothing = (0, 0)
        return InteractionTest(
            total_n, k, scale, NAN, nothing, NAN, NAN, nothing, NAN, tuple(left_out), reason
        )

    if k < 2:
        return failed("fewer than two strata have three pairs spread over a range")
    sizes = np.array(n_list, dtype=np.float64)
    mx, my = np.array(mean_x), np.array(mean_y)
    sxx_all, sxy_all, syy_all = (np.array(v) for v in (sxx_list, sxy_list, syy_list))
    n = int(sizes.sum())
    sse_separate = float(np.sum(np.maximum(syy_all - sxy_all**2 / sxx_all, 0.0)))
    sse_one_slope = float(max(syy_all.sum() - sxy_all.sum() ** 2 / sxx_all.sum(), 0.0))
    gx, gy = float(sizes @ mx) / n, float(sizes @ my) / n
    between_x, between_y = mx - gx, my - gy
    txx = sxx_all.sum() + float(sizes @ between_x**2)
    txy = sxy_all.sum() + float(sizes @ (between_x * between_y))
    tyy = syy_all.sum() + float(sizes @ between_y**2)
    sse_one_line = float(max(tyy - txy**2 / txx, 0.0))
    df_separate, df_one_slope = n - 2 * k, n - k - 1
    if not math.isfinite(sse_one_line):
        return failed("the values are too large to compare")
    if min(sse_separate, sse_one_slope) <= 1e-20 * tyy:
        return failed("the pairs lie on lines without scatter, so there is no error to compare to")
    slopes_f = ((sse_one_slope - sse_separate) / (k - 1)) / (sse_separate / df_separate)
    intercepts_f = ((sse_one_line - sse_one_slope) / (k - 1)) / (sse_one_slope / df_one_slope)
    return InteractionTest(
        n,
        k,
        scale,
        float(slopes_f),
        (k - 1, df_separate),
        float(stats.f.sf(slopes_f, k - 1, df_separate)),
        float(intercepts_f),
        (k - 1, df_one_slope),
        float(stats.f.sf(intercepts_f, k - 1, df_one_slope)),
        tuple(left_out),
    )
