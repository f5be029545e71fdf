from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.base.methods import FieldMethod, LabMethod, Moisture
from reconcile.base.model.account import Finding
from reconcile.base.model.stratum import ReadAs, Stratum
from reconcile.base.quantities import parse_species
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence import diagnosis
from reconcile.statistics.result import Estimate, not_estimable

T = Thresholds()
#: Elements of ordinary multi-element tables; the first ten are usually reported as oxides.
ELEMENTS = ("Mg", "Al", "Si", "P", "K", "Ca", "Ti", "Mn", "Fe", "Na", "Cu", "Zn", "Pb", "Ni", "As")


def _stratum(element: str, method: str = "XRF · X1 · mode 1") -> Stratum:
    return Stratum(
        element, FieldMethod("XRF", whole=method), LabMethod("ICP-OES", "M1"), "soil", "sieved",
        Moisture("dry", "dry"), "split",
    )  # fmt: skip


def _pairs(
    stratum: Stratum, factor: float, n: int = 24, rsd: float = 0.08, seed: int = 1, **more: object
) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    lab = rng.lognormal(6, 0.8, n)
    field = lab * factor * np.exp(rsd * rng.standard_normal(n))
    return pd.DataFrame(
        {
            "stratum": stratum.key, "sample_id": range(n), "field_mean": field, "lab_mean": lab,
            "used": True, **more,
        }
    )  # fmt: skip


def _alone(element: str, factor: float, **how: object) -> tuple[Finding, ...]:
    stratum = _stratum(element)
    return diagnosis.suspected_faults(_pairs(stratum, factor, **how), [stratum], T)  # type: ignore[arg-type]


def _of_methods(
    ratios: dict[str, dict[str, float]],
    read_as: dict[str, tuple[ReadAs, ReadAs]] | None = None,
    rsd: float = 0.08,
    seed: int = 1,
    thresholds: Thresholds = T,
) -> tuple[Finding, ...]:
    """Findings of methods with the median ratio of each element."""
    strata, frames = [], []
    for method, biases in ratios.items():
        for element, factor in biases.items():
            strata.append(_stratum(element, method))
            seed += 1
            frames.append(_pairs(strata[-1], factor, rsd=rsd, seed=seed))
    return diagnosis.suspected_faults(pd.concat(frames), strata, thresholds, read_as)


# ---- units ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("factor", "power", "words"),
    [
        (1.2e4, "4", "10^4 with a bias of the method of 1.2"),
        (0.0019, "-3", "10^-3 with a bias of the method of 1.9"),
        (4e-4, "-3", "10^-3 with a bias of the method of 0.4"),
        (4e-4, "-3", "or 10^-4 with a bias of the method of "),
        (2.5e6, "6", "10^6 with a bias of the method of 2."),
        (15.0, "1", "10^1 with a bias of the method of 1."),
    ],
)
def test_a_ratio_more_than_an_order_of_magnitude_from_1_is_suspected_whatever_the_bias(
    factor: float, power: str, words: str
) -> None:
    (finding,) = _alone("Pb", factor, rsd=0.001, n=40)
    assert (finding.area, finding.severity, finding.code) == ("diagnosis", "serious", "unit")
    assert finding.parameters == (("power of ten", power),)
    assert finding.subject == _stratum("Pb").key
    assert finding.strata == (finding.subject,)
    assert finding.text.startswith("Suspected: the units of field and lab differ.")
    assert words in finding.text
    assert "could also give it" in finding.text
    assert "n = 40" in finding.evidence
    assert "nothing was corrected" in finding.advice
    assert finding.blocks


def test_a_unit_is_suspected_although_the_ratios_scatter_widely() -> None:
    (finding,) = _alone("Au", 0.0019, rsd=0.7, n=30)
    assert finding.code == "unit"


@pytest.mark.parametrize("factor", [6.0, 1 / 6, 3.0, 0.4])
def test_a_large_bias_within_an_order_of_magnitude_is_no_unit(factor: float) -> None:
    assert _alone("Cu", factor) == ()


