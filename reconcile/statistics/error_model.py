"""One model of a pair's errors: replicates, heterogeneity and laboratory, and the line they give.

x = ξ + u and y = a + bξ + e: ξ is the truth of the split that went to the laboratory, u the
laboratory's error, of known variance; e holds the field mean's replicate error and the
heterogeneity, which is whatever else separates what the field read from ξ. Heterogeneity is
in no replicate. It is what the scatter of the pairs about the line leaves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from reconcile.statistics import distributions as stats
from reconcile.statistics._values import (
    Booleans,
    Floats,
    check_level,
    estimate,
    pairs,
    percent,
    quiet,
    show,
    vector,
)
from reconcile.statistics.deming import slope_of_sums
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.line import (
    Covariance,
    Line,
    flat,
    line_of,
    no_line,
    on_a_line,
    trouble,
    unfit,
)
from reconcile.statistics.result import NAN, Estimate, not_estimable
from reconcile.statistics.variance_intervals import (
    chi_square_limits,
    combination_limits,
    standard_error,
)

Shape = Literal["constant", "proportional"]
Found = Literal["resolved", "not resolved", "not estimable"]
RESOLVED: Found = "resolved"
NOT_RESOLVED: Found = "not resolved"

METHODS = {"constant": "Deming regression", "proportional": "weighted Deming regression"}
#: Below this share of truth in the variance of the lab values no line is given: what is left
#: after the lab's error is taken off is too small to divide by (a choice; Fuller 1987,
#: section 2.5, shows how the estimator's moments fail there, from memory).
LEAST_RELIABILITY = 0.5
#: Up to this many pairs the fit is repeated without each pair.
EXACTLY_LEFT_OUT = 60
_ROUNDS, _CLOSE, _STATED = 500, 1e-12, 1e6


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Known:
    """A variance that is known apart from the pairs: of a pair's value, not of a replicate."""

    variance: float  # NaN where it is not known
    degrees_of_freedom: float = math.inf  # inf where stated, not measured


UNKNOWN = Known(NAN, 0.0)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class ErrorModel:
    """Variances of a pair's errors and the line that belongs to them.

    Variances are in (unit of the values)² for the shape 'constant', else relative to the level
    of their own side. ``field`` is all that separates the field value from the line at the
    truth of the split; ``heterogeneity`` is ``field`` less ``replicates``, kept as computed
    where it is negative. ``lam`` is the ratio of error variances with which the line is the
    Deming line (weighted for 'proportional') of the pairs. ``reliability`` is the share of
    truth in the variance of the lab values.
    """

    shape: Shape
    n: int
    lab: Estimate
    replicates: Estimate
    field: Estimate
    heterogeneity: Estimate
    lam: Estimate
    line: Line
    reliability: float
    found: Found  # whether heterogeneity can be told from none
    split_known: bool  # the lab's error holds what separates two splits of one sample
    known: tuple[Known, Known]  # laboratory, replicates: as given
    reason: str = ""

    @property
    def usable(self) -> bool:
        """Whether there is a line with a ratio of error variances."""
        return self.lam.estimable and not self.line.reason

    @property
    def field_df(self) -> float:
        """Degrees of freedom of ``field``, by Satterthwaite from its standard error."""
        if not (self.field.value > 0 and self.field.se > 0):
            return NAN
        return max(2 * (self.field.value / self.field.se) ** 2, 1.0)

    def field_sd(self, at: ArrayLike) -> Floats:
        """SD of a field value about the line at true levels ``at``, shape as given.

        ``at`` in the unit of x; the larger of replicates alone and what the scatter shows.
        """
        known = self.replicates.value if self.replicates.estimable else 0.0
        sd = math.sqrt(max(self.field.value, known))
        level = np.atleast_1d(np.asarray(at, dtype=np.float64))
        size = np.abs(self.line.predict(level)) if self.shape == "proportional" else 1.0
        return np.asarray(sd * size * np.ones_like(level), dtype=np.float64)

    def sentence(self, unit: str = "") -> str:
        """Two or three plain sentences."""
        if self.reason:
            return f"The errors of the pairs could not be told apart: {self.reason}."

        def sd(item: Estimate) -> str:
            root = math.sqrt(max(item.value, 0.0))
            if self.shape == "proportional":
                return percent(root)
            return f"{show(root)} {unit}".rstrip()

        parts = [f"laboratory {sd(self.lab)}"]
        if self.replicates.estimable:
            parts.append(f"replicates of the field mean {sd(self.replicates)}")
        if self.found == RESOLVED:
            parts.append(f"heterogeneity {sd(self.heterogeneity)}")
        elif self.found == NOT_RESOLVED:
            parts.append("heterogeneity not resolved from zero")
        where = (
            "Duplicates of splits are in the laboratory's part, so that heterogeneity is between "
            "what the field read and the sample."
            if self.split_known
            else "What separates two splits of one sample is not known apart and stands in "
            "heterogeneity."
        )
        return (
            f"Standard deviations: {', '.join(parts)} (n {self.n}; ratio of error variances, "
            f"field over laboratory, {show(self.lam.value)}). {where}"
        )


