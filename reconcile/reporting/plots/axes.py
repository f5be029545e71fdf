"""Axis ranges, ticks and tick labels: pure functions of numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.reporting.manner import styled
from reconcile.reporting.numbers import plain, plain_sig

Array = NDArray[np.float64]
#: Below this a mass fraction is nothing on any plot; above, no mass fraction exists.
_NOTHING, _HUGE = 1e-9, 1e9
#: Axes end here whatever the data say.
_BEYOND = 1e15


@dataclass(frozen=True, slots=True)
class Axis:
    """A scale from data to 0..1 with its ticks."""

    low: float
    high: float
    log: bool
    ticks: tuple[float, ...]
    labels: tuple[str, ...]

    def place(self, values: Array | float) -> Array:
        """Position along the axis, 0 at ``low`` and 1 at ``high``."""
        v = np.asarray(values, dtype=np.float64)
        if self.log:
            with np.errstate(divide="ignore", invalid="ignore"):
                return (np.log10(v) - math.log10(self.low)) / (
                    math.log10(self.high) - math.log10(self.low)
                )
        return (v - self.low) / (self.high - self.low)

    def holds(self, value: float) -> bool:
        """True where the value lies on the axis."""
        return self.low <= value <= self.high


def linear(low: float, high: float, count: int = 5) -> Axis:
    """A linear axis a little wider than low..high with about ``count`` round ticks."""
    if not (math.isfinite(low) and math.isfinite(high)) or max(abs(low), abs(high)) < _NOTHING:
        low, high = 0.0, 1.0
    low, high = max(low, -_BEYOND), min(high, _BEYOND)
    if high - low <= 1e-9 * max(abs(low), abs(high)):
        margin = abs(low) * 0.1 or 1.0
        low, high = low - margin, high + margin
    step = _round_step((high - low) / max(count - 1, 1))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    decimals = _decimals(step)
    ticks = tuple(round(i * step, decimals + 2) for i in range(first, last + 1))
    labels = tuple(_label(t, decimals) for t in ticks)
    return Axis(ticks[0], ticks[-1], False, ticks, labels)


def logarithmic(low: float, high: float, most: int = 7) -> Axis:
    """A logarithmic axis a little wider than low..high, ticks at 1, 2, 5 or whole decades."""
    if not (low > 0 and math.isfinite(high) and high > _NOTHING):
        low, high = 0.1, 10.0
    low, high = min(max(low, _NOTHING), _BEYOND), min(high, _BEYOND)
    ratio = max(high / low, 1.0)
    margin = max(ratio**0.04, 1.03)
    low, high = low / margin, high * margin
    ticks: tuple[float, ...] = ()
    for mantissas, every in (
        ((1.0, 1.1, 1.2, 1.3, 1.5, 1.7, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0), 1),
        ((1.0, 1.5, 2.0, 3.0, 5.0, 7.0), 1),
        ((1.0, 2.0, 5.0), 1),
        ((1.0, 3.0), 1),
        ((1.0,), 1),
        ((1.0,), 2),
        ((1.0,), 3),
    ):
        decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
        ticks = tuple(
            value
            for d in decades
            if d % every == 0
            for m in mantissas
            if low <= (value := float(f"{m}e{d}")) <= high
        )
        if len(ticks) <= most:
            break
    return Axis(low, high, True, ticks, tuple(_tick_text(t) for t in ticks))


def wants_log(values: Array) -> bool:
    """True where all values are positive and span more than one order of magnitude."""
    v = values[np.isfinite(values)]
    return bool(len(v)) and bool(v.min() > 0) and float(v.max()) > 10 * float(v.min())


def _round_step(raw: float) -> float:
    power = 10.0 ** math.floor(math.log10(raw))
    for m in (1.0, 2.0, 2.5, 5.0, 10.0):
        if raw <= m * power * (1 + 1e-9):
            return float(f"{m * power:.12g}")
    return 10 * power


def _decimals(step: float) -> int:
    """Decimals that show a step of 1, 2, 2.5 or 5 times a power of ten exactly."""
    power = math.floor(math.log10(step) + 1e-9)
    two_digits = abs(step / 10.0**power - 2.5) < 1e-6
    return max(0, -power + (1 if two_digits else 0))


def _label(value: float, decimals: int) -> str:
    if abs(value) >= _HUGE:
        return styled(f"{value:.2g}")
    return styled(plain(value, decimals))


def _tick_text(value: float) -> str:
    return (
        _label(value, max(0, 1 - math.floor(math.log10(value))))
        if value >= _HUGE
        else (styled(plain_sig(value, 2)))
    )
