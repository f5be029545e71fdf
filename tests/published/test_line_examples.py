"""Lines against published data sets with published answers."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.statistics import lines
from reconcile.statistics.agreement import correlation
from reconcile.statistics.error_model import Known, error_model
from tests.published.table import column, rows

# ---- least squares -------------------------------------------------------------------------


def test_norris_gives_the_certified_line() -> None:
    # NIST Statistical Reference Datasets, Norris: certified values
    x, y = column("nist_norris", "x"), column("nist_norris", "y")
    line = lines.ols(x, y)
    assert line.intercept.value == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.slope.value == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.intercept.se == pytest.approx(0.232818234301152, rel=1e-12)
    assert line.slope.se == pytest.approx(0.429796848199937e-03, rel=1e-12)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-12)
    assert correlation(x, y).r_squared == pytest.approx(0.999993745883712, rel=1e-13)


def test_pontius_gives_the_certified_parabola() -> None:
    # NIST Statistical Reference Datasets, Pontius: certified values (from memory)
    fit = lines.polynomial(column("nist_pontius", "x"), column("nist_pontius", "y"), 2)
    certified = (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14)
    errors = (0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16)
    for found, value in zip(fit.coefficients, certified, strict=True):
        assert found == pytest.approx(value, rel=1e-10)
    for found, value in zip(fit.standard_errors, errors, strict=True):
        assert found == pytest.approx(value, rel=1e-10)
    assert fit.residual_sd == pytest.approx(0.205177424076185e-03, rel=1e-11)


SOIL = rows("soil_xrf_campaign_2009_published")


@pytest.mark.parametrize("row", SOIL, ids=[row["element"] for row in SOIL])
def test_field_xrf_on_soils_gives_the_printed_log_log_lines(row: dict[str, str]) -> None:
    # Field study report DEMO-X phase 5, October 2009 (in Dutch): log10(field) on log10(lab)
    element, left_out = row["element"], set(row["samples_excluded"].split())
    lab, field = [], []
    for sample in rows("soil_xrf_campaign_2009"):
        pair = sample[f"{element}_lab"], sample[f"{element}_field"]
        if sample["sample"] in left_out or any(v == "" or v.startswith("<") for v in pair):
            continue
        lab.append(float(pair[0]))
        field.append(float(pair[1]))
    line = lines.ols(np.log10(lab), np.log10(field))
    # lead: 106 pairs are found where 108 are printed
    assert line.n == (106 if element == "pb" else int(row["n"]))
    found = {
        "intercept": line.intercept.value,
        "intercept_lo": line.intercept.low,
        "intercept_hi": line.intercept.high,
        "slope": line.slope.value,
        "slope_lo": line.slope.low,
        "slope_hi": line.slope.high,
        "r2": correlation(lab_log := np.log10(lab), np.log10(field)).r_squared,
    }
    assert lab_log.size == line.n
    for name, value in found.items():
        # one unit of the last printed digit
        assert value == pytest.approx(float(row[name]), abs=0.0101), name


# ---- errors on both sides ------------------------------------------------------------------


def test_pearsons_data_with_yorks_weights_give_the_published_line() -> None:
    # York 1966; York et al. 2004, Am. J. Phys. 72:367: slope and intercept read, the standard
    # errors and the sum of squares from memory
    x, y, wx, wy = (column("pearson_york", c) for c in ("x", "y", "weight_x", "weight_y"))
    line = lines.york(x, y, 1 / np.sqrt(wx), 1 / np.sqrt(wy), scale="given")
    assert line.slope.value == pytest.approx(-0.48053340745, abs=6e-12)
    assert line.intercept.value == pytest.approx(5.47991022403, abs=6e-12)
    assert line.slope.se == pytest.approx(0.0580, abs=5e-5)
    assert line.intercept.se == pytest.approx(0.295, abs=5e-4)
    w = wx * wy / (wx + line.slope.value**2 * wy)
    s = float(np.sum(w * (y - line.predict(x)) ** 2))
    assert s == pytest.approx(11.866, abs=5e-4)
    scaled = lines.york(x, y, 1 / np.sqrt(wx), 1 / np.sqrt(wy))
    assert scaled.slope.se == pytest.approx(line.slope.se * np.sqrt(s / 8), rel=1e-12)


def test_pearsons_data_give_the_published_orthogonal_line() -> None:
    # Pearson 1901: orthogonal line of the unweighted points; equal error variances
    x, y = column("pearson_york", "x"), column("pearson_york", "y")
    line = lines.deming(x, y, 1.0)
    assert line.slope.value == pytest.approx(-0.545561197432, rel=1e-9)
    assert line.intercept.value == pytest.approx(5.7840437742, rel=1e-10)
    plain = lines.ols(x, y)
    assert plain.slope.value == pytest.approx(-0.53957727555, abs=1e-9)
    assert plain.intercept.value == pytest.approx(5.76118519259, abs=5e-9)


def arsenate() -> tuple[np.ndarray, ...]:
    names = ("aas", "se_aas", "aes", "se_aes")
    return tuple(column("arsenate", name) for name in names)


def test_arsenate_by_two_techniques_gives_the_published_functional_relationship() -> None:
    # Ripley & Thompson 1987, Analyst 112:377-383: 0.106448 and 0.97300, mean squared scaled
    # residual 1.27 with divisor n. The slope of the stored data is 0.972988 by three
    # independent computations; the printed fifth digit differs by 1.2e-5.
    x, sx, y, sy = arsenate()
    line = lines.york(x, y, sx, sy, scale="given")
    assert line.intercept.value == pytest.approx(0.106448, abs=5e-7)
    assert line.slope.value == pytest.approx(0.97300, abs=2e-5)
    b = line.slope.value
    scaled = (y - line.predict(x)) ** 2 / (sy**2 + (b * sx) ** 2)
    assert float(np.mean(scaled)) == pytest.approx(1.27, abs=0.005)


def test_arsenate_lines_agree_with_an_independent_computation() -> None:
    # no published figures: computed independently in 40-digit and brute-force arithmetic
    x, _, y, _ = arsenate()
    deming = lines.deming(x, y, 1.0)
    assert deming.slope.value == pytest.approx(0.875948142, abs=5e-10)
    assert deming.intercept.value == pytest.approx(0.429399427, abs=5e-10)
    theil = lines.theil_sen(x, y)
    assert theil.slope.value == pytest.approx(0.820734341, abs=5e-10)
    rank = lines.passing_bablok(x, y, interval="1983")
    assert rank.slope.value == pytest.approx(0.843857635, abs=5e-10)
    assert rank.intercept.value == pytest.approx(0.429580941, abs=5e-10)
    assert rank.slope.low == pytest.approx(0.757950530, abs=5e-10)
    assert rank.slope.high == pytest.approx(1.059914408, abs=5e-10)


# ---- ranks ---------------------------------------------------------------------------------


def test_six_points_give_the_worked_passing_bablok_line() -> None:
    # method of Passing & Bablok 1983; worked in the tests of a general statistics library
    line = lines.passing_bablok(
        column("passing_bablok_small", "x"), column("passing_bablok_small", "y")
    )
    assert line.intercept.value == pytest.approx(0.125, abs=1e-14)
    assert line.slope.value == pytest.approx(1.05, abs=1e-14)


def test_peak_flow_gives_the_independently_computed_passing_bablok_line() -> None:
    # data of Bland & Altman 1986; no published line, computed independently by brute force
    a, b = column("peak_flow", "a1"), column("peak_flow", "b1")
    line = lines.passing_bablok(a, b, interval="1983")
    assert line.slope.value == pytest.approx(1.064814815, abs=5e-10)
    assert line.intercept.value == pytest.approx(-24.305555556, abs=5e-9)
    assert line.slope.low == pytest.approx(0.837078652, abs=5e-10)
    assert line.slope.high == pytest.approx(1.396825397, abs=5e-10)


def test_sens_example_gives_his_slope_and_interval() -> None:
    # Sen 1968, J. Am. Stat. Assoc. 63:1379; the interval at 93 % as corrected in the tests of
    # a general statistics library
    line = lines.theil_sen(column("sen_slope", "t"), column("sen_slope", "y"), level=0.93)
    assert line.slope.value == 4
    assert line.intercept.value == 6
    assert line.slope.low == pytest.approx(26 / 7, rel=1e-14)
    assert line.slope.high == pytest.approx(35 / 8, rel=1e-14)


@pytest.mark.parametrize(("statistic", "p"), [(1.22, 0.10), (1.36, 0.05), (1.63, 0.01)])
def test_the_linearity_test_uses_the_limits_of_the_1983_paper(statistic: float, p: float) -> None:
    # Passing & Bablok 1983: 1.22, 1.36 and 1.63 at 10, 5 and 1 %
    rng = np.random.default_rng(8)
    x = rng.uniform(1, 100, 400)
    y = x + rng.normal(0, 5, 400)
    found = lines.cusum_linearity(x, y, lines.passing_bablok(x, y))
    assert found.p_value < p if found.statistic > statistic else found.p_value > p * 0.95
    from scipy.special import kolmogorov

    assert found.p_value == pytest.approx(kolmogorov(found.statistic), rel=1e-12)
    assert kolmogorov(statistic) == pytest.approx(p, abs=0.0025)


def test_corn_yield_and_soil_nitrogen_give_the_printed_line() -> None:
    # Fuller 1987, example 1.2.1, data and answers from memory: error variance of nitrogen 57,
    # ŷ = 67.56 + 0.4232 x with standard errors 12.54 and 0.1745, σ_ee 43.29.
    nitrogen = np.array([70.0, 97, 53, 64, 95, 64, 50, 70, 94, 69, 51])
    corn = np.array([86.0, 115, 90, 86, 110, 91, 99, 96, 99, 104, 96])
    found = error_model(nitrogen, corn, Known(57.0))
    a, b = found.line.intercept.value, found.line.slope.value
    assert a == pytest.approx(67.56, abs=0.005)
    assert b == pytest.approx(0.4232, abs=0.00005)
    assert 57 * found.lam.value == pytest.approx(43.29, abs=0.005)
    # the printed errors are for normal data (his equation 1.2.11); the jackknife supposes none
    s_vv = found.line.residual_sd**2
    variance = (np.var(nitrogen, ddof=1) * s_vv + (57 * b) ** 2) / 10
    se = np.sqrt(variance) / (np.var(nitrogen, ddof=1) - 57)
    assert se == pytest.approx(0.1745, abs=0.00005)
    assert np.hypot(np.sqrt(s_vv / 11), nitrogen.mean() * se) == pytest.approx(12.54, abs=0.005)
    assert found.line.slope.se == pytest.approx(0.1745, rel=0.15)
