"""Robust estimates and outlier limits against published figures."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.statistics.robust import (
    algorithm_a,
    cochran_critical,
    generalised_esd,
    grubbs_critical,
    huber_fixed_scale,
    huber_proposal_2,
    median_mad,
)
from tests.published.table import column, rows


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
    # from memory
    assert huber_fixed_scale(copper).location.value == pytest.approx(3.2067, abs=5e-5)


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


def test_outlier_limits_agree_with_the_tables_to_three_decimals() -> None:
    # Grubbs 1969 and Cochran 1941 formulae; ISO 5725-2:1994 tables 4 and 5 (from memory)
    for row in rows("grubbs_cochran_critical"):
        n, alpha, limit = int(row["n_or_p"]), float(row["alpha"]), float(row["critical"])
        if row["test"] == "cochran":
            found = cochran_critical(n, int(row["n_per_cell"]), alpha)
        else:
            two = row["test"].endswith("two_sided")
            found = grubbs_critical(n, alpha, "two-sided" if two else "one-sided")
        assert found == pytest.approx(limit, abs=5.1e-4), row


def test_generalised_esd_finds_three_outliers_in_rosners_data() -> None:
    # Rosner 1983, Technometrics 25:165; NIST/SEMATECH e-Handbook 1.3.5.17.3 (from memory)
    values = [
        -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56,
        1.58, 1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10,
        2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92,
        2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
    ]  # fmt: skip
    found = generalised_esd(values, max_outliers=10)
    # the print cuts the third decimal rather than rounding it
    assert found.statistics[:3] == pytest.approx([3.118, 2.942, 3.179], abs=1e-3)
    assert found.critical[:3] == pytest.approx([3.158, 3.151, 3.143], abs=1.1e-3)
    assert sorted(values[i] for i in found.flagged) == [5.34, 5.42, 6.01]
