"""Error variances of three methods on the same samples, with none taken as the truth."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics._values import (
    TOO_LARGE,
    Floats,
    check_level,
    estimate,
    level_text,
    percent,
    quiet,
    same_length,
    vector,
    with_unit,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN, Estimate, not_estimable

Interval = Literal["generalised", "bootstrap"]

ASSUMPTION = (
    "It holds only if the errors of the three methods are independent of one another and of the "
    "level; what two field methods share (the same face, the same grain, the same moisture) is "
    "counted to the third."
)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class ThreeMethods:
    """Error variances (unit squared; relative where ``scale`` is 'log') of three methods.

    ``variances`` assume equal slopes (Grubbs); ``free_slope`` lets each method have its own
    slope. A value at or below zero is kept and is 'not resolved'.
    """

    n: int
    names: tuple[str, str, str]
    scale: str
    variances: tuple[Estimate, Estimate, Estimate]
    free_slope: tuple[Estimate, Estimate, Estimate]
    slopes: tuple[float, float, float]  # relative to the first
    product_variance: float  # of the samples themselves
    resolved: tuple[bool, bool, bool]
    known_index: int | None  # the method whose duplicates are known (the lab)
    known_variance: float  # from those duplicates
    upper_bounds: tuple[float, float, float]  # of the others, given that bound; NaN where none
    assumption: str = ASSUMPTION
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """Error SDs, what is not resolved, and the assumption."""
        if self.reason:
            return f"The three methods' errors could not be separated: {self.reason}."
        relative = self.scale == "log"

        def sd(variance: float) -> str:
            root = math.sqrt(max(variance, 0.0))
            return percent(root) if relative else with_unit(root, unit)

        parts = []
        for name, item, ok in zip(self.names, self.variances, self.resolved, strict=True):
            if not item.estimable:
                parts.append(f"{name} not estimable")
            elif not ok:
                limit = f" (at most {sd(item.high)})" if item.high > 0 else ""
                parts.append(f"{name} not resolved{limit}")
            else:
                interval = f"{level_text(item.level)} interval {sd(item.low)} to {sd(item.high)}"
                parts.append(f"{name} {sd(item.value)} ({interval})")
        what = "Relative error SD" if relative else "Error SD"
        text = f"{what}: {', '.join(parts)}; n = {self.n}. {self.assumption}"
        if self.known_index is not None:
            text += (
                f" Duplicates alone show that the error SD of {self.names[self.known_index]} is "
                f"at least {sd(self.known_variance)}."
            )
        return text


def _equal_slopes(s: Floats) -> Floats:
    """Grubbs' estimates from covariance matrices of shape (..., 3, 3)."""
    ab, ac, bc = s[..., 0, 1], s[..., 0, 2], s[..., 1, 2]
    return np.stack(
        [
            s[..., 0, 0] - ab - ac + bc,
            s[..., 1, 1] - ab - bc + ac,
            s[..., 2, 2] - ac - bc + ab,
        ],
        axis=-1,
    )


def _free_slopes(s: Floats) -> Floats:
    ab, ac, bc = s[..., 0, 1], s[..., 0, 2], s[..., 1, 2]
    return np.stack(
        [
            s[..., 0, 0] - ab * ac / bc,
            s[..., 1, 1] - ab * bc / ac,
            s[..., 2, 2] - ac * bc / ab,
        ],
        axis=-1,
    )


def _generalised(s: Floats, n: int, resamples: int, rng: np.random.Generator) -> Floats:
    """Covariance matrices that the data leave plausible, by inverting Bartlett's decomposition.

    If (n − 1)S = L·A·Aᵀ·Lᵀ with A Bartlett's triangular matrix, L = chol((n − 1)S)·A⁻¹.
    """
    root = np.linalg.cholesky((n - 1) * s)
    a = np.zeros((resamples, 3, 3))
    for i in range(3):
        a[:, i, i] = np.sqrt(rng.chisquare(n - 1 - i, resamples))
        for j in range(i):
            a[:, i, j] = rng.standard_normal(resamples)
    lower = root @ np.linalg.inv(a)
    return np.asarray(lower @ np.swapaxes(lower, 1, 2))


