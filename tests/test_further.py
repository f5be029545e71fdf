"""Further results: what is computed from the pairs and readings of known truth."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, cast

import numpy as np
import pandas as pd
import pytest

from reconcile.base.methods import FieldMethod
from reconcile.base.model.figures import Readings
from reconcile.base.model.further import KAPLAN_MEIER, Further
from reconcile.base.reasons import Exclusion
from reconcile.figures import evaluation, further
from reconcile.figures.laboratory_error import LabError
from tests.pairs import STRATUM, pairs, settings, study

LAB_ERROR = LabError(0.0004, 20, "20 pairs of laboratory duplicates")


def with_errors(
    s0: float, theta: float, n: int = 80, spots: int = 4, low: float = 20, high: float = 2000
) -> pd.DataFrame:
    """Pairs whose field mean has an error of sqrt(s0² + (theta·level)²) per spot."""
    rng = np.random.default_rng(7)
    true = np.exp(rng.uniform(math.log(low), math.log(high), n))
    lab = true * np.exp(rng.normal(0, 0.02, n))
    sd = np.hypot(s0, theta * true)[:, None]
    single = true[:, None] + sd * rng.normal(size=(n, spots))
    frame = pairs(lab, single.mean(axis=1))
    frame["field_spots"] = frame["field_n"] = spots
    frame["field_sd"] = single.std(axis=1, ddof=1)
    frame["field_se"] = frame["field_sd"] / math.sqrt(spots)
    return frame


def details_of(frame: pd.DataFrame, error: LabError | None = LAB_ERROR) -> dict:
    statistics = evaluation.evaluate(STRATUM, frame, error, settings()).statistics
    return {"statistics": statistics, **dict(statistics.further)}


@pytest.mark.parametrize(
    ("s0", "theta", "structure", "scale", "method"),
    [
        (0.0, 0.1, "constant CV", "log ratio", "weighted deming"),
        (20.0, 0.12, "mixed", "log ratio", "york"),
    ],
)
def test_replicates_choose_scale_and_line(
    s0: float, theta: float, structure: str, scale: str, method: str
) -> None:
    found = details_of(with_errors(s0, theta, low=150 if s0 else 20))
    assert found[Further.STRUCTURE].structure == structure
    assert found["statistics"].difference_scale == scale
    assert found["statistics"].headline.method == method


def test_a_constant_sd_of_replicates_asks_for_differences_even_over_an_order_of_magnitude() -> None:
    frame = with_errors(12.0, 0.0, low=100, high=1500)
    # a lab as precise at every level, so that differences don't grow with it
    rng = np.random.default_rng(5)
    frame["lab_mean"] = frame["field_mean"] + rng.normal(0, 8, len(frame))
    found = details_of(frame)
    assert found[Further.STRUCTURE].structure == "constant SD"
    assert found["statistics"].difference_scale == "absolute"
    assert found["statistics"].headline.method == "deming"
    assert Further.LEVEL_LIMITS in found
    assert Further.LOG_CONCORDANCE not in found


def test_least_squares_is_flagged_above_the_named_threshold_only() -> None:
    frame = with_errors(0.0, 0.1, low=100, high=180)
    wide = LabError(0.15**2, 20, "20 pairs of laboratory duplicates")
    flagged = evaluation.evaluate(STRATUM, frame, wide, settings()).statistics.headline
    assert "more than 0.2" in flagged.caution
    assert "too flat" in flagged.caution
    asked = settings(lab_error_ratio_flag=5.0)
    assert not evaluation.evaluate(STRATUM, frame, wide, asked).statistics.headline.caution
    assert not details_of(frame)["statistics"].headline.caution


def test_least_squares_allows_scatter_in_proportion_where_ratios_lead() -> None:
    from reconcile.statistics import lines

    frame = study(40)
    lab, field = frame["lab_mean"].to_numpy(), frame["field_mean"].to_numpy()
    found = evaluation.evaluate(STRATUM, frame, LAB_ERROR, settings()).statistics
    assert found.difference_scale == "log ratio"
    assert found.fits.ols.slope.low == lines.ols(lab, field, errors="any").slope.low
    assert found.fits.ols.slope.low != lines.ols(lab, field).slope.low
    assert found.fits.ols.slope.value == pytest.approx(lines.ols(lab, field).slope.value)


def test_a_york_line_needs_the_errors_of_both_sides() -> None:
    frame = with_errors(3.0, 0.1)
    assert Further.YORK in details_of(frame)
    assert Further.YORK not in details_of(frame, None)
    alone = frame.assign(field_se=math.nan, field_sd=math.nan)
    assert Further.YORK not in details_of(alone)


def test_a_factor_can_be_validated_on_held_out_pairs_where_york_leads() -> None:
    frame = with_errors(20.0, 0.12, low=150)
    statistics = details_of(frame)["statistics"]
    lab, field = frame["lab_mean"].to_numpy(), frame["field_mean"].to_numpy()
    parts = np.ones((2, len(lab)), dtype=np.bool_)
    parts[1, 1::2] = False
    intercepts, slopes = evaluation.structural_lines(statistics, lab, field, parts)
    line = statistics.headline_line
    assert intercepts[0] == pytest.approx(line.intercept.value, rel=1e-8, abs=1e-9)
    assert slopes[0] == pytest.approx(line.slope.value, rel=1e-9)
    assert slopes[1] == pytest.approx(1.0, abs=0.15)


def test_the_pair_that_moves_the_slope_most_is_named_and_figures_stand_without_it() -> None:
    frame = study(40)
    at = int(frame["lab_mean"].to_numpy().argmax())
    frame.loc[at, ["field_mean", "field_low", "field_high"]] *= 3.0
    found = details_of(frame)[Further.WITHOUT_PAIR]
    assert found.sample_id == frame["sample_id"].iloc[at]
    moved, calm = (
        abs(d["statistics"].headline_line.slope.value - d[Further.WITHOUT_PAIR].slope.value)
        for d in (details_of(frame), details_of(study(40)))
    )
    assert moved > 3 * calm
    whole = details_of(frame)["statistics"].bias.geometric_mean_ratio
    assert found.bias.value < whole.value
    assert math.isnan(found.bias.low)
    assert "chosen by its effect" in found.slope.reason


def readings(n: int, spots: int, shots: int, sd: tuple[float, float, float]) -> Readings:
    rng = np.random.default_rng(11)
    between, spot_sd, shot_sd = sd
    sample = np.repeat(np.arange(n), spots * shots)
    spot = np.repeat(np.arange(n * spots), shots)
    level = rng.normal(5, between, n)
    value = level[sample] + rng.normal(0, spot_sd, n * spots)[spot]
    value = value + rng.normal(0, shot_sd, len(value))
    return Readings(np.exp(value), sample, spot, np.exp(level), np.arange(n))


def test_scatter_is_split_into_shots_spots_and_samples() -> None:
    found = further.scatter(readings(300, 4, 3, (0.5, 0.2, 0.1)), "log ratio", 0.95)
    assert found is not None
    assert found.relative
    assert found.by_spots
    assert math.sqrt(found.components.shot.value) == pytest.approx(0.1, rel=0.1)
    assert math.sqrt(found.components.spot.value) == pytest.approx(0.2, rel=0.1)
    assert math.sqrt(found.components.sample.value) == pytest.approx(0.5, rel=0.15)
    assert found.single.value == pytest.approx(math.hypot(0.2, 0.1 / math.sqrt(3)), rel=0.1)
    assert found.count == pytest.approx(4)
    half = 1.96 * math.hypot(0.2, 0.1 / math.sqrt(3))
    assert found.limits.upper.value == pytest.approx(half, rel=0.1)


def test_readings_without_spots_are_readings_and_single_ones_tell_nothing() -> None:
    one_spot = readings(50, 1, 5, (0.5, 0.0, 0.1))
    found = further.scatter(one_spot, "log ratio", 0.95)
    assert found is not None
    assert not found.by_spots
    assert found.single.value == pytest.approx(0.1, rel=0.15)
    assert further.scatter(readings(50, 1, 1, (0.5, 0.1, 0.1)), "log ratio", 0.95) is None


def test_a_reading_at_zero_keeps_the_scatter_on_the_scale_of_masses() -> None:
    some = readings(20, 3, 1, (0.5, 0.1, 0.0))
    some.field[0] = 0.0
    found = further.scatter(some, "log ratio", 0.95)
    assert found is not None
    assert not found.relative


def side(technique: str, seed: int, matrix: str = "soil", n: int = 60) -> further.Side:
    rng = np.random.default_rng(1)
    lab = np.exp(rng.uniform(3, 6, n))
    own = np.random.default_rng(seed)
    spread = {"LIBS": 0.2, "XRF": 0.08}.get(technique, 0.1)
    frame = pairs(lab * np.exp(rng.normal(0, 0.03, n)), lab * np.exp(own.normal(0, spread, n)))
    stratum = replace(STRATUM, read_by=FieldMethod(technique, str(seed)), matrix=matrix)
    return further.Side(stratum, frame, "log ratio", 0.0009)


def test_three_methods_are_compared_where_both_techniques_met_the_lab() -> None:
    sides = [side("LIBS", 2), side("XRF", 3), side("XRF", 4, matrix="pegmatite")]
    found = further.three_methods(sides, 0.95)
    assert set(found) == {sides[0].stratum.key, sides[1].stratum.key}
    both = found[sides[0].stratum.key]
    assert both == found[sides[1].stratum.key]
    assert both.names == ("LIBS", "XRF", "laboratory")
    assert math.sqrt(both.variances[0].value) == pytest.approx(0.2, rel=0.3)
    assert both.known_index == 2


def test_three_methods_need_five_common_samples_and_two_techniques() -> None:
    few = [side("LIBS", 2, n=4), side("XRF", 3, n=4)]
    assert further.three_methods(few, 0.95) == {}
    assert further.three_methods([side("XRF", 2), side("XRF", 3)], 0.95) == {}


def test_censored_pairs_give_a_line_medians_and_a_test_of_detection() -> None:
    frame = study(60)
    low = frame["field_mean"] < 120
    assert 5 < low.sum() < 30
    frame.loc[low, ["field_mean", "field_se", "field_sd"]] = np.nan
    frame.loc[low, "field_low"], frame.loc[low, "field_high"] = 0.0, 120.0
    frame.loc[low, "field_qualifier"] = "<"
    frame.loc[low, "used"] = False
    frame.loc[low, "reason_code"] = Exclusion.FIELD_OUTSIDE_LIMITS
    found = details_of(frame)
    assert found[Further.CENSORED_LINE].n_censored == low.sum()
    assert found[Further.CENSORED_LINE].slope.value == pytest.approx(1, abs=0.1)
    assert found[KAPLAN_MEIER["field"]].n_nondetect == low.sum()
    assert KAPLAN_MEIER["lab"] not in found
    assert found[Further.DETECTION].lab_only == low.sum()
    assert found[Further.DETECTION].p_value < 0.05
    assert Further.CENSORED_LINE not in details_of(study(60))


def test_the_level_of_data_quality_names_what_decided() -> None:
    good = details_of(study(60, rsd=0.03))[Further.QUALITY_LEVEL]
    assert good.level == "definitive"
    shifted = details_of(study(60, ratio=1.4, rsd=0.03))[Further.QUALITY_LEVEL]
    assert shifted.level == "quantitative screening"
    assert "differs from 1" in shifted.binding
    wild = study(60, rsd=0.03)
    wild["field_se"] = 0.3 * wild["field_mean"]
    assert "relative standard deviation" in details_of(wild)[Further.QUALITY_LEVEL].binding
    assert details_of(study(60, rsd=0.03))[Further.METHOD_CRITERIA].replicates == 3
    alone = study(60).assign(field_se=np.nan)
    assert details_of(alone)[Further.QUALITY_LEVEL].level == "not assigned"


@pytest.mark.parametrize("n", [0, 1, 2, 3, 4])
def test_few_pairs_give_no_crash_and_no_made_up_number(n: int) -> None:
    found = details_of(study(n) if n else study(5).iloc[:0])
    assert not found[Further.STRUCTURE].s0.estimable or n >= 3
    for name in (Further.YORK, Further.WITHOUT_PAIR):
        assert name not in found or n >= 3


def test_of_very_many_samples_an_even_part_is_looked_into() -> None:
    frame = pd.DataFrame({"sample_id": [f"S{i}" for i in range(12_001)]})
    some = further.some_of(frame)
    assert 4000 <= len(some) <= further.MOST_SAMPLES
    assert len(further.some_of(frame.iloc[:5000])) == 5000


def test_a_line_through_too_many_censored_pairs_is_left_out_and_says_so() -> None:
    rng = np.random.default_rng(4)
    lab = np.exp(rng.uniform(1, 5, 2100))
    frame = pd.DataFrame({"lab_low": lab, "lab_high": lab, "field_low": lab, "field_high": lab})
    frame["lab_qualifier"] = frame["field_qualifier"] = ""
    frame.loc[:3, ["field_low", "field_qualifier"]] = cast("Any", [0.0, "<"])
    line = dict(further.of_censored(frame, 0.95))[Further.CENSORED_LINE]
    assert line.n == 2100
    assert "2100 pairs are more than" in line.sentence()
