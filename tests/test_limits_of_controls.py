"""Controls are held to limits of their element and material: metal is no soil."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import reconcile
from reconcile.base.settings.whole import Settings
from reconcile.evidence import quality

TABLES = [{"kind": "field", "files": ["f.csv"]}, {"kind": "lab", "files": ["l.csv"]}]


def settings(**element: object) -> Settings:
    return Settings.model_validate({"table": TABLES, "element": {"Cr": element}})


def judged(config: Settings, basis: str, found: float = 16.5, matrix: str = "") -> bool | None:
    """20.0 % chromium certified, read on one day by the field."""
    controls = pd.DataFrame(
        [
            {
                "sample_kind": "reference material", "reference_code": "RM-1", "method": "XRF",
                "element": "Cr", "batch": "2026-10-05", "value_mg_kg": found * 1e4, "qualifier": "",
                "se": 500.0, "moisture_basis": basis, "at": pd.Timestamp("2026-10-05", tz="UTC"),
            }
        ]
    )  # fmt: skip
    reference = pd.DataFrame(
        [
            {
                "reference_code": "RM-1", "element": "Cr", "certified_mg_kg": 200_000.0,
                "uncertainty_mg_kg": 400.0, "coverage_factor": 2.0, "matrix": matrix,
            }
        ]
    )  # fmt: skip
    (check,) = quality.judge_reference_materials(
        controls, controls.iloc[:0], reference, config.thresholds, config.limits_of
    )
    return check.passed


def test_metal_is_not_judged_by_the_recovery_of_soil() -> None:
    assert judged(settings(), "dry") is True  # 82.5 % of 20.0 %
    assert judged(settings(), "not applicable") is False
    assert judged(settings(), "not applicable", found=19.0) is True


def test_an_element_may_have_limits_of_its_own() -> None:
    assert judged(settings(recovery_low=0.9), "dry") is False
    assert judged(settings(recovery_low=0.8), "not applicable") is True


def test_a_matrix_of_an_element_may_have_limits_of_its_own() -> None:
    config = settings(recovery_low=0.8, matrix={"steel": {"recovery_low": 0.97}})
    assert judged(config, "not applicable", found=19.0, matrix="steel") is False
    assert judged(config, "not applicable", found=19.0, matrix="brass") is True


@pytest.mark.parametrize("name", ["lab_zeta", "duplicate_cv", "blank_multiple"])
def test_other_limits_of_controls_hold_by_element_and_matrix_too(name: str) -> None:
    config = settings(**{name: 0.4}, matrix={"ore": {name: 0.5}})
    assert getattr(config.limits_of("Cr"), name) == 0.4
    assert getattr(config.limits_of("Cr", "ore"), name) == 0.5
    assert getattr(config.limits_of("Cu", "ore"), name) == getattr(config.thresholds, name)


@pytest.mark.slow
@pytest.mark.usefixtures("data_alone")
def test_a_run_judges_duplicates_by_the_limit_of_their_element(tmp_path: Path) -> None:
    def passed(folder: Path, extra: str) -> set[bool | None]:
        folder.mkdir()
        (folder / "reconcile.toml").write_text(
            '[workspace]\nassign_rows_by = "nothing"\n' + extra + """
