"""The error model: what separates field from laboratory, told apart and given to the line."""

from __future__ import annotations

import math

import numpy as np
import pytest
from odrpack import odr_fit

from reconcile.statistics import error_model as em
from reconcile.statistics.deming import deming, deming_point, weighted_deming_point
from reconcile.statistics.error_model import UNKNOWN, ErrorModel, Known, error_model
from tests.sizes import cases
from tests.statistics.degenerate_inputs import PAIRS, check_sound

LAB, SPOTS = 0.05, 0.05


def study(
    rng: np.random.Generator, n: int, span: float, heterogeneity: float, slope: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """Levels log-uniform over ``span``; log-normal errors; field = 100·(truth/100)^slope."""
    true = np.exp(rng.uniform(0, math.log(span), n))
    lab = 100 * true * np.exp(rng.normal(0, LAB, n))
    spots = rng.normal(0, heterogeneity, n) + rng.normal(0, SPOTS, n)
    return lab, 100 * true**slope * np.exp(spots)


def known(rng: np.random.Generator, relative: float, df: int) -> Known:
    return Known(relative**2 * float(rng.chisquare(df)) / df, float(df))


def logs(rng: np.random.Generator, n: int, heterogeneity: float, span: float = 4) -> ErrorModel:
    lab, field = study(rng, n, span, heterogeneity)
    return error_model(
        np.log(lab), np.log(field), known(rng, LAB, 20), known(rng, SPOTS, 2 * n)
    )  # fmt: skip


def held(heterogeneity: float, studies: int, seed: int = 1) -> tuple[float, float, float]:
    """Mean slope, share of its intervals that hold 1, the same with λ from replicates."""
    rng = np.random.default_rng(seed)
    slopes, inside, before = [], 0, 0
    for _ in range(studies):
        lab, field = study(rng, 100, 4, heterogeneity)
        of_lab, of_spots = known(rng, LAB, 20), known(rng, SPOTS, 200)
        x, y = np.log(lab), np.log(field)
        found = error_model(x, y, of_lab, of_spots).line.slope
        slopes.append(found.value)
        inside += found.low <= 1 <= found.high
        replicates = deming(x, y, of_spots.variance / of_lab.variance).slope
        before += replicates.low <= 1 <= replicates.high
    return float(np.mean(slopes)), inside / studies, before / studies


def test_heterogeneity_of_twenty_percent_no_longer_steepens_the_line() -> None:
    mean, inside, before = held(0.20, 300)
    print(mean, inside, before)
    assert mean == pytest.approx(1.0, abs=0.02)
    assert inside >= 0.92
    assert before < 0.6  # λ from replicates alone: the interval misses the truth


@pytest.mark.slow
@pytest.mark.parametrize("heterogeneity", cases((0.0, 0.10, 0.20, 0.30), (0.0, 0.20)))
def test_the_interval_of_the_slope_holds_the_truth_in_93_to_97_percent(
    heterogeneity: float,
) -> None:
    mean, inside, before = held(heterogeneity, 2000)
    print(heterogeneity, mean, inside, before)
    assert mean == pytest.approx(1.0, abs=0.012)
    assert 0.93 <= inside <= 0.97


def test_heterogeneity_is_found_and_its_interval_holds_it() -> None:
    rng = np.random.default_rng(3)
    found = [logs(rng, 60, 0.20).heterogeneity for _ in range(200)]
    assert np.mean([e.value for e in found]) == pytest.approx(0.04, rel=0.05)
    assert 0.91 <= np.mean([e.low <= 0.04 <= e.high for e in found]) <= 0.99


def test_without_heterogeneity_it_is_mostly_said_not_to_be_resolved() -> None:
    rng = np.random.default_rng(4)
    found = [logs(rng, 60, 0.0).found for _ in range(200)]
    assert np.mean([f == "not resolved" for f in found]) >= 0.93


def test_the_line_leaves_exactly_the_scatter_that_its_ratio_says() -> None:
    rng = np.random.default_rng(5)
    lab, field = study(rng, 50, 8, 0.15)
    x, y = np.log(lab), np.log(field)
    m = error_model(x, y, Known(LAB**2, 30.0), Known(SPOTS**2, 100.0))
    a, b = m.line.intercept.value, m.line.slope.value
    assert deming_point(x, y, m.lam.value) == pytest.approx((a, b), rel=1e-9)
    scatter = float(np.sum((y - a - b * x) ** 2)) / (len(x) - 1)
    assert (m.lam.value + b * b) * LAB**2 == pytest.approx(scatter, rel=1e-9)


@pytest.mark.parametrize("n", [20, 59, 80, 400])
def test_the_weighted_line_is_the_weighted_deming_line_of_its_ratio(n: int) -> None:
    rng = np.random.default_rng(6)
    lab, field = study(rng, n, 8, 0.15)
    m = error_model(lab, field, Known(LAB**2, 30.0), Known(SPOTS**2, 100.0), "proportional")
    ab = m.line.intercept.value, m.line.slope.value
    assert weighted_deming_point(lab, field, m.lam.value) == pytest.approx(ab, rel=1e-8)


def test_a_refit_of_other_pairs_keeps_only_what_is_known_apart_from_them() -> None:
    rng = np.random.default_rng(61)
    model = logs(rng, 60, 0.15)
    lab, field = study(rng, 40, 8, 0.3)
    x, y = np.log(lab), np.log(field)
    whole = em.refitted(model, x, y)
    assert em.refitted_point(model, x, y) == pytest.approx(
        (whole.line.intercept.value, whole.line.slope.value, whole.lam.value), rel=1e-12
    )
    assert whole.lab == error_model(x, y, *model.known).lab
    assert whole.heterogeneity.value == pytest.approx(0.09, rel=0.4)


def test_the_line_without_each_pair_is_the_same_exactly_and_to_first_order(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(7)
    lab, field = study(rng, 80, 8, 0.15)
    args = lab, field, Known(LAB**2, 30.0), Known(SPOTS**2, 100.0), "proportional"
    near = error_model(*args)  # type: ignore[arg-type]
    monkeypatch.setattr(em, "EXACTLY_LEFT_OUT", 300)
    exact = error_model(*args)  # type: ignore[arg-type]
    assert near.line.slope.se == pytest.approx(exact.line.slope.se, rel=0.01)
    assert near.line.intercept.se == pytest.approx(exact.line.intercept.se, rel=0.01)


def test_orthogonal_distance_regression_with_the_same_sds_gives_the_same_line() -> None:
    # odrpack, weights 1/variance of each side
    rng = np.random.default_rng(8)
    lab, field = study(rng, 40, 10, 0.2)
    x, y = np.log(lab), np.log(field)
    m = error_model(x, y, Known(LAB**2, 30.0))
    found = odr_fit(
        lambda t, beta: beta[0] + beta[1] * t, x, y, np.array([0.0, 1.0]),
        weight_x=np.full(40, 1 / LAB**2), weight_y=np.full(40, 1 / (m.lam.value * LAB**2)),
    )  # fmt: skip
    assert found.beta == pytest.approx((m.line.intercept.value, m.line.slope.value), rel=2e-5)


def test_nothing_is_assumed_where_the_laboratorys_error_is_not_known() -> None:
    lab, field = study(np.random.default_rng(9), 40, 4, 0.2)
    m = error_model(lab, field, UNKNOWN, Known(SPOTS**2, 80.0))
    assert not m.usable
    assert not m.lam.estimable
    assert m.found == "not estimable"
    assert m.reason == "the laboratory's error is not known"


def test_a_lab_error_as_large_as_the_spread_gives_no_line() -> None:
    lab, field = study(np.random.default_rng(10), 40, 1.1, 0.0)
    m = error_model(np.log(lab), np.log(field), Known(LAB**2))
    assert not m.usable
    assert "too large a part" in m.reason


def test_scatter_below_the_replicates_leaves_heterogeneity_negative_and_the_replicates_lead() -> (
    None
):
    rng = np.random.default_rng(11)
    lab, field = study(rng, 40, 8, 0.0)
    m = error_model(np.log(lab), np.log(field), Known(LAB**2), Known(0.2**2, 80.0))
    assert m.heterogeneity.value < 0
    assert m.found == "not resolved"
    assert m.lam.value == pytest.approx(0.2**2 / LAB**2, rel=1e-9)
    assert m.field_sd(5.0)[0] == pytest.approx(0.2)
    assert "not resolved from zero" in m.sentence()


def test_few_duplicates_of_the_laboratory_widen_the_interval() -> None:
    rng = np.random.default_rng(12)
    lab, field = study(rng, 60, 3, 0.1)
    x, y = np.log(lab), np.log(field)
    few = error_model(x, y, Known(0.1**2, 3.0)).line.slope
    many = error_model(x, y, Known(0.1**2)).line.slope
    assert few.value == many.value
    assert few.high - few.low > many.high - many.low


@pytest.mark.parametrize("shape", ["constant", "proportional"])
@pytest.mark.parametrize("name", list(PAIRS))
def test_degenerate_pairs_give_reasons_and_no_warning(name: str, shape: em.Shape) -> None:
    x, y = PAIRS[name]
    found = error_model(x, y, Known(0.01, 10.0), Known(0.01, 10.0), shape)
    check_sound(found)
    assert found.sentence("mg/kg")
    if not found.usable:
        assert found.reason or found.line.reason
