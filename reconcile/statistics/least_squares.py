"""Least squares of y on x, where x is taken as free of error: for reference only."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics._jackknife import freedom_of
from reconcile.statistics._values import (
    Floats,
    check_level,
    pairs,
    quiet,
    same_length,
    show,
    vector,
)
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.line import (
    Covariance,
    Line,
    line_of,
    no_line,
    trouble,
)
from reconcile.statistics.result import NAN

Errors = Literal["constant", "any"]


@quiet
def ols(x: ArrayLike, y: ArrayLike, level: float = 0.95, errors: Errors = "constant") -> Line:
    """Ordinary least squares of y on x, t intervals with n − 2. x is taken as free of error.

    ``errors='constant'``: the textbook covariance, right where the scatter of y is the same
    at every x. With scatter in proportion to the level its 95 % interval of the slope holds
    in 75 % of studies (levels over 1.3 decades, n = 20 to 100). ``errors='any'``: the
    covariance that allows any scatter (HC3, MacKinnon & White 1985), with degrees of freedom
    that fall where few pairs carry it: 94 to 96 % in both cases.
    """
    check_level(level)
    method = "ordinary least squares"
    u, v = pairs(x, y, ("x", "y"))
    if reason := trouble(u, v):
        return no_line(method, u.size, reason, level)
    return fit(method, u, v, np.ones_like(u), level, "", errors)


def fit(
    method: str,
    x: Floats,
    y: Floats,
    w: Floats,
    level: float,
    rule: str,
    errors: Errors = "constant",
) -> Line:
    """Weighted least squares on checked input."""
    total = float(np.sum(w))
    mx, my = float(np.sum(w * x)) / total, float(np.sum(w * y)) / total
    dx = x - mx
    sxx = float(np.sum(w * dx * dx))
    if not sxx > 0:
        return no_line(method, int(x.size), "the weights leave one x alone", level)
    b = float(np.sum(w * dx * (y - my))) / sxx
    a = my - b * mx
    residual = y - my - b * dx
    freedom: tuple[float, float] | None = None
    if errors == "any":
        leverage = w * (1 / total + dx * dx / sxx)
        pull = w * residual / np.maximum(1 - leverage, 1e-12)
        columns = np.column_stack([1 / total - mx * dx / sxx, dx / sxx]) * pull[:, None]
        matrix = columns.T @ columns
        most = x.size - 2.0
        freedom = freedom_of(columns[:, 0], most), freedom_of(columns[:, 1], most)
        covariance: Covariance = (
            (float(matrix[0, 0]), float(matrix[0, 1])),
            (float(matrix[1, 0]), float(matrix[1, 1])),
        )
    else:
        variance = float(np.sum(w * residual**2)) / (x.size - 2)
        covariance = (
            (variance * (1 / total + mx * mx / sxx), -variance * mx / sxx),
            (-variance * mx / sxx, variance / sxx),
        )
    return line_of(method, x, y, a, b, covariance, level, NAN, rule, freedom)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Polynomial:
    """Least-squares polynomial: y = c₀ + c₁x + c₂x² + …"""

    n: int
    coefficients: tuple[float, ...]
    standard_errors: tuple[float, ...]
    residual_sd: float
    reason: str = ""

    def sentence(self, unit: str = "") -> str:
        """One plain sentence."""
        if self.reason:
            return f"No curve could be fitted: {self.reason}."
        terms = " + ".join(
            f"({show(c)} ± {show(e)})" + ("" if k == 0 else "·lab" if k == 1 else f"·lab^{k}")
            for k, (c, e) in enumerate(zip(self.coefficients, self.standard_errors, strict=True))
        )
        return f"field = {terms}, coefficients with standard errors, n {self.n}."


@quiet
def polynomial(
    x: ArrayLike, y: ArrayLike, degree: int = 2, weights: ArrayLike | None = None
) -> Polynomial:
    """Polynomial least squares by orthogonal-triangular decomposition.

    Fitted on x shifted and scaled to −1 … 1, then expressed in powers of x, so that the
    powers of large x do not spoil the digits. The last coefficient tests curvature.
    """
    if degree < 1:
        raise ValueError(f"degree must be at least 1, got {degree}")
    u, v = vector(x, "x"), vector(y, "y")
    w = np.ones_like(u) if weights is None else vector(weights, "weights")
    same_length(u, v, w, names=("x", "y", "weights"))
    keep = np.isfinite(u) & np.isfinite(v) & np.isfinite(w) & (w > 0)
    u, v, w = u[keep], v[keep], w[keep]
    reason = trouble(u, v)
    if not reason and u.size < degree + 2:
        reason = f"fewer than {degree + 2} pairs"
    if not reason and np.unique(u).size < degree + 1:
        reason = f"fewer than {degree + 1} different x"
    if reason:
        return Polynomial(int(u.size), (), (), NAN, reason)
    centre, half = u.min() / 2 + u.max() / 2, np.ptp(u) / 2
    s = (u - centre) / half
    root = np.sqrt(w)
    from scipy import linalg  # most commands fit no curve, and it loads slowly

    q, r = linalg.qr(s[:, None] ** np.arange(degree + 1) * root[:, None], mode="economic")
    pivots = np.abs(np.diag(r))
    if not (np.all(np.isfinite(r)) and pivots.min() > 1e-13 * pivots.max()):
        why = "x is too unevenly spread to tell a curve from a line"
        return Polynomial(int(u.size), (), (), NAN, why)
    size = np.abs(np.diag(r))
    if not size.min() > 1e-12 * size.max():
        reason = f"fewer than {degree + 1} x that differ enough"
        return Polynomial(int(u.size), (), (), NAN, reason)
    inner = linalg.solve_triangular(r, q.T @ (root * v))
    residual = root * (v - (s[:, None] ** np.arange(degree + 1)) @ inner)
    # a second pass on the residuals recovers the last digits
    inner = inner + linalg.solve_triangular(r, q.T @ residual)
    residual = root * (v - (s[:, None] ** np.arange(degree + 1)) @ inner)
    variance = float(residual @ residual) / (u.size - degree - 1)
    inverse = linalg.solve_triangular(r, np.eye(degree + 1))
    # c_k = sum over j of binomial(j, k)·(−centre)^(j−k)/half^j·inner_j
    change = np.array(
        [
            [
                math.comb(j, k) * (-centre) ** (j - k) / half**j if j >= k else 0.0
                for j in range(degree + 1)
            ]
            for k in range(degree + 1)
        ]
    )
    outer = change @ inner
    spread = change @ inverse
    errors = np.sqrt(variance * np.sum(spread * spread, axis=1))
    return Polynomial(
        int(u.size),
        tuple(float(c) for c in outer),
        tuple(float(e) for e in errors),
        math.sqrt(variance),
    )
