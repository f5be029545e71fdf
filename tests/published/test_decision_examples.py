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
    equivalence_power,
    field_limit_for_false_negative_rate,
    guard_band,
    horrat,
    horwitz,
    horwitz_modified,
    howe_tolerance_factor,
    limits_half_width,
    method_6200_criteria,
    nordtest_uncertainty,
    operating_characteristic,
    optimum_lab_fraction,
    pairs_for_equivalence,
    pairs_for_false_decision_bound,
    pairs_for_limits,
    pairs_to_detect_shift,
    scores,
    spots_for_mineral,
    spots_needed,
)
from tests.published.table import column, rows


def test_none_wrong_of_twenty_still_allows_fourteen_percent() -> None:
    # computed planning figure; closed form 1 - 0.05^(1/20)
    found = clopper_pearson(0, 20, side="upper")
    assert found.high == pytest.approx(1 - 0.05 ** (1 / 20), rel=1e-12)
    assert round(100 * found.high, 1) == 13.9


def test_fifty_nine_and_twenty_nine_clean_checks_bound_five_and_ten_percent() -> None:
    # computed planning figures: smallest n with (1 - rate)^n <= 0.05
    assert pairs_for_false_decision_bound(0.05) == 59
    assert pairs_for_false_decision_bound(0.10) == 29
    assert (
        clopper_pearson(0, 59, side="upper").high
        <= 0.05
        < clopper_pearson(0, 58, side="upper").high
    )


def test_clopper_and_pearson_example_of_two_in_twenty() -> None:
    # 2 of 20: 1.2 % to 31.7 % (exact tables, from memory)
    found = clopper_pearson(2, 20)
    assert (round(found.low, 3), round(found.high, 3)) == (0.012, 0.317)


@pytest.mark.parametrize(
    ("bias", "sizes"),
    [
        (0.0, (11, 21, 36, 79, 139)),
        (0.05, (27, 58, 101, 224, 398)),
    ],
)
def test_pairs_for_equivalence_are_the_planning_figures(
    bias: float, sizes: tuple[int, ...]
) -> None:
    # computed planning figures. Model: relative paired differences, normal, SD = RSD, margin
    # ±0.10 on the same scale, two one-sided t tests at 5 %, power 80 %, true bias 0 or half the
    # margin. (A margin of ±ln 1.1 on the log scale would need 11, 23, 40, 87, 153 instead.)
    found = [
        pairs_for_equivalence(rsd, 0.10, 0.80, 0.05, bias) for rsd in (0.1, 0.15, 0.2, 0.3, 0.4)
    ]
    assert found == list(sizes)
    for rsd, n in zip((0.1, 0.15, 0.2, 0.3, 0.4), sizes, strict=True):
        assert (
            equivalence_power(n, rsd, 0.10, bias)
            >= 0.80
            > equivalence_power(n - 1, rsd, 0.10, bias)
        )


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


def test_horwitz_function_and_its_modification() -> None:
    # Horwitz, Kamps & Boyer 1980; Thompson 2000, Analyst 125:385 (formulae from memory)
    for row in rows("horwitz"):
        c = float(row["mass_fraction"])
        assert 100 * horwitz(c) == pytest.approx(
            float(row["horwitz_prsd_reproducibility_pct"]), abs=5.1e-5
        )
        modified = 100 * horwitz_modified(c)
        if c != 1.2e-7:  # the branches meet there within 0.05 %
            assert modified == pytest.approx(float(row["modified_sigma_rel_pct"]), abs=5.1e-5)
    assert horrat(0.16, 1e-6) == pytest.approx(0.16 / 0.159967, rel=1e-5)


def test_ammonium_example_of_the_nordic_uncertainty_guide() -> None:
    # Nordtest TR 537, ammonium example (from memory): u(Rw) = 1.67 %
    name = "nordtest_ammonium"
    assigned, found = column(name, "assigned_ug_l"), column(name, "laboratory_ug_l")
    u_reference = column(name, "s_R_pct") / 100 / column(name, "n_labs") ** 0.5
    budget = nordtest_uncertainty(0.0167, found / assigned - 1, u_reference)
    assert 100 * budget.bias_rms == pytest.approx(2.26, abs=0.0051)
    assert 100 * budget.u_reference == pytest.approx(1.52, abs=0.0051)
    assert 100 * budget.u_bias == pytest.approx(2.73, abs=0.011)
    assert 100 * budget.u_combined == pytest.approx(3.2, abs=0.051)
    assert round(100 * budget.expanded) == 6


def test_field_limits_for_five_percent_false_negatives() -> None:
    # computed planning figures; log-normal field error with SD of logarithms equal to the RSD
    found = [field_limit_for_false_negative_rate(1.0, rsd).factor for rsd in (0.1, 0.2, 0.3, 0.5)]
    assert [round(f, 2) for f in found] == [0.85, 0.72, 0.61, 0.44]


@pytest.mark.parametrize(("bias", "percent"), [(1.0, (32, 13, 2)), (0.85, (63, 38, 11))])
def test_chance_of_missing_a_sample_above_the_level(bias: float, percent: tuple[int, ...]) -> None:
    # computed planning figures: field RSD 20 %, true value 1.1, 1.25 and 1.5 times the level
    found = operating_characteristic(1.0, [1.1, 1.25, 1.5], math.log(bias), 0.2, 40)
    assert tuple(round(100 * p.wrong) for p in found.points) == percent
    assert all(p.upper > p.wrong for p in found.points)


@pytest.mark.parametrize(("n", "k"), [(20, 2.75), (30, 2.55), (40, 2.44), (60, 2.33), (100, 2.23)])
def test_tolerance_factors(n: int, k: float) -> None:
    # Howe 1969; NIST/SEMATECH e-Handbook 7.2.6.3, computed
    assert howe_tolerance_factor(n) == pytest.approx(k, abs=0.0051)


@pytest.mark.parametrize(("n", "width"), [(20, 0.81), (40, 0.55), (100, 0.34)])
def test_how_well_limits_of_agreement_are_known(n: int, width: float) -> None:
    # formula of Bland & Altman 1999; computed planning figures (the source rounds 1.71·t/√n)
    assert limits_half_width(n) == pytest.approx(width, abs=0.012)
    assert pairs_for_limits(limits_half_width(n)) == n


def test_pairs_to_see_a_ten_percent_shift() -> None:
    # computed planning figures, power 90 %, SD taken as known
    assert [pairs_to_detect_shift(r) for r in (0.1, 0.15, 0.2, 0.3)] == [11, 24, 43, 95]


def test_spots_and_laboratory_share() -> None:
    # computed planning figures
    assert [spots_needed(cv, 0.10) for cv in (0.3, 0.5, 1, 2, 3)] == [9, 25, 100, 400, 900]
    assert [spots_for_mineral(p, 0.10) for p in (0.2, 0.05, 0.01)] == [400, 1900, 9900]
    shares = [100 * optimum_lab_fraction(r, 1, 20) for r in (0.7, 0.8, 0.9, 0.95, 0.98)]
    assert shares == pytest.approx([23, 17, 11, 7, 4.5], abs=0.5)


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
