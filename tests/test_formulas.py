"""Formulas of elements in tables of limits: only sums, products and carbon equivalents."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.base import formulas


def value(text: str, **contents: float) -> float:
    formula = formulas.parse(text)
    assert formula is not None
    return formula.of({e: (v, v) for e, v in contents.items()}).low


def test_sums_and_the_carbon_equivalent_are_computed() -> None:
    assert value("Nb+Ta", Nb=0.9, Ta=0.05) == pytest.approx(0.95)
    # International Institute of Welding's formula (EN 1011-2:2001, annex C, from memory):
    # 0.18 + 1.40/6 + (0.1 + 0.05 + 0.02)/5 + (0.3 + 0.2)/15 = 0.4807
    of_steel = {"C": 0.18, "Mn": 1.4, "Cr": 0.1, "Mo": 0.05, "V": 0.02, "Ni": 0.3, "Cu": 0.2}
    assert value("C+Mn/6+(Cr+Mo+V)/5+(Ni+Cu)/15", **of_steel) == pytest.approx(0.4807, abs=1e-4)
    assert value("Cr + 3.3*Mo + 16×N", Cr=22, Mo=3, N=0.15) == pytest.approx(34.3)


@pytest.mark.parametrize(
    "text",
    ["", "7", "Xx+Cr", "Cr**2", "Cr.real", "abs(Cr)", "Cr; Ni", "Cr if 1 else Ni", "Cr(1)",
     "True*Cr", "Cr+", "__import__('os')", "Cr/0x", "[Cr for Cr in Ni]", "C" * 300,
     "\x00Cr", "1e999*Cr"],
)  # fmt: skip
def test_what_is_no_formula_of_elements_is_none(text: str) -> None:
    assert formulas.parse(text) is None


@given(
    low=st.tuples(*[st.floats(0.01, 10)] * 3), width=st.tuples(*[st.floats(0, 2)] * 3),
    at=st.tuples(*[st.floats(0, 1)] * 3),
)  # fmt: skip
def test_bounds_hold_every_value_that_the_elements_may_have(
    low: tuple[float, ...], width: tuple[float, ...], at: tuple[float, ...]
) -> None:
    formula = formulas.parse("C-Mn/6+2*(Cr*C)/Mn")
    assert formula is not None
    names = formula.elements
    bounds = {e: (a, a + w) for e, a, w in zip(names, low, width, strict=True)}
    inside = {e: a + w * f for e, a, w, f in zip(names, low, width, at, strict=True)}
    found = formula.of(bounds)
    exact = formula.of({e: (v, v) for e, v in inside.items()}).low
    slack = 1e-9 * max(1.0, abs(exact))
    assert found.low - slack <= exact <= found.high + slack


def test_the_slope_along_an_element_is_its_share() -> None:
    formula = formulas.parse("C+Mn/6")
    assert formula is not None
    assert dict(formula.of({"C": (0.2, 0.2), "Mn": (1.2, 1.2)}).slopes) == {"C": 1.0, "Mn": 1 / 6}
    over = formulas.parse("C/Mn")
    assert over is not None
    assert math.isnan(over.of({"C": (1, 1), "Mn": (0, 1)}).low)
