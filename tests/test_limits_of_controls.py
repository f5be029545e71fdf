"""Controls are held to limits of their element and material: metal is no soil."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import reconcile
from reconcile.base.settings import Settings
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