def _nothing(
    shape: Shape, n: int, reason: str, level: float, lab: Known, replicates: Known, split: bool
) -> ErrorModel:
    none = not_estimable(n, reason, "error model of the pairs", level)
    return ErrorModel(
        shape, n, _known(lab, n, level), _known(replicates, n, level), none, none, none,
        no_line(METHODS[shape], n, reason, level), NAN, "not estimable", split,
        (lab, replicates), reason,
    )  # fmt: skip


def _known(known: Known, n: int, level: float) -> Estimate:
    """A variance from outside the pairs as an Estimate; exact where it was stated."""
    method = "replicates, chi-square interval"
    value, df = known.variance, known.degrees_of_freedom
    if not value >= 0:
        return not_estimable(n, "not known", method, level)
    if not math.isfinite(df):
        return estimate(value, 0.0, value, value, n, level, "stated")
    low, high = chi_square_limits(value, max(df, 1.0), level)
    return estimate(value, value * math.sqrt(2 / max(df, 1.0)), low, high, n, level, method)


@dataclass(frozen=True, slots=True)
class _State:
    """A fit, or one per row: intercept, slope, λ and the mean squares behind it."""

    a: Floats
    b: Floats
    lam: Floats
    scatter: Floats  # weighted sum of squares about the line over n − 1
    size_x: Floats  # mean of (level of x / level of the weights)²
    size_y: Floats
    spread: Floats  # weighted variance of x


