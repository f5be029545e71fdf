"""Checks and small helpers that the statistics modules share; no statistics of their own."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import wraps
from typing import Any, ParamSpec, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from reconcile.statistics.result import NAN, Estimate, not_estimable

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]

P = ParamSpec("P")
R = TypeVar("R")

TOO_LARGE = "the values are too large or too small to calculate with"


def quiet(function: Callable[P, R]) -> Callable[P, R]:
    """Keep numpy's floating-point warnings silent; results are checked for being finite."""

    @wraps(function)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        with np.errstate(all="ignore"):
            return function(*args, **kwargs)

    return wrapped


def vector(values: ArrayLike, name: str = "values") -> Floats:
    """One-dimensional float64 copy; ValueError for any other shape."""
    array = np.array(values, dtype=np.float64)
    if array.ndim != 1:
        raise ValueError(f"{name} must be one-dimensional, got shape {array.shape}")
    return array


def flags(values: ArrayLike, name: str, size: int) -> Booleans:
    """One-dimensional booleans of the given length."""
    array = np.array(values, dtype=np.bool_)
    if array.ndim != 1 or array.size != size:
        raise ValueError(f"{name} must be one-dimensional of length {size}")
    return array


def same_length(*arrays: Floats, names: tuple[str, ...]) -> None:
    """ValueError unless every array has the length of the first."""
    for array, name in zip(arrays, names, strict=True):
        if array.size != arrays[0].size:
            raise ValueError(f"{name} has {array.size} values but {names[0]} has {arrays[0].size}")


def pairs(first: ArrayLike, second: ArrayLike, names: tuple[str, str]) -> tuple[Floats, Floats]:
    """Two equally long vectors with every pair dropped that holds NaN or infinity."""
    a, b = vector(first, names[0]), vector(second, names[1])
    same_length(a, b, names=names)
    keep = np.isfinite(a) & np.isfinite(b)
    return a[keep], b[keep]


def finite(values: ArrayLike, name: str = "values") -> Floats:
    """The finite members of a vector."""
    array = vector(values, name)
    return array[np.isfinite(array)]


def labels(group: ArrayLike, size: int, name: str = "sample") -> Integers:
    """Group codes 0, 1, … in order of first appearance; any hashable labels."""
    array = np.asarray(group)
    if array.ndim != 1 or array.size != size:
        raise ValueError(f"{name} must be one-dimensional of length {size}, got {array.shape}")
    seen: dict[Any, int] = {}
    return np.array([seen.setdefault(item, len(seen)) for item in array.tolist()], dtype=np.int64)


def check_level(level: float, name: str = "level") -> None:
    """ValueError unless 0 < level < 1."""
    if not 0.0 < level < 1.0:
        raise ValueError(f"{name} must lie between 0 and 1, got {level}")


def estimate(
    value: float, se: float, low: float, high: float, n: int, level: float, method: str
) -> Estimate:
    """An Estimate, or one that is not estimable where the value is not a finite number."""
    if not math.isfinite(value):
        return not_estimable(n, TOO_LARGE, method, level)
    return Estimate(float(value), float(se), float(low), float(high), int(n), level, method)


def point(value: float, n: int, method: str, reason: str = "", level: float = 0.95) -> Estimate:
    """A value for which no interval is claimed; ``reason`` says why."""
    if not math.isfinite(value):
        return not_estimable(n, reason or TOO_LARGE, method, level)
    return Estimate(float(value), NAN, NAN, NAN, int(n), level, method, reason)


def show(value: float, digits: int = 3) -> str:
    """A number for a sentence: significant digits, no exponent for everyday sizes."""
    if not math.isfinite(value):
        return "not estimable" if math.isnan(value) else ("∞" if value > 0 else "−∞")
    if value == 0:
        return "0"
    size = int(f"{value:.{digits - 1}e}".partition("e")[2])  # of the rounded value
    if size < -5 or size > 6:
        return f"{value:.{digits - 1}e}"
    rounded = round(value, digits - 1 - size)
    text = f"{rounded:.{max(digits - 1 - size, 0)}f}"
    return text.replace("-", "−")


def percent(value: float, digits: int = 3) -> str:
    """A fraction as a percentage with its sign."""
    if not math.isfinite(value):
        return show(value)
    if 0 < value < 1e-4:
        return "less than 0.01 %"
    return f"{show(100 * value, digits)} %"


def level_text(level: float) -> str:
    """A confidence level for a sentence: '95 %'."""
    return f"{100 * level:g} %"


def with_unit(value: float, unit: str = "") -> str:
    """A number and its unit."""
    return f"{show(value)} {unit}".rstrip()


def interval_text(item: Estimate, unit: str = "", as_percent: bool = False) -> str:
    """'1.2 mg/kg (95 % interval 1.0 to 1.4)'; only the value where no interval is claimed."""
    if not item.estimable:
        return f"not estimable ({item.reason})" if item.reason else "not estimable"

    def one(value: float) -> str:
        return percent(value) if as_percent else with_unit(value, unit)

    if math.isnan(item.low) and math.isnan(item.high):
        return one(item.value)
    low = show(100 * item.low) if as_percent else show(item.low)
    return f"{one(item.value)} ({level_text(item.level)} interval {low} to {one(item.high)})"
