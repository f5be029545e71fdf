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
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.error_model import ErrorModel

Array = NDArray[np.float64]
Masks = NDArray[np.bool_]

FORMS = ("none", "offset", "ratio", "line", "power")
_COMPLEXITY = {"none": 0, "offset": 1, "ratio": 1, "line": 2, "power": 2}
FOLDS = 5
_REPEATS, _OUTER_REPEATS, _INNER_REPEATS = 10, 4, 1
_SEED = 20_240_229


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Fit:
    """Coefficients: field = intercept + slope·lab, of logarithms for 'power'."""

    intercept: float
    slope: float


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Candidates:
    """What is compared and by which rules; the same for the whole and for every part of it."""

    relative: bool  # errors are compared on the log scale
    #: the headline method for parts of pairs: lab, field and which pairs each part has, shape
    #: (rows, n); intercepts and slopes, shape (rows,)
    lines: Callable[[Array, Array, Masks], tuple[Array, Array]]
    logs: ErrorModel | None  # of the logarithms; None where values are not above zero
    plain: ErrorModel | None  # of the values themselves, where differences are compared
    power_range: float  # least range of lab values that can tell a power, as a factor
    slope_room: float  # most that the slope may hang on a lab error that is not known
    level: float  # confidence that the exponent is not 1
    most: int  # pairs to which lines of parts are fitted


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
    a, b = fitted_parts(form, lab, field, np.ones((1, len(lab)), dtype=np.bool_), of)
    return Fit(float(a[0]), float(b[0]))


def fitted_parts(
    form: str, lab: Array, field: Array, present: Masks, of: Candidates
) -> tuple[Array, Array]:
    """Intercepts and slopes of one form for parts of the pairs, all at once; shape (rows,).

    ``present``: which pairs each part has, shape (rows, n).
    """
    zero, one = np.zeros(len(present)), np.ones(len(present))

    def mean(values: Array) -> Array:
        of_part: Array = np.where(present, values, 0.0).sum(axis=1) / present.sum(axis=1)
        return of_part

    if form == "none":
        return zero, one
    if form == "offset":
        return mean(field - lab), one
    if form == "ratio":
        return zero, np.exp(mean(_logs(field) - _logs(lab)))
    if form == "line":
        return of.lines(lab, field, present)
    return _powers(_logs(lab), _logs(field), present, of)


def _trained(
    form: str, lab: Array, field: Array, present: Masks, of: Candidates
) -> tuple[Array, Array]:
    """:func:`fitted_parts`, of very many pairs to ``of.most``, evenly spaced by laboratory value.

    A line of m pairs adds about 2/m to the variance of what it foretells: the error of unseen
    samples comes out larger by no more than 1/m of itself.
    """
    if len(lab) > of.most:
        places = np.linspace(0, len(lab) - 1, of.most).round().astype(np.int64)
        some = np.sort(np.argsort(lab, kind="stable")[places])
        lab, field, present = lab[some], field[some], present[:, some]
    return fitted_parts(form, lab, field, present, of)


def _logs(values: Array) -> Array:
    """Logarithms; 0 where there is none, in pairs that no part with this form has."""
    return np.log(np.where(values > 0, values, 1.0))


def _powers(x: Array, y: Array, present: Masks, of: Candidates) -> tuple[Array, Array]:
    """The lines of :func:`power` for parts of the logarithms."""
    a, b = np.full((2, len(present)), np.nan)
    if of.logs is not None and of.logs.usable:
        a, b, _ = error_model.refitted_points(of.logs, x, y, present)
    for row in np.flatnonzero(~np.isfinite(b)):
        a[row], b[row], _ = _geometric(x[present[row]], y[present[row]])
    return a, b


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
    a, b, se = _geometric(x, y)
    return Fit(a, b), se, math.nan


def _geometric(x: Array, y: Array) -> tuple[float, float, float]:
    """The geometric mean line: intercept, slope, standard error of the slope."""
    sxx, syy, sxy = (float(v) for v in np.cov(x, y)[[0, 1, 0], [0, 1, 1]])
    if not (sxx > 0 and syy > 0 and sxy != 0):
        return math.nan, math.nan, math.nan
    b = math.copysign(math.sqrt(syy / sxx), sxy)
    r2 = sxy * sxy / (sxx * syy)
    se = math.hypot(b * math.sqrt((1 - r2) / max(len(x) - 2, 1)), b * (1 / math.sqrt(r2) - 1))
    return float(y.mean() - b * x.mean()), b, se


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