def test_a_result_by_an_isotope_with_overlaps_is_told_and_not_accused_of_its_unit() -> None:
    stratum = _stratum("S")
    read_as = {
        stratum.key: (ReadAs(frozenset("S")), ReadAs(frozenset("S"), isotopes=frozenset({34})))
    }
    pairs = _pairs(stratum, 0.03)
    (finding,) = diagnosis.suspected_faults(pairs, [stratum], T, read_as)
    assert finding.code == "isotope"
    assert finding.parameters == (("lab isotope", "34"),)
    assert "The lab result is measured on the isotope S-34" in finding.text
    assert finding.severity == "warning"
    assert not finding.blocks
    lead = _stratum("Pb")  # nothing overlaps lead 206
    read_as = {lead.key: (ReadAs(), ReadAs(frozenset({"Pb"}), isotopes=frozenset({206})))}
    (finding,) = diagnosis.suspected_faults(_pairs(lead, 0.03), [lead], T, read_as)
    assert finding.code == "unit"


# ---- oxides ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("element", "factor", "code", "formula"),
    [
        ("Fe", 1.4297, "field oxide", "Fe2O3"),  # atomic weights: 159.69 / (2 x 55.845)
        ("Fe", 1 / 1.4297, "lab oxide", "Fe2O3"),
        ("Li", 2.1527, "field oxide", "Li2O"),
        ("Al", 1.8895, "field oxide", "Al2O3"),
    ],
)
def test_a_tight_cluster_at_the_factor_of_an_oxide_is_suspected(
    element: str, factor: float, code: str, formula: str
) -> None:
    (finding,) = _alone(element, factor, rsd=0.004, n=40)
    assert finding.code == code
    assert finding.parameters == (("formula", formula),)
    assert finding.text.startswith("Suspected: ")
    bias = f"{factor - 1:+.0%}"[:-1]
    assert f"A calibration bias of {bias[:2]}" in finding.text
    assert "would look the same" in finding.text


@pytest.mark.parametrize(
    ("n", "rsd"), [(24, 0.08), (200, 0.08), (200, 0.05), (12, 0.02), (60, 0.2), (400, 0.4)]
)
def test_a_calibration_bias_of_1_419_for_iron_is_no_oxide(n: int, rsd: float) -> None:
    for seed in range(20):
        assert _alone("Fe", 1.419, n=n, rsd=rsd, seed=seed) == ()


def test_a_cluster_at_the_factor_that_is_not_tight_names_nothing() -> None:
    assert _alone("Fe", 1.4297, n=24, rsd=0.08) == ()  # its interval is wide
    wide = _alone("Fe", 1.4297, n=4000, rsd=0.3)  # its interval is narrow, the ratios are not
    assert wide == ()
    assert _alone("Fe", 1.4297, n=4, rsd=0.001) == ()  # too few


def test_an_oxide_is_found_by_the_biases_of_the_other_elements_although_its_own_is_added() -> None:
    biases = dict(zip(ELEMENTS, 1 + 0.04 * np.sin(np.arange(15.0)), strict=True))
    biases["Al"] *= 1.8895
    (finding,) = _of_methods({"XRF": biases})
    assert (finding.code, finding.parameters) == ("field oxide", (("formula", "Al2O3"),))
    assert "14 other elements of the method stand about" in finding.evidence
    assert "times likelier" in finding.evidence


def test_an_oxide_is_not_suspected_where_other_elements_have_biases_as_large() -> None:
    biases = dict(zip(ELEMENTS, 1 + 0.04 * np.sin(np.arange(15.0)), strict=True))
    biases |= {"Al": 1.8895, "Cu": 2.1, "Pb": 0.5}
    assert _of_methods({"XRF": biases}, rsd=0.01) == ()


@pytest.mark.parametrize("side", [0, 1])
def test_a_recalculation_of_the_programs_own_is_never_suspected(side: int) -> None:
    stratum = _stratum("Mg")
    ratio = (1.6583, 1 / 1.6583)[side]
    pairs = _pairs(stratum, ratio, rsd=0.004, n=40)
    assert len(diagnosis.suspected_faults(pairs, [stratum], T)) == 1
    read = [ReadAs(frozenset({"Mg"}), frozenset({"%"})), ReadAs(frozenset({"Mg"}))]
    read[side] = replace(read[side], species=frozenset({"MgO"}), recalculated=True)
    assert diagnosis.suspected_faults(pairs, [stratum], T, {stratum.key: (read[0], read[1])}) == ()


