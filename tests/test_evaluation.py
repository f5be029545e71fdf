"""Which figures are computed, on which pairs, on which scale: by written rules only."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reconcile.base.reasons import Exclusion
from reconcile.base.settings.thresholds import ErrorSettings
from reconcile.figures import evaluation, laboratory_error, pair_errors
from reconcile.figures.laboratory_error import LabError
from tests.pairs import STRATUM, pairs, settings, study

LAB_ERROR = LabError(0.0004, 20, "20 pairs of laboratory duplicates")


def test_lambda_is_never_assumed() -> None:
    found = evaluation.evaluate(STRATUM, study(), None, settings()).statistics
    assert not found.error_ratio.estimable
    assert not found.fits.deming.slope.estimable
    assert found.headline.method == "passing-bablok"
    assert "not known" in found.headline.rule_text


def test_lambda_comes_from_the_scatter_of_the_pairs_and_the_laboratorys_error() -> None:
    # replicates alone would say 0.05²/0.02² = 6.25; the field's whole error is 8 %: 16
    found = evaluation.evaluate(STRATUM, study(400), LAB_ERROR, settings()).statistics
    assert found.error_ratio.value == pytest.approx(16, rel=0.2)
    assert found.headline.method == "weighted deming"
    assert found.error_model is not None
    assert found.headline_line == found.error_model.line
    assert found.error_model.heterogeneity.value == pytest.approx(0.08**2 - 0.05**2, rel=0.3)


def heterogeneous(seed: int, n: int = 100, spots: float = 0.20) -> pd.DataFrame:
    """Levels over a factor of 4; spots and split differ by ``spots``; no bias."""
    rng = np.random.default_rng(seed)
    true = 100 * np.exp(rng.uniform(0, math.log(4), n))
    lab = true * np.exp(rng.normal(0, 0.05, n))
    return pairs(lab, true * np.exp(rng.normal(-(spots**2) / 2, np.hypot(spots, 0.05), n)))


@pytest.mark.slow
def test_what_separates_spots_from_the_split_does_not_steepen_the_headline() -> None:
    error = LabError(0.0025, 20, "20 pairs of laboratory duplicates")
    slopes = [
        evaluation.evaluate(STRATUM, heterogeneous(seed), error, settings()).statistics
        for seed in range(60)
    ]
    lines = [s.headline_line.slope for s in slopes]
    assert np.mean([e.value for e in lines]) == pytest.approx(1.0, abs=0.03)  # was 1.13
    assert np.mean([e.low <= 1 <= e.high for e in lines]) >= 0.88  # was 0.48


def test_plain_deming_claims_no_interval_where_errors_grow_with_the_level() -> None:
    found = evaluation.evaluate(STRATUM, study(), LAB_ERROR, settings()).statistics
    assert found.difference_scale == "log ratio"
    assert found.fits.deming.slope.estimable
    assert math.isnan(found.fits.deming.slope.low)
    assert "grow with the level" in found.fits.deming.slope.reason
    assert math.isfinite(found.fits.weighted_deming.slope.low)


def test_duplicates_of_splits_count_to_the_laboratorys_side() -> None:
    rng = np.random.default_rng(3)
    level = np.full(40, 100.0)
    sd = np.repeat([2.0, 15.0], 20)
    table = duplicates(
        list(level + rng.normal(0, sd)), list(level + rng.normal(0, sd))
    ).assign(duplicate_kind=["pulp"] * 20 + ["coarse"] * 20)  # fmt: skip
    (error,) = laboratory_error.lab_errors(table, ErrorSettings()).values()
    assert error.relative_variance == pytest.approx(0.02**2, rel=0.6)
    assert error.splits is not None
    assert error.of_pair(1) == pytest.approx(0.15**2, rel=0.6)
    # two results of one split share what separates it from another
    assert error.of_pair(4) == pytest.approx(
        error.of_pair(1) - 0.75 * error.relative_variance, rel=1e-9
    )
    found = evaluation.evaluate(STRATUM, study(), error, settings()).statistics
    assert found.error_model is not None
    assert found.error_model.split_known


def test_a_stated_laboratory_error_is_named_as_stated() -> None:
    errors = laboratory_error.lab_errors(pd.DataFrame(), ErrorSettings(lab_rsd=0.03))
    error = laboratory_error.lab_error_of(errors, STRATUM)
    assert error is not None
    assert "stated in the settings" in error.source
    assert error.relative_variance == pytest.approx(0.0009)


def duplicates(first: list[float], second: list[float]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "element": "Cu", "method": STRATUM.lab_method, "qualifier": "", "first_qualifier": "",
            "first_mg_kg": first, "value_mg_kg": second,
        }
    )  # fmt: skip


def test_duplicates_of_other_levels_do_not_set_the_error_of_a_stratum() -> None:
    table = duplicates([100, 110, 120, 9000, 9500], [102, 108, 121, 9900, 8600])
    (error,) = laboratory_error.lab_errors(table, ErrorSettings()).values()
    near = error.near(90, 130)
    assert near.degrees_of_freedom == 3
    assert near.relative_variance < error.relative_variance / 4
    assert error.near(1e5, 2e5) == error


def test_two_duplicates_are_too_few_to_show_an_error() -> None:
    assert laboratory_error.lab_errors(duplicates([1, 2], [1.1, 2.1]), ErrorSettings()) == {}


def test_a_wide_range_is_compared_by_ratios_and_a_narrow_one_by_differences() -> None:
    rng = np.random.default_rng(0)
    wide = np.exp(rng.uniform(0, 4, 30))
    assert pair_errors.difference_scale(wide, wide * 1.1)[0] == "log ratio"
    narrow = rng.uniform(100, 120, 60)
    scale, rule = pair_errors.difference_scale(narrow, narrow + rng.normal(0, 2, 60))
    assert scale == "absolute"
    assert "does not grow" in rule
    assert pair_errors.difference_scale(np.array([0.0, 1, 2]), np.array([1.0, 2, 3]))[0] == (
        "absolute"
    )


def test_differences_that_grow_with_the_level_are_compared_by_ratios() -> None:
    rng = np.random.default_rng(3)
    lab = rng.uniform(100, 500, 200)
    scale, rule = pair_errors.difference_scale(lab, lab * np.exp(rng.normal(0, 0.2, 200)))
    assert scale == "log ratio"
    assert "grow with the level" in rule


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_few_pairs_give_no_number_and_no_crash(n: int) -> None:
    found = evaluation.evaluate(STRATUM, study(n) if n else study(5).iloc[:0], None, settings())
    assert found.statistics.n_used == n
    if n < 2:
        assert math.isnan(found.statistics.bias.geometric_mean_ratio.low)


def test_censored_pairs_are_kept_in_the_likelihood_and_out_of_the_means() -> None:
    frame = study(40)
    low = frame["field_mean"] < 90
    assert 3 < low.sum() < 15
    frame.loc[low, ["field_mean", "field_se", "field_sd"]] = np.nan
    frame.loc[low, "field_low"], frame.loc[low, "field_high"] = 0.0, 90.0
    frame.loc[low, "field_qualifier"] = "<"
    frame.loc[low, "used"] = False
    frame.loc[low, "reason_code"] = Exclusion.FIELD_OUTSIDE_LIMITS
    found = evaluation.evaluate(STRATUM, frame, None, settings()).statistics
    assert found.n_used == 40 - low.sum()
    assert found.n_excluded == 0
    assert found.bias.censored_ratio is not None
    assert found.bias.censored_ratio.n == 40
    assert found.bias.censored_ratio.value == pytest.approx(1, abs=0.06)


def test_thirds_are_of_the_logarithm_where_the_range_is_wide() -> None:
    lab = np.array([1.0, 2, 10, 20, 100, 1000])
    frame = pairs(lab, lab)
    assert sum(evaluation.evaluate(STRATUM, frame, None, settings()).thirds) == 6
    assert evaluation.evaluate(STRATUM, frame, None, settings()).thirds == (2, 2, 2)


def test_p_values_are_adjusted_over_all_strata() -> None:
    items = tuple(
        (STRATUM, evaluation.evaluate(STRATUM, study(30, seed=s), None, settings()))
        for s in range(6)
    )
    adjusted = [e.statistics.bias.p_value_adjusted for _, e in evaluation.adjust_p_values(items)]
    assert all(0 <= p <= 1 for p in adjusted)
    alone = evaluation.adjust_p_values(items[:1])[0][1].statistics.bias.p_value_adjusted
    assert adjusted[0] >= alone


def test_what_is_found_of_the_same_pairs_is_found_once_and_of_other_pairs_again() -> None:
    first = evaluation.evaluate(STRATUM, study(), LAB_ERROR, settings())
    count = iter(range(1, 9))

    def ask(e: evaluation.Evaluated) -> int:
        return e.once("a count", (e.pairs,), lambda: next(count))

    further = evaluation.with_further(first)
    assert [ask(first), ask(first), ask(further)] == [1, 1, 1]
    other = replace(first, pairs=first.pairs.iloc[:5])
    assert ask(other) == 2
    assert len(other.used) == int(other.pairs["used"].sum()) < len(first.used)
