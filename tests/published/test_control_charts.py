"""Control charts against published constants, an example and published run lengths."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.evidence import quality
from reconcile.evidence.quality import RULES

# Constants for subgroups of normal values, as in ASTM E2587 and every handbook of control
# charts (computed; the handbooks' digits from memory): n, d2, d3, c4, A2, A3, D3, D4, B3, B4, E2.
CONSTANTS = """
2,1.1284,0.8525,0.7979,1.8800,2.6587,0.0000,3.2665,0.0000,3.2665,2.6587
3,1.6926,0.8884,0.8862,1.0233,1.9544,0.0000,2.5746,0.0000,2.5682,1.7725
4,2.0588,0.8798,0.9213,0.7286,1.6281,0.0000,2.2821,0.0000,2.2660,1.4572
5,2.3259,0.8641,0.9400,0.5768,1.4273,0.0000,2.1145,0.0000,2.0890,1.2898
6,2.5344,0.8480,0.9515,0.4832,1.2871,0.0000,2.0038,0.0304,1.9696,1.1837
7,2.7044,0.8332,0.9594,0.4193,1.1819,0.0757,1.9243,0.1177,1.8823,1.1093
8,2.8472,0.8198,0.9650,0.3725,1.0991,0.1362,1.8638,0.1851,1.8149,1.0537
9,2.9700,0.8078,0.9693,0.3367,1.0317,0.1840,1.8160,0.2391,1.7609,1.0101
10,3.0775,0.7971,0.9727,0.3083,0.9754,0.2230,1.7770,0.2837,1.7163,0.9748
"""


@pytest.mark.parametrize("line", CONSTANTS.split())
def test_chart_constants_are_those_of_the_handbooks(line: str) -> None:
    n, *expected = (float(x) for x in line.split(","))
    c = quality.chart_constants(int(n))
    found = [c.d2, c.d3, c.c4, c.a2, c.a3, *c.range_limits, *c.sd_limits, c.e2]
    assert found == pytest.approx(expected, abs=1e-4)


# Flow rate of ten batches, NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2
# (from memory): centre 50.81, mean moving range 1.8778, limits 45.8156 and 55.8044 there
# with d2 rounded to 1.128.
def test_the_individuals_chart_of_the_e_handbook_has_the_printed_limits() -> None:
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = quality.individuals_chart(flow)
    assert chart.centre == pytest.approx(50.81, abs=5e-3)
    assert chart.sd * quality.chart_constants(2).d2 == pytest.approx(1.8778, abs=5e-5)
    assert (chart.lower, chart.upper) == pytest.approx((45.8156, 55.8044), abs=3e-3)
    assert not any(chart.signals.values())


def _run_length(names: set[str]) -> tuple[float, float]:
    """Mean points until any of these rules speaks, with its standard error."""
    rng = np.random.default_rng(12)
    z = rng.standard_normal((2_500, 4_000))
    hit = np.logical_or.reduce([rule.test(z) for rule in RULES if rule.name in names])
    assert hit.any(axis=1).mean() > 0.999
    first = np.where(hit.any(axis=1), hit.argmax(axis=1) + 1, z.shape[1])
    return float(first.mean()), float(first.std() / np.sqrt(first.size))


# Champ & Woodall (1987), Technometrics 29:393, table 1: mean run length in control of Shewhart's
# limits alone and with the supplementary rules 2 of 3 beyond 2 s and 4 of 5 beyond 1 s
# (from memory).
@pytest.mark.parametrize(
    ("names", "published"),
    [
        ({"3 s"}, 370.40),
        ({"3 s", "2 of 3 beyond 2 s"}, 225.44),
        ({"3 s", "4 of 5 beyond 1 s"}, 166.05),
        ({"3 s", "2 of 3 beyond 2 s", "4 of 5 beyond 1 s"}, 132.89),
    ],
)
def test_run_lengths_in_control_are_those_of_champ_and_woodall(
    names: set[str], published: float
) -> None:
    mean, error = _run_length(names)
    assert abs(mean - published) < 3.5 * error


# Exact: the waiting time for nine of one side in a row is 2^9 - 1 = 511 (Feller, An
# Introduction to Probability Theory, vol. 1, XIII.7, from memory).
def test_nine_on_one_side_comes_after_511_points_on_average() -> None:
    mean, error = _run_length({"9 on one side"})
    assert abs(mean - 511) < 3.5 * error


# Exact: six points are in rising or falling order in 2 of 6! = 720 orders; one point lies
# beyond 3 s with probability 0.0027, two of three beyond 2 s on one side as below.
def test_false_alarm_rates_agree_with_exact_probabilities() -> None:
    rates = quality.false_alarm_rates(6)
    assert rates["6 rising or falling"] == pytest.approx(2 / 720, abs=3.5 * (0.0028 / 2e4) ** 0.5)
    assert rates["3 s"] == pytest.approx(1 - 0.9973002**6, abs=3.5 * (0.016 / 2e4) ** 0.5)
    p = 0.0227501
    three = quality.false_alarm_rates(3)["2 of 3 beyond 2 s"]
    # Any two of the first three on one side: 2(3p²(1-p) + p³), both sides exclude each other.
    assert three == pytest.approx(2 * (3 * p**2 * (1 - p) + p**3), abs=3.5 * (0.0031 / 2e4) ** 0.5)


def test_false_alarm_rates_are_the_same_every_time_and_any_is_the_largest() -> None:
    rates = quality.false_alarm_rates(20)
    quality.false_alarm_rates.cache_clear()
    assert quality.false_alarm_rates(20) == rates
    assert rates["any"] >= max(rate for name, rate in rates.items() if name != "any")