def test_how_both_sides_were_read_stands_with_the_evidence() -> None:
    stratum = _stratum("Fe")
    read = (
        ReadAs(frozenset({"Fe"}), frozenset({"mg/kg"})),
        ReadAs(frozenset({"Fe2O3"}), frozenset({"%"}), recalculated=True),
    )
    pairs = _pairs(stratum, 1.4297, rsd=0.004, n=40)
    (finding,) = diagnosis.suspected_faults(pairs, [stratum], T, {stratum.key: read})
    assert "field read as Fe in mg/kg; lab read as Fe2O3 in %" in finding.evidence


# ---- whole methods --------------------------------------------------------------------


def test_one_common_factor_of_all_elements_is_one_finding_that_names_them() -> None:
    biases = {e: 0.74 * (1 + 0.01 * (i % 3 - 1)) for i, e in enumerate(ELEMENTS)}
    (finding,) = _of_methods({"XRF": biases})
    assert finding.code == "common factor"
    assert finding.severity == "warning"
    assert not finding.blocks  # a person may settle it as a fault
    assert len(finding.strata) == len(ELEMENTS)
    for element in ELEMENTS:
        assert f"{element} 0.7" in finding.text
    assert "dilution" in finding.text
    assert "moisture" in finding.text
    assert "partial digestion" in finding.text


def test_a_unit_that_all_elements_share_is_one_finding_that_blocks_each() -> None:
    biases = {e: 0.0011 * (1 + 0.2 * np.sin(i)) for i, e in enumerate(ELEMENTS)}
    (finding,) = _of_methods({"XRF": biases})
    assert finding.code == "unit"
    assert len(finding.strata) == len(ELEMENTS)
    assert set(diagnosis.by_stratum([finding])) == set(finding.strata)


def test_one_fault_beside_a_common_factor_is_told_apart_from_it() -> None:
    biases = {e: 0.74 * (1 + 0.01 * (i % 3 - 1)) for i, e in enumerate(ELEMENTS)}
    biases["Al"] *= 1.8895
    found = {f.code: f for f in _of_methods({"XRF": biases})}
    assert set(found) == {"common factor", "field oxide"}
    assert found["field oxide"].subject == _stratum("Al", "XRF").key
    assert _stratum("Al", "XRF").key not in found["common factor"].strata


def test_methods_without_a_common_factor_get_none() -> None:
    near_one = {e: 1.0 + 0.01 * (i % 3) for i, e in enumerate(ELEMENTS)}
    apart = {e: 0.8 + 0.05 * (i % 5) for i, e in enumerate(ELEMENTS)}
    few = {"Cu": 0.8, "Zn": 0.8, "Pb": 0.8}
    assert _of_methods({"XRF 1": near_one, "XRF 2": apart, "XRF 3": few}) == ()


def test_stated_moisture_that_explains_the_ratio_is_named() -> None:
    rng = np.random.default_rng(3)
    wet = rng.uniform(8, 35, 24)
    stratum = _stratum("Zn")
    pairs = _pairs(stratum, 1.0, rsd=0.05).assign(moisture_pct=wet)
    pairs["field_mean"] *= 1 - wet / 100
    (finding,) = diagnosis.suspected_faults(pairs, [stratum], T)
    assert finding.code == "moisture"
    without = pairs.drop(columns="moisture_pct")
    assert diagnosis.suspected_faults(without, [stratum], T) == ()


def test_stated_moisture_that_does_not_explain_the_ratio_is_left_alone() -> None:
    assert _alone("Zn", 0.8, rsd=0.05, moisture_pct=3.0) == ()
    assert _alone("Zn", 1.0, rsd=0.05, moisture_pct=20.0) == ()


def test_pairs_that_are_not_used_are_read_only_where_too_few_are_used() -> None:
    stratum = _stratum("Pb")
    good, bad = _pairs(stratum, 1.0, n=12), _pairs(stratum, 1e-3, n=40, used=False)
    assert diagnosis.suspected_faults(pd.concat([good, bad]), [stratum], T) == ()
    assert len(diagnosis.suspected_faults(bad, [stratum], T)) == 1