class _Fit:
    """The fixed point for given variances: line, weights and λ that belong together.

    With λ = field/lab variance the Deming line leaves a scatter of field + b²·lab: of all λ
    the one is taken at which it does. For constant SDs that is the estimator with a known
    error variance of x, b = m_xy/(m_xx − σ_u²) (Fuller 1987, section 1.2, from memory).
    """

    def __init__(self, shape: Shape, x: Floats, y: Floats, lab: float, least: float) -> None:
        self.shape, self.x, self.y, self.lab, self.least = shape, x, y, lab, least
        self.shift = float(np.mean(x)), float(np.mean(y))
        self.u, self.v = x - self.shift[0], y - self.shift[1]
        self.floor = 1e-9 * float(np.max(np.abs(x) + np.abs(y)))

    def terms(self, a: Floats, b: Floats, lam: Floats) -> Floats:
        """What each pair adds to the sums, shape (9, rows, n), at lines of shape (rows, 1)."""
        residual = self.y - a - b * self.x
        ones = np.ones_like(residual)
        if self.shape == "constant":
            w, of_x, of_y = ones, ones, ones
        else:
            true_x = self.x + b * residual / (lam + b * b)
            true_y = a + b * true_x
            level = np.maximum((true_x + lam * true_y) / (1 + lam), self.floor)
            w = 1 / level**2
            of_x, of_y = w * true_x**2, w * true_y**2
        return np.stack(
            [w, w * self.u, w * self.v, w * self.u**2, w * self.v**2, w * self.u * self.v,
             w * residual**2, of_x, of_y]
        )  # fmt: skip

    def step(self, sums: Floats, b: Floats, count: Floats | float) -> _State:
        """A new line and λ from sums of shape (9, rows), the residuals being those of ``b``."""
        total, su, sv, suu, svv, suv, rest, of_x, of_y = sums
        mx, my = su / total, sv / total
        sxx, syy, sxy = suu / total - mx * mx, svv / total - my * my, suv / total - mx * my
        size_x, size_y = of_x / count, of_y / count
        scatter = rest / (count - 1)
        lab = self.lab * size_x
        field = np.maximum(scatter - b * b * lab, self.least * size_y)
        lam = np.maximum(field / lab, 1e-9)
        new = slope_of_sums(sxx, syy, sxy, lam)
        a = (my + self.shift[1]) - new * (mx + self.shift[0])
        return _State(a, new, lam, scatter, size_x, size_y, sxx * count / (count - 1))

    def solve(self, present: Floats, start: _State | None = None) -> _State:
        """The fixed points of subsets; ``present`` is (rows, n) of 0 and 1."""
        count = present.sum(axis=1)
        if self.shape == "constant":
            return self._closed(present, count)
        if start is None:
            total = present.sum(axis=1)
            mx, my = present @ self.x / total, present @ self.y / total
            b = np.where(mx > 0, my / mx, 1.0)
            a, lam = np.zeros_like(b), np.full_like(b, max(10.0, self.least / self.lab))
        else:
            a, b, lam = (np.broadcast_to(part, count.shape) for part in
                         (start.a, start.b, start.lam))  # fmt: skip
        state = _State(a, b, lam, b, b, b, b)
        for _ in range(_ROUNDS):
            before = state
            terms = self.terms(before.a[:, None], before.b[:, None], before.lam[:, None])
            state = self.step((terms * present).sum(axis=2), before.b, count)
            moved = np.abs(state.b - before.b) > _CLOSE * np.abs(state.b)
            moved |= np.abs(state.lam - before.lam) > 1e-10 * state.lam
            if not np.any(moved):
                break
        else:
            state = replace(state, b=np.where(moved, NAN, state.b))
        return state

    def _closed(self, present: Floats, count: Floats) -> _State:
        sums = (self.terms(*np.zeros((3, 1, 1))) * present).sum(axis=2)
        return self._closed_of(sums, count)

    def _closed_of(self, sums: Floats, count: Floats | float) -> _State:
        total, su, sv, suu, svv, suv, _, _, _ = sums
        mx, my, of = su / total, sv / total, count / (count - 1)
        sxx, syy, sxy = (suu / total - mx * mx) * of, (svv / total - my * my) * of, NAN
        sxy = (suv / total - mx * my) * of
        b = sxy / (sxx - self.lab)
        field = syy - b * sxy
        lam = np.maximum(np.maximum(field, self.least) / self.lab, 1e-9)
        b = np.where(field > self.least, b, slope_of_sums(sxx, syy, sxy, lam))
        a = (my + self.shift[1]) - b * (mx + self.shift[0])
        scatter = syy - 2 * b * sxy + b * b * sxx
        one = np.ones_like(b)
        return _State(a, b, lam, scatter, one, one, sxx)

    def left_out(self, fitted: _State) -> Floats:
        """Intercept, slope and ln λ without each pair, shape (n, 3)."""
        n = self.x.size
        if self.shape == "constant":
            terms = self.terms(*np.zeros((3, 1, 1)))[:, 0, :]
            return _columns(self._closed_of(terms.sum(axis=1, keepdims=True) - terms, n - 1.0))
        if n <= EXACTLY_LEFT_OUT:
            return _columns(self.solve(1 - np.eye(n), fitted))
        # To first order in 1/n: the fixed point θ = T(θ) moves by (I − dT/dθ)⁻¹(Tᵢ(θ) − θ).
        at = np.array([fitted.a[0], fitted.b[0], math.log(fitted.lam[0])])

        def moved(point: Floats, without_each: bool) -> Floats:
            a, b, lam = (np.full((1, 1), v) for v in (point[0], point[1], math.exp(point[2])))
            terms = self.terms(a, b, lam)[:, 0, :]
            sums = terms.sum(axis=1, keepdims=True)
            if without_each:
                return _columns(self.step(sums - terms, np.full(n, point[1]), n - 1.0))
            whole: Floats = _columns(self.step(sums, point[1:2], float(n)))[0]
            return whole

        steps = 1e-5 * np.array([float(np.median(np.abs(self.y))), abs(at[1]), 1.0])
        jacobian = np.column_stack(
            [(moved(at + d, False) - moved(at - d, False)) / (2 * d.sum()) for d in np.diag(steps)]
        )
        inverse = np.linalg.inv(np.eye(3) - jacobian)
        return np.asarray(at + (moved(at, True) - at) @ inverse.T, dtype=np.float64)


