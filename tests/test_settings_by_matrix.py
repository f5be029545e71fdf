"""Settings that hold for one matrix only, the limit of a row's sum, and metal without moisture."""

from __future__ import annotations

from pathlib import Path

import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.base.methods import FieldMethod, LabMethod
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import Ask, Outcome
from reconcile.base.settings.tables import TableSettings
from reconcile.base.settings.whole import Settings
from reconcile.figures import shown_unit
from reconcile.intake.settings_listed import setting_lines
from reconcile.judgement import requirements

pytestmark = pytest.mark.usefixtures("data_alone")

TABLES = [{"kind": "field", "files": ["f.csv"]}, {"kind": "lab", "files": ["l.csv"]}]
COPPER = {
    "unit": "mg/kg",
    "margin": 0.10,
    "levels": [{"name": "action level", "value": 250}],
    "matrix": {
        "rock": {"unit": "%", "levels": [{"name": "cut-off", "value": 0.5}], "margin": 0.05},
        "ore": {"unit": "%"},
        "bronze": {"levels": [], "precious": True},
    },
}


def settings() -> Settings:
    return Settings.model_validate({"element": {"Cu": COPPER}, "table": TABLES})


@pytest.mark.parametrize(
    ("matrix", "unit", "levels", "margin"),
    [
        ("soil", "mg/kg", (("action level", 250.0),), 0.10),
        ("rock", "%", (("cut-off", 5000.0),), 0.05),
        ("ore", "%", (("action level", 250.0),), 0.10),
        ("bronze", "mg/kg", (), 0.10),
    ],
)
def test_unit_levels_and_margin_are_those_of_the_matrix(
    matrix: str, unit: str, levels: tuple[tuple[str, float], ...], margin: float
) -> None:
    stratum = Stratum("Cu", FieldMethod("XRF"), LabMethod("ICP-OES"), matrix)
    s = settings()
    assert shown_unit.unit_of(stratum, s).name == unit
    found = shown_unit.levels_of(stratum, s)
    assert [name for name, _ in found] == [name for name, _ in levels]
    assert [value for _, value in found] == pytest.approx([value for _, value in levels])
    own = s.of("Cu", matrix)
    assert own is not None
    assert own.margin == margin


@pytest.mark.parametrize(
    ("element", "told"),
    [
        ({"Cu": {"unit": "foo"}}, "'foo' can't be used to show a mass fraction"),
        ({"Cu": {"matrix": {"rock": {"unit": "foo"}}}}, "'foo' can't be used"),
        ({"CU": {"unit": "%"}}, "CU: no symbol of a chemical element"),
    ],
)
def test_a_unit_or_an_element_that_is_none_is_told_before_anything_is_read(
    element: dict[str, object], told: str
) -> None:
    with pytest.raises(ValueError, match=told):
        Settings.model_validate({"element": element, "table": TABLES})


def test_a_matrix_may_be_called_precious_by_itself() -> None:
    s = settings()
    for matrix, expected in (("bronze", True), ("soil", False)):
        stratum = Stratum("Cu", FieldMethod("XRF"), LabMethod("ICP-OES"), matrix)
        told = {c.ask: c.outcome for c in requirements.forbidding(stratum, s, None)}
        assert (told[Ask.ELEMENT] is Outcome.FAILED) is expected


def test_the_report_prints_what_holds_in_each_matrix() -> None:
    lines = {line.name: line.value for line in setting_lines(settings())}
    assert lines["element.Cu.matrix.rock"] == "unit %; cut-off 0.5 %; margin 0.05"
    assert lines["element.Cu.matrix.bronze"] == "no decision level; precious True"
    assert "more than 102 % are refused, but kept and told for LIBS" in lines["table 1"]


def small(folder: Path, *, largest: str = "", basis: str = "dry", matrix: str = "alloy") -> Path:
    folder.mkdir()
    fixed = f'moisture_basis = "{basis}", matrix = "{matrix}", specimen_form = "metal face"'
    (folder / "reconcile.toml").write_text(
        f"""
[workspace]
assign_rows_by = "nothing"

[element.Cu]
unit = "%"
[element.Cu.matrix.brass]
margin = 0.02

[[table]]
kind = "field"
files = ["field.csv"]
unit = "%"
{largest}
fixed = {{ technique = "XRF", {fixed} }}

[[table]]
kind = "lab"
files = ["lab.csv"]
unit = "%"
fixed = {{ technique = "spark OES", digestion_class = "total", moisture_basis = "{basis}" }}
""",
        encoding="utf-8",
    )
    rows = "".join(f"P{i},{60 + i},{43.5 - i}\n" for i in range(4))  # 103.5 %
    (folder / "field.csv").write_text("Part,Cu,Zn\n".replace("Part", "Sample") + rows, "utf-8")
    rows = "".join(f"P{i},{60 + i},{39 - i}\n" for i in range(4))
    (folder / "lab.csv").write_text("Sample,Cu,Zn\n" + rows, encoding="utf-8")
    return folder


@pytest.mark.slow
def test_the_largest_sum_of_a_row_is_a_setting_of_its_table(tmp_path: Path) -> None:
    with pytest.raises(ReconcileError):  # every field row adds up to 103.5 %
        raise_if_empty(reconcile.run_period(small(tmp_path / "a"), "all"))
    wide = reconcile.run_period(small(tmp_path / "b", largest="largest_sum_pct = 104"), "all")
    assert len(wide.reconciliation.quarantine) == 0
    assert wide.reconciliation.results


def raise_if_empty(outcome: reconcile.RunOutcome) -> None:
    reasons = set(outcome.reconciliation.quarantine["reason"])
    assert reasons == {"the results of the row add up to more than 102 %"}
    raise ReconcileError("nothing was accepted", "")


@pytest.mark.slow
def test_metal_has_no_moisture_basis_and_its_comparison_is_described(tmp_path: Path) -> None:
    folder = small(tmp_path / "w", largest="largest_sum_pct = 104", basis="n/a")
    outcome = reconcile.run_period(folder, "all")
    result = outcome.reconciliation.results[0]
    assert result.stratum.moisture_basis == "not applicable"
    (described,) = [c for c in result.verdict.criteria if c.ask is Ask.DESCRIPTION]
    assert described.outcome is Outcome.SHOWN


def test_a_matrix_of_the_settings_that_no_pair_has_is_pointed_out(tmp_path: Path) -> None:
    folder = small(tmp_path / "w", largest="largest_sum_pct = 104")
    findings = reconcile.run_period(folder, "all").reconciliation.findings
    assert any(f.subject == "element.Cu.matrix.brass" for f in findings)


def test_a_sum_of_nothing_is_no_limit() -> None:
    with pytest.raises(ValueError, match="greater than 0"):
        TableSettings.model_validate({"kind": "lab", "files": ["a"], "largest_sum_pct": 0})
