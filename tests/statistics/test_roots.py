"""The root search is the library's, to the last bit."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, special

from reconcile.statistics.roots import brentq

SHAPES: list[Callable[[float, float], float]] = [
    lambda x, a: x - a,
    lambda x, a: (x - a) ** 3,
    lambda x, a: math.expm1(min(x - a, 50.0)),
    lambda x, a: math.atan(1e6 * (x - a)),
    lambda x, a: float(special.ndtr(x)) - float(special.ndtr(a)),
    lambda x, a: -1.0 if x < a else 1.0,
    lambda x, a: math.copysign(math.sqrt(abs(x - a)), x - a) + 0.1 * (x - a),
]


@given(
    st.integers(0, len(SHAPES) - 1), st.floats(-5, 5), st.floats(0, 30), st.floats(0, 30),
    st.sampled_from([2e-12, 1e-3, 1e-14]),
)  # fmt: skip
def test_every_root_is_the_library_s(
    shape: int, root: float, below: float, above: float, xtol: float
) -> None:
    ends = root - below, root + above

    def searched(x: float) -> float:
        return SHAPES[shape](x, root)

    try:
        expected = optimize.brentq(searched, *ends, xtol=xtol)
    except (ValueError, RuntimeError, ZeroDivisionError) as error:
        with pytest.raises(type(error)):
            brentq(searched, *ends, xtol=xtol)
    else:
        assert brentq(searched, *ends, xtol=xtol) == expected


def test_what_is_no_number_is_no_root() -> None:
    with pytest.raises(ValueError, match="NaN"):
        brentq(lambda x: math.nan, 0.0, 1.0)
    with pytest.raises(ValueError, match="same sign"):
        brentq(lambda x: 1.0, 0.0, 1.0)
