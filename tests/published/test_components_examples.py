"""Variance components, precision and three methods against published figures."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.statistics.components import (
    duplicate_cv,
    nested_variance,
    repeatability_reproducibility,
    three_method_error_variances,
)
from tests.published.table import column, rows


@pytest.mark.parametrize(
    ("level", "mean", "s_r", "s_big"),
    [
        ("1", 0.690, 0.015, 0.026),
        ("2", 1.252, 0.029, 0.061),
        ("3", 1.667, 0.017, 0.035),
        ("4", 3.250, 0.026, 0.058),
    ],
)
def test_sulfur_in_coal_gives_repeatability_and_reproducibility(
    level: str, mean: float, s_r: float, s_big: float
) -> None:
    # ISO 5725-2:1994, annex B, example 1 (from memory)
    used = [row for row in rows("coal_sulfur") if row["level"] == level]
    found = repeatability_reproducibility(
        [float(row["sulfur_pct"]) for row in used], [row["laboratory"] for row in used]
    )
    assert found.mean == pytest.approx(mean, abs=5.1e-4)
    assert found.s_r.value == pytest.approx(s_r, abs=5.1e-4)
    assert found.s_R.value == pytest.approx(s_big, abs=5.1e-4)
    assert found.n_laboratories == 8


def test_silicon_resistivity_gives_the_certified_f_ratio() -> None:
    # NIST StRD, SiRstv: F = 1.18046237440255 on 4 and 20 degrees of freedom
    values, group = column("nist_sirstv", "value"), column("nist_sirstv", "group")
    for found in (nested_variance(values, group), repeatability_reproducibility(values, group)):
        assert found.f_ratio == pytest.approx(1.18046237440255, rel=1e-9)
        assert tuple(found.f_df) == (4, 20)


def test_silver_atomic_weight_gives_the_certified_f_ratio_despite_nine_equal_digits() -> None:
    # NIST StRD, AtmWtAg: F = 15.9467335677930 on 1 and 46 degrees of freedom (from memory)
    values, group = column("nist_atmwtag", "value"), column("nist_atmwtag", "group")
    found = repeatability_reproducibility(values, group)
    assert found.f_ratio == pytest.approx(15.9467335677930, rel=1e-9)
    assert nested_variance(values, group).f_ratio == pytest.approx(15.9467335677930, rel=1e-9)
    assert found.f_df == (1, 46)


def test_three_methods_separate_exactly_where_the_errors_are_orthogonal() -> None:
    # constructed so that error SDs are 0.1, 0.2, 0.3 times sqrt(8/7); not a publication
    a, b, c = (column("three_methods_constructed", f"method_{k}") for k in "abc")
    found = three_method_error_variances(a, b, c, np.random.default_rng(1))
    expected = [0.08 / 7, 0.32 / 7, 0.72 / 7]
    assert [v.value for v in found.variances] == pytest.approx(expected, rel=1e-10)
    # errors orthogonal to the samples as well: free slopes come out at one
    assert [v.value for v in found.free_slope] == pytest.approx(expected, rel=1e-9)
    assert found.slopes == pytest.approx((1, 1, 1), rel=1e-9)
    assert found.product_variance == pytest.approx(40 / 7, rel=1e-10)


@pytest.mark.parametrize(
    ("element", "n", "published", "recomputed"),
    [
        ("zn", 35, 8.9, 8.95),
        ("ni", 12, 20, 20.41),
        ("cr", 7, 21, 20.43),
        ("ba", 34, 12, 12.31),
        ("cd", 6, 13, 13.36),
        ("hg", 5, 13, 13.10),
        ("sb", 19, 24, 23.72),
    ],
)
def test_field_xrf_duplicates_give_the_printed_relative_repeatability(
    element: str, n: int, published: float, recomputed: float
) -> None:
    # field study report of October 2009 (in Dutch), table 4; elements whose number of pairs
    # agrees with the print. The report's rule leaves out four samples and pairs with '<'.
    left_out = {"102", "125", "131", "132"}
    used = [
        (float(row["first"]), float(row["second"]))
        for row in rows("field_xrf_duplicates")
        if row["element"] == element
        and row["sample"] not in left_out
        and row["first"]
        and row["second"]
        and "<" not in row["first"] + row["second"]
    ]
    found = duplicate_cv([p[0] for p in used], [p[1] for p in used])
    assert found.n == n
    assert 100 * found.value == pytest.approx(recomputed, abs=0.0051)
    # within one unit of the last digit printed
    assert 100 * found.value == pytest.approx(published, abs=0.1 if published < 10 else 1.0)
