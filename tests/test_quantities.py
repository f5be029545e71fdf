import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.base.quantities import (
    ELEMENTS,
    display_factor,
    element_by_name,
    parse_species,
    parse_unit,
    species_by_capitals,
    unit_question,
)

# Element-to-oxide conversion factors as printed in geochemical handbooks, e.g. Rollinson (1993),
# Using Geochemical Data, table of oxide factors; the figures are typed from memory.
HANDBOOK_OXIDE_PER_ELEMENT = {
    "SiO2": 2.1393,
    "TiO2": 1.6683,
    "Al2O3": 1.8895,
    "Fe2O3": 1.4297,
    "FeO": 1.2865,
    "MnO": 1.2912,
    "MgO": 1.6582,
    "CaO": 1.3992,
    "Na2O": 1.3480,
    "K2O": 1.2046,
    "P2O5": 2.2916,
    "SO3": 2.4972,
    "Cr2O3": 1.4616,
}


@pytest.mark.parametrize(("oxide", "factor"), HANDBOOK_OXIDE_PER_ELEMENT.items())
def test_oxide_factors_agree_with_the_handbook_table(oxide: str, factor: float) -> None:
    species = parse_species(oxide)
    assert species is not None
    assert 1 / species.element_per_species == pytest.approx(factor, rel=2e-4)


@pytest.mark.parametrize(
    ("text", "element", "formula", "total"),
    [
        ("Fe2O3", "Fe", "Fe2O3", False),
        ("FeOT", "Fe", "FeOT", True),
        ("FeO(T)", "Fe", "FeOT", True),
        ("Fe2O3T", "Fe", "Fe2O3T", True),
        ("Fe2O3*", "Fe", "Fe2O3T", True),
        ("U3O8", "U", "U3O8", False),
        ("Cu", "Cu", "Cu", False),
        ("CaCO3", "Ca", "CaCO3", False),
        ("CO2", "C", "CO2", False),
    ],
)
def test_species_are_understood_as_chemists_write_them(
    text: str, element: str, formula: str, total: bool
) -> None:
    species = parse_species(text)
    assert species is not None
    assert (species.element, species.formula, species.total) == (element, formula, total)


@pytest.mark.parametrize(
    "text", ["No", "Bal", "LE", "CO", "NO", "LOI", "H2O", "Xx", "FeFe", "TREO", "", "fe", "1"]
)
def test_what_is_no_element_or_oxide_is_not_guessed(text: str) -> None:
    assert parse_species(text) is None


def test_total_iron_as_oxide_converts_like_the_oxide() -> None:
    assert parse_species("FeOT").element_per_species == parse_species("FeO").element_per_species


@pytest.mark.parametrize(
    ("text", "factor"),
    [
        ("%", 1e4),
        ("wt%", 1e4),
        ("wt. %", 1e4),
        ("mass %", 1e4),
        ("mg/kg", 1),
        ("PPM", 1),
        ("g/t", 1),
        ("ppb", 1e-3),
        ("ug/kg", 1e-3),
        ("µg/kg", 1e-3),
        ("μg/kg", 1e-3),
        ("(mg/kg)", 1),
        ("g/kg", 1e3),
        # NIST Handbook 44, appendix C: 1 oz troy = 31.1034768 g, short ton 907.18474 kg
        ("oz/short ton", 34.2857),
        ("oz/long ton", 30.6122),
        ("oz/tonne", 31.1034768),
    ],
)
def test_units_give_the_factor_to_mg_per_kg(text: str, factor: float) -> None:
    unit = parse_unit(text)
    assert unit is not None
    assert unit.to_mg_kg == pytest.approx(factor, rel=1e-5)


@pytest.mark.parametrize("text", ["oz/t", "oz/ton", "ppt", "mol%", "at.%", "g/ton"])
def test_units_of_two_meanings_are_refused_with_a_question(text: str) -> None:
    assert parse_unit(text) is None
    assert unit_question(text)


@pytest.mark.parametrize("text", ["cps", "", "kg", "parts", "mg", "counts", "m/s"])
def test_what_is_no_unit_is_none(text: str) -> None:
    assert parse_unit(text) is None
    assert unit_question(text) == ""


def test_display_factor_turns_mg_per_kg_into_the_readers_unit() -> None:
    assert 12345 * display_factor("%") == pytest.approx(1.2345)
    assert 5 * display_factor("ug/kg") == pytest.approx(5000)
    assert 5 * display_factor("g/t") == 5


@pytest.mark.parametrize("unit", ["mg/L", "oz/t", "nonsense"])
def test_display_factor_refuses_what_shows_no_mass_fraction(unit: str) -> None:
    with pytest.raises(ValueError, match=r"can't be used"):
        display_factor(unit)


def test_solution_units_have_no_fixed_factor() -> None:
    unit = parse_unit("mg/L")
    assert unit is not None
    assert unit.is_solution
    assert math.isnan(unit.to_mg_kg)
    assert parse_unit("ug/L").per_litre == pytest.approx(1e-3)


def test_symbols_in_capitals_are_read_only_where_one_meaning_is_possible() -> None:
    assert species_by_capitals("FE2O3").formula == "Fe2O3"
    assert species_by_capitals("AL2O3").element == "Al"
    assert species_by_capitals("cu").element == "Cu"
    for text in ("CO", "NO", "HF"):
        assert species_by_capitals(text) is None


def test_element_names_are_known_in_both_spellings() -> None:
    assert element_by_name("Aluminium") == element_by_name("aluminum") == "Al"
    assert element_by_name("Sulphur") == element_by_name("sulfur") == "S"
    assert element_by_name("widget") == ""


@given(st.sampled_from(sorted(ELEMENTS)))
def test_every_symbol_is_its_own_species(symbol: str) -> None:
    species = parse_species(symbol)
    assert (species.element, species.element_per_species) == (symbol, 1.0)


@pytest.mark.slow
@given(st.text(max_size=30))
def test_any_text_can_be_asked(text: str) -> None:
    parse_unit(text)
    unit_question(text)
    parse_species(text)
    species_by_capitals(text)


@pytest.mark.parametrize("text", ["Fe0O3", "Fe2O0", "Fe00O"])
def test_a_formula_with_none_of_an_element_names_no_species(text: str) -> None:
    assert parse_species(text) is None
