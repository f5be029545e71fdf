from __future__ import annotations

import math
from typing import Any, cast

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.base.model.controls import QualityCheck
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence import quality
from tests.test_quality_faults import REFERENCE, clean, judged

T = Thresholds()
NONE = pd.DataFrame()


def _control(**facts: object) -> dict[str, object]:
    return {
        "sample_kind": "reference material", "reference_code": "RM-1", "sample_id": "q",
        "method": "m", "element": "Cu", "batch": "C-1", "value_mg_kg": 212.0, "qualifier": "",
        "limit_mg_kg": 2.0, **facts,
    }  # fmt: skip


def _lab(*rows: dict[str, object]) -> QualityCheck:
    (check,) = quality.judge_reference_materials(NONE, pd.DataFrame(rows), REFERENCE, T)
    return check


def test_no_controls_give_no_checks_and_empty_tables() -> None:
    assert quality.judge_reference_materials(NONE, NONE, NONE, T) == ()
    assert quality.judge_blanks(NONE, T) == ()
    assert quality.judge_duplicates(NONE, T) == ()
    assert list(quality.failed_batches(()).columns) == [
        "side", "batch", "method", "element", "reason",
    ]  # fmt: skip
    assert quality.insertion_rates(NONE, NONE).empty
    assert quality.chart_findings(quality.control_charts(NONE)) == ()


def test_a_code_without_certified_value_is_said_once_and_not_judged() -> None:
    rows = [_control(reference_code="RM-9", element=e) for e in ("Cu", "Zn")]
    check = _lab(*rows)
    assert check.passed is None
    assert "no certified value" in check.rule


def test_an_element_that_the_certificate_lacks_is_passed_over() -> None:
    assert (
        quality.judge_reference_materials(
            NONE, pd.DataFrame([_control(element="Ni"), _control()]), REFERENCE, T
        )[0].element
        == "Cu"
    )


def test_a_single_lab_result_without_known_spread_is_judged_by_recovery() -> None:
    assert _lab(_control(value_mg_kg=212.0 * 1.19)).passed is True
    check = _lab(_control(value_mg_kg=212.0 * 1.21))
    assert check.passed is False
    assert math.isnan(check.score)
    assert "recovery 80% to 120%" in check.rule


def test_stated_errors_make_a_zeta_score() -> None:
    check = _lab(_control(value_mg_kg=225.0, se=3.0))
    # zeta = 13/sqrt(3² + 2.12²): U = 2 % of 212 with k = 2
    assert check.score == pytest.approx(13 / math.hypot(3.0, 2.12))
    assert check.passed is False


def test_a_certificate_without_uncertainty_makes_no_zeta_score() -> None:
    reference = REFERENCE.assign(uncertainty_mg_kg=np.nan)
    (check,) = quality.judge_reference_materials(
        NONE, pd.DataFrame([_control(value_mg_kg=225.0, se=3.0)]), reference, T
    )
    assert math.isnan(check.score)
    assert check.passed is True


def test_a_coverage_factor_that_is_missing_is_taken_as_two() -> None:
    reference = REFERENCE.assign(coverage_factor=np.nan)
    (check,) = quality.judge_reference_materials(
        NONE, pd.DataFrame([_control(value_mg_kg=225.0, se=3.0)]), reference, T
    )
    assert check.score == pytest.approx(13 / math.hypot(3.0, 2.12))


def test_a_certified_value_that_cannot_be_quantified_is_not_judged() -> None:
    assert _lab(_control(value_mg_kg=400.0, limit_mg_kg=70.0)).passed is None
    assert _lab(_control(value_mg_kg=400.0, se=25.0)).passed is None
    assert _lab(_control(value_mg_kg=400.0, limit_mg_kg=60.0)).passed is False


