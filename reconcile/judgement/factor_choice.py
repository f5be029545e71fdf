"""Which form of correction the pairs carry, and what the whole choice does to unseen samples.

Candidates, simplest first: none, offset, ratio, line, power (a line of the logarithms). They
are compared by the distance of held-out pairs from each candidate's line, in units of the
errors of both sides. The plain error of corrected values would not do: it is smallest where
values are shrunk to their middle, so that noise alone would choose a steep line.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from reconcile.statistics import error_model
from reconcile.statistics.error_model import ErrorModel

Array = NDArray[np.float64]

FORMS = ("none", "offset", "ratio", "line", "power")
_COMPLEXITY = {"none": 0, "offset": 1, "ratio": 1, "line": 2, "power": 2}
FOLDS = 5
_REPEATS, _OUTER_REPEATS, _INNER_REPEATS = 10, 4, 1
_SEED = 20_240_229


@dataclass(frozen=True, slots=True)
class Fit:
    """Coefficients: field = intercept + slope·lab, of logarithms for 'power'."""

    intercept: float
    slope: float


@dataclass(frozen=True, slots=True)
class Candidates:
    """What is compared and by which rules; the same for the whole and for every part of it."""

    relative: bool  # errors are compared on the log scale
    line: Callable[[Array, Array], Fit]  # the headline method
    logs: ErrorModel | None  # of the logarithms; None where values are not above zero
    plain: ErrorModel | None  # of the values themselves, where differences are compared
    power_range: float  # least range of lab values that can tell a power, as a factor
    slope_room: float  # most that the slope may hang on a lab error that is not known
    level: float  # confidence that the exponent is not 1


def applied(form: str, fit: Fit, field: Array) -> Array:
    """Corrected values, mg/kg; NaN where nothing can be inverted."""
    if form == "none":
        return field
    if fit.slope == 0:  # as where all field values of a part are zero
        return np.full(len(field), np.nan)
    with np.errstate(all="ignore"):
        if form == "power":
            return np.asarray(np.exp((np.log(field) - fit.intercept) / fit.slope))
        return np.asarray((field - fit.intercept) / fit.slope)


def fitted(form: str, lab: Array, field: Array, of: Candidates) -> Fit:
    """The coefficients of one form from these pairs."""
    if form == "none":
        return Fit(0.0, 1.0)
    if form == "offset":
        return Fit(float(np.mean(field - lab)), 1.0)
    if form == "ratio":
        return Fit(0.0, float(np.exp(np.mean(np.log(field / lab)))))
    if form == "line":
        return of.line(lab, field)
    return power(lab, field, of)[0]


def power(lab: Array, field: Array, of: Candidates) -> tuple[Fit, float, float]:
    """Line of the logarithms, the standard error of its slope, and λ (NaN where not known).

    With a known error of the laboratory it is the line of the error model, and its standard
    error that of normal errors (Fuller 1987, equation 1.2.11, from memory). Else the geometric
    mean of both least-squares slopes, which supposes no side to be free of error.
    """
    x, y = np.log(lab), np.log(field)
    n = len(x)
    if of.logs is not None and of.logs.usable:
        a, b, lam = error_model.refitted_point(of.logs, x, y)
        if math.isfinite(b):
            spread = float(np.var(x, ddof=1))
            u = of.logs.known[0].variance
            square = float(np.sum((y - a - b * x) ** 2)) / (n - 2)
            se = math.sqrt((spread * square + (b * u) ** 2) / (n - 1)) / (spread - u)
            return Fit(a, b), se, lam
    sxx, syy, sxy = (float(v) for v in np.cov(x, y)[[0, 1, 0], [0, 1, 1]])
    if not (sxx > 0 and syy > 0 and sxy != 0):
        return Fit(math.nan, math.nan), math.nan, math.nan
    b = math.copysign(math.sqrt(syy / sxx), sxy)
    r2 = sxy * sxy / (sxx * syy)
    se = math.hypot(b * math.sqrt((1 - r2) / max(n - 2, 1)), b * (1 / math.sqrt(r2) - 1))
    return Fit(float(y.mean() - b * x.mean()), b), se, math.nan


def eligible(lab: Array, field: Array, of: Candidates) -> list[str]:
    """The forms that these pairs can tell.

    An offset needs no values above zero. A line or power is left out where the laboratory's
    error is not known and the slope hangs on it: where both least-squares slopes, of which one
    takes the laboratory and one the field as free of error, differ by more than ``slope_room``.
    A power needs ratios, a wide range, and an exponent whose interval does not hold 1.
    """
    positive = bool(np.all(lab > 0) and np.all(field > 0))
    forms = ["none", "offset", *(["ratio"] if positive else [])]
    x, y = (np.log(lab), np.log(field)) if of.relative and positive else (lab, field)
    model = of.logs if of.relative else of.plain
    known = model is not None and model.usable
    if not known:
        r = float(np.corrcoef(x, y)[0, 1]) if np.ptp(x) > 0 and np.ptp(y) > 0 else 0.0
        if not (r > 0 and 1 / r**2 - 1 <= of.slope_room):
            return forms
    forms.append("line")
    if of.relative and positive and lab.max() >= of.power_range * lab.min():
        fit, se, _ = power(lab, field, of)
        t = float(special.stdtrit(max(len(lab) - 2, 1), (1 + of.level) / 2))
        if abs(fit.slope - 1) > t * se:
            forms.append("power")
    return forms


def distances(form: str, fit: Fit, lab: Array, field: Array, of: Candidates, lam: float) -> Array:
    """Squared distance of each pair from a candidate's line, in units of the errors.

    v²/(λ + β²), v the residual of the field and β the slope at the pair, both of logarithms
    where ratios are compared. Where λ is not known, v²/|β|: the criterion of the geometric mean
    line, which prefers neither a steeper nor a flatter one.
    """
    with np.errstate(all="ignore"):
        if form == "power":
            on = np.exp(fit.intercept + fit.slope * np.log(lab))
            slope = np.full(len(lab), fit.slope) if of.relative else fit.slope * on / lab
        else:
            on = fit.intercept + fit.slope * lab
            slope = fit.slope * lab / on if of.relative else np.full(len(lab), fit.slope)
        residual = np.log(field / on) if of.relative else field - on
        size = lam + slope**2 if math.isfinite(lam) else np.abs(slope)
        return np.asarray(residual**2 / size, dtype=np.float64)


def _folds(groups: NDArray[np.int64], repeats: int, seed: int) -> list[NDArray[np.bool_]]:
    """Masks of held-out pairs, whole groups together, ``repeats`` times over."""
    rng = np.random.default_rng([_SEED, seed])
    own = np.unique(groups, return_inverse=True)[1]
    count = int(own.max()) + 1
    masks = []
    for _ in range(repeats):
        fold = (rng.permutation(count) % min(FOLDS, count))[own]
        masks += [fold == number for number in range(min(FOLDS, count))]
    return masks


def chosen(
    lab: Array, field: Array, groups: NDArray[np.int64], of: Candidates, repeats: int = _REPEATS
) -> str:
    """The simplest form within one standard error of the best, by grouped cross-validation.

    The standard error is that of the paired difference between two forms over groups (Hastie,
    Tibshirani & Friedman 2009, section 7.10, one-standard-error rule).
    """
    forms = eligible(lab, field, of)
    model = of.logs if of.relative else of.plain
    lam = model.lam.value if model is not None and model.usable else math.nan
    total = {form: np.zeros(len(lab)) for form in forms}
    for test in _folds(groups, repeats, 0):
        for form in forms:
            fit = fitted(form, lab[~test], field[~test], of)
            total[form][test] += distances(form, fit, lab[test], field[test], of, lam)
    usable = {form: v for form, v in total.items() if np.all(np.isfinite(v))}
    best = min(usable, key=lambda form: float(np.mean(usable[form])))
    prefer = "ratio" if of.relative else "offset"
    own = np.unique(groups, return_inverse=True)[1]
    for form in sorted(usable, key=lambda form: (_COMPLEXITY[form], form != prefer)):
        excess = np.bincount(own, weights=usable[form] - usable[best]) / np.bincount(own)
        if float(np.mean(excess)) <= float(np.std(excess, ddof=1)) / math.sqrt(len(excess)):
            return form
    return best


def corrected_unseen(
    lab: Array,
    field: Array,
    groups: NDArray[np.int64],
    of: Candidates,
    held_out: NDArray[np.int64] | None = None,
) -> Array:
    """Corrected values of held-out pairs, shape (repeats, pairs), the form chosen anew each time.

    Neither the fit nor the choice of the form has seen a pair or its group (nested validation;
    Varma & Simon 2006). ``held_out``: larger groups that are held out whole, as months.
    """
    found = np.full((_OUTER_REPEATS, len(lab)), np.nan)
    masks = _folds(groups if held_out is None else held_out, _OUTER_REPEATS, 1)
    per = len(masks) // _OUTER_REPEATS
    for number, test in enumerate(masks):
        train = ~test
        form = chosen(lab[train], field[train], groups[train], of, _INNER_REPEATS)
        fit = fitted(form, lab[train], field[train], of)
        found[number // per, test] = applied(form, fit, field[test])
    return found