def _columns(state: _State) -> Floats:
    return np.asarray(np.column_stack([state.a, state.b, np.log(state.lam)]), dtype=np.float64)


@quiet
def error_model(
    x: ArrayLike,
    y: ArrayLike,
    lab: Known,
    replicates: Known = UNKNOWN,
    shape: Shape = "constant",
    level: float = 0.95,
    split_known: bool = False,
) -> ErrorModel:
    """Tell the errors of pairs apart, given the lab's, and fit the line that belongs to them.

    ``x`` laboratory, ``y`` field, one each per sample. ``shape`` 'constant': variances in the
    unit squared (natural logarithms make them relative ones); 'proportional': relative
    variances, SDs in proportion to the level, values above zero. ``lab`` and ``replicates``
    are of the values that enter a pair. ``split_known``: ``lab`` comes from duplicates of
    splits. Where the lab's variance is not known nothing is estimated and nothing assumed.

    The covariance of the line is the jackknife of the whole fit (the ratio λ found again
    without each pair) and what the lab's variance adds through its degrees of freedom; t
    intervals with n − 2, fewer where the lab's few duplicates carry the variance.
    """
    check_level(level)
    u, v = pairs(x, y, ("x", "y"))
    n = int(u.size)

    def nothing(reason: str) -> ErrorModel:
        return _nothing(shape, n, reason, level, lab, replicates, split_known)

    if not (lab.variance > 0 and math.isfinite(lab.variance) and lab.degrees_of_freedom >= 1):
        return nothing("the laboratory's error is not known")
    if reason := trouble(u, v, 4) or flat(v):
        return nothing(reason)
    if shape == "proportional" and (np.any(u <= 0) or np.any(v <= 0)):
        return nothing("errors in proportion to the level need values above zero")
    least = replicates.variance if replicates.variance >= 0 else 0.0
    fit = _Fit(shape, u, v, lab.variance, least)
    state = fit.solve(np.ones((1, n)))
    a, b, lam = (float(part[0]) for part in (state.a, state.b, state.lam))
    of_lab = lab.variance * float(state.size_x[0])
    spread = float(state.spread[0])
    reliability = 1 - of_lab / spread if spread > 0 else NAN
    if not reliability >= LEAST_RELIABILITY:
        return nothing("the laboratory's error is too large a part of the spread of its values")
    if not (math.isfinite(b) and math.isfinite(lam)):
        return nothing("the fit does not settle on one line")
    if on_a_line(u, v, a, b):
        return nothing("the points lie on a line, so its error can't be estimated")
    size = float(state.size_y[0])
    square = float(state.scatter[0]) * (n - 1) / (n - 2)
    lab_df = min(lab.degrees_of_freedom, _STATED)
    parts = ((1.0, -b * b), (square, of_lab), (n - 2.0, lab_df))
    field = _combination(parts, size, n, level)
    if not field.value > 0 and not least > 0:
        return nothing("the pairs scatter no more than the laboratory's error explains")
    heterogeneity = field
    if replicates.variance >= 0 and replicates.degrees_of_freedom >= 1:
        rep_df = min(replicates.degrees_of_freedom, _STATED)
        heterogeneity = _combination(
            ((*parts[0], -1.0), (*parts[1], least * size), (*parts[2], rep_df)), size, n, level
        )
    found = RESOLVED if heterogeneity.low > 0 else NOT_RESOLVED
    left = fit.left_out(state)
    line, spread_log = _line(fit, state, left, lab_df, level)
    half = float(stats.norm.ppf((1 + level) / 2)) * spread_log
    ratio = estimate(
        lam, lam * spread_log, lam * math.exp(-half), lam * math.exp(half), n, level,
        "scatter of the pairs over the laboratory's variance, jackknife of ln λ",
    )  # fmt: skip
    return ErrorModel(
        shape, n, _known(lab, n, level), _known(replicates, n, level), field, heterogeneity,
        ratio, line, reliability, found, split_known, (lab, replicates),
    )  # fmt: skip


