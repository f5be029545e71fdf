"""Controls judged against published formulas and data."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence import quality
from tests.published.table import rows


# Worked from the formulas of ISO 13528 (scores) with k = 2; from memory.
@pytest.mark.parametrize("case", rows("scores_examples"), ids=lambda c: str(c["case"]))
def test_zeta_and_en_are_those_of_the_formulas(case: dict[str, str]) -> None:
    found = quality.reference_scores(
        float(case["x"]), 1, float(case["u_x"]), float(case["X_ref"]), float(case["u_ref"])
    )
    assert found.zeta == pytest.approx(float(case["zeta"]), abs=1e-6)
    assert found.en == pytest.approx(float(case["En_k2"]), abs=1e-6)


# ERM Application Note 1 / ISO Guide 33 (from memory): the difference is compared with
# 2 sqrt(s²/n + u²); ten results of mean 103 and SD 4 against 100 with u = 0.8.
def test_the_trueness_check_compares_the_deviation_with_twice_the_joined_uncertainty() -> None:
    found = quality.reference_scores(103.0, 10, 4.0, 100.0, 0.8)
    assert found.allowed == pytest.approx(2 * math.sqrt(16 / 10 + 0.64))
    assert found.agrees is False
    assert quality.reference_scores(102.9, 10, 4.0, 100.0, 0.8).agrees is True


# Field XRF duplicates of a soil campaign, public report of October 2009 (Dutch), appendix F:
# relative repeatability 100·sqrt(sum((d/mean)²)/(2n)), which is CV_RMS; samples 102, 125, 131
# and 132 left out there.
@pytest.mark.parametrize(
    ("element", "printed"),
    [("zn", 8.9), ("ni", 20), ("cr", 20.4), ("ba", 12), ("cd", 13), ("hg", 13), ("sb", 24)],
)
def test_duplicates_of_the_soil_campaign_have_the_printed_repeatability(
    element: str, printed: float
) -> None:
    pairs = [
        r
        for r in rows("field_xrf_duplicates")
        if r["element"] == element
        and r["sample"] not in ("102", "125", "131", "132")
        and "<" not in r["first"] + r["second"]
        and r["first"] and r["second"]
    ]  # fmt: skip
    frame = pd.DataFrame(
        {
            "sample_kind": "duplicate", "side": "field", "method": "XRF", "element": element,
            "sample_id": [r["sample"] for r in pairs],
            "first_mg_kg": [float(r["first"]) for r in pairs],
            "value_mg_kg": [float(r["second"]) for r in pairs],
        }
    )  # fmt: skip
    limit = replace_limit(printed / 100 + 0.01)
    (check,) = quality.judge_duplicates(frame, limit)
    assert 100 * check.found == pytest.approx(printed, abs=0.5)


def replace_limit(limit: float) -> Thresholds:
    return Thresholds().model_copy(update={"duplicate_cv": limit})


# US EPA Method 6200, section 4.7: a lead to arsenic ratio of 10 to 1 or more.
@pytest.mark.parametrize(("lead", "flagged"), [(999.0, 0), (1000.0, 1), (5000.0, 1)])
def test_the_lead_to_arsenic_rule_begins_at_ten_to_one(lead: float, flagged: int) -> None:
    readings = pd.DataFrame({"sample_id": ["a"], "technique": ["XRF"], "Pb": [lead], "As": [100.0]})
    assert len(quality.interference_flags(readings, Thresholds())) == flagged