# ---- how often wrong, how often right -------------------------------------------------


def _honest_strata() -> tuple[dict[str, dict[str, float]], dict[str, tuple[ReadAs, ReadAs]]]:
    """Eight methods, 113 strata, with biases as field methods have them."""
    rng = np.random.default_rng(113)
    methods = {
        f"XRF · X{number} · mode {number}": {
            element: float(np.exp(spread * rng.standard_normal())) for element in ELEMENTS
        }
        for number, spread in enumerate((0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4), start=1)
    }
    methods["XRF · X1 · mode 1"]["Fe"] = 1.37
    methods["XRF · X2 · mode 2"]["Fe"] = 1.419
    methods["LIBS · L1"] = {"Mg": 1.66, "Al": 1.1, "S": 0.09, "Li": 0.8, "Fe": 0.95, "Si": 1.02,
                            "Na": 0.75, "Be": 1.3}  # fmt: skip
    read_as = {
        _stratum("Mg", "LIBS · L1").key: (
            ReadAs(frozenset({"MgO"}), frozenset({"%"}), recalculated=True),
            ReadAs(frozenset({"Mg"}), frozenset({"%"})),
        ),
        _stratum("S", "LIBS · L1").key: (
            ReadAs(frozenset({"S"})), ReadAs(frozenset({"S"}), isotopes=frozenset({34}))
        ),
    }  # fmt: skip
    assert sum(map(len, methods.values())) == 113
    return methods, read_as


@pytest.mark.parametrize("seed", range(3))
def test_113_honest_strata_raise_no_accusation(seed: int) -> None:
    methods, read_as = _honest_strata()
    found = _of_methods(methods, read_as, seed=1000 * seed)
    assert [f.text for f in found if f.code != "isotope"] == []
    assert not any(f.blocks for f in found)


@pytest.mark.parametrize("seed", range(3))
def test_three_faults_among_113_strata_are_found_and_nothing_else(seed: int) -> None:
    methods, read_as = _honest_strata()
    methods["XRF · X3 · mode 3"]["Pb"] = 0.0019
    methods["XRF · X5 · mode 5"]["Zn"] = 4e-4
    methods["XRF · X1 · mode 1"]["Al"] *= 1.8895
    found = _of_methods(methods, read_as, seed=1000 * seed)
    assert {(f.code, f.subject) for f in found if f.code != "isotope"} == {
        ("unit", _stratum("Pb", "XRF · X3 · mode 3").key),
        ("unit", _stratum("Zn", "XRF · X5 · mode 5").key),
        ("field oxide", _stratum("Al", "XRF · X1 · mode 1").key),
    }


def _rates(spread: float, tails: float, methods: int, seed: int) -> tuple[float, float, float]:
    """Shares of honest strata accused, of unit faults found, and of aluminium oxides found."""
    rng = np.random.default_rng(seed)
    accused, units, oxides = 0, 0, 0
    oxide = parse_species("Al2O3")
    assert oxide is not None
    for number in range(methods):
        biases = {e: float(np.exp(spread * rng.standard_t(tails))) for e in ELEMENTS}
        accused += len(_of_methods({"XRF": biases}, seed=100 * number, rsd=0.1))
        unit = float(rng.choice([1e-6, 1e-4, 1e-3, 1e3, 1e4, 1e6]))
        wrong = biases | {"Pb": biases["Pb"] * unit}
        wrong["Al"] = biases["Al"] / oxide.element_per_species
        for finding in _of_methods({"XRF": wrong}, seed=100 * number, rsd=0.1):
            units += finding.code == "unit" and _stratum("Pb", "XRF").key in finding.strata
            oxides += finding.code == "field oxide" and finding.subject == _stratum("Al", "XRF").key
    return accused / (methods * len(ELEMENTS)), units / methods, oxides / methods


