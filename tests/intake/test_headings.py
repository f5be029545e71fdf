from typing import Any

import pytest

from reconcile.base.settings.tables import TableSettings
from reconcile.intake.blocks import find_block
from reconcile.intake.headings import Column, understand
from reconcile.intake.sheets import Row, Sheet
from reconcile.intake.wording import read_heading


def columns(*headings: str, kind: str = "field", **settings: Any) -> tuple[Column, ...]:
    not_read: Any = None  # of the headings alone
    sheet = Sheet("", (Row(1, tuple(headings)),), lambda *_: not_read, lambda _: not_read)
    table = TableSettings(kind=kind, files=("x",), **settings)
    block = find_block(sheet, table, "table.csv")
    return understand(block, table, "table.csv")


@pytest.mark.parametrize(
    ("text", "species", "unit", "method"),
    [
        ("Fe", "Fe", None, ""),
        ("Cu ppm", "Cu", "ppm", ""),
        ("Cu_ppm", "Cu", "ppm", ""),
        ("Cu (mg/kg)", "Cu", "mg/kg", ""),
        ("Cu [mg/kg]", "Cu", "mg/kg", ""),
        ("Fe2O3 (wt %)", "Fe2O3", "%", ""),
        ("SiO2, %", "SiO2", "%", ""),
        ("Fe%", "Fe", "%", ""),
        ("FeO(T) wt%", "FeOT", "%", ""),
        ("Fe.WDXRF", "Fe", None, "WDXRF"),
        ("Ag 328.068 (mg/L)", "Ag", "mg/L", "328.068 nm"),
        ("Cu 324.752 nm [mg/kg]", "Cu", "mg/kg", "324.752 nm"),
        ("QZ-ACID4 Cu ppm", "Cu", "ppm", "QZ-ACID4"),
        ("Au-QF30 Au ppm", "Au", "ppm", "Au-QF30"),
        ("Cu_ICP-OES_ppm", "Cu", "ppm", "ICP-OES"),
        ("63Cu (ppb)", "Cu", "ppb", "isotope 63"),
        ("Cu 63 (ppb)", "Cu", "ppb", "isotope 63"),
        ("Cu63 ppb", "Cu", "ppb", "isotope 63"),
        ("Copper (mg/kg)", "Cu", "mg/kg", ""),
        ("Mg Concentration", "Mg", None, ""),
        ("Total Fe %", "Fe", "%", ""),
        ("As mg/kg dry basis", "As", "mg/kg", ""),
        ("Au oz/short ton", "Au", "oz/short ton", ""),
    ],
)
def test_results_are_understood_in_any_usual_order(
    text: str, species: str, unit: str | None, method: str
) -> None:
    reading = read_heading(text)
    assert reading.species is not None
    assert reading.species.formula == species
    assert (reading.unit.name if reading.unit else None) == unit
    assert reading.method == method
    assert reading.role == "value"


@pytest.mark.parametrize(
    ("text", "sigma"),
    [
        ("Fe Error", None),
        ("Mg Error 1s", 1.0),
        ("Fe error 2 sigma", 2.0),
        ("Fe +/-", None),
        ("Fe ± (2σ)", 2.0),
        ("Fe 3σ", 3.0),
        ("Al2O3_std", 1.0),
        ("Cu SD ppm", 1.0),
        ("Cu uncertainty (k=2)", 2.0),
    ],
)
def test_error_columns_say_their_sigma_or_leave_it_open(text: str, sigma: float | None) -> None:
    reading = read_heading(text)
    assert reading.role == "error"
    assert (reading.sigma == sigma) if sigma else reading.sigma != reading.sigma


@pytest.mark.parametrize(
    ("text", "role"),
    [
        ("Mo CPS/ua", "ignored"),
        ("Mg compound level", "unclear"),
        ("Na raw intensity", "ignored"),
        ("Cu RSD %", "ignored"),
        ("Cu LOD (ppm)", "limit"),
        ("Cu detection limit", "limit"),
        ("Pb As", "unclear"),
        ("Al2O3_actual", "unclear"),
        ("Au oz/t", "value"),
    ],
)
def test_other_columns_of_an_element_are_told_apart(text: str, role: str) -> None:
    assert read_heading(text).role == role


@pytest.mark.parametrize(
    "text", ["No", "Bal", "LE", "LOI", "Note", "Depth (m)", "Sample", "CO", "Cu/Zn ratio", ""]
)
def test_what_is_no_result_has_no_species(text: str) -> None:
    assert read_heading(text).species is None


def test_symbols_that_are_words_need_a_unit_or_elements_around_them() -> None:
    alone = columns("Sample", "In", "W", "As (mg/kg)", unit="mg/kg")
    assert [c.role for c in alone] == ["fact", "unclear", "unclear", "value"]
    among = columns("Sample", "In", "W", "Cu", "Zn", "Pb", "Fe", unit="mg/kg")
    assert [c.role for c in among][1:] == ["value"] * 6


def test_coordinates_are_not_yttrium_and_nitrogen() -> None:
    result = columns("Sample", "X", "Y", "Z", "Cu", "Zn", "Pb", unit="mg/kg")
    assert result[2].role == "unclear"
    result = columns("Sample", "E", "N", "Cu", "Zn", "Pb", "Fe", unit="mg/kg")
    assert result[2].role == "unclear"


def test_a_number_column_is_not_nobelium() -> None:
    result = columns("No", "Sample", "Co", "Cu", "Zn", unit="mg/kg")
    assert [c.role for c in result] == ["ignored", "fact", "value", "value", "value"]


def test_results_without_any_unit_are_unclear() -> None:
    result = columns("Sample", "Cu", "Zn mg/kg")
    assert (result[1].role, result[1].question) == ("unclear", "no unit is stated")
    assert result[2].role == "value"


def test_an_ounce_per_ton_of_unknown_ton_is_asked_about() -> None:
    result = columns("Sample", "Au oz/t", "Cu ppm")
    assert result[1].role == "unclear"
    assert "which ton" in result[1].question


def test_the_settings_win_over_the_heading() -> None:
    result = columns(
        "Sample", "Fe", "Weird",
        columns={
            "Fe": "ignore",
            "Weird": {"means": "value", "element": "Fe2O3", "unit": "%", "method": "XRF"},
        },
    )  # fmt: skip
    assert result[1].role == "ignored"
    assert (result[2].species.formula, result[2].unit.name, result[2].method) == (
        "Fe2O3", "%", "XRF",
    )  # fmt: skip


def test_a_star_in_the_settings_stands_for_any_text_and_brackets_stand_for_themselves() -> None:
    result = columns(
        "Sample", "Cu [x]", "Cu cps", "Zn cps", columns={"* cps": "ignore", "Cu [x]": "note"}
    )
    assert [c.role for c in result] == ["fact", "fact", "ignored", "ignored"]


def test_only_the_elements_asked_for_are_read() -> None:
    result = columns("Sample", "Cu", "Zn", "Fe2O3", unit="%", only=("Cu", "Fe"))
    assert [c.role for c in result] == ["fact", "value", "ignored", "value"]


def test_capitals_are_read_where_the_whole_table_writes_so() -> None:
    result = columns("SAMPLE", "CU_PPM", "PB_PPM", "CO_PPM", "FE2O3_PCT")
    assert [c.role for c in result[1:3]] == ["value", "value"]
    assert result[3].role != "value"
    assert result[4].species.formula == "Fe2O3"
