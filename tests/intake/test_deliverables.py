"""What practitioners' tables hold, line by line: each shape is read, or asked about in words."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd
import pytest

import reconcile
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.read import read_file
from reconcile.intake.tables import ABOVE, BELOW, NO_RESULT, TypedTable
from tests.intake.conftest import Read

XRF = {"technique": "XRF"}


def first(table: TypedTable, at: int = 0) -> dict:
    return table.values.to_pylist()[at]


def roles(table: TypedTable) -> dict[str, str]:
    return {c.heading: c.role for c in table.columns}


def test_a_certificate_with_method_unit_and_limit_rows(read: Read) -> None:
    table = read(
        [
            ["Certificate", "C-17"], [], ["Sample", "Au", "Cu", "Cu"],
            ["Method", "FA-50", "IC-4A", "IC-OG"], ["Unit", "g/t", "ppm", "%"],
            ["Lower limit", 0.01, 1, 0.001], ["Upper limit", 100, 10000, 40],
            ["S1", "<0.01", ">10000", 1.5], ["S2", 12, "IS", None],
        ],
        "lab",
    )  # fmt: skip
    assert [a.key for a in table.analytes] == ["Au@FA-50", "Cu@IC-4A", "Cu@IC-OG"]
    row = first(table)
    assert (row["Au@FA-50_q"], row["Au@FA-50_lim"]) == (BELOW, 0.01)
    assert (row["Cu@IC-4A_q"], row["Cu@IC-4A_lim"]) == (ABOVE, 10000)
    assert row["Cu@IC-OG"] == pytest.approx(15000)
    assert first(table, 1)["Cu@IC-4A_q"] == NO_RESULT


def test_parquet_keeps_numbers_and_limits(tmp_path: Path) -> None:
    path = tmp_path / "lab.parquet"
    pd.DataFrame({"Sample": ["S1", "S2"], "Cu mg/kg": ["<5", "7"], "Fe %": [1.5, None]}).to_parquet(
        path
    )
    (table,) = read_file(path, "lab.parquet", TableSettings(kind="lab", files=("x",)), zone="UTC")
    row = first(table)
    assert (row["Cu_q"], row["Cu_lim"], row["Fe"]) == (BELOW, 5, 15000)
    assert first(table, 1)["Fe_q"] is None


def test_isotopes_and_wavelengths_are_methods_of_their_element(read: Read) -> None:
    table = read("Sample,63Cu (mg/kg),Cu65 (mg/kg),Fe 238.204 (mg/kg)\nS1,1,2,3\n", "lab")
    assert [a.key for a in table.analytes] == ["Cu@isotope 63", "Cu@isotope 65", "Fe@238.204 nm"]


def test_error_columns_of_one_two_and_three_sigma_become_one_standard_deviation(read: Read) -> None:
    table = read(
        "Sample,Cu (mg/kg),Cu 1s,Zn (mg/kg),Zn 2 sigma,Pb (mg/kg),Pb ± 3σ,Ni (mg/kg),Ni error\n"
        "S1,10,1,10,2,10,3,10,1\n"
    )
    row = first(table)
    assert [row[f"{e}_err"] for e in ("Cu", "Zn", "Pb")] == [1, 1, 1]
    assert "Ni_err" not in row
    assert any("how many standard deviations" in note for note in table.notes)


def test_ounces_per_ton_are_read_only_where_the_ton_is_stated(read: Read) -> None:
    table = read("Sample,Au oz/t,Ag oz/short ton\nS1,1,2\n", "lab")
    assert roles(table)["Au oz/t"] == "unclear"
    # 31.1034768 g in 907.18474 kg: NIST Special Publication 811, appendix B.8
    assert first(table)["Ag"] == pytest.approx(2 * 31.1034768 / 0.90718474, rel=1e-12)
    table = read("Sample,Au,Ag\nUnit,troy oz/long ton,oz/tonne\nS1,1,2\n", "lab")
    assert first(table)["Au"] == pytest.approx(31.1034768 / 1.0160469088, rel=1e-12)
    assert first(table)["Ag"] == pytest.approx(62.2069536, rel=1e-12)


def test_digests_need_mass_and_volume(read: Read) -> None:
    table = read("Sample,Mass g,Volume mL,Cu mg/L\nS1,0.25,100,2\nS2,,100,2\n", "lab")
    assert first(table)["Cu"] == 800
    assert "sample mass above zero" in table.quarantine["reason"].item()


def test_moist_results_become_dry_only_where_asked_and_stated(read: Read) -> None:
    text = (
        "Sample,Moisture %,Moisture basis,Cu mg/kg,Cu error 1s\n"
        "S1,20,as received,80,4\nS2,,wet,80,4\nS3,20,dry,80,4\nS4,25,wet,<6,\n"
    )
    plain = read(text, "lab")
    assert [row["Cu"] for row in plain.values.to_pylist()] == [80, 80, 80, None]
    dry = read(text, "lab", recalculate_to_dry=True)
    assert [row["Cu"] for row in dry.values.to_pylist()] == [100, 80, 80, None]
    assert first(dry)["Cu_err"] == 5
    assert first(dry, 3)["Cu_lim"] == 8
    assert dry.facts.column("moisture_basis").to_pylist() == ["dry", "wet", "dry", "dry"]
    assert any("2 rows, by the moisture that each states (20 to 25 %" in n for n in dry.notes)
    assert any("1 moist rows state no moisture" in n for n in dry.notes)


def test_negative_results_are_below_the_limit_where_the_settings_say_so(read: Read) -> None:
    table = read(
        "Sample,Cu mg/kg\nS1,-5\nS2,4\n", "lab",
        cells={"negative": "below limit", "lower_limits": {"Cu": 5}},
    )  # fmt: skip
    assert (first(table)["Cu_q"], first(table)["Cu_lim"]) == (BELOW, 5)


def test_dates_of_workbooks_serial_numbers_and_zones(read: Read) -> None:
    moment = dt.datetime(2026, 10, 3, 14, 5)  # noqa: DTZ001 - a workbook knows no zone
    table = read(
        [
            ["Sample", "Time", "Cu mg/kg"], ["S1", moment, 3],
            ["S2", 45933.5, 4], ["S3", "2026-10-03T14:05+02:00", 4],
        ],
        zone="Africa/Accra",
    )  # fmt: skip
    times = [
        t.astimezone(dt.UTC).isoformat() for t in table.facts.column("measured_at").to_pylist()
    ]
    assert times == [
        "2026-10-03T14:05:00+00:00", "2025-10-03T12:00:00+00:00", "2026-10-03T12:05:00+00:00",
    ]  # fmt: skip


def test_a_field_xrf_cannot_report_light_elements(read: Read) -> None:
    elements = ("Li", "Be", "B", "C", "N", "O", "F", "Na")
    heading = ",".join(f"{e} mg/kg" for e in elements)
    table = read(f"Sample,{heading},Mg mg/kg\nS1,1,1,1,1,1,1,1,1,1\n")
    assert len(table.quarantine) == 8
    assert table.quarantine["reason"].str.contains("can't report this element").all()
    assert first(table)["Mg"] == 1


def test_libs_rows_without_shots_and_spot_class_say_so(read: Read) -> None:
    table = read("Sample,Li mg/kg\nS1,5\n", fixed={"technique": "LIBS"})
    assert "1 LIBS rows name no spot class" in table.notes
    assert "1 LIBS rows name no shot number" in table.notes


@pytest.mark.parametrize(
    ("heading", "question"),
    [("Date", "date of receipt"), ("In", "may be the element"), ("CO", "may be cobalt"),
     ("Au oz/t", "which ton"), ("Pb ppt", "parts per thousand")],
)  # fmt: skip
def test_an_ambiguous_heading_is_asked_about_and_never_guessed(
    read: Read, heading: str, question: str
) -> None:
    table = read(f"Sample,{heading},Cu mg/kg\nS1,1,2\n", "lab")
    (column,) = [c for c in table.columns if c.heading == heading]
    assert column.role == "unclear"
    assert question in column.why


def test_tables_side_by_side_need_the_same_samples_or_a_table_each(read: Read) -> None:
    text = "Sample,Cu (ppm),,Sample,Fe (%)\nS1,1,,S1,3\nS2,1,,S3,3\n,,,S4,4\n"
    together = read(text, "lab")
    assert "side by side" in together.quarantine["reason"].iloc[0]
    left = read(text, "lab", columns={"column 4": "ignore", "column 5": "ignore"})
    right = read(text, "lab", columns={"column 1": "ignore", "column 2": "ignore"})
    assert left.facts.column("sample_id").to_pylist() == ["S1", "S2"]
    assert left.rows_set_aside == (("empty but for columns left to another table", 1),)
    assert right.facts.column("sample_id").to_pylist() == ["S1", "S3", "S4"]
    assert left.quarantine.empty
    assert right.quarantine.empty


SETTINGS = """
[workspace]
assign_rows_by = "nothing"
[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = { technique = "LIBS", matrix = "rock" }
[[table]]
kind = "lab"
files = ["lab.csv"]
recalculate_to_dry = true
"""


@pytest.mark.slow
def test_targeted_spots_stay_apart_and_what_was_recalculated_is_told(tmp_path: Path) -> None:
    (tmp_path / "reconcile.toml").write_text(SETTINGS, encoding="utf-8")
    (tmp_path / "field.csv").write_text(
        "Sample,Spot,Shot,Spot class,Fe\nS1,1,1,random,10\nS1,2,1,targeted,900\n", encoding="utf-8"
    )
    (tmp_path / "lab.csv").write_text(
        "Sample,Moisture %,Moisture basis,Fe2O3 %\nS1,50,wet,1\n", encoding="utf-8"
    )
    outcome = reconcile.run_period(tmp_path, "all")
    (result,) = outcome.reconciliation.results
    assert result.pairs["field_mean"].item() == 10
    texts = " ".join(f.text for f in outcome.reconciliation.findings)
    for part in ("recalculated: Fe2O3 to Fe", "recalculated to the dry basis: 1 rows",
                 "1 rows are targeted spots"):  # fmt: skip
        assert part in texts
    lines = {line.name: line.value for line in outcome.reconciliation.settings}
    assert "recalculated to the dry basis" in lines["table 2"]