def test_a_censored_result_fails_only_where_its_bound_decides() -> None:
    below = _control(value_mg_kg=np.nan, qualifier="<", limit_mg_kg=20.0)
    assert _lab(below).passed is False
    assert _lab(below, _control(value_mg_kg=380.0)).passed is None
    above = _control(value_mg_kg=np.nan, qualifier=">", limit_mg_kg=60.0)
    assert _lab(above).passed is None


def test_low_recovery_by_a_partial_digestion_is_no_failure_but_high_recovery_is() -> None:
    low = _control(value_mg_kg=100.0, digestion_class="partial")
    assert _lab(low).passed is None
    assert _lab({**low, "value_mg_kg": 300.0}).passed is False
    assert _lab({**low, "digestion_class": "total"}).passed is False
    assert _lab({**low, "digestion_class": "", "method": "ICP · aqua regia"}).passed is None


def test_a_near_total_digestion_excuses_only_the_elements_it_is_short_on() -> None:
    reference = pd.concat([REFERENCE, REFERENCE.iloc[:1].assign(element="Zr")])
    rows = [
        _control(value_mg_kg=100.0, digestion_class="near-total", element=e) for e in ("Cu", "Zr")
    ]
    checks = quality.judge_reference_materials(NONE, pd.DataFrame(rows), reference, T)
    assert {c.element: c.passed for c in checks} == {"Cu": False, "Zr": None}


def test_a_field_reading_that_was_repeated_and_came_good_does_not_fail_the_day() -> None:
    rows = [
        _control(value_mg_kg=v, at=pd.Timestamp(f"2026-10-01 {h}:00Z"))
        for h, v in ((8, 212.0), (12, 262.0), (13, 215.0), (16, 210.0))
    ]
    (check,) = quality.judge_reference_materials(pd.DataFrame(rows), NONE, REFERENCE, T)
    assert check.passed is True


def test_without_a_batch_the_day_stands_for_it() -> None:
    row = _control(batch="", at=pd.Timestamp("2026-10-01 23:30Z"))
    (check,) = quality.judge_reference_materials(pd.DataFrame([row]), NONE, REFERENCE, T)
    assert check.batch == "2026-10-01"
    assert check.at == "2026-10-01T23:30:00Z"


# ---- blanks, duplicates -------------------------------------------------------------


def _blank(**facts: object) -> QualityCheck:
    row = _control(sample_kind="blank", side="lab", reference_code="B", **facts)
    return quality.judge_blanks(pd.DataFrame([row]), T)[0]


def test_a_blank_is_judged_against_three_times_its_limit() -> None:
    assert _blank(value_mg_kg=6.0).passed is True
    assert _blank(value_mg_kg=6.01).passed is False
    assert _blank(value_mg_kg=np.nan, qualifier="<").passed is True
    assert _blank(value_mg_kg=np.nan, qualifier=">").passed is False
    assert _blank(value_mg_kg=np.nan).passed is None
    assert _blank(value_mg_kg=-1.0).passed is True


def test_a_blank_without_any_known_limit_is_not_judged() -> None:
    assert _blank(value_mg_kg=6.0, limit_mg_kg=np.nan).passed is None


def test_a_blank_takes_the_limit_that_other_rows_of_its_method_name() -> None:
    rows = [
        _control(sample_kind="blank", side="lab", limit_mg_kg=np.nan, value_mg_kg=50.0),
        _control(side="lab", limit_mg_kg=2.0),
    ]
    assert quality.judge_blanks(pd.DataFrame(rows), T)[0].passed is False


def _duplicates(
    first: np.ndarray, second: np.ndarray, kind: str = "pulp", **more: object
) -> QualityCheck:
    frame = pd.DataFrame(
        {
            "sample_kind": "duplicate", "duplicate_kind": kind, "side": "lab", "method": "m",
            "element": "Cu", "sample_id": [f"s{i}" for i in range(len(first))],
            "value_mg_kg": second, "first_mg_kg": first, "limit_mg_kg": 0.1,
            "first_limit_mg_kg": 0.1, **more,
        }
    )  # fmt: skip
    (check,) = quality.judge_duplicates(frame, T)
    return check


