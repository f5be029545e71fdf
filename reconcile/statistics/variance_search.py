"""Variances of lowest −2 log restricted likelihood, none of them negative."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from reconcile.statistics._values import Floats

_ROUNDS, _HALVINGS, _CLOSE, _TINY = 200, 60, 1e-13, 1e-30


def _gradient(f: Callable[[Any], Any], at: Floats, free: Sequence[int]) -> Floats:
    """Exact derivatives by a complex step (Squire & Trapp 1998)."""
    out = np.zeros(at.size)
    for i in free:
        moved = at.astype(complex)
        moved[i] += 1j * _TINY
        out[i] = f(moved).imag / _TINY
    return out


def lowest(
    f: Callable[[Any], Any], start: Floats, allowed: Sequence[int], positive: Sequence[int]
) -> Floats:
    """Where ``f`` of variances, shape (k,), is lowest; those not ``allowed`` stay as they are.

    Newton steps on exact derivatives until they move nothing; a variance that wants to be
    negative is held at zero (Searle, Casella & McCulloch 1992, chapter 6). Those ``positive``
    never come to zero. ``f`` takes complex arrays too.
    """
    at = start
    for _ in range(_ROUNDS):
        slope = _gradient(f, at, allowed)
        free = [i for i in allowed if at[i] > 0 or slope[i] < 0]
        if not free:
            break
        h = 1e-6 * np.maximum(at, 1e-3)
        curve = np.empty((len(free), len(free)))
        for column, i in enumerate(free):
            up, down = at.copy(), at.copy()
            up[i] += h[i]
            down[i] -= h[i] if at[i] > h[i] else 0.0
            rise = _gradient(f, up, free) - _gradient(f, down, free)
            curve[:, column] = rise[free] / (up[i] - down[i])
        values, vectors = np.linalg.eigh((curve + curve.T) / 2)
        # where the surface bends the wrong way, go down it all the same
        size = np.maximum(np.abs(values), 1e-8 * np.abs(values).max())
        move = np.zeros(at.size)
        move[free] = -vectors @ ((vectors.T @ slope[free]) / size)
        now, step = float(np.real(f(at))), 1.0
        for _ in range(_HALVINGS):
            new = np.maximum(at + step * move, 0.0)
            if all(new[i] > 0 for i in positive) and float(np.real(f(new))) <= now + 1e-12 * abs(
                now
            ):
                break
            step /= 2
        else:
            new = at
        moved = float(np.max(np.abs(new - at)))
        at = new
        if moved <= _CLOSE * float(at.max()):
            break
    return at
