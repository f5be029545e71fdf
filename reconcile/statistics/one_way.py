"""Groups of values against each other: one-way analysis of variance, and a trend over time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from reconcile.statistics._quantiles import t_quantile
from reconcile.statistics._values import check_level, estimate, quiet, same_length, vector
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.result import NAN, Estimate, not_estimable


@dataclass(frozen=True, slots=True)
class GroupShift:
    """The mean of one group less the mean of all values of the other groups."""

    name: str
    n: int
    shift: Estimate


@equal_with_nan
@dataclass(frozen=True, slots=True)
class OneWay:
    """F test of equal means; shifts with the SD within groups. ``reason``: why there is none."""

    groups: tuple[GroupShift, ...]
    f: float
    p_value: float
    reason: str = ""


@quiet
def one_way(values: ArrayLike, names: Sequence[str], level: float = 0.95) -> OneWay:
    """One-way analysis of variance (Fisher; NIST/SEMATECH e-Handbook, section 7.4.3).

    ``values``: shape (n,), on a scale on which means make sense; ``names``: the group of each.
    Groups stand in the order in which they are first met. Intervals by t with the degrees of
    freedom within groups. No test where fewer than two groups have values, or nothing varies
    within them. Raises ValueError where the shapes differ.
    """
    check_level(level)
    x = vector(values, "values")
    if len(names) != x.size:
        raise ValueError(f"{x.size} values and {len(names)} names of groups")
    order = list(dict.fromkeys(names))
    code = np.array([order.index(name) for name in names], dtype=np.int64)
    parts = [x[code == i] for i in range(len(order))]
    freedom = x.size - len(parts)
    if len(parts) < 2 or freedom < 1:
        return OneWay((), NAN, NAN, "fewer than two groups, or one value in each")
    within = sum(float(np.sum((part - part.mean()) ** 2)) for part in parts) / freedom
    between = sum(len(p) * float(p.mean() - x.mean()) ** 2 for p in parts) / (len(parts) - 1)
    if not within > 0:
        return OneWay((), NAN, NAN, "nothing varies within the groups")
    f = between / within
    p_value = float(special.fdtrc(len(parts) - 1, freedom, f))
    half = t_quantile(freedom, level)
    shifts = []
    for i, name in enumerate(order):
        others = x[code != i]
        se = math.sqrt(within * (1 / len(parts[i]) + 1 / len(others)))
        value = float(parts[i].mean() - others.mean())
        shifts.append(
            GroupShift(
                name, len(parts[i]),
                estimate(
                    value, se, value - half * se, value + half * se, len(parts[i]), level,
                    "difference of means, SD within groups",
                ),
            )
        )  # fmt: skip
    return OneWay(tuple(shifts), f, p_value)


@quiet
def trend(
    values: ArrayLike, times: ArrayLike, per: float, level: float = 0.95
) -> tuple[Estimate, float]:
    """Change of the values over ``per`` units of time, by least squares, and p of no change.

    Shapes (n,); values without a time are left out. t with n - 2 degrees of freedom.
    """
    check_level(level)
    x, t = vector(values, "values"), vector(times, "times")
    same_length(x, t, names=("values", "times"))
    known = np.isfinite(x) & np.isfinite(t)
    x, t = x[known], t[known]
    method = "least squares over time"
    if x.size < 4 or np.unique(t).size < 3:
        return not_estimable(int(x.size), "fewer than three times", method, level), NAN
    apart = t - t.mean()
    spread = float(np.sum(apart**2))
    slope = float(np.sum(apart * x)) / spread
    rest = x - x.mean() - slope * apart
    variance = float(np.sum(rest**2)) / (x.size - 2)
    if not variance > 0:
        return not_estimable(int(x.size), "nothing scatters about the line", method, level), NAN
    se = math.sqrt(variance / spread)
    p_value = float(2 * special.stdtr(x.size - 2, -abs(slope / se)))
    half = t_quantile(int(x.size) - 2, level) * se
    return (
        estimate(
            per * slope, per * se, per * (slope - half), per * (slope + half), int(x.size), level,
            method,
        ),
        p_value,
    )  # fmt: skip