def distances(
    form: str, fits: tuple[Array, Array], lab: Array, field: Array, of: Candidates, lam: float
) -> Array:
    """Squared distances of pairs from a candidate's lines, in units of the errors; (rows, n).

    v²/(λ + β²), v the residual of the field and β the slope at the pair, both of logarithms
    where ratios are compared. Where λ is not known, v²/|β|: the criterion of the geometric mean
    line, which prefers neither a steeper nor a flatter one. ``fits``: intercepts and slopes of
    the lines, each of shape (rows,).
    """
    a, b = (part[:, None] for part in fits)
    with np.errstate(all="ignore"):
        if form == "power":
            on = np.exp(a + b * np.log(lab))
            slope = b * np.ones_like(on) if of.relative else b * on / lab
        else:
            on = a + b * lab
            slope = b * lab / on if of.relative else b * np.ones_like(on)
        residual = np.log(field / on) if of.relative else field - on
        size = lam + slope**2 if math.isfinite(lam) else np.abs(slope)
        return np.asarray(residual**2 / size, dtype=np.float64)


def _folds(groups: NDArray[np.int64], repeats: int, seed: int) -> Masks:
    """Masks of held-out pairs, whole groups together, ``repeats`` times over; (rows, n)."""
    rng = np.random.default_rng([_SEED, seed])
    own = np.unique(groups, return_inverse=True)[1]
    count = int(own.max()) + 1
    masks = []
    for _ in range(repeats):
        fold = (rng.permutation(count) % min(FOLDS, count))[own]
        masks += [fold == number for number in range(min(FOLDS, count))]
    return np.array(masks)


def chosen(
    lab: Array, field: Array, groups: NDArray[np.int64], of: Candidates, repeats: int = _REPEATS
) -> str:
    """The simplest form within one standard error of the best, by grouped cross-validation.

    The standard error is that of the paired difference between two forms over groups (Hastie,
    Tibshirani & Friedman 2009, section 7.10, one-standard-error rule).
    """
    whole = np.ones((1, len(lab)), dtype=np.bool_)
    return chosen_of_parts(lab, field, groups, of, whole, repeats)[0]


def chosen_of_parts(
    lab: Array,
    field: Array,
    groups: NDArray[np.int64],
    of: Candidates,
    parts: Masks,
    repeats: int,
) -> list[str]:
    """:func:`chosen` for each part of the pairs, shape (rows, n): every fit of a form at once."""
    forms = [eligible(lab[part], field[part], of) for part in parts]
    held_out: list[Masks] = []
    for part in parts:
        folds = _folds(groups[part], repeats, 0)
        masks = np.zeros((len(folds), len(lab)), dtype=np.bool_)
        masks[:, part] = folds
        held_out.append(masks)
    total: list[dict[str, Array]] = [{} for _ in parts]
    model = of.logs if of.relative else of.plain
    lam = model.lam.value if model is not None and model.usable else math.nan
    for form in FORMS:
        rows = [row for row, own in enumerate(forms) if form in own]
        if not rows:
            continue
        test = np.concatenate([held_out[row] for row in rows])
        train = np.concatenate([parts[row] & ~held_out[row] for row in rows])
        fits = _trained(form, lab, field, train, of)
        off = np.where(test, distances(form, fits, lab, field, of, lam), 0.0)
        starts = np.cumsum([0, *(len(held_out[row]) for row in rows[:-1])])
        for row, own in zip(rows, np.add.reduceat(off, starts, axis=0), strict=True):
            total[row][form] = own[parts[row]]
    return [
        _simplest(found, groups[part], of.relative)
        for found, part in zip(total, parts, strict=True)
    ]


def _simplest(total: dict[str, Array], groups: NDArray[np.int64], relative: bool) -> str:
    """The simplest form whose held-out distances are within one standard error of the best."""
    usable = {form: v for form, v in total.items() if np.all(np.isfinite(v))}
    best = min(usable, key=lambda form: float(np.mean(usable[form])))
    prefer = "ratio" if relative else "offset"
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
    tests = _folds(groups if held_out is None else held_out, _OUTER_REPEATS, 1)
    per = len(tests) // _OUTER_REPEATS
    forms = np.array(chosen_of_parts(lab, field, groups, of, ~tests, _INNER_REPEATS))
    for form in FORMS:
        rows = np.flatnonzero(forms == form)
        if not len(rows):
            continue
        a, b = _trained(form, lab, field, ~tests[rows], of)
        for row, of_a, of_b in zip(rows, a, b, strict=True):
            test = tests[row]
            found[row // per, test] = applied(form, Fit(of_a, of_b), field[test])
    return found
