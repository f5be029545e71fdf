"""Lines: against general libraries, under shifts and swaps, and on data that break things."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import odrpack
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from reconcile.statistics import lines
from reconcile.statistics.lines import (
    MOST_LAB_ERROR,
    RULE,
    Line,
    choose_headline,
    cusum_linearity,
    deming,
    deming_point,
    diagnostics,
    least_squares_caution,
    ols,
    passing_bablok,
    polynomial,
    theil_sen,
    weighted_deming,
    weighted_deming_point,
    york,
)
from tests.statistics.degenerate_inputs import INF, NAN, PAIRS, check_sound

SEEDS = st.integers(0, 2**32 - 1)


def _pairs(seed: int, n: int = 30) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    truth = rng.lognormal(3, 0.7, n)
    return truth + rng.normal(0, 1, n), 2 + 1.2 * truth + rng.normal(0, 2, n)


def _positive(seed: int, n: int = 30) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    truth = rng.lognormal(3, 0.7, n)
    return truth * rng.lognormal(0, 0.05, n), 1.2 * truth * rng.lognormal(0, 0.1, n)


# ---- against statsmodels and odrpack ------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("level", [0.9, 0.95])
def test_least_squares_agrees_with_statsmodels(seed: int, level: float) -> None:
    x, y = _pairs(seed, 12 + 7 * seed)
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    robust = fit.get_robustcov_results("HC3")
    line, free = ols(x, y, level), ols(x, y, level, errors="any")
    for part, k in ((line.intercept, 0), (line.slope, 1)):
        low, high = fit.conf_int(1 - level)[k]
        assert (part.value, part.se) == pytest.approx((fit.params[k], fit.bse[k]), rel=1e-9)
        assert (part.low, part.high) == pytest.approx((low, high), rel=1e-8, abs=1e-8)
    assert np.array(line.covariance) == pytest.approx(fit.cov_params(), rel=1e-8)
    assert line.residual_sd == pytest.approx(math.sqrt(fit.mse_resid), rel=1e-10)
    assert (free.intercept.se, free.slope.se) == pytest.approx(tuple(robust.bse), rel=1e-9)
    assert np.array(free.covariance) == pytest.approx(robust.cov_params(), rel=1e-8)


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_polynomials_agree_with_statsmodels(degree: int) -> None:
    x, y = _pairs(3, 40)
    x = x / 10
    w = np.random.default_rng(1).uniform(0.5, 2, 40)
    fit = sm.WLS(y, x[:, None] ** np.arange(degree + 1), weights=w).fit()
    found = polynomial(x, y, degree, w)
    assert found.coefficients == pytest.approx(tuple(fit.params), rel=1e-7)
    assert found.standard_errors == pytest.approx(tuple(fit.bse), rel=1e-7)
    assert found.residual_sd == pytest.approx(math.sqrt(fit.mse_resid), rel=1e-9)


def _orthogonal(
    x: np.ndarray, y: np.ndarray, wx: np.ndarray, wy: np.ndarray, start: tuple[float, float]
) -> tuple[float, float]:
    """Intercept and slope by a general solver of orthogonal distances."""
    found = odrpack.odr_fit(
        lambda u, beta: beta[0] + beta[1] * u,
        x, y, np.array(start), weight_x=wx, weight_y=wy, task="explicit-ODR",
        diff_scheme="central", partol=1e-15, sstol=1e-15, maxit=2000,
    )  # fmt: skip
    return float(found.beta[0]), float(found.beta[1])


def _profile_slope(
    x: np.ndarray, y: np.ndarray, sx: np.ndarray, sy: np.ndarray, near: float
) -> tuple[float, float]:
    """Intercept and slope that minimise the weighted squares, by a general root search.

    The derivative of the sum over the intercept that is best at each slope is written down
    from the sum itself, not from any published algorithm.
    """

    def best_intercept(b: float) -> float:
        w = 1 / (sy**2 + (b * sx) ** 2)
        return float(w @ (y - b * x) / w.sum())

    def derivative(b: float) -> float:
        v = sy**2 + (b * sx) ** 2
        d = y - best_intercept(b) - b * x
        return float(np.sum(-2 * d * x / v - d**2 * 2 * b * sx**2 / v**2))

    width = 1e-3 * abs(near)
    b = optimize.brentq(derivative, near - width, near + width, xtol=1e-15, rtol=1e-15)
    return best_intercept(b), b


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("lam", [0.25, 1.0, 6.0])
def test_deming_agrees_with_a_general_solver(seed: int, lam: float) -> None:
    x, y = _pairs(seed, 20 + seed)
    line = deming(x, y, lam)
    ones = np.ones_like(x)
    exact = _profile_slope(x, y, ones, math.sqrt(lam) * ones, line.slope.value)
    assert (line.intercept.value, line.slope.value) == pytest.approx(exact, rel=1e-8)
    general = _orthogonal(x, y, lam * ones, ones, (line.intercept.value, line.slope.value))
    # the solver stops where its sum of squares no longer falls: about half the digits
    assert (line.intercept.value, line.slope.value) == pytest.approx(general, rel=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_york_agrees_with_a_general_solver(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 25
    truth, sx, sy = rng.uniform(5, 50, n), rng.uniform(0.2, 2, n), rng.uniform(0.2, 3, n)
    x, y = truth + sx * rng.normal(size=n), 1 + 0.8 * truth + sy * rng.normal(size=n)
    line = york(x, y, sx, sy)
    found = line.intercept.value, line.slope.value
    assert found == pytest.approx(_profile_slope(x, y, sx, sy, line.slope.value), rel=1e-8)
    assert found == pytest.approx(_orthogonal(x, y, 1 / sx**2, 1 / sy**2, found), rel=1e-6)


def test_york_with_correlated_errors_minimises_their_weighted_squares() -> None:
    rng = np.random.default_rng(4)
    n = 25
    truth, sx, sy = rng.uniform(5, 50, n), rng.uniform(0.2, 2, n), rng.uniform(0.2, 3, n)
    r = rng.uniform(-0.8, 0.8, n)
    x, y = truth + sx * rng.normal(size=n), 1 + 0.8 * truth + sy * rng.normal(size=n)
    line = york(x, y, sx, sy, r)

    def squares(a: float, b: float) -> float:
        v = sy**2 + (b * sx) ** 2 - 2 * b * r * sx * sy
        return float(np.sum((y - a - b * x) ** 2 / v))

    a, b = line.intercept.value, line.slope.value
    best = squares(a, b)
    for da, db in ((1e-4, 0), (-1e-4, 0), (0, 1e-5), (0, -1e-5), (1e-4, -1e-5)):
        assert squares(a + da, b + db) > best


def test_york_with_equal_errors_is_deming_and_with_none_on_x_least_squares() -> None:
    x, y = _pairs(9)
    same = york(x, y, np.full(30, 1.0), np.full(30, 2.0))
    assert (same.intercept.value, same.slope.value) == pytest.approx(
        deming_point(x, y, 4.0), rel=1e-10
    )
    exact = york(x, y, np.full(30, 1e-9), np.full(30, 2.0), scale="residual")
    plain = ols(x, y)
    assert exact.slope.value == pytest.approx(plain.slope.value, rel=1e-9)
    assert exact.slope.se == pytest.approx(plain.slope.se, rel=1e-9)
    assert exact.intercept.se == pytest.approx(plain.intercept.se, rel=1e-9)


@pytest.mark.parametrize(
    ("fit", "point"), [(deming, deming_point), (weighted_deming, weighted_deming_point)]
)
def test_the_jackknife_is_that_of_leaving_each_pair_out(
    fit: Callable[..., Line], point: Callable[..., tuple[float, float]]
) -> None:
    x, y = _positive(2, 17)
    lam, n = 3.0, 17
    line = fit(x, y, lam)
    assert point(x, y, lam) == pytest.approx((line.intercept.value, line.slope.value), rel=1e-12)
    left = np.array([point(np.delete(x, i), np.delete(y, i), lam) for i in range(n)])
    expected = np.cov(left.T, ddof=0) * (n - 1)
    assert np.array(line.covariance) == pytest.approx(expected, rel=1e-6)
    assert line.slope.se == pytest.approx(math.sqrt(expected[1, 1]), rel=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_many_pairs_are_left_out_to_first_order_and_in_little_time(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(seed)
    truth = rng.lognormal(3, 0.8, 400)
    x, y = truth * rng.lognormal(0, 0.05, 400), 2 + truth * rng.lognormal(0, 0.1, 400)
    quick = weighted_deming(x, y, 4.0)
    monkeypatch.setattr("reconcile.statistics.deming.EXACTLY_LEFT_OUT", 400)
    exact = weighted_deming(x, y, 4.0)
    assert quick.slope.value == exact.slope.value
    assert np.array(quick.covariance) == pytest.approx(np.array(exact.covariance), rel=0.01)


# ---- invariances --------------------------------------------------------------------------


@given(SEEDS, st.floats(0.05, 20))
@settings(max_examples=50, deadline=None)
def test_swapping_the_axes_inverts_deming(seed: int, lam: float) -> None:
    x, y = _positive(seed)
    for fit in (deming, weighted_deming):
        one, two = fit(x, y, lam), fit(y, x, 1 / lam)
        if fit is weighted_deming:
            # its weights are levels on both scales, which swap only where both are alike
            continue
        assert two.slope.value == pytest.approx(1 / one.slope.value, rel=1e-9)
        assert two.intercept.value == pytest.approx(
            -one.intercept.value / one.slope.value, rel=1e-6, abs=1e-7
        )


@given(SEEDS)
@settings(max_examples=30, deadline=None)
def test_swapping_the_axes_inverts_york(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = _positive(seed)
    sx, sy = rng.uniform(0.5, 2, 30), rng.uniform(0.5, 2, 30)
    one, two = york(x, y, sx, sy, scale="given"), york(y, x, sy, sx, scale="given")
    assert two.slope.value == pytest.approx(1 / one.slope.value, rel=1e-9)
    assert two.slope.se == pytest.approx(one.slope.se / one.slope.value**2, rel=1e-6)


FITS: dict[str, Callable[[np.ndarray, np.ndarray, float], Line]] = {
    "ols": lambda x, y, s: ols(x, y),
    "ols, any": lambda x, y, s: ols(x, y, errors="any"),
    "deming": lambda x, y, s: deming(x, y, 2.0 * s * s),
    "weighted deming": lambda x, y, s: weighted_deming(x, y, 2.0),
    "york": lambda x, y, s: york(x, y, np.full(x.size, 1.0), np.full(x.size, 2.0 * s)),
    "passing-bablok": lambda x, y, s: passing_bablok(x, y),
    "theil-sen": lambda x, y, s: theil_sen(x, y),
}


@pytest.mark.parametrize("name", [k for k in FITS if k != "weighted ols"])
@given(seed=SEEDS)
@settings(max_examples=15, deadline=None)
def test_the_order_of_the_pairs_does_not_matter(name: str, seed: int) -> None:
    x, y = _positive(seed)
    order = np.random.default_rng(seed).permutation(x.size)
    one, two = FITS[name](x, y, 1.0), FITS[name](x[order], y[order], 1.0)
    for part in ("slope", "intercept"):
        a, b = getattr(one, part), getattr(two, part)
        size = 1.0 if part == "slope" else float(np.abs(y).max())
        for side in ("value", "se", "low", "high"):
            u, v = getattr(a, side), getattr(b, side)
            assert u == pytest.approx(v, rel=1e-7, abs=1e-8 * size, nan_ok=True), side


@pytest.mark.parametrize("name", [k for k in FITS if k not in ("weighted deming",)])
@given(seed=SEEDS, shift=st.floats(-100, 100))
@settings(max_examples=15, deadline=None)
def test_a_shift_of_the_field_moves_only_the_intercept(name: str, seed: int, shift: float) -> None:
    x, y = _positive(seed)
    one, two = FITS[name](x, y, 1.0), FITS[name](x, y + shift, 1.0)
    assert two.slope.value == pytest.approx(one.slope.value, rel=1e-7)
    assert two.intercept.value == pytest.approx(one.intercept.value + shift, abs=1e-6)
    assert two.slope.se == pytest.approx(one.slope.se, rel=1e-6)


@pytest.mark.parametrize("name", [k for k in FITS if k != "passing-bablok"])
@given(seed=SEEDS, scale=st.sampled_from([0.001, 0.3, 7.0, 1e4]))
@settings(max_examples=15, deadline=None)
def test_another_unit_of_the_field_scales_the_line(name: str, seed: int, scale: float) -> None:
    x, y = _positive(seed)
    one, two = FITS[name](x, y, 1.0), FITS[name](x, scale * y, scale)
    if name == "weighted deming":
        # λ is a ratio of squared CVs: a unit does not enter, levels are weighted across scales
        assert two.slope.value == pytest.approx(scale * one.slope.value, rel=0.2)
        return
    assert two.slope.value == pytest.approx(scale * one.slope.value, rel=1e-7)
    assert two.slope.se == pytest.approx(scale * one.slope.se, rel=1e-6)
    assert two.intercept.value == pytest.approx(
        scale * one.intercept.value, rel=1e-6, abs=1e-6 * scale
    )


# ---- degenerate data ----------------------------------------------------------------------


def _everything(x: list[float], y: list[float]) -> list[object]:
    ones = np.ones(len(x))
    found: list[object] = []
    for line in (
        ols(x, y),
        ols(x, y, errors="any"),
        deming(x, y, 2.0),
        deming(x, y, NAN),
        deming(x, y, 0.0),
        deming(x, y, -1.0),
        weighted_deming(x, y, 2.0),
        york(x, y, ones, ones),
        york(x, y, np.asarray(x), np.asarray(y)),
        york(x, y, 0 * ones, ones),
        passing_bablok(x, y),
        passing_bablok(x, y, interval="1983"),
        passing_bablok(x, y, interval=False),
        theil_sen(x, y),
    ):
        found += [line, line.at(2.0), line.at(1e300), line.at(NAN)]
        found += [diagnostics(x, y, line), cusum_linearity(x, y, line)]
        line.predict([1.0, NAN])
        line.invert([1.0, 0.0])
    return found


@pytest.mark.parametrize("name", list(PAIRS))
def test_degenerate_pairs_give_reasons_and_no_warning(name: str) -> None:
    for x, y in (PAIRS[name], PAIRS[name][::-1]):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            for found in _everything(x, y):
                check_sound(found)


@pytest.mark.slow
@given(
    st.lists(
        st.tuples(
            st.one_of(st.floats(), st.sampled_from([0.0, 1.0, NAN, INF])),
            st.one_of(st.floats(), st.sampled_from([0.0, 1.0, 2.0])),
        ),
        max_size=12,
    )
)
@settings(max_examples=150, deadline=None)
def test_any_floats_at_all_give_sound_results(points: list[tuple[float, float]]) -> None:
    x, y = [p[0] for p in points], [p[1] for p in points]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for found in _everything(x, y):
            check_sound(found)


def test_a_perfect_line_is_found_and_claims_no_certainty() -> None:
    x, y = PAIRS["perfect line"]
    for name, fit in FITS.items():
        line = fit(np.array(x), np.array(y), 1.0)
        assert line.slope.value == pytest.approx(2.0, rel=1e-12), name
        assert line.intercept.value == pytest.approx(0.0, abs=1e-10), name
        assert math.isnan(line.slope.low), name
        assert "line" in line.slope.reason, name
        assert "line" in line.sentence(), name


def test_pairs_with_a_missing_side_are_dropped_and_not_counted() -> None:
    x, y = _pairs(1)
    with_gaps = ols(np.append(x, [NAN, 3.0, INF]), np.append(y, [1.0, NAN, 2.0]))
    assert with_gaps == ols(x, y)
    assert with_gaps.n == 30


def test_wrong_shapes_and_levels_are_refused() -> None:
    for fit in (ols, theil_sen, passing_bablok):
        with pytest.raises(ValueError, match="values but"):
            fit([1.0, 2.0, 3.0], [1.0, 2.0])
        with pytest.raises(ValueError, match="one-dimensional"):
            fit([[1.0, 2.0]], [[1.0, 2.0]])
        with pytest.raises(ValueError, match="level"):
            fit([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], 95)
    with pytest.raises(ValueError, match="values but"):
        york([1.0, 2, 3], [1.0, 2, 3], [1.0, 1], [1.0, 1, 1])
    with pytest.raises(ValueError, match="between"):
        york([1.0, 2, 3], [1.0, 2, 3], [1.0, 1, 1], [1.0, 1, 1], 1.5)


def test_lambda_is_never_taken_as_one() -> None:
    x, y = _positive(1)
    for fit in (deming, weighted_deming):
        line = fit(x, y, NAN)
        assert not line.slope.estimable
        assert "not known" in line.reason
        assert "not known" in line.sentence("mg/kg")
    assert math.isnan(deming_point(x, y, NAN)[1])
    assert math.isnan(weighted_deming_point(x, y, NAN)[1])


# ---- the line's own arithmetic ------------------------------------------------------------


def test_a_line_predicts_inverts_and_carries_its_uncertainty() -> None:
    x, y = _pairs(6)
    line = ols(x, y)
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    at = line.at(25.0)
    theirs = fit.get_prediction([1.0, 25.0]).summary_frame(alpha=0.05)
    assert at.value == pytest.approx(float(theirs["mean"].iloc[0]), rel=1e-10)
    assert at.se == pytest.approx(float(theirs["mean_se"].iloc[0]), rel=1e-9)
    assert at.low == pytest.approx(float(theirs["mean_ci_lower"].iloc[0]), rel=1e-9)
    assert at.high == pytest.approx(float(theirs["mean_ci_upper"].iloc[0]), rel=1e-9)
    assert line.invert(line.predict([3.0, 40.0])) == pytest.approx([3.0, 40.0], rel=1e-12)


def test_curvature_is_seen_and_straightness_is_not_mistaken_for_it() -> None:
    rng = np.random.default_rng(12)
    x = rng.uniform(1, 10, 60)
    bent = x + 0.15 * (x - 5) ** 2 + rng.normal(0, 0.2, 60)
    assert diagnostics(x, bent, ols(x, bent)).curvature_p < 1e-6
    found = []
    for _ in range(200):
        u = rng.uniform(1, 10, 40)
        v = u + rng.normal(0, 0.5, 40)
        found.append(diagnostics(u, v, ols(u, v)).curvature_p)
    assert 0.01 < np.mean(np.array(found) < 0.05) < 0.10


# ---- the written rule ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("structure", "lam", "more", "method"),
    [
        ("constant SD", 4.0, {}, "deming"),
        ("constant CV", 4.0, {}, "weighted deming"),
        ("constant SD", NAN, {}, "passing-bablok"),
        ("constant CV", NAN, {}, "passing-bablok"),
        ("constant SD", 0.0, {}, "passing-bablok"),
        ("constant SD", INF, {}, "passing-bablok"),
        ("mixed", 4.0, {}, "passing-bablok"),
        ("unknown", 4.0, {}, "passing-bablok"),
        ("mixed", 4.0, {"point_uncertainties": True}, "york"),
        ("unknown", NAN, {"point_uncertainties": True}, "york"),
        ("constant SD", 4.0, {"outliers": True}, "passing-bablok"),
        ("constant CV", 4.0, {"outliers": True}, "passing-bablok"),
        ("mixed", 4.0, {"point_uncertainties": True, "outliers": True}, "passing-bablok"),
    ],
)
def test_the_headline_follows_the_errors(
    structure: str, lam: float, more: dict[str, bool], method: str
) -> None:
    found = choose_headline(structure, lam, 40, **more)
    assert found.method == method
    assert "leads" in found.rule_text
    assert found.sentence().endswith(".")


def test_the_rule_is_written_down_with_every_method_it_can_choose() -> None:
    for word in ("Deming", "weighted Deming", "York", "Passing-Bablok", "Least squares", "never"):
        assert word in RULE
    assert f"{lines.FEWEST_FOR_RANKS} pairs" in RULE
    assert f"{MOST_LAB_ERROR:g}" in RULE


def test_few_pairs_make_the_rank_line_an_indication() -> None:
    assert "indication" in choose_headline("unknown", NAN, 19).rule_text
    assert "1 pair it" in choose_headline("unknown", NAN, 1).rule_text
    assert "indication" not in choose_headline("unknown", NAN, 20).rule_text


def test_least_squares_is_flagged_above_a_fifth_and_the_slope_shrinks_as_said() -> None:
    assert least_squares_caution(0.2, 1.0) == ""
    assert least_squares_caution(NAN, 1.0) == ""
    assert least_squares_caution(1.0, 0.0) == ""
    text = least_squares_caution(0.5, 1.0)
    assert "25 %" in text
    headline = choose_headline("unknown", NAN, 40, lab_error_sd=0.5, lab_sd=1.0)
    assert headline.caution == text
    assert text in headline.sentence()
    # an error of half the observed SD flattens the slope by a quarter
    rng = np.random.default_rng(3)
    truth = rng.normal(0, math.sqrt(0.75), 200_000)
    x = truth + rng.normal(0, 0.5, truth.size)
    assert ols(x, truth).slope.value == pytest.approx(0.75, abs=0.01)


def test_sentences_use_the_right_number_and_unit() -> None:
    x, y = _pairs(2)
    text = deming(x, y, 2.0).sentence("mg/kg")
    assert "mg/kg" in text
    assert "× lab, n 30" in text
    assert ols([1.0, 2.0], [1.0, 2.0]).sentence() == (
        "No line by ordinary least squares: fewer than three pairs."
    )
    curve = polynomial(x, y, 2)
    assert curve.sentence().count("±") == 3
    assert "·lab^2" in curve.sentence()
    assert "fewer than" in polynomial(x[:3], y[:3], 2).sentence()
    broken = replace(ols(x, y), reason="a reason")
    assert broken.sentence().endswith("a reason.")