[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = { technique = "XRF", matrix = "soil", moisture_basis = "dry" }

[[table]]
kind = "lab"
files = ["lab.csv"]
unit = "mg/kg"
fixed = { technique = "ICP-OES", moisture_basis = "dry" }
""", "utf-8",
        )  # fmt: skip
        names = [f"S{i}" for i in range(10)]
        (folder / "field.csv").write_text(
            "Sample,Cu\n" + "".join(f"{s},{100 + i}\n" for i, s in enumerate(names)), "utf-8"
        )
        rows = [f"{s},,{100 + i}\n" for i, s in enumerate(names)]
        rows += [f"{s}-D,{s},{(100 + i) * 1.13}\n" for i, s in enumerate(names)]
        (folder / "lab.csv").write_text("Sample,Duplicate of,Cu\n" + "".join(rows), "utf-8")
        outcome = reconcile.run_period(folder, "all").reconciliation
        return {c.passed for c in outcome.quality if c.kind == "duplicate"}

    assert passed(tmp_path / "a", "") == {True}
    assert passed(tmp_path / "b", "[element.Cu]\nduplicate_cv = 0.05\n") == {False}


def rows_of(kind: str, matrix: str, value: float, **more: object) -> dict[str, object]:
    return {
        "sample_kind": kind, "reference_code": "BL", "sample_id": "S1", "side": "field",
        "method": "XRF", "element": "Cu", "batch": "2026-10-05", "value_mg_kg": value,
        "limit_mg_kg": 10.0, "qualifier": "", "matrix": matrix, "moisture_basis": "dry", **more,
    }  # fmt: skip


def copper(**limits: object) -> Settings:
    return Settings.model_validate({"table": TABLES, "element": {"Cu": limits}})


def test_nothing_may_stand_above_the_limit_in_a_blank_of_the_field() -> None:
    # US EPA Method 6200, section 9.3; a laboratory's blank keeps its own multiple
    frame = pd.DataFrame([rows_of("blank", "", 11.0)])
    config = copper()
    (field,) = quality.judge_blanks(frame, config.thresholds, config.limits_of)
    (lab,) = quality.judge_blanks(frame.assign(side="lab"), config.thresholds, config.limits_of)
    assert (field.passed, lab.passed) == (False, True)


def test_blanks_and_duplicates_of_several_matrices_are_held_to_the_limits_of_each() -> None:
    config = copper(matrix={"ore": {"field_blank_multiple": 5.0, "duplicate_cv": 0.5}})
    frame = pd.DataFrame([rows_of("blank", m, 30.0) for m in ("ore", "soil")])
    checks = quality.judge_blanks(frame, config.thresholds, config.limits_of)
    assert {c.code: c.passed for c in checks} == {"BL, ore": True, "BL, soil": False}
    pairs = pd.DataFrame(
        [
            rows_of("duplicate", m, 100.0 + i, side="lab", duplicate_kind="pulp",
                    first_mg_kg=1.5 * (100.0 + i), first_qualifier="", first_limit_mg_kg=1.0)
            for m in ("ore", "soil") for i in range(10)
        ]
    )  # fmt: skip
    found = quality.judge_duplicates(pairs, config.thresholds, config.limits_of)
    assert {c.code: c.passed for c in found} == {"pulp, ore": True, "pulp, soil": False}
    alike = copper()
    (one,) = quality.judge_duplicates(pairs, alike.thresholds, alike.limits_of)
    assert (one.code, one.n) == ("pulp", 20)


@pytest.mark.parametrize(
    ("found", "qualifier", "passed"),
    [(3.0, "", True), (4.0, "<", True), (9.0, "", False), (8.0, "<", None), (5.5, "", None)],
)
def test_a_value_certified_as_below_a_limit_is_usable(
    found: float, qualifier: str, passed: bool | None
) -> None:
    reference = pd.DataFrame(
        [{"reference_code": "RM", "element": "Cu", "certified_mg_kg": None, "at_most_mg_kg": 5.0}]
    )
    row = rows_of("reference material", "soil", found, reference_code="RM", se=0.5)
    row |= {"qualifier": qualifier, "limit_mg_kg": found if qualifier else None}
    controls = pd.DataFrame([row])
    config = copper()
    (check,) = quality.judge_reference_materials(
        controls, controls.iloc[:0], reference, config.thresholds, config.limits_of
    )
    assert check.passed is passed
    assert "certified below 5 mg/kg" in check.why


def test_days_without_a_blank_or_an_energy_check_and_failed_checks_are_told() -> None:
    days = ["2026-10-05", "2026-10-06", "2026-10-07"]
    base = {"technique": "XRF", "instrument": "X1", "moisture_basis": "dry"}
    timeline = pd.DataFrame(
        [{**base, "day": d, "sample_kind": "sample"} for d in days]
        + [{**base, "day": days[0], "sample_kind": "blank"}]
    )
    checks = pd.DataFrame(
        [
            {"instrument": "X1", "check": "energy", "outcome": o, "day": d,
             "at": pd.Timestamp(f"{d}T0{h}:00Z")}
            for d, h, o in [(days[0], 6, "failed"), (days[0], 7, "passed"), (days[1], 6, "failed")]
        ]
    )  # fmt: skip
    thresholds = copper().thresholds
    told = {f.code: f for f in quality.judge_daily(timeline, checks, thresholds)}
    assert "2 of 3 days" in told["field blank missing"].text
    assert "2026-10-07" in told["energy check missing"].text
    assert "2026-10-06" in told["energy check failed"].text
    assert "2026-10-05" not in told["energy check failed"].text
    off = thresholds.model_copy(update={"field_blank_daily": False})
    metal = timeline.assign(moisture_basis="not applicable")
    assert quality.judge_daily(timeline, checks.iloc[:0], off) == ()
    assert quality.judge_daily(metal, checks.iloc[:0], thresholds) == ()


@pytest.mark.slow
@pytest.mark.usefixtures("data_alone")
def test_holding_times_certified_limits_and_energy_checks_are_read_from_tables(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "w"
    folder.mkdir()
    (folder / "reconcile.toml").write_text(
        """[workspace]
assign_rows_by = "nothing"
[element.Hg]
holding_days = 28
[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = { technique = "XRF", instrument = "X1", matrix = "soil", moisture_basis = "dry" }
[[table]]
kind = "lab"
files = ["lab.csv"]
unit = "mg/kg"
fixed = { technique = "ICP-OES", moisture_basis = "dry", certificate = "C1" }
[[table]]
kind = "sample register"
files = ["register.csv"]
[[table]]
kind = "custody"
files = ["custody.csv"]
[[table]]
kind = "reference materials"
files = ["rm.csv"]
[[table]]
kind = "instrument checks"
files = ["checks.csv"]
""", "utf-8",
    )  # fmt: skip
    (folder / "field.csv").write_text(
        "Sample,Date Time,Sample kind,Cu,Hg\nS1,2026-10-05 10:00,,50,3\n"
        "RM-1,2026-10-05 11:00,reference material,9,2\n", "utf-8",
    )  # fmt: skip
    (folder / "lab.csv").write_text("Sample,Analysed,Cu,Hg\nS1,2026-11-20,51,3\n", "utf-8")
    (folder / "register.csv").write_text("Sample,Collected\nS1,2026-10-04\n", "utf-8")
    (folder / "custody.csv").write_text(
        "Sample,Event,When,By\nS1,collected,2026-10-04 08:00,A. One\n", "utf-8"
    )
    (folder / "rm.csv").write_text("Material,Element,Value,Unit\nRM-1,Cu,<5,mg/kg\n", "utf-8")
    (folder / "checks.csv").write_text(
        "Serial,Check,When,Outcome\nX1,energy calibration,2026-10-05 07:00,Fail\n", "utf-8"
    )
    r = reconcile.run_period(folder, "all").reconciliation
    held = [f for f in r.findings if f.code == "holding time exceeded"]
    assert [("of Hg" in f.text, "limit 28" in f.text) for f in held] == [(True, True)]
    (copper_check,) = [c for c in r.quality if c.kind == "reference material" and c.n]
    assert copper_check.expected == 5.0
    assert copper_check.passed is False
    assert "energy check failed" in {f.code for f in r.findings}
