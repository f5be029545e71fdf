"""Shots, spots, purge, counts, errors, moisture, overlaps, and the checks of an instrument."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import ArrayLike
from scipy import stats

from reconcile.base.model.account import Finding
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence import quality
from reconcile.evidence.quality.order_of_shots import kendall_sums
from reconcile.evidence.quality.reading_facts import OVERLAPS, Overlap

T = Thresholds()
XRF, LIBS = "XRF · X1 · soil 1", "LIBS · L1 · rock 1"


def xrf(samples: int = 20, **facts: Any) -> pd.DataFrame:
    """Three readings of each sample; nothing to find in them."""
    names = [f"S-{i:02d}" for i in range(samples) for _ in range(3)]
    frame = pd.DataFrame(
        {
            "method": XRF, "technique": "XRF", "sample_id": names,
            "spot": [str(i % 3) for i in range(len(names))], "shot_no": "", "rejected": False,
            "gas_purge": "", "count_time_s": 60.0, "moisture_basis": "dry", "moisture_pct": 5.0,
        }
    )  # fmt: skip
    return frame.assign(**facts)


def libs(samples: int = 20, spots: int = 8, shots: int = 4) -> pd.DataFrame:
    rows = [(f"R-{i:02d}", str(j), str(k + 1)) for i in range(samples) for j in range(spots)
            for k in range(shots)]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["sample_id", "spot", "shot_no"])
    return frame.assign(
        method=LIBS, technique="LIBS", rejected=False, gas_purge="argon", count_time_s=np.nan,
        moisture_basis="dry", moisture_pct=np.nan,
    )  # fmt: skip


def column(element: str, value: ArrayLike, error: Any = np.nan) -> quality.Column:
    values = np.asarray(value, dtype=np.float64)
    return quality.Column(element, values, np.broadcast_to(np.float64(error), values.shape).copy())


def judged(facts: pd.DataFrame, *columns: quality.Column) -> tuple[Finding, ...]:
    return quality.judge_readings(facts, columns, T)


def only(findings: tuple[Finding, ...], start: str) -> Finding:
    (found,) = [f for f in findings if f.text.startswith(start)]
    assert found.advice
    return found


def scatter(facts: pd.DataFrame, level: float = 100.0, sd: float = 0.05) -> np.ndarray:
    return level * np.exp(np.random.default_rng(3).normal(0, sd, len(facts)))


def test_readings_without_fault_give_no_finding() -> None:
    soil, rock = xrf(), libs()
    assert judged(soil, quality.Column("Cu", scatter(soil), np.full(len(soil), 2.0))) == ()
    assert judged(rock, column("Li", scatter(rock))) == ()
    assert judged(soil.iloc[:0]) == ()


def test_kendalls_s_is_that_of_the_reference_library_with_and_without_ties() -> None:
    rng = np.random.default_rng(1)
    for digits in (6, 0):  # 0: many ties
        x = rng.normal(0, 2, 14).round(digits)
        (s,), (variance,) = kendall_sums(x, np.zeros(14, dtype=np.int64), 1)
        plain = sum(np.sign(b - a) for a, b in combinations(x, 2))
        assert s == plain
        p = stats.kendalltau(np.arange(14), x, method="asymptotic").pvalue
        assert 2 * stats.norm.sf(abs(s) / np.sqrt(variance)) == pytest.approx(p, rel=1e-9)


def test_a_skin_that_the_first_shots_take_away_is_named_with_its_sample() -> None:
    facts = libs()
    values = scatter(facts)
    here = facts["sample_id"].eq("R-07").to_numpy()
    values[here] *= 1.25 ** (4 - facts.loc[here, "shot_no"].astype(int).to_numpy())
    found = only(judged(facts, column("Li", values)), "Shots trend within the spots")
    assert found.subject == "R-07"
    assert "cleaning" in found.advice


def test_a_trend_of_a_whole_method_is_told_once_more_for_the_method() -> None:
    facts = libs()
    values = scatter(facts) * 1.1 ** facts["shot_no"].astype(int).to_numpy()
    texts = [f.text for f in judged(facts, column("C", values))]
    assert sum(t.startswith("Shots trend within the spots of this method") for t in texts) == 1


@pytest.mark.slow
def test_false_alarms_of_the_shot_trend_keep_to_the_level() -> None:
    rng = np.random.default_rng(9)
    facts = libs(samples=30, spots=5, shots=5)
    always = Thresholds(shot_trend_size=1e-9)
    alarms = 0
    for _ in range(200):
        values = 100 * np.exp(rng.normal(0, 0.3, len(facts)))
        told = quality.judge_readings(facts, [column("Li", values)], always)
        alarms += bool([f for f in told if f.text.startswith("Shots trend within the spots: ")])
    # at 1 % over all samples together; 8 of 200 has a probability below 0.001
    assert alarms < 8


def test_rejected_shots_and_few_spots_are_told_and_take_no_part_otherwise() -> None:
    facts = libs(samples=3)
    here = facts["sample_id"].eq("R-01") & facts["spot"].isin(["0", "1", "2", "3"])
    facts.loc[here, "rejected"] = True
    values = np.where(here, 1e6, scatter(facts))
    findings = judged(facts, column("Li", values))
    assert only(findings, "Many shots rejected").subject == "R-01"
    assert "16 of 32" in only(findings, "Many shots rejected").evidence
    few = only(findings, "Few spots")
    assert few.subject == "R-01"
    assert "1 of 3 sample(s)" in few.text


def test_a_line_that_air_absorbs_needs_a_purge() -> None:
    facts = libs(samples=2)
    assert judged(facts, column("C", scatter(facts))) == ()
    facts.loc[facts["sample_id"].eq("R-01"), "gas_purge"] = "Air"
    assert judged(facts, column("Li", scatter(facts))) == ()
    assert only(judged(facts, column("C", scatter(facts))), "No gas purge").subject == "R-01"


def test_short_counts_and_counts_not_stated_are_told() -> None:
    facts = xrf()
    facts.loc[3:5, "count_time_s"] = 10.0
    facts.loc[6, "count_time_s"] = np.nan
    findings = judged(facts)
    assert only(findings, "Short count time: 3 of 60").subject == "S-01"
    assert only(findings, "Count time not stated: 1 of 60").subject == "S-02"


def test_a_value_below_three_of_its_errors_is_not_detected_and_below_ten_not_quantified() -> None:
    facts = xrf()
    error = np.full(len(facts), 2.0)
    error[3], error[9] = 40.0, 15.0
    findings = judged(facts, quality.Column("Cu", np.full(len(facts), 100.0), error))
    assert only(findings, "Result below 3 of its own").subject == "S-01"
    assert "Cu (1 of 60)" in only(findings, "Detected and not quantified").evidence
    missing = judged(facts, column("Cu", np.full(len(facts), 100.0)))
    assert "Cu (60 of 60)" in only(missing, "Counting error not stated").evidence


def test_moist_specimens_are_told_from_the_limit_on() -> None:
    facts = xrf(moisture_basis="as received")
    assert judged(facts) == ()
    facts.loc[facts["sample_id"].eq("S-04"), "moisture_pct"] = 31.0
    facts.loc[facts["sample_id"].eq("S-05"), "moisture_pct"] = np.nan
    findings = judged(facts)
    assert only(findings, "Read moist").subject == "S-04"
    assert only(findings, "Moisture not stated").subject == "S-05"
    assert judged(facts.assign(moisture_basis="dry")) == ()


@pytest.mark.parametrize("pair", OVERLAPS, ids=lambda p: f"{p.by} on {p.of}")
def test_an_overlapping_element_is_told_from_its_ratio_on(pair: Overlap) -> None:
    facts = xrf(samples=2)
    low = np.where(facts["sample_id"].eq("S-01"), 1.01, 0.99) * pair.ratio * 10
    error = np.full(len(facts), 0.1)
    findings = judged(
        facts,
        quality.Column(pair.of, np.full(len(facts), 10.0), error),
        quality.Column(pair.by, low, error),
    )
    found = only(findings, f"{pair.by} overlaps {pair.of}")
    assert found.subject == "S-01"
    assert "source" in found.evidence or "EPA" in found.evidence


# ---- checks of the instrument -----------------------------------------------------------

REFERENCE = pd.DataFrame(
    [("RM-1", "Cu", 200.0, 10.0, 2.0)],
    columns=["reference_code", "element", "certified_mg_kg", "uncertainty_mg_kg",
             "coverage_factor"],
)  # fmt: skip


def day(
    checks: dict[int, float], samples: range, date: str = "2026-10-05"
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """A day: checks {minute: recovery}, a sample every ten minutes."""
    start = pd.Timestamp(f"{date} 08:00")
    line = [(start + pd.Timedelta(minutes=m), "RM-1", "reference material") for m in checks]
    line += [(start + pd.Timedelta(minutes=m), f"{date[-2:]}-{m}", "sample") for m in samples]
    timeline = pd.DataFrame(line, columns=["at", "sample_id", "sample_kind"])
    timeline = timeline.assign(method=XRF, day=date)
    controls = pd.DataFrame(
        [
            {
                "sample_kind": "reference material", "reference_code": "RM-1", "sample_id": "RM-1",
                "side": "field", "method": XRF, "element": "Cu", "batch": date, "qualifier": "",
                "at": (start + pd.Timedelta(minutes=m)).tz_localize("UTC"),
                "value_mg_kg": 200.0 * recovery, "limit_mg_kg": 5.0, "se": 4.0,
            }
            for m, recovery in checks.items()
        ]
    )  # fmt: skip
    return timeline, controls


def bracketed(*days: tuple[pd.DataFrame, pd.DataFrame]) -> tuple[Finding, ...]:
    return quality.judge_bracketing(
        pd.concat([d[0] for d in days]), pd.concat([d[1] for d in days]), REFERENCE, T
    )


def test_a_day_that_is_well_checked_gives_no_finding() -> None:
    assert bracketed(day({0: 1.0, 95: 1.02, 195: 0.99}, range(10, 190, 10))) == ()


def test_a_failed_check_names_what_was_read_between_the_good_ones() -> None:
    made = day({0: 1.0, 95: 1.5, 195: 0.99, 295: 1.0}, range(10, 290, 10))
    found = only(bracketed(made), "Failed bracket: RM-1, Cu")
    assert "recovery 150.0%" in found.evidence
    named = found.evidence.rsplit(": ", 1)[1].split(", ")
    assert named == [f"05-{m}" for m in range(10, 195, 10)]


def test_a_failed_last_check_reaches_to_the_end_of_the_day() -> None:
    made = day({0: 1.0, 95: 1.0, 195: 0.6}, range(10, 190, 10))
    found = only(bracketed(made), "Failed bracket")
    assert "the end of the day" in found.evidence
    assert "05-100" in found.evidence
    assert "05-90" not in found.evidence


def test_checks_that_are_missing_or_far_apart_are_told() -> None:
    assert "start" in only(bracketed(day({95: 1.0, 195: 1.0}, range(10, 190, 10))), "No check").text
    assert "end" in only(bracketed(day({0: 1.0, 95: 1.0}, range(10, 190, 10))), "No check").text
    far = only(bracketed(day({0: 1.0, 245: 1.0}, range(10, 240, 10))), "Checks too far apart")
    assert "23 samples, 4.1 h" in far.evidence
    timeline, controls = day({0: 1.0}, range(10, 100, 10))
    alone = timeline.loc[timeline["sample_kind"].eq("sample")]
    only(quality.judge_bracketing(alone, controls.iloc[:0], REFERENCE, T), "No check of the")


def test_a_drift_that_comes_back_every_day_is_told_and_scatter_is_not() -> None:
    drifting = [
        day({0: 1.0, 95: 1.04, 195: 1.09 + 0.002 * d}, range(10, 190, 10), f"2026-10-{d:02d}")
        for d in range(5, 10)
    ]
    assert "+10.4%" in only(bracketed(*drifting), "Drift within the day: RM-1, Cu").evidence
    steady = [
        day({0: 1.0, 95: 1.0, 195: 1 + 0.1 * (-1) ** d}, range(10, 190, 10), f"2026-10-{d:02d}")
        for d in range(5, 10)
    ]
    assert bracketed(*steady) == ()


# ---- stages, rates, charts --------------------------------------------------------------


def test_each_stage_of_duplicates_adds_what_was_put_into_it() -> None:
    rng = np.random.default_rng(5)
    own = {"lab repeat": 0.02, "pulp": 0.05, "coarse": 0.10, "field": 0.20}
    rows = []
    total = 0.0
    for stage, sd in own.items():
        total = float(np.hypot(total, sd))
        for i in range(4000):
            one, two = 100 * np.exp(rng.normal(0, total, 2))
            rows.append(("duplicate", f"{stage}-{i}", stage, "lab", "M", "Cu", two, one))
    frame = pd.DataFrame(
        rows,
        columns=["sample_kind", "sample_id", "duplicate_kind", "side", "method", "element",
                 "value_mg_kg", "first_mg_kg"],
    )  # fmt: skip
    stages = quality.duplicate_stages(frame, 0.95)
    assert [s.stage for s in stages] == list(own)
    for item, sd in zip(stages[1:], list(own.values())[1:], strict=True):
        assert item.added == pytest.approx(sd, rel=0.06)
        assert item.rsd.low < item.rsd.value < item.rsd.high


def test_rates_stand_against_the_plan_and_name_batches_without() -> None:
    controls = pd.DataFrame(
        [("lab", "C-1", kind, f"{kind}-{i}") for kind, n in
         (("blank", 2), ("duplicate", 3), ("reference material", 2), ("check standard", 1))
         for i in range(n)],
        columns=["side", "batch", "sample_kind", "sample_id"],
    )  # fmt: skip
    samples = pd.DataFrame(
        [("lab", batch, f"{batch}-{i}") for batch in ("C-1", "C-2") for i in range(16)],
        columns=["side", "batch", "sample_id"],
    )
    rates = quality.against_plan(quality.insertion_rates(controls, samples), T)
    by_kind = {r.kind: r for r in rates}
    assert by_kind["reference material"].controls == 3
    assert by_kind["reference material"].rate == pytest.approx(3 / 40)
    assert {r.without for r in rates} == {("C-2",)}
    starts = [f.text.split(":")[0] for f in quality.rate_findings(rates)]
    assert starts == ["Batch without control"] * 3


def test_charts_keep_instrument_and_calibration_apart_and_join_readings_of_one_check() -> None:
    times = pd.date_range("2026-10-01 08:00", periods=10, freq="2h", tz="UTC")
    rows = [
        ("field", "reference material", "RM-1", f"XRF · X1 · {calibration}", "Cu", "", t, v)
        for calibration in ("soil 1", "soil 2")
        for i, at in enumerate(times)
        for t, v in ((at, 100.0 + i % 3), (at + pd.Timedelta(minutes=2), 102.0 + i % 3))
    ]
    frame = pd.DataFrame(
        rows,
        columns=["side", "sample_kind", "reference_code", "method", "element", "qualifier", "at",
                 "value_mg_kg"],
    )  # fmt: skip
    charts = quality.control_charts(frame)
    assert [(c.method, len(c.values)) for c in charts] == [
        ("XRF · X1 · soil 1", 10), ("XRF · X1 · soil 2", 10),
    ]  # fmt: skip
    assert charts[0].values[:3] == (101.0, 102.0, 103.0)
    assert quality.control_charts(frame.iloc[:14]) == ()


@pytest.mark.parametrize("element", ["Mg", "Al", "Si", "P", "S", "Cl"])
def test_light_elements_read_in_air_get_their_caution(element: str) -> None:
    facts = xrf(4)
    findings = judged(facts, column(element, scatter(facts), 2.0))
    assert only(findings, f"Read in air: {element}").severity == "note"
    purged = xrf(4, gas_purge="helium")
    assert not judged(purged, column(element, scatter(purged), 2.0))
