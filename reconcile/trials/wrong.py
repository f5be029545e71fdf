"""Whether an acceptance is wrong, told from the truth itself and not from any data."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special
from scipy.stats import qmc

from reconcile.trials.truths import OUTLIER_SD, Array, Truth

_POWER = 14  # 2^14 quasi-random samples: the spread to about 0.1 % of itself
_GRID = 200


@dataclass(frozen=True, slots=True)
class Agreed:
    """What was agreed before the data; fractions."""

    margin: float  # bias: field/lab within 1/(1 + margin) and 1 + margin
    span: float  # limits of agreement within a factor 1 + span
    missed: float  # probability of a missed call at the upper edge of the grey region
    false_alarm: float  # and of a false alarm at its lower edge
    grey: float  # edges of the grey region: level·(1 ± grey)


@dataclass(frozen=True, slots=True)
class Wrong:
    """What of an acceptance contradicts the truth; all False: it is right."""

    bias: bool
    spread: bool
    missed: bool
    false_alarm: bool

    @property
    def any(self) -> bool:
        """Whether the acceptance is wrong."""
        return self.bias or self.spread or self.missed or self.false_alarm


def as_read(field: Array) -> Array:
    """No correction."""
    return field


def wrong(
    truth: Truth,
    agreed: Agreed,
    low: float,
    high: float,
    correct: Callable[[Array], Array] = as_read,
) -> Wrong:
    """What is wrong with accepting results of true mass fractions from ``low`` to ``high``, mg/kg.

    ``correct`` brings field values to the laboratory's scale; NaN where it gives none. Such
    results are not accepted and count for nothing.
    """
    low = max(low, truth.limit)
    t = np.geomspace(low, high, _GRID)
    if low <= truth.level <= high:
        t = np.append(t, truth.level)
    # both sides of a step in level
    t = np.append(t, [x for x in (truth.middle * (1 - 1e-9), truth.middle) if low <= x <= high])
    ratio = correct(truth.reads(t)) / t
    far = np.abs(np.log(ratio[np.isfinite(ratio) & (ratio > 0)])) > np.log1p(agreed.margin)
    below, above = truth.level * (1 - agreed.grey), truth.level * (1 + agreed.grey)
    judged = low <= truth.level <= high
    return Wrong(
        bias=bool(far.any() or np.any(ratio <= 0)),
        spread=_half_width(truth, low, high, correct) > agreed.span,
        missed=judged and above <= high
        and _called(truth, above, correct, acting=False) > agreed.missed,
        false_alarm=judged and below >= low
        and _called(truth, below, correct, acting=True) > agreed.false_alarm,
    )  # fmt: skip


@functools.cache
def _draws() -> Array:
    """Quasi-random numbers between 0 and 1: level, field, outlier, its size, laboratory, noise."""
    u = qmc.Sobol(6, rng=7).random_base2(_POWER)
    return np.asarray(np.clip(u, 1e-9, 1 - 1e-9), dtype=np.float64)


def _field(truth: Truth, true: Array, u: Array) -> Array:
    """What the field reads of each true value, errors and all."""
    z = special.ndtri(u[:, [1, 3, 5]])
    gross = np.where(u[:, 2] < truth.outliers, OUTLIER_SD * z[:, 1], 0.0)
    read = truth.reads(true) * np.exp(truth.field_sd * z[:, 0] + gross) + truth.noise * z[:, 2]
    return np.asarray(read, dtype=np.float64)


def _half_width(truth: Truth, low: float, high: float, correct: Callable[[Array], Array]) -> float:
    """Half width, as a factor less 1, of the middle 95 % of field/lab in the accepted range.

    The level's own bias counts as spread, as in the limits of agreement.
    """
    u = _draws()
    low, high = max(low, truth.low), min(high, truth.high)
    if not low < high:
        return 0.0
    true = low * (high / low) ** u[:, 0]
    field = correct(_field(truth, true, u))
    lab = true * np.exp(truth.lab_rsd * special.ndtri(u[:, 4]))
    ratio = field / lab
    ratio = ratio[np.isfinite(ratio)]
    if not len(ratio):
        return 0.0
    ends = np.quantile(ratio, [0.025, 0.975])
    return float(np.sqrt(ends[1] / ends[0]) - 1) if ends[0] > 0 else np.inf


def _called(truth: Truth, at: float, correct: Callable[[Array], Array], acting: bool) -> float:
    """Probability that a result of true mass fraction ``at`` is on the named side of the level."""
    u = _draws()
    field = correct(_field(truth, np.full(len(u), at), u))
    field = field[np.isfinite(field)]
    if not len(field):
        return 0.0
    return float(np.mean((field >= truth.level) == acting))
