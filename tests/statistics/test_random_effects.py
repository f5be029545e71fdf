"""Sites beside each other: what is promised of mean, interval and of who is called apart."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.statistics.random_effects import apart_from_peers, random_effects
from reconcile.statistics.suspects import suspects

sites = st.lists(st.tuples(st.floats(-3, 3), st.floats(1e-4, 1.0)), min_size=4, max_size=12)


@given(sites, st.floats(-5, 5), st.floats(0.1, 10))
def test_moving_and_stretching_all_sites_moves_and_stretches_the_answer(
    lines: list[tuple[float, float]], shift: float, times: float
) -> None:
    y, v = (np.array(x) for x in zip(*lines, strict=True))
    one, other = random_effects(y, v), random_effects(times * y + shift, times**2 * v)
    assert other.mean == pytest.approx(times * one.mean + shift, rel=1e-5, abs=1e-6)
    assert other.tau2 == pytest.approx(times**2 * one.tau2, rel=1e-4, abs=1e-7)
    assert one.predicted_low <= one.low <= one.mean <= one.high <= one.predicted_high or (
        one.tau2 == 0
    )


def test_sites_that_agree_exactly_have_no_variance_between_but_their_own_errors() -> None:
    found = random_effects([0.1] * 5, [0.01] * 5)
    assert (found.tau2, found.q, found.i2) == (0.0, 0.0, 0.0)
    assert found.se == pytest.approx(math.sqrt(0.01 / 5))


def test_too_few_sites_give_no_number_and_say_so() -> None:
    assert "fewer than two" in random_effects([0.1, math.nan], [0.01, 0.01]).reason
    assert all(math.isnan(a.p_adjusted) for a in apart_from_peers([0, 1, 2], [1, 1, 1]))
    with pytest.raises(ValueError, match="above zero"):
        random_effects([0.1, 0.2], [0.0, 0.01])


@pytest.mark.parametrize("n", [5, 12, pytest.param(50, marks=pytest.mark.slow)])
@pytest.mark.parametrize("tau", [0.0, 0.05])
def test_sites_without_a_fault_are_called_apart_in_few_studies(n: int, tau: float) -> None:
    rng = np.random.default_rng(3)
    studies, called, covered = 200, 0, 0
    for _ in range(studies):
        v = rng.uniform(0.01, 0.05, n) ** 2
        y = rng.normal(0.0, np.sqrt(tau**2 + v))
        called += any(a.p_adjusted <= 0.05 for a in apart_from_peers(y, v))
        found = random_effects(y, v)
        covered += found.low <= 0 <= found.high
    assert called / studies < 0.05 + 3 * math.sqrt(0.05 * 0.95 / studies)
    assert covered / studies > 0.95 - 3 * math.sqrt(0.05 * 0.95 / studies)


def lines(
    rng: np.random.Generator, wrong_instrument: float, wrong_laboratory: float
) -> tuple[list[float], list[float], list[str], dict[str, list[str]]]:
    """Twelve sites, each with an instrument and two elements, in turn with three laboratories."""
    y, comparison, instrument, laboratory = [], [], [], []
    for site in range(12):
        for element in ("Cu", "Zn"):
            own = rng.normal(0, 0.03)
            own += wrong_instrument if site == 4 else 0
            own += wrong_laboratory if site % 3 == 2 else 0
            y.append(own + rng.normal(0, 0.02))
            comparison.append(element)
            instrument.append(f"X{site}")
            laboratory.append("ABC"[site % 3])
    made_with = {"instrument": instrument, "laboratory": laboratory}
    return y, [0.02**2] * len(y), comparison, made_with


@pytest.mark.slow
def test_a_wrong_laboratory_and_a_wrong_instrument_are_named_and_nothing_else() -> None:
    rng = np.random.default_rng(5)
    hits = exact = 0
    for _ in range(24):
        found = suspects(*lines(rng, 0.30, 0.15))
        named = [(s.kind, s.name) for s in found if s.named]
        both = {("instrument", "X4"), ("laboratory", "C")}
        hits += set(named[:2]) == both
        exact += set(named) == both
    assert hits >= 23
    assert exact >= 21


@pytest.mark.slow
def test_without_a_fault_few_are_named() -> None:
    rng = np.random.default_rng(6)
    named = sum(any(s.named for s in suspects(*lines(rng, 0.0, 0.0))) for _ in range(60))
    assert named / 60 < 0.05 + 3 * math.sqrt(0.05 * 0.95 / 60)


def test_an_instrument_at_two_sites_is_suspected_and_not_the_sites() -> None:
    rng = np.random.default_rng(7)
    made_with = {
        "instrument": ["X1", "X1", *(f"X{n}" for n in range(3, 11))],
        "site": [f"s{n}" for n in range(10)],
    }
    false = 0.0
    for _ in range(16):
        y = rng.normal(0, 0.03, 10)
        y[:2] += 0.3
        named = [s for s in suspects(y, [1e-4] * 10, ["Cu"] * 10, made_with) if s.named]
        assert (named[0].kind, named[0].name) == ("instrument", "X1")
        assert named[0].contrasts[0].lines == 2
        false += (len(named) - 1) / len(named)
    assert false / 16 <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 16)


def test_what_nothing_tells_apart_is_said_together() -> None:
    found = suspects(
        [0.5, 0.0, 0.01, -0.01, 0.02], [1e-4] * 5, ["Cu"] * 5,
        {"instrument": ["X1", *"bcde"], "laboratory": ["A", *"KKKK"]},
    )  # fmt: skip
    assert (found[0].name, found[0].alike) == ("X1", (("laboratory", "A"),))


@pytest.mark.slow
def test_the_interval_of_a_laboratorys_fault_holds_the_truth_nearly_as_often_as_stated() -> None:
    rng = np.random.default_rng(8)
    held = tried = 0
    for _ in range(120):
        for s in suspects(*lines(rng, 0.30, 0.15)):
            if s.named and (s.kind, s.name) == ("laboratory", "C"):
                held += sum(c.low < 0.15 < c.high for c in s.contrasts)
                tried += len(s.contrasts)
    assert tried > 200
    assert 0.91 < held / tried <= 1