@pytest.mark.slow
@pytest.mark.parametrize(
    ("spread", "tails", "most_accused", "oxides_found"),
    [
        (0.05, 1000.0, 0.002, 0.8),  # a method whose elements agree: oxides stand out
        (0.20, 1000.0, 0.002, 0.0),  # biases as large as the factors: nothing can tell them apart
        (0.12, 3.0, 0.006, 0.2),  # some biases far larger than the rest
    ],
)
def test_rates_of_false_accusation_and_detection(
    spread: float, tails: float, most_accused: float, oxides_found: float
) -> None:
    accused, units, oxides = _rates(spread, tails, 30, 24)
    assert accused <= most_accused
    assert units == 1.0
    assert oxides >= oxides_found


@pytest.mark.slow
def test_rates_over_many_methods() -> None:
    for spread, tails, most in ((0.05, 1e3, 1e-3), (0.2, 1e3, 1e-3), (0.35, 1e3, 1e-3),
                                (0.12, 3.0, 5e-3)):  # fmt: skip
        accused, units, _ = _rates(spread, tails, 60, 9)
        assert accused <= most
        assert units > 0.99


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.one_of(st.none(), st.floats()), st.one_of(st.none(), st.floats()),
            st.one_of(st.none(), st.floats(-10, 110)), st.sampled_from([True, False, None]),
        ),
        max_size=12,
    )
)  # fmt: skip
def test_any_pairs_at_all_are_read(rows: list[tuple[object, ...]]) -> None:
    pairs = pd.DataFrame(rows, columns=["field_mean", "lab_mean", "moisture_pct", "used"])
    pairs["stratum"] = _stratum("Fe").key
    diagnosis.suspected_faults(pairs, [_stratum("Fe")], T)


def test_candidates_are_told_apart_from_ordinary_bias() -> None:
    for element in ("Fe", "Cu", "Pb", "Zr", "Xx"):
        ratios = [c.ratio for c in diagnosis.candidate_factors(element)]
        assert all(abs(np.log(ratio)) > np.log(1.05) for ratio in ratios)


def test_the_id_of_a_finding_follows_from_what_it_is_and_not_from_its_words() -> None:
    (finding,) = _alone("Pb", 0.0019)
    (later,) = _alone("Pb", 0.0017, n=31, seed=8)
    assert later.text != finding.text
    assert later.id == finding.id
    assert replace(finding, subject="another").id != finding.id
    assert replace(finding, code="moisture").id != finding.id
    assert replace(finding, parameters=(("power of ten", "-4"),)).id != finding.id
    assert replace(finding, code="").id == ""
    (others,) = _alone("Zn", 0.0019)
    assert others.id != finding.id


# ---- digestion ----------------------------------------------------------------------


def _result(element: str, digestion_class: str, low: float, value: float = 1.3) -> Any:
    ratio = Estimate(value, 0.05, low, 1.45, 30)
    return SimpleNamespace(
        stratum=Stratum(
            element, FieldMethod("XRF"), LabMethod("ICP"), "soil", digestion_class=digestion_class
        ),
        statistics=SimpleNamespace(bias=SimpleNamespace(geometric_mean_ratio=ratio)),
    )


def test_a_lab_below_the_field_for_hardly_attacked_elements_is_noted() -> None:
    (finding,) = diagnosis.digestion_deficit([_result("Zr", "near-total", 1.2)])
    assert finding.severity == "note"
    assert "near-total digestion leaves behind as a rule" in finding.text
    assert "n = 30" in finding.evidence


@pytest.mark.parametrize(
    ("element", "digestion_class", "low"),
    [
        ("Cu", "partial", 1.2),  # freely attacked
        ("Zr", "total", 1.2),
        ("Zr", "", 1.2),
        ("K", "near-total", 1.2),
        ("Zr", "partial", 0.98),  # the interval holds 1
    ],
)
def test_other_differences_are_not_blamed_on_the_digestion(
    element: str, digestion_class: str, low: float
) -> None:
    assert diagnosis.digestion_deficit([_result(element, digestion_class, low)]) == ()


def test_a_ratio_that_could_not_be_estimated_is_passed_over() -> None:
    result = _result("Zr", "partial", 1.2)
    result.statistics.bias.geometric_mean_ratio = not_estimable(1, "one pair")
    assert diagnosis.digestion_deficit([result]) == ()
