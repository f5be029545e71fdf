"""Three-way calls at a level keep both rates whatever the content."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.statistics.level_calls import ABOVE, BELOW, TOO_CLOSE, level_call


def test_the_limits_are_the_level_and_the_guard_bands_of_both_rates() -> None:
    # JCGM 106:2012, 8.3: w = z·u; z(95 %) = 1.645, z(90 %) = 1.282 (tables of the normal law)
    call = level_call(290, 250, 20, math.inf, 0.10, 0.05, False)
    assert call.above_from == pytest.approx(250 + 1.2816 * 20, abs=0.01)
    assert call.below_up_to == pytest.approx(250 - 1.6449 * 20, abs=0.01)
    assert call.call == ABOVE
    assert level_call(260, 250, 20, math.inf, 0.10, 0.05, False).call == TOO_CLOSE
    assert level_call(216, 250, 20, math.inf, 0.10, 0.05, False).call == BELOW


def test_few_degrees_of_freedom_widen_the_bands_as_students_t_does() -> None:
    # t(0.95; 5) = 2.015 (tables of Student's law)
    call = level_call(250, 250, 10, 5, 0.05, 0.05, False)
    assert call.above_from - 250 == pytest.approx(20.15, abs=0.01)


def test_a_bias_that_is_not_corrected_guards_the_side_that_it_favours_only() -> None:
    without = level_call(250, 250, 20, 30, 0.05, 0.05, True)
    biased = level_call(250, 250, 20, 30, 0.05, 0.05, True, bias=0.04)
    assert biased.above_from == pytest.approx(without.above_from * math.exp(0.04))
    assert biased.below_up_to == pytest.approx(without.below_up_to)


@pytest.mark.parametrize("relative", [True, False])
@pytest.mark.parametrize("df", [6, 40])
def test_at_the_level_itself_each_wrong_call_is_as_rare_as_agreed(relative: bool, df: int) -> None:
    rng = np.random.default_rng(5)
    n, sd = 6_000, 0.15
    error = rng.normal(0, sd, n)
    found = sd * np.sqrt(rng.chisquare(df, n) / df)  # the uncertainty is estimated, too
    values = 250 * np.exp(error) if relative else 250 * (1 + error)
    calls = [
        level_call(float(v), 250, 250 * float(u), df, 0.10, 0.05, relative).call
        for v, u in zip(values, found, strict=True)
    ]
    shares = [calls.count(side) / n for side in (ABOVE, BELOW)]
    for share, rate in zip(shares, (0.10, 0.05), strict=True):
        assert abs(share - rate) < 4 * math.sqrt(rate * (1 - rate) / n)


@given(
    value=st.floats(1, 1e6), u=st.floats(0.1, 1e5), df=st.floats(2, 500),
    rates=st.tuples(st.floats(1e-4, 0.5), st.floats(1e-4, 0.5)), relative=st.booleans(),
    bias=st.floats(-0.3, 0.3),
)  # fmt: skip
def test_no_result_is_called_on_the_side_where_it_does_not_lie(
    value: float, u: float, df: float, rates: tuple[float, float], relative: bool, bias: float
) -> None:
    call = level_call(value, 250.0, u, df, *rates, relative, bias)
    assert call.below_up_to <= 250 <= call.above_from
    assert call.call != ABOVE or value >= 250
    assert call.call != BELOW or value <= 250
    assert 0 <= call.other_side <= 0.5


@pytest.mark.parametrize("bad", [{"value": math.nan}, {"u": 0.0}, {"u": math.nan}, {"value": -1.0}])
def test_a_number_that_can_not_be_judged_is_refused(bad: dict[str, float]) -> None:
    given = {"value": 300.0, "u": 20.0} | bad
    with pytest.raises(ValueError, match="value"):
        level_call(given["value"], 250, given["u"], 30, 0.05, 0.05, True)