@quiet
def refitted_points(
    model: ErrorModel, x: ArrayLike, y: ArrayLike, present: Booleans
) -> tuple[Floats, Floats, Floats]:
    """Intercepts, slopes and λ of ``refitted`` for parts of these pairs, without intervals.

    ``present``: which pairs each part has, shape (rows, n); x and y finite, shape (n,). Results
    have shape (rows,); NaN where a part has no line.
    """
    u, v = vector(x, "x"), vector(y, "y")
    lab, replicates = model.known
    none = np.full((3, len(present)), NAN)
    if not (lab.variance > 0 and math.isfinite(lab.variance)):
        return none[0], none[1], none[2]
    bad = unfit(u, v, present, 4)
    if model.shape == "proportional":
        bad |= np.any(present & ((u <= 0) | (v <= 0)), axis=1)
    least = replicates.variance if replicates.variance >= 0 else 0.0
    state = _Fit(model.shape, u, v, lab.variance, least).solve(present.astype(np.float64))
    bad |= ~(1 - lab.variance * state.size_x / state.spread >= LEAST_RELIABILITY)
    a, b, lam = (np.where(bad, NAN, part) for part in (state.a, state.b, state.lam))
    return a, b, lam


@quiet
def refitted_point(model: ErrorModel, x: ArrayLike, y: ArrayLike) -> tuple[float, float, float]:
    """Intercept, slope and λ of ``refitted``, without intervals; NaN where there is no line."""
    u, v = pairs(x, y, ("x", "y"))
    if not u.size:
        return NAN, NAN, NAN
    a, b, lam = refitted_points(model, u, v, np.ones((1, u.size), dtype=np.bool_))
    return float(a[0]), float(b[0]), float(lam[0])


def refitted(model: ErrorModel, x: ArrayLike, y: ArrayLike, level: float = 0.95) -> ErrorModel:
    """The same model of other pairs: what is known apart from the pairs is all that is kept."""
    return error_model(x, y, *model.known, model.shape, level, model.split_known)


def _combination(
    parts: tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]],
    size: float,
    n: int,
    level: float,
) -> Estimate:
    """A sum of mean squares, relative to ``size``, with its modified large-sample interval."""
    coefficients, squares, freedoms = parts
    low, high = combination_limits(coefficients, squares, freedoms, level)
    value = sum(c * s for c, s in zip(coefficients, squares, strict=True))
    se = standard_error(coefficients, squares, freedoms)
    return estimate(
        value / size, se / size, low / size, high / size, n, level,
        "scatter about the line less what is known, modified large-sample interval",
    )  # fmt: skip


def _line(
    fit: _Fit, state: _State, left: Floats, lab_df: float, level: float
) -> tuple[Line, float]:
    """The line with its covariance, and the standard error of ln λ."""
    n = fit.x.size
    off = left - left.mean(axis=0)
    matrix = off.T @ off * (n - 1) / n
    # what the lab's variance adds: its logarithm has a variance of about 2/df
    ends = []
    for factor in (1.02, 1 / 1.02):
        other = _Fit(fit.shape, fit.x, fit.y, fit.lab * factor, fit.least)
        ends.append(_columns(other.solve(np.ones((1, n)), state))[0])
    slope = (ends[0] - ends[1]) / (2 * math.log(1.02))
    more = np.outer(slope, slope) * 2 / lab_df
    whole = matrix + more
    freedom = tuple(
        float(whole[i, i] ** 2 / (matrix[i, i] ** 2 / (n - 2) + more[i, i] ** 2 / lab_df))
        for i in (0, 1)
    )
    covariance: Covariance = (
        (float(whole[0, 0]), float(whole[0, 1])),
        (float(whole[1, 0]), float(whole[1, 1])),
    )
    line = line_of(
        METHODS[fit.shape], fit.x, fit.y, float(state.a[0]), float(state.b[0]), covariance, level,
        float(state.lam[0]), "1 / (estimated level)²" if fit.shape == "proportional" else "",
        (freedom[0], freedom[1]),
    )  # fmt: skip
    return line, math.sqrt(float(whole[2, 2]))
