"""Censored summaries and slopes against published figures."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.statistics.censoring import (
    akritas_theil_sen,
    kaplan_meier,
    lognormal_mle,
    regression_on_order_statistics,
)
from tests.published.table import column


def test_arsenic_on_oahu_by_regression_on_order_statistics() -> None:
    # Helsel 2005/2012, Nondetects and Data Analysis (results from memory)
    value, nondetect = column("oahu_arsenic", "as_ug_l"), column("oahu_arsenic", "nondetect") == 1
    found = regression_on_order_statistics(value, nondetect)
    assert (found.mean, found.sd, found.median) == pytest.approx((0.972, 0.718, 0.700), abs=5.1e-4)


def test_arsenic_on_oahu_by_maximum_likelihood() -> None:
    # Helsel 2005/2012 (results from memory)
    value, nondetect = column("oahu_arsenic", "as_ug_l"), column("oahu_arsenic", "nondetect") == 1
    found = lognormal_mle(np.where(nondetect, 0, value), value)
    assert found.mean.value == pytest.approx(0.945, abs=5.1e-4)
    assert found.sd == pytest.approx(0.656, abs=5.1e-4)
    assert found.median.value == pytest.approx(0.777, abs=5.1e-4)


def test_arsenic_on_oahu_by_kaplan_meier() -> None:
    # Helsel 2005/2012 (mean from memory)
    value, nondetect = column("oahu_arsenic", "as_ug_l"), column("oahu_arsenic", "nondetect") == 1
    found = kaplan_meier(value, nondetect)
    assert found.mean.value == pytest.approx(0.949, abs=5.1e-4)
    assert found.n_nondetect == 13


def test_helsel_and_cohn_example_gives_the_imputed_values() -> None:
    # Helsel & Cohn 1988, Water Resources Research 24:1997, appendix B (two decimals)
    value, nondetect = column("helsel_cohn", "value"), column("helsel_cohn", "nondetect") == 1
    found = regression_on_order_statistics(value, nondetect)
    assert found.fitted == pytest.approx(column("helsel_cohn", "ros_final_sorted"), abs=0.0125)


def test_without_censoring_the_rank_slope_is_sens_example() -> None:
    # Sen 1968, JASA 63:1379, with the misprint of the interval corrected
    x = np.array([1.0, 2, 3, 4, 10, 12, 18])
    y = np.array([9.0, 15, 19, 20, 45, 55, 78])
    found = akritas_theil_sen(x, x, y, y, scale="absolute", level=0.93)
    assert found.slope.value == 4
    assert found.intercept.value == pytest.approx(6)
    assert (found.slope.low, found.slope.high) == pytest.approx((26 / 7, 35 / 8))