def _bootstrap(x: Floats, resamples: int, rng: np.random.Generator) -> Floats:
    """Covariance matrices of resampled rows; x has shape (n, 3)."""
    n = x.shape[0]
    out = np.empty((resamples, 3, 3))
    block = max(1, 2_000_000 // (3 * n))
    for start in range(0, resamples, block):
        stop = min(start + block, resamples)
        drawn = x[rng.integers(0, n, (stop - start, n))]
        drawn = drawn - drawn.mean(axis=1, keepdims=True)
        out[start:stop] = np.swapaxes(drawn, 1, 2) @ drawn / (n - 1)
    return out


@quiet
def three_method_error_variances(
    first: ArrayLike,
    second: ArrayLike,
    third: ArrayLike,
    rng: np.random.Generator,
    names: tuple[str, str, str] = ("first", "second", "third"),
    scale: Literal["absolute", "log"] = "absolute",
    level: float = 0.95,
    resamples: int = 4000,
    interval: Interval = "generalised",
    known_index: int | None = None,
    known_variance: float = NAN,
) -> ThreeMethods:
    """Separate the error variances of three methods without a truth.

    v₁ = s₁₁ − s₁₂ − s₁₃ + s₂₃ and so on (Grubbs 1948, JASA 43:243): the covariance of
    (first − second) with (first − third). With slopes of their own, v₁ = s₁₁ −
    s₁₂·s₁₃/s₂₃. Samples that lack one of the three values are left out.

    Intervals: 'generalised' (default) draws covariance matrices that the data leave
    plausible under normal values (Weerahandi 1993; Bartlett's decomposition); measured by
    simulation it keeps close to its level from n = 20 on. The percentile 'bootstrap', the
    usual choice, is too narrow at n = 20 to 40. Both are drawn with ``rng``. Interval ends
    below zero are set to zero. None of this covers errors that the methods share.

    ``known_index`` and ``known_variance``: the method (the lab) whose duplicates give at
    least that error variance; the others then cannot exceed ``upper_bounds``.
    """
    check_level(level)
    x = [vector(v, n) for v, n in zip((first, second, third), names, strict=True)]
    same_length(*x, names=names)
    data = np.stack(x, axis=1)
    keep = np.all(np.isfinite(data), axis=1)
    if scale == "log":
        keep &= np.all(data > 0, axis=1)
    data = data[keep]
    n = data.shape[0]
    method = f"Grubbs, {interval} interval"

    def failed(reason: str) -> ThreeMethods:
        e = not_estimable(n, reason, method, level)
        no = (NAN, NAN, NAN)
        return ThreeMethods(
            n,
            names,
            scale,
            (e, e, e),
            (e, e, e),
            no,
            NAN,
            (False, False, False),
            known_index,
            known_variance,
            no,
            reason=reason,
        )

    if n < 5:
        return failed("fewer than five samples were measured by all three methods")
    if scale == "log":
        data = np.log(data)
    size = float(np.abs(data).max())
    if not size < 1e150:
        return failed(TOO_LARGE)
    unit = size if size > 0 else 1.0
    z = data / unit
    z = z - z.mean(axis=0)
    s = z.T @ z / (n - 1)
    spread = np.sqrt(np.diag(s))
    if float(spread.min()) <= 1e-12:
        return failed("one of the methods gave the same value for every sample")
    differences = [float(np.var(z[:, i] - z[:, j])) for i, j in ((0, 1), (0, 2), (1, 2))]
    if min(differences) <= 1e-24:
        return failed("two of the methods agree exactly, so their errors are not independent")
    corr = s / np.outer(spread, spread)
    if float(np.linalg.eigvalsh(corr)[0]) <= 1e-13:
        return failed("one method is an exact combination of the others")
    draws = (
        _generalised(s, n, resamples, rng)
        if interval == "generalised"
        else _bootstrap(z, resamples, rng)
    )
    square = unit * unit
    tails = [(1 - level) / 2, (1 + level) / 2]

    def items(values: Floats, drawn: Floats, name: str) -> tuple[Estimate, Estimate, Estimate]:
        out = []
        for i in range(3):
            column = drawn[:, i][np.isfinite(drawn[:, i])]
            if column.size < 0.5 * resamples:
                out.append(not_estimable(n, "the interval could not be formed", name, level))
                continue
            low, high = np.quantile(column, tails)
            out.append(
                estimate(
                    float(values[i]) * square,
                    float(column.std(ddof=1)) * square,
                    max(float(low), 0.0) * square,
                    max(float(high), 0.0) * square,
                    n,
                    level,
                    name,
                )
            )
        return out[0], out[1], out[2]

    equal = items(_equal_slopes(s), _equal_slopes(draws), method)
    cov = (float(s[0, 1]), float(s[0, 2]), float(s[1, 2]))
    # free slopes divide by covariances, so each correlation must stand clear of zero
    clear = all(
        math.atanh(min(abs(float(corr[i, j])), 1 - 1e-15)) * math.sqrt(n - 3) > 2
        for i, j in ((0, 1), (0, 2), (1, 2))
    )
    free_name = f"covariances with free slopes, {interval} interval"
    if clear:
        free = items(_free_slopes(s), _free_slopes(draws), free_name)
        slopes = (1.0, cov[2] / cov[1], cov[2] / cov[0])
        product = cov[0] * cov[1] / cov[2] * square
    else:
        why = "the methods are not correlated clearly enough to free the slopes"
        e = not_estimable(n, why, free_name, level)
        free, slopes = (e, e, e), (1.0, NAN, NAN)
        product = (cov[0] + cov[1] + cov[2]) / 3 * square
    bounds = [NAN, NAN, NAN]
    usable = known_index in (0, 1, 2) and math.isfinite(known_variance) and known_variance >= 0
    if usable:
        assert known_index is not None
        for i in range(3):
            if i != known_index:
                gap = float(np.var(z[:, i] - z[:, known_index], ddof=1)) * square
                bounds[i] = max(gap - known_variance, 0.0)
    resolved = tuple(e.estimable and e.value > 0 for e in equal)
    return ThreeMethods(
        n,
        names,
        scale,
        equal,
        free,
        slopes,
        product,
        (resolved[0], resolved[1], resolved[2]),
        known_index if usable else None,
        known_variance if usable else NAN,
        (bounds[0], bounds[1], bounds[2]),
    )
