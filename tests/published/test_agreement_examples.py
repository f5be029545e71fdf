"""Bias and agreement against published examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from reconcile.statistics import agreement, bias
from reconcile.statistics.components import replicate_sd
from tests.published.table import column


def flow(name: str) -> np.ndarray:
    return column("peak_flow", name)


def test_peak_flow_gives_the_published_limits_of_agreement() -> None:
    # Bland & Altman 1986, Lancet i:307-310: first reading by each meter, large minus mini
    found = agreement.limits_of_agreement(flow("b1"), flow("a1"))
    assert found.bias.value == pytest.approx(-2.117647058824, rel=1e-12)
    assert found.bias.value == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    # mean ± 1.96 SD at full precision, read
    assert found.lower.value == pytest.approx(-78.0959054849, abs=2e-3)
    assert found.upper.value == pytest.approx(73.8606113673, abs=2e-3)
    # standard error and interval of the bias, from memory
    assert found.bias.se == pytest.approx(9.4, abs=0.05)
    assert found.bias.low == pytest.approx(-22.0, abs=0.06)
    assert found.bias.high == pytest.approx(17.8, abs=0.06)


def test_the_limits_own_intervals_lie_near_the_published_approximation() -> None:
    # Bland & Altman 1986: standard error √(3s²/n) = 16.3, intervals −114.3 … −45.1 and
    # 40.9 … 110.1 about mean ± 2 SD. The exact interval is longer on the outer side.
    found = agreement.limits_of_agreement(flow("b1"), flow("a1"))
    assert found.lower.se == pytest.approx(16.3, abs=0.2)
    assert found.lower.low < -114.3 + 2
    assert -56 < found.lower.high < -45.1
    # exact: noncentral t (Carkeet 2015, from memory)
    n, z = 17, stats.norm.ppf(0.975)
    near, far = stats.nct.ppf([0.025, 0.975], n - 1, z * math.sqrt(n)) / math.sqrt(n)
    assert found.upper.low == pytest.approx(found.bias.value + near * found.sd, rel=1e-9)
    assert found.upper.high == pytest.approx(found.bias.value + far * found.sd, rel=1e-9)
    assert found.lower.low == pytest.approx(found.bias.value - far * found.sd, rel=1e-9)


def test_peak_flow_gives_the_published_repeatability() -> None:
    # Bland & Altman 1986: coefficients of repeatability 43.2 and 56.4, 2·rms of differences
    for meter, published in (("a", 43.2), ("b", 56.4)):
        first, second = flow(f"{meter}1"), flow(f"{meter}2")
        values = np.concatenate([first, second])
        within = replicate_sd(values, np.tile(np.arange(17), 2)).value
        assert 2 * math.sqrt(2) * within == pytest.approx(published, abs=0.1)
    values = np.concatenate([flow("a1"), flow("a2")])
    within = replicate_sd(values, np.tile(np.arange(17), 2)).value
    assert within == pytest.approx(15.3, abs=0.05)


def test_replicates_give_the_published_corrected_sd() -> None:
    # Bland & Altman 1986, repeated measurements (from memory): SD of the differences of means
    # 33.2, of the differences within 21.6 and 28.2, corrected √(33.2² + 21.6²/4 + 28.2²/4) = 37.7
    sample = np.tile(np.arange(17), 2)
    found = agreement.limits_with_replicates(
        np.concatenate([flow("b1"), flow("b2")]),
        sample,
        np.concatenate([flow("a1"), flow("a2")]),
        sample,
    )
    assert found.sd_of_means == pytest.approx(33.2, abs=0.05)
    assert math.sqrt(2) * found.field_within_sd == pytest.approx(21.6, abs=0.06)
    assert math.sqrt(2) * found.lab_within_sd == pytest.approx(28.2, abs=0.06)
    assert found.sd == pytest.approx(37.7, abs=0.05)


def with_components(
    between: float, within: tuple[float, float], n: int, m: int, mean: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Replicates that have exactly the given components of variance."""
    d = stats.norm.ppf((np.arange(n) + 0.5) / n)
    d = mean + (d - d.mean()) / d.std(ddof=1) * math.sqrt(between)
    pattern = np.linspace(-1, 1, m)
    pattern = pattern / math.sqrt(np.sum(pattern**2) / (m - 1))
    level = 100 + 3.0 * np.arange(n)
    field = level[:, None] + math.sqrt(within[0]) * pattern
    lab = (level - d)[:, None] + math.sqrt(within[1]) * pattern
    sample = np.repeat(np.arange(n), m)
    return lab.ravel(), sample, field.ravel(), sample


def test_components_of_the_1999_example_give_its_limits() -> None:
    # Bland & Altman 1999, Stat. Methods Med. Res. 8:135, section 5.1, blood pressure of 85
    # subjects with three replicates (from memory): variance of the differences of means
    # 358.493, within-subject variances 37.408 and 83.141, mean difference −15.62; SD of single
    # differences 20.95, limits −56.68 and 25.44
    found = agreement.limits_with_replicates(
        *with_components(358.493, (37.408, 83.141), 85, 3, -15.62)
    )
    assert found.bias.value == pytest.approx(-15.62, abs=1e-9)
    assert found.sd == pytest.approx(20.95, abs=0.005)
    assert found.lower.value == pytest.approx(-56.68, abs=0.01)
    assert found.upper.value == pytest.approx(25.44, abs=0.01)


def test_peak_flow_gives_the_remembered_concordance() -> None:
    # Lin 1989, Biometrics 45:255; 0.943 with standard error 0.029 on these data from memory,
    # interval computed independently
    found = agreement.concordance(flow("a1"), flow("b1"), interval="normal")
    assert found.ccc.value == pytest.approx(0.943, abs=5e-4)
    assert found.ccc.value == pytest.approx(0.942742431427, rel=1e-11)
    assert found.ccc.se == pytest.approx(0.029, abs=5e-4)
    assert found.ccc.low == pytest.approx(0.850491873, abs=5e-9)
    assert found.ccc.high == pytest.approx(0.978726279, abs=5e-9)
    assert found.r * found.c_b == pytest.approx(found.ccc.value, rel=1e-12)


def test_peak_flow_gives_the_published_correlation() -> None:
    # Bland & Altman 1986: r = 0.94
    found = agreement.correlation(flow("a1"), flow("b1"))
    assert found.r.value == pytest.approx(0.943279446891, rel=1e-11)


def test_arsenate_concordance_agrees_with_an_independent_computation() -> None:
    # data of Ripley & Thompson 1987; no published concordance
    x, y = column("arsenate", "aas"), column("arsenate", "aes")
    assert agreement.concordance(x, y).ccc.value == pytest.approx(0.951367018, abs=5e-10)
    assert agreement.correlation(x, y).r.value == pytest.approx(0.959077922, abs=5e-10)
    assert bias.mean_difference(x, y).value == pytest.approx(-0.025333333, abs=5e-10)
    assert agreement.limits_of_agreement(x, y).sd == pytest.approx(1.206330238, abs=5e-10)
