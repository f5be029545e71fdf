"""Numbers for readers: never noise, never scientific, digits from the interval."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.reporting import numbers

SPACE = "\N{NO-BREAK SPACE}"
finite = st.floats(-1e8, 1e8, allow_nan=False).filter(lambda v: v == 0 or abs(v) > 1e-6)


def read(text: str) -> float:
    return float(text.replace(SPACE, ""))


@pytest.mark.parametrize(
    ("value", "low", "high", "shown"),
    [
        (1.1234, 1.0812, 1.1634, ("1.12", "1.08 to 1.16")),
        (57.3, 53.9, 60.7, ("57", "54 to 61")),
        (12.34, 10.6, 14.1, ("12.3", "10.6 to 14.1")),
        (0.6, 0.3, 0.9, ("0.60", "0.30 to 0.90")),
        (12345.0, 11945.0, 12745.0, (f"12{SPACE}300", f"11{SPACE}900 to 12{SPACE}700")),
        (-0.04, -0.4, 0.3, ("-0.04", "-0.40 to 0.30")),
    ],
)
def test_an_estimate_gets_the_digits_that_its_interval_allows(
    value: float, low: float, high: float, shown: tuple[str, str]
) -> None:
    assert numbers.estimate_texts(value, low, high) == shown


def test_a_positive_difference_carries_its_sign_and_zero_none() -> None:
    value, interval = numbers.estimate_texts(12.0, 8.0, 16.0, signed=True)
    assert (value, interval) == ("+12", "+8 to +16")
    assert numbers.estimate_texts(0.001, -2.0, 2.0, signed=True)[0] == "0.0"


def test_a_number_without_interval_gets_three_significant_digits() -> None:
    assert numbers.show(0.0123456, "%") == f"0.0123{SPACE}mass{SPACE}%"
    assert numbers.show(1234.5, "ug/kg") == f"1230{SPACE}µg/kg"


def test_missing_numbers_are_a_dash_and_never_carry_a_unit() -> None:
    assert numbers.show(math.nan, "mg/kg") == "–"
    assert numbers.estimate_texts(math.nan, math.nan, math.nan) == ("–", "–")
    assert numbers.interval_of_numbers(math.nan, math.nan, "mg/kg") == "–"


def test_an_open_end_is_infinite_not_missing() -> None:
    value, interval = numbers.estimate_texts(3.0, 1.0, math.inf)
    assert interval == "1.00 to ∞"
    assert value == "3.00"


@given(value=finite, half=st.floats(1e-6, 1e8))
def test_no_number_is_scientific_or_has_more_than_five_digits_of_its_own(
    value: float, half: float
) -> None:
    text = numbers.plain(value, numbers.decimals_for(value, half))
    assert re.fullmatch(rf"-?\d[\d{SPACE}]*(\.\d+)?", text)
    digits = text.lstrip("-0.").replace(".", "").replace(SPACE, "")
    assert len(digits.rstrip("0")) <= 6


@given(value=finite, half=st.floats(1e-6, 1e8))
def test_rounding_stays_within_the_shown_digits(value: float, half: float) -> None:
    decimals = numbers.decimals_for(value, half)
    shown = read(numbers.plain(value, decimals))
    assert abs(shown - value) <= 0.5 * 10.0**-decimals * (1 + 1e-6)


@given(value=finite, half=st.floats(1e-6, 1e6))
def test_the_step_shown_is_finer_than_the_uncertainty_or_two_digits_of_the_number(
    value: float, half: float
) -> None:
    decimals = numbers.decimals_for(value, half)
    largest = max(abs(value), 1e-12)
    step = 10.0**-decimals
    assert step <= half * 1.0001 or step <= largest or value == 0


def test_p_values_have_three_decimals_and_a_floor() -> None:
    assert numbers.p_text(0.03149) == "0.031"
    assert numbers.p_text(1e-9) == "< 0.001"
    assert numbers.p_text(math.nan) == "–"


def test_counts_agree_with_their_noun() -> None:
    assert numbers.count(0, "pair") == "no pairs"
    assert numbers.count(1, "pair") == "1 pair"
    assert numbers.count(12345, "stratum", "strata") == f"12{SPACE}345 strata"


def test_stated_values_keep_their_digits() -> None:
    assert numbers.exact(60.0, "mg/kg") == f"60{SPACE}mg/kg"
    assert numbers.exact(0.035, "%") == f"0.035{SPACE}mass{SPACE}%"
    assert numbers.percent(0.1) == f"10{SPACE}%"
    assert numbers.percent(0.125) == f"12.5{SPACE}%"


@pytest.mark.parametrize("value", [1e300, -1e300, 1e308, 1e16, 1e-300, 5e-324, -5e-324])
def test_numbers_that_no_material_has_stay_short(value: float) -> None:
    shown = [
        numbers.plain_sig(value),
        numbers.exact(value),
        numbers.percent(value),
        *numbers.estimate_texts(value, value / 2, value),
        numbers.interval_of_numbers(value, value),
    ]
    assert max(map(len, shown)) < 40, shown


def test_small_mass_fractions_are_written_out() -> None:
    assert numbers.plain_sig(3e-8) == "0.00000003"
    assert numbers.plain_sig(1.5e-10) == "0.00000000015"
