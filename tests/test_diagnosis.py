from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile import diagnosis
from reconcile.model import Stratum
from reconcile.settings import Thresholds
from reconcile.statistics.result import Estimate, not_estimable

T = Thresholds()


def _pairs(
    element: str, factor: float, n: int = 24, rsd: float = 0.08, seed: int = 1, **more: object
) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    lab = rng.lognormal(6, 0.8, n)
    field = lab * factor * np.exp(rsd * rng.standard_normal(n))
    return pd.DataFrame(
        {
            "stratum": f"{element} | m", "element": element, "sample_id": range(n),
            "field_mean": field, "lab_mean": lab, "used": True, **more,
        }
    )  # fmt: skip


@pytest.mark.parametrize(
    ("element", "factor", "words"),
    [
        ("Fe", 1.4297, "Fe2O3/Fe: the field value is the oxide"),
        ("Fe", 1 / 1.4297, "Fe/Fe2O3: the lab value is the oxide"),
        ("Li", 2.1527, "Li2O/Li"),
        ("Cu", 1e4, "10^4): units differ"),
        ("Au", 1e-3, "10^-3): units differ"),
        ("Ti", 1e-4 / 1.6683, "10^-4 times Ti/TiO2"),
    ],
)
def test_a_stratum_off_by_a_known_factor_is_named_with_its_evidence(element, factor, words):
    (finding,) = diagnosis.suspected_faults(_pairs(element, factor), T)
    assert finding.area == "diagnosis"
    assert finding.severity == "serious"
    assert finding.subject == f"{element} | m"
    assert words in finding.text
    assert "n = 24" in finding.evidence
    assert "nothing was corrected" in finding.advice


@pytest.mark.parametrize("factor", [1.0, 0.9, 1.12, 1.6, 3.0, 0.55])
def test_an_ordinary_bias_is_no_fault(factor: float):
    assert diagnosis.suspected_faults(_pairs("Cu", factor), T) == ()


def test_ratios_that_scatter_too_widely_name_nothing():
    assert diagnosis.suspected_faults(_pairs("Fe", 1.43, rsd=1.2), T) == ()


def test_a_ratio_whose_interval_holds_one_is_no_fault():
    pairs = _pairs("Pb", 1.0772, n=8, rsd=0.15)
    assert diagnosis.suspected_faults(pairs, T) == ()


def test_too_few_pairs_name_nothing():
    assert diagnosis.suspected_faults(_pairs("Fe", 1.4297, n=4), T) == ()


def test_pairs_that_are_not_used_are_read_only_where_too_few_are_used():
    good, bad = _pairs("Fe", 1.0, n=12), _pairs("Fe", 1.4297, n=40, used=False)
    assert diagnosis.suspected_faults(pd.concat([good, bad]), T) == ()
    assert len(diagnosis.suspected_faults(bad, T)) == 1


def test_stated_moisture_that_explains_the_ratio_is_named():
    rng = np.random.default_rng(3)
    wet = rng.uniform(8, 35, 24)
    pairs = _pairs("Zn", 1.0, rsd=0.05).assign(moisture_pct=wet)
    pairs["field_mean"] *= 1 - wet / 100
    (finding,) = diagnosis.suspected_faults(pairs, T)
    assert "moisture" in finding.text
    assert diagnosis.suspected_faults(pairs.drop(columns="moisture_pct"), T) == ()


def test_stated_moisture_that_does_not_explain_the_ratio_is_left_alone():
    pairs = _pairs("Zn", 0.8, rsd=0.05).assign(moisture_pct=3.0)
    assert diagnosis.suspected_faults(pairs, T) == ()
    dry = _pairs("Zn", 1.0, rsd=0.05).assign(moisture_pct=20.0)
    assert diagnosis.suspected_faults(dry, T) == ()


def test_the_share_of_true_biases_that_look_like_a_fault_is_as_stated():
    rng = np.random.default_rng(8)
    biases = np.exp(rng.uniform(np.log(0.5), np.log(2), 600))
    hits = sum(
        bool(diagnosis.suspected_faults(_pairs("Al", b, seed=i), T)) for i, b in enumerate(biases)
    )
    # one oxide, both ways round: two windows of 6 % within ln 4 = 1.386, less the edges
    assert 0.05 < hits / 600 < 0.11


def test_unbiased_strata_raise_no_alarm():
    hits = sum(
        bool(diagnosis.suspected_faults(_pairs(e, 1.0, n=20, rsd=0.25, seed=i), T))
        for i, e in enumerate(["Fe", "Ba", "Pb", "Sr", "Cu", "Mn"] * 50)
    )
    assert hits <= 3  # of 300


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
def test_any_pairs_at_all_are_read(rows):
    pairs = pd.DataFrame(rows, columns=["field_mean", "lab_mean", "moisture_pct", "used"])
    pairs["stratum"], pairs["element"] = "s", "Fe"
    diagnosis.suspected_faults(pairs, T)


def test_candidates_are_told_apart_from_ordinary_bias():
    for element in ("Fe", "Cu", "Pb", "Zr", "Xx"):
        ratios = [c.ratio for c in diagnosis.candidate_factors(element)]
        assert min(abs(np.log(ratios))) > np.log(1.05)
        assert 1e4 in ratios
        assert 1e-4 in ratios


# ---- digestion ----------------------------------------------------------------------


def _result(element: str, digestion_class: str, low: float, value: float = 1.3) -> SimpleNamespace:
    ratio = Estimate(value, 0.05, low, 1.45, 30)
    return SimpleNamespace(
        stratum=Stratum(element, "XRF", "ICP", "soil", digestion_class=digestion_class),
        statistics=SimpleNamespace(geometric_mean_ratio=ratio),
    )


def test_a_lab_below_the_field_for_hardly_attacked_elements_is_noted():
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
def test_other_differences_are_not_blamed_on_the_digestion(element, digestion_class, low):
    assert diagnosis.digestion_deficit([_result(element, digestion_class, low)]) == ()


def test_a_ratio_that_could_not_be_estimated_is_passed_over():
    result = _result("Zr", "partial", 1.2)
    result.statistics.geometric_mean_ratio = not_estimable(1, "one pair")
    assert diagnosis.digestion_deficit([result]) == ()
