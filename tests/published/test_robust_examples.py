"""Robust estimates and outlier limits against published figures."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.statistics.robust import (
    algorithm_a,
    huber_proposal_2,
    median_mad,
)
from tests.published.table import column


def test_copper_in_flour_gives_the_published_robust_figures() -> None:
    # Analytical Methods Committee 1989, Analyst 114:1693; Venables & Ripley, MASS, section 5.5
    copper = column("copper_wholemeal_flour", "cu_ug_g")
    assert np.mean(copper) == pytest.approx(4.2804, abs=5e-5)
    found = median_mad(copper)
    assert found.location.value == pytest.approx(3.385, abs=1e-12)
    assert found.scale.value == pytest.approx(0.52632, abs=5e-6)
    huber = huber_proposal_2(copper)
    assert huber.location.value == pytest.approx(3.20549, abs=1.1e-5)
    assert huber.scale.value == pytest.approx(0.67365, abs=5e-6)


def test_nickel_in_syenite_gives_the_remembered_robust_figures() -> None:
    # Abbey 1988; Analytical Methods Committee 1989 (figures from memory)
    nickel = column("nickel_syenite", "ni_ug_g")
    assert median_mad(nickel).location.value == 11
    huber = huber_proposal_2(nickel)
    assert huber.location.value == pytest.approx(11.732, abs=5.1e-4)
    assert huber.scale.value == pytest.approx(5.2585, abs=5.1e-5)


@pytest.mark.parametrize(
    ("name", "heading", "location", "scale"),
    [
        ("copper_wholemeal_flour", "cu_ug_g", 3.205566, 0.674150),
        ("nickel_syenite", "ni_ug_g", 11.732641, 5.263550),
    ],
)
def test_algorithm_a_agrees_with_an_independent_computation(
    name: str, heading: str, location: float, scale: float
) -> None:
    # ISO 13528 algorithm A; computed independently, no published figure for these sets
    found = algorithm_a(column(name, heading))
    assert found.location.value == pytest.approx(location, abs=1e-6)
    assert found.scale.value == pytest.approx(scale, abs=1e-6)
