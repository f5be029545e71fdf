"""Many marks as a density: how many lie in each small square, by shades that print in grey.

The squares are of the drawing, so that its size is bounded whatever the number of pairs. Pairs
in the emptiest squares, far from the others, stay marks.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from reportlab.graphics.shapes import Group, Path
from reportlab.lib.colors import Color

from reconcile.reporting.plots.kinds import Array

#: More marks of one kind than this hide each other.
MOST_MARKS = 2_000
SIDE = 4.0  # of a square, points
MOST_APART = 150  # pairs that stay marks
_SHADES = 5
_DARKEST = 0.75  # so that lines and marks stand out


def _squares(places: Array) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """The occupied squares, shape (squares, 2); which one each place is in; places in each."""
    at = np.floor(places / SIDE).astype(np.int64)
    squares, which, count = np.unique(at, axis=0, return_inverse=True, return_counts=True)
    return squares, which.reshape(-1), count


def sparse(places: Array) -> NDArray[np.bool_]:
    """Which places (shape (n, 2)) lie apart: alone or two in a square, the farthest first.

    ``MOST_APART`` at most, by their distance from the middle of all.
    """
    _, which, count = _squares(places)
    lone = np.flatnonzero(count[which] <= 2)
    away = np.hypot(*(places[lone] - np.median(places, axis=0)).T)
    apart = np.zeros(len(places), dtype=np.bool_)
    apart[lone[np.argsort(-away, kind="stable")[:MOST_APART]]] = True
    return apart


def drawn(places: Array, colour: Color) -> Group:
    """The squares, one path a shade; darker is more.

    Shades are steps of the logarithm of the count, from the fewest to the most in a square.
    """
    group = Group()
    if not len(places):
        return group
    squares, _, count = _squares(places)
    size = np.log(count)
    width = max(float(np.ptp(size)), 1e-12)
    shade = np.minimum((size - size.min()) / width * _SHADES, _SHADES - 1).astype(int)
    for step in np.unique(shade):
        strength = _DARKEST * (step + 1) / _SHADES
        light = Color(*(1 - strength * (1 - part) for part in colour.rgb()))
        path = Path(fillColor=light, strokeColor=None, strokeWidth=0)
        for x, y in (squares[shade == step] * SIDE).tolist():
            path.moveTo(x, y)
            path.lineTo(x + SIDE, y)
            path.lineTo(x + SIDE, y + SIDE)
            path.lineTo(x, y + SIDE)
            path.closePath()
        group.add(path)
    return group
