"""Every kind of control failure is put at random places of a clean set and must be named."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any, cast

import numpy as np
import pandas as pd
import pytest

from reconcile.base.model.controls import QualityCheck
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence import quality

PLACES = 20
T = Thresholds()
ELEMENTS = ("Cu", "Zn", "Pb")
BATCHES = tuple(f"C-{i}" for i in range(8))
DAYS = tuple(f"2026-10-{d:02d}" for d in range(1, 9))
CERTIFIED = {
    "RM-1": {"Cu": 212.0, "Zn": 348.0, "Pb": 121.0},
    "RM-2": {"Cu": 690.0, "Zn": 1120.0, "Pb": 480.0},
}
LIMIT = {"Cu": 2.0, "Zn": 3.0, "Pb": 2.0}
METHOD = {"lab": "ICP-OES · M1 · fusion", "field": "XRF · X1 · soil 1"}

REFERENCE = pd.DataFrame(
    [
        (code, element, value, 0.02 * value, 2.0)
        for code, values in CERTIFIED.items()
        for element, value in values.items()
    ],
    columns=[
        "reference_code", "element", "certified_mg_kg", "uncertainty_mg_kg", "coverage_factor",
    ],
)  # fmt: skip


def clean() -> pd.DataFrame:
    """Controls of both sides and lab duplicates; errors of 2 % of one result."""
    rng = np.random.default_rng(4)
    rows: list[dict[str, object]] = []

    def add(
        side: str, kind: str, name: str, element: str, batch: str, at: str, **more: object
    ) -> None:
        row = {
            "sample_kind": kind, "reference_code": "", "sample_id": name, "duplicate_of": "",
            "duplicate_kind": "", "side": side, "technique": "", "method": METHOD[side],
            "element": element, "batch": batch, "at": pd.Timestamp(at, tz="UTC"),
            "value_mg_kg": np.nan, "qualifier": "", "limit_mg_kg": LIMIT[element], "se": np.nan,
            "first_mg_kg": np.nan, "first_qualifier": "", "first_limit_mg_kg": LIMIT[element],
        }  # fmt: skip
        rows.append({**row, **more})

    for element in ELEMENTS:
        for side, batches in (("lab", BATCHES), ("field", DAYS)):
            for i, batch in enumerate(batches):
                day = DAYS[i]
                for code, values in CERTIFIED.items():
                    for hour in (8, 12, 16):
                        found = values[element] * (1 + 0.02 * rng.standard_normal())
                        add(
                            side, "reference material", f"{code}-{batch}-{hour}", element, batch,
                            f"{day} {hour}:00", reference_code=code, value_mg_kg=found,
                        )  # fmt: skip
                add(side, "blank", f"B-{batch}", element, batch, f"{day} 07:00", qualifier="<")
        for i in range(24):
            true = 100.0 * (1 + i)
            one, two = true * (1 + 0.02 * rng.standard_normal(2))
            add(
                "lab", "duplicate", f"S-{i}R", element, BATCHES[i % 8], f"{DAYS[i % 8]} 09:00",
                duplicate_of=f"S-{i}", duplicate_kind="pulp", value_mg_kg=two, first_mg_kg=one,
            )  # fmt: skip
    return pd.DataFrame(rows)


def judged(controls: pd.DataFrame) -> tuple[QualityCheck, ...]:
    return (
        *quality.judge_reference_materials(
            controls.loc[controls["side"].eq("field")], controls.loc[controls["side"].eq("lab")],
            REFERENCE, T,
        ),
        *quality.judge_blanks(controls, T),
        *quality.judge_duplicates(controls, T),
    )  # fmt: skip


def _where(frame: pd.DataFrame, **facts: str) -> pd.Series:
    keep = pd.Series(True, index=frame.index)
    for name, value in facts.items():
        keep &= frame[name].eq(value)
    return keep


Place = dict[str, str]
#: what must fail: (side, kind, code, element, batch)
Expected = set[tuple[str, str, str, str, str]]
Inject = Callable[[pd.DataFrame, Place, random.Random], Expected]


def _factor(side: str, low: float, high: float) -> Inject:
    def inject(frame: pd.DataFrame, place: Place, rng: random.Random) -> Expected:
        batch = place["batch"] if side == "lab" else place["day"]
        here = _where(
            frame, side=side, element=place["element"], batch=batch, reference_code=place["code"]
        )
        frame.loc[here, "value_mg_kg"] *= rng.uniform(low, high)
        return {(side, "reference material", place["code"], place["element"], batch)}

    return inject


def _drift(frame: pd.DataFrame, place: Place, rng: random.Random) -> Expected:
    here = _where(
        frame, side="field", element=place["element"], batch=place["day"],
        reference_code=place["code"],
    )  # fmt: skip
    frame.loc[here, "value_mg_kg"] *= np.array([1.0, 0.95, rng.uniform(0.62, 0.72)])
    return {("field", "reference material", place["code"], place["element"], place["day"])}


def _exchanged(frame: pd.DataFrame, place: Place, _: random.Random) -> Expected:
    here = _where(frame, side="lab", batch=place["batch"]) & frame["reference_code"].ne("")
    frame.loc[here, "reference_code"] = frame.loc[here, "reference_code"].map(
        {"RM-1": "RM-2", "RM-2": "RM-1"}
    )
    return {
        ("lab", "reference material", code, element, place["batch"])
        for code in CERTIFIED
        for element in ELEMENTS
    }


def _censored(frame: pd.DataFrame, place: Place, _: random.Random) -> Expected:
    here = _where(
        frame, side="lab", element=place["element"], batch=place["batch"],
        reference_code=place["code"],
    )  # fmt: skip
    frame.loc[here, ["value_mg_kg", "qualifier"]] = cast("Any", [np.nan, "<"])
    return {("lab", "reference material", place["code"], place["element"], place["batch"])}


def _blank(frame: pd.DataFrame, place: Place, rng: random.Random) -> Expected:
    side = rng.choice(["lab", "field"])
    batch = place["batch"] if side == "lab" else place["day"]
    here = _where(frame, side=side, element=place["element"], batch=batch, sample_kind="blank")
    frame.loc[here, "value_mg_kg"] = LIMIT[place["element"]] * rng.uniform(3.2, 30)
    frame.loc[here, "qualifier"] = ""
    return {(side, "blank", f"B-{batch}", place["element"], batch)}


def _scatter(frame: pd.DataFrame, place: Place, rng: random.Random) -> Expected:
    here = _where(frame, sample_kind="duplicate", element=place["element"])
    signs = np.array([rng.choice([0.7, 1.4]) for _ in range(int(here.sum()))])
    frame.loc[here, "value_mg_kg"] *= signs
    return {("lab", "duplicate", "pulp", place["element"], "")}


FAULTS: dict[str, Inject] = {
    "lab reads high": _factor("lab", 1.25, 1.5),
    "lab reads low": _factor("lab", 0.6, 0.8),
    "lab reports another unit": _factor("lab", 10.0, 10.0),
    "instrument reads high": _factor("field", 1.3, 1.6),
    "instrument reads low": _factor("field", 0.5, 0.7),
    "instrument drifts within the day": _drift,
    "reference materials exchanged": _exchanged,
    "reference material below the limit": _censored,
    "blank contaminated": _blank,
    "duplicates scatter": _scatter,
}


def _failed(checks: tuple[QualityCheck, ...]) -> Expected:
    return {(c.side, c.kind, c.code, c.element, c.batch) for c in checks if c.passed is False}


def test_no_control_of_a_clean_set_fails_and_every_one_is_judged() -> None:
    checks = judged(clean())
    assert _failed(checks) == set()
    assert {c.passed for c in checks} == {True}
    assert quality.failed_batches(checks).empty
    assert quality.contaminated_below(checks).empty
    assert quality.findings(checks) == ()
    # 2 sides, 8 batches, 3 elements, 2 materials; as many batches of blanks; 3 duplicates
    assert len(checks) == 96 + 48 + 3


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS)
def test_every_failure_is_found_where_it_is_and_nowhere_else(fault: str) -> None:
    rng = random.Random(f"place of {fault}")
    base = clean()
    for _ in range(PLACES):
        frame = base.copy()
        place = {
            "element": rng.choice(ELEMENTS), "batch": rng.choice(BATCHES),
            "day": rng.choice(DAYS), "code": rng.choice(sorted(CERTIFIED)),
        }  # fmt: skip
        expected = FAULTS[fault](frame, place, rng)
        checks = judged(frame)
        assert _failed(checks) == expected, (fault, place)
        excluded = set(
            quality.failed_batches(checks)[["side", "batch", "element"]].itertuples(
                index=False, name=None
            )
        )
        assert excluded == {
            (side, batch, element)
            for side, kind, _, element, batch in expected
            if kind == "reference material"
        }
        spoiled = quality.contaminated_below(checks)
        assert len(spoiled) == sum(kind == "blank" for _, kind, *_ in expected)
        findings = quality.findings(checks)
        assert len(findings) == len(expected)
        assert all(f.evidence and f.advice for f in findings)


def test_half_of_the_batches_failing_does_not_hide_them() -> None:
    frame = clean()
    bad = frame["batch"].isin(BATCHES[:3]) & frame["reference_code"].ne("")
    frame.loc[bad, "value_mg_kg"] *= 1.3
    failed = {batch for side, _, _, _, batch in _failed(judged(frame)) if side == "lab"}
    assert failed == set(BATCHES[:3])


def test_a_signal_on_the_chart_names_the_rule_and_how_often_chance_gives_it() -> None:
    frame = clean()
    assert all(f.severity == "note" for f in quality.chart_findings(quality.control_charts(frame)))
    here = frame.index[_where(frame, side="field", element="Cu", reference_code="RM-1")]
    frame.loc[here[10], "value_mg_kg"] *= 1.25
    (finding,) = [
        f for f in quality.chart_findings(quality.control_charts(frame)) if f.severity == "warning"
    ]
    assert "one point beyond 3 s" in finding.text
    assert "of good charts of 24 points show it" in finding.evidence


def test_a_batch_without_blank_shows_a_rate_of_nought() -> None:
    frame = clean()
    gone = _where(frame, side="lab", sample_kind="blank", batch="C-3")
    samples = pd.DataFrame(
        [("lab", batch, f"{batch}-{i}") for batch in BATCHES for i in range(20)],
        columns=["side", "batch", "sample_id"],
    )
    rates = quality.insertion_rates(frame.loc[~gone], samples).set_index(["side", "batch", "kind"])
    assert rates.loc[("lab", "C-3", "blank"), "controls"] == 0
    assert rates.loc[("lab", "C-3", "blank"), "rate"] == 0
    assert rates.loc[("lab", "C-2", "blank"), "controls"] == 1  # once, whatever the elements
    # 6 reference materials, 1 blank, 3 duplicates beside 20 samples
    assert rates.loc[("lab", "C-2", "all"), "rate"] == pytest.approx(10 / 30)
