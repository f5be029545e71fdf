"""Exact binomial bounds, guard bands, scores, levels and planning figures."""

from __future__ import annotations

import math
from statistics import NormalDist

import pytest

from reconcile.base.grades import AGAINST, GUARDED, WITHIN, Limit, Measured, ResultSet
from reconcile.judgement.conformity import element_call
from reconcile.statistics.decisions import (
    clopper_pearson,
    conformity,
    data_quality_level,
    field_limit_for_false_negative_rate,
    guard_band,
    howe_tolerance_factor,
    method_6200_criteria,
    scores,
)
from tests.published.table import rows


def test_none_wrong_of_twenty_still_allows_fourteen_percent() -> None:
    # computed planning figure; closed form 1 - 0.05^(1/20)
    found = clopper_pearson(0, 20, side="upper")
    assert found.high == pytest.approx(1 - 0.05 ** (1 / 20), rel=1e-12)
    assert round(100 * found.high, 1) == 13.9


def test_clopper_and_pearson_example_of_two_in_twenty() -> None:
    # 2 of 20: 1.2 % to 31.7 % (exact tables, from memory)
    found = clopper_pearson(2, 20)
    assert (round(found.low, 3), round(found.high, 3)) == (0.012, 0.317)


@pytest.mark.parametrize(("r", "below"), [(0.83, 0.05), (1.0, 0.025), (1.5, 0.0016)])
def test_guard_bands_hold_the_tabulated_risk_of_false_acceptance(r: float, below: float) -> None:
    # ILAC-G8:09/2019, table of guard bands (from memory), recomputed
    found = guard_band(1.0, upper_limit=10.0, r=r)
    assert found.risk_at_limit < below
    assert found.accept_high == pytest.approx(10 - 2 * r)


def test_simple_acceptance_risks_one_half_at_the_limit() -> None:
    # ILAC-G8:09/2019 (from memory)
    assert guard_band(1.0, upper_limit=10.0, r=0).risk_at_limit == 0.5


def test_one_sided_conformity_table() -> None:
    # computed from the formulae of JCGM 106:2012
    for row in rows("conformity_one_sided"):
        limit, value, u = (float(row[k]) for k in ("upper_limit", "value", "u"))
        found = conformity(value, u, upper_limit=limit)
        assert found.probability == pytest.approx(float(row["p_conform"]), abs=5.1e-7)
        assert found.accepted is (row["guard_w_U_k2_accept"] == "True")
        # the last row sits on this limit, written to six decimals
        narrow = guard_band(u, upper_limit=limit, r=NormalDist().inv_cdf(0.95), k=1)
        accepted = value <= round(narrow.accept_high, 6)
        assert accepted is (row["guard_w_1p645u_accept"] == "True"), row


def test_guarded_acceptance_of_a_grade_limit_follows_the_same_table() -> None:
    # computed from the formulae of JCGM 106:2012: accepted where value + U is below the limit
    for row in rows("conformity_one_sided"):
        limit, value, u = (float(row[k]) for k in ("upper_limit", "value", "u"))
        made = element_call(
            Limit("grade", "Cr", math.nan, limit), Measured("Cr", value, value, u),
            ResultSet("part", "lab", "spark OES", "", "", ()), GUARDED, 1.0,
        )  # fmt: skip
        assert (made.call == WITHIN) is (row["guard_w_U_k2_accept"] == "True"), row
        assert (made.call == AGAINST) is (value - 2 * u > limit), row
        assert made.probability == pytest.approx(float(row["p_conform"]), abs=5.1e-7)


def test_scores_follow_their_formulae() -> None:
    # computed from the formulae of ISO 13528
    for row in rows("scores_examples"):
        found = scores(
            float(row["x"]), float(row["X_ref"]), float(row["u_x"]), float(row["u_ref"]),
            float(row["sigma_pt"]),
        )  # fmt: skip
        expected = (float(row["z"]), float(row["zeta"]), float(row["En_k2"]))
        assert (found.z, found.zeta, found.en) == pytest.approx(expected, abs=5.1e-7)


def test_field_limits_for_five_percent_false_negatives() -> None:
    # computed planning figures; log-normal field error with SD of logarithms equal to the RSD
    found = [field_limit_for_false_negative_rate(1.0, rsd).factor for rsd in (0.1, 0.2, 0.3, 0.5)]
    assert [round(f, 2) for f in found] == [0.85, 0.72, 0.61, 0.44]


@pytest.mark.parametrize(("n", "k"), [(20, 2.75), (30, 2.55), (40, 2.44), (60, 2.33), (100, 2.23)])
def test_tolerance_factors(n: int, k: float) -> None:
    # Howe 1969; NIST/SEMATECH e-Handbook 7.2.6.3, computed
    assert howe_tolerance_factor(n) == pytest.approx(k, abs=0.0051)


@pytest.mark.parametrize(
    ("rsd", "r_squared", "similar", "level"),
    [
        (0.10, 0.85, True, "definitive"),
        (0.05, 0.99, False, "quantitative screening"),
        (0.11, 0.99, True, "quantitative screening"),
        (0.05, 0.84, True, "quantitative screening"),
        (0.19, 0.70, False, "quantitative screening"),
        (0.05, 0.69, True, "qualitative screening"),
        (0.21, 0.99, True, "qualitative screening"),
    ],
)
def test_levels_of_the_verification_programme(
    rsd: float, r_squared: float, similar: bool, level: str
) -> None:
    # US EPA verification programme for field-portable XRF, 1998, level table (from memory)
    assert data_quality_level(rsd, r_squared, similar).level == level


def test_method_6200_criteria() -> None:
    # US EPA SW-846 Method 6200 (2007), sections 9.5 and 9.7 (from memory)
    lead = method_6200_criteria(0.20, 0.92, True, "Pb", 7)
    assert (lead.precision_met, lead.enough_replicates) == (True, True)
    assert (lead.screening_met, lead.definitive_met) == (True, True)
    assert method_6200_criteria(0.25, 0.7, None, "Cr").precision_met is True
    assert method_6200_criteria(0.25, 0.7, None, "Pb").precision_met is False
    assert method_6200_criteria(0.25, 0.69).screening_met is False
    assert method_6200_criteria(0.1, 0.95).definitive_met is None
    assert method_6200_criteria(0.1, 0.95, False).definitive_met is False