def test_few_duplicates_fail_only_where_even_the_best_case_fails() -> None:
    close, apart = np.array([100.0, 200.0, 50.0]), np.array([101.0, 203.0, 50.4])
    assert _duplicates(close, apart).passed is None
    assert _duplicates(close, 3 * apart).passed is False


def test_equal_duplicates_pass() -> None:
    x = np.linspace(10, 50, 9)
    assert _duplicates(x, x).passed is True


def test_field_duplicates_are_judged_by_the_share_within_their_convention() -> None:
    x = np.linspace(10, 50, 20)
    wide = x * np.where(np.arange(20) % 2, 1.35, 0.72)  # half relative difference 15 to 16 %
    assert _duplicates(x, wide, "field").passed is True
    assert _duplicates(x, wide, "pulp").passed is False
    assert "20%" in _duplicates(x, wide, "field").rule


def test_pairs_below_quantitation_are_left_out_and_counted() -> None:
    x = np.linspace(10, 50, 12)
    check = _duplicates(x, x * 1.02, limit_mg_kg=6.0)
    assert check.n == int((x * 1.01 >= 20).sum())
    assert f"{12 - check.n} further pair(s)" in check.told


def test_duplicates_find_their_first_result_among_the_rows() -> None:
    frame = clean().drop(columns=["first_mg_kg", "first_qualifier", "first_limit_mg_kg"])
    pairs = frame.loc[frame["sample_kind"].eq("duplicate")]
    firsts = pairs.assign(
        sample_kind="sample", sample_id=pairs["duplicate_of"].str.lower(), duplicate_of=""
    )
    checks = quality.judge_duplicates(pd.concat([firsts, pairs], ignore_index=True), T)
    assert {c.n for c in checks} == {24}
    assert all(math.isnan(c.found) and "all equal" in c.told for c in checks)
    assert all(c.passed for c in checks)


# ---- interference -------------------------------------------------------------------


def test_arsenic_is_flagged_from_ten_times_as_much_lead_on_by_xrf_only() -> None:
    readings = pd.DataFrame(
        {
            "sample_id": ["a", "b", "c", "d", "e"],
            "technique": ["XRF", "XRF", "LIBS", "XRF", "xrf"],
            "Pb": [1000.0, 999.0, 5000.0, np.nan, 300.0],
            "As": [100.0, 100.0, 100.0, 100.0, np.nan],
            "As_limit": [np.nan, np.nan, np.nan, np.nan, 20.0],
        }
    )
    flags = quality.interference_flags(readings, T)
    assert list(flags["sample_id"]) == ["a", "e"]
    assert "at least 15.0" in flags["evidence"].iloc[1]


def test_interference_is_judged_on_the_mean_of_a_samples_readings() -> None:
    readings = pd.DataFrame(
        {"sample_id": ["a", "a"], "technique": "XRF", "Pb": [500.0, 700.0], "As": [50.0, 80.0]}
    )
    assert quality.interference_flags(readings, T).empty
    assert quality.interference_flags(pd.DataFrame({"sample_id": ["a"]}), T).empty


# ---- any table ----------------------------------------------------------------------


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(st.data())
def test_no_combination_of_missing_cells_stops_the_judgement(data: st.DataObject) -> None:
    frame = clean().iloc[::11].reset_index(drop=True).astype("object")
    for _ in range(data.draw(st.integers(0, 25))):
        row = data.draw(st.integers(0, len(frame) - 1))
        column = data.draw(st.integers(0, frame.shape[1] - 1))
        gaps = [None, float("nan"), pd.NA, pd.NaT, "", float("inf"), "text"]
        frame.iat[row, column] = data.draw(st.sampled_from(gaps))
    drop = data.draw(st.sets(st.sampled_from(list(frame.columns)), max_size=3))
    kept = frame.drop(columns=sorted(drop - {"side"}))
    checks = judged(kept)
    quality.failed_batches(checks)
    quality.findings(checks)
    quality.chart_findings(quality.control_charts(kept))
    quality.insertion_rates(kept, pd.DataFrame({"sample_id": [None, "a"]}))
    assert all(c.passed in (True, False, None) for c in checks)


