"""Formulas of element symbols in tables of limits: sums such as ``Nb+Ta``, carbon equivalents.

A formula is numbers, symbols, + - * / and brackets, nothing else; it is computed in the unit
in which its limits are stated.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from reconcile.base.quantities import ELEMENTS
from reconcile.statistics.equality import equal_with_nan

_LONGEST = 200


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Bounded:
    """A value between bounds, with its slope along each element at the middle."""

    low: float
    high: float
    slopes: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Formula:
    """A formula as written, and the elements that it needs."""

    text: str
    elements: tuple[str, ...]

    def of(self, bounds: Mapping[str, tuple[float, float]]) -> Bounded:
        """The value for elements known between bounds (equal where quantified).

        Interval arithmetic: every value that the bounds allow lies between the result's bounds.
        NaN where it divides by an interval that holds zero. Raises KeyError where an element
        has no bounds.
        """
        return _value(_tree(self.text), bounds)


def parse(text: object) -> Formula | None:
    """The formula that a text is; None where it is none, or names what is no element."""
    written = "" if text is None else str(text).strip().translate(_SIGNS)
    tree = _tree(written) if 0 < len(written) <= _LONGEST else None
    if tree is None:
        return None
    found: dict[str, None] = {}
    if not _fits(tree, found) or not found:
        return None
    return Formula(written, tuple(found))


#: Signs that a table may write for the plain ones.
_SIGNS = str.maketrans(
    {
        "\N{MULTIPLICATION SIGN}": "*",
        "\N{MIDDLE DOT}": "*",
        "\N{DIVISION SIGN}": "/",
        "\N{MINUS SIGN}": "-",
        "[": "(",
        "]": ")",
    }
)


@lru_cache(maxsize=256)
def _tree(text: str) -> ast.expr | None:
    try:
        return ast.parse(text, mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        return None


def _fits(node: ast.expr, found: dict[str, None]) -> bool:
    match node:
        case ast.BinOp(left, ast.Add() | ast.Sub() | ast.Mult() | ast.Div(), right):
            return _fits(left, found) and _fits(right, found)
        case ast.UnaryOp(ast.UAdd() | ast.USub(), inner):
            return _fits(inner, found)
        case ast.Constant(bool()):
            return False
        case ast.Constant(int() | float() as number):
            return math.isfinite(number)
        case ast.Name(name) if name in ELEMENTS:
            found.setdefault(name)
            return True
    return False


def _value(node: ast.expr | None, bounds: Mapping[str, tuple[float, float]]) -> Bounded:
    match node:
        case ast.Name(name):
            low, high = bounds[name]
            return Bounded(low, high, {name: 1.0})
        case ast.Constant(int() | float() as number):
            return Bounded(float(number), float(number), {})
        case ast.UnaryOp(ast.USub(), inner):
            x = _value(inner, bounds)
            return Bounded(-x.high, -x.low, {e: -s for e, s in x.slopes.items()})
        case ast.UnaryOp(_, inner):
            return _value(inner, bounds)
        case ast.BinOp(left, how, right):
            return _combined(how, _value(left, bounds), _value(right, bounds))
    raise TypeError(f"no formula: {node!r}")  # parse lets none through


def _combined(how: ast.operator, x: Bounded, y: Bounded) -> Bounded:
    a, b = (x.low + x.high) / 2, (y.low + y.high) / 2
    if isinstance(how, ast.Add):
        return Bounded(x.low + y.low, x.high + y.high, _slopes(x, 1.0, y, 1.0))
    if isinstance(how, ast.Sub):
        return Bounded(x.low - y.high, x.high - y.low, _slopes(x, 1.0, y, -1.0))
    if isinstance(how, ast.Mult):
        ends = [p * q for p in (x.low, x.high) for q in (y.low, y.high)]
        return Bounded(min(ends), max(ends), _slopes(x, b, y, a))
    if y.low <= 0 <= y.high:
        return Bounded(math.nan, math.nan, _slopes(x, math.nan, y, math.nan))
    ends = [p / q for p in (x.low, x.high) for q in (y.low, y.high)]
    return Bounded(min(ends), max(ends), _slopes(x, 1 / b, y, -a / b**2))


def _slopes(x: Bounded, times_x: float, y: Bounded, times_y: float) -> dict[str, float]:
    found = {e: times_x * s for e, s in x.slopes.items()}
    for e, s in y.slopes.items():
        found[e] = found.get(e, 0.0) + times_y * s
    return found