@settings(max_examples=30, deadline=None)
@given(st.permutations(range(0, 120, 3)))
@pytest.mark.slow
def test_the_order_of_the_rows_does_not_change_a_verdict(order: list[int]) -> None:
    frame = clean().iloc[:120].assign(at=cast("Any", pd.NaT))
    part = frame.iloc[sorted(order)]
    mixed = frame.iloc[list(order)]
    one = {(c.side, c.kind, c.code, c.element, c.batch): c.passed for c in judged(part)}
    two = {(c.side, c.kind, c.code, c.element, c.batch): c.passed for c in judged(mixed)}
    assert one == two


# ---- charts -------------------------------------------------------------------------


def test_each_rule_speaks_where_it_is_completed() -> None:
    flat = [0.3, -0.3] * 6
    assert quality.signals([*flat, 3.1], 0, 1)["3 s"] == (12,)
    assert quality.signals([*flat, 2.1, 0.1, 2.2], 0, 1)["2 of 3 beyond 2 s"] == (14,)
    assert quality.signals([*flat, 2.1, 0.1, -2.2], 0, 1)["2 of 3 beyond 2 s"] == ()
    four = quality.signals([*flat, 1.1, 1.2, 0.2, 1.3, 1.1], 0, 1)
    assert four["4 of 5 beyond 1 s"] == (16,)
    assert quality.signals([*flat, *[0.1] * 9], 0, 1)["9 on one side"] == (20,)
    rising = quality.signals([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.4], 0, 1)
    assert rising["6 rising or falling"] == (5,)


def test_a_missing_result_breaks_no_run() -> None:
    values = [0.1, 0.1, np.nan, *[0.1] * 7]
    assert quality.signals(values, 0, 1)["9 on one side"] == (9,)


def test_a_chart_of_results_that_do_not_vary_says_so() -> None:
    chart = quality.individuals_chart([5.0, 5.0, 5.0])
    assert chart.reason
    assert quality.individuals_chart([5.0]).reason == "fewer than two results"


@settings(deadline=None)  # the first chart of a size simulates its rates
@given(st.lists(st.floats(allow_nan=True, allow_infinity=True), max_size=30))
def test_any_numbers_at_all_can_be_charted(values: list[float]) -> None:
    with np.errstate(all="ignore"):
        quality.individuals_chart(values).sentence()


def test_two_of_three_looks_at_three_points_and_no_more() -> None:
    assert quality.signals([2.1, 0.1, 0.1, 2.2], 0, 1)["2 of 3 beyond 2 s"] == ()


def test_repeats_in_one_batch_do_not_lessen_a_spread_found_over_batches() -> None:
    values = [200.0, 204.0, 208.0, 212.0, 216.0, 220.0, 224.0, 228.0]
    rows = [
        _control(batch=f"C-{i // 2}", value_mg_kg=value, limit_mg_kg=np.nan)
        for i, value in enumerate(values)
    ]
    checks = quality.judge_reference_materials(NONE, pd.DataFrame(rows), REFERENCE, T)
    sd = 1.4826 * 8.0 * 8 / 7.2  # median absolute deviation 8, corrected for n = 8
    assert checks[0].n == 2
    assert checks[0].score == pytest.approx((202 - 212) / math.hypot(sd, 2.12), rel=1e-4)


def test_a_failed_blank_spoils_results_up_to_ten_times_its_content() -> None:
    spoiled = quality.contaminated_below((_blank(value_mg_kg=30.0), _blank(value_mg_kg=5.0)))
    assert list(spoiled["below_mg_kg"]) == [300.0]
    assert list(spoiled["element"]) == ["Cu"]
