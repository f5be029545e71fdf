"""A verdict that rests on what was left out says so, on every page where it stands."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

import reconcile
from reconcile.base.model.verdict import ACCEPTED, INSUFFICIENT, Verdict
from reconcile.base.reasons import Exclusion
from reconcile.figures import evaluation
from reconcile.judgement import factor_proposal, sensitivity, verdicts
from reconcile.reporting import words
from tests import small, volumes
from tests.pairs import STRATUM, settings, study

RULES = settings(minimum_pairs=20)


def judged(pairs: pd.DataFrame) -> Verdict:
    evaluated = evaluation.evaluate(STRATUM, pairs, None, RULES)
    proposal = factor_proposal.propose(STRATUM, evaluated, RULES, None)
    verdict = verdicts.judge(STRATUM, evaluated, proposal, RULES, None, "2027-01-31")
    judging = sensitivity.Judging(STRATUM, None, RULES, None, "2027-01-31")
    return sensitivity.with_all_put_back(verdict, pairs, judging)


def spoilt(n: int, ratio: float, reason: str = Exclusion.CUSTODY_BROKEN) -> pd.DataFrame:
    """Forty good pairs and ``n`` that a reason keeps out, whose field reads ``ratio`` times."""
    pairs = study(40 + n, rsd=0.05)
    out = pairs.index >= 40
    for name in ("field_mean", "field_low", "field_high"):
        pairs.loc[out, name] *= ratio
    custody = "broken" if reason == Exclusion.CUSTODY_BROKEN else "complete"
    return pairs.assign(
        used=~out, reason_code=np.where(out, reason, ""), custody=np.where(out, custody, "complete")
    )


@pytest.mark.parametrize(
    "reason", [Exclusion.CUSTODY_BROKEN, Exclusion.LEFT_OUT, Exclusion.BATCH_FAILED]
)
def test_exclusions_that_carry_the_verdict_are_flagged(reason: str) -> None:
    verdict = judged(spoilt(15, 2.0, reason))
    assert verdict.decision == ACCEPTED
    assert verdict.put_back == 15
    assert verdict.flips
    assert verdict.decision_put_back != ACCEPTED
    assert verdict.reason_put_back


def test_exclusions_that_change_nothing_are_said_to_change_nothing() -> None:
    verdict = judged(spoilt(5, 1.0))
    assert (verdict.put_back, verdict.decision_put_back) == (5, ACCEPTED)
    assert not verdict.flips


def test_too_few_pairs_may_be_enough_with_all_put_back() -> None:
    pairs = study(40)
    verdict = judged(pairs.assign(used=pairs.index < 15, reason_code=Exclusion.CUSTODY_BROKEN))
    assert (verdict.decision, verdict.decision_put_back) == (INSUFFICIENT, ACCEPTED)


def test_without_exclusions_nothing_is_judged_twice() -> None:
    verdict = judged(study(40))
    assert (verdict.put_back, verdict.decision_put_back, verdict.flips) == (0, "", False)


@hypothesis_settings(max_examples=25, deadline=None)
@given(st.lists(st.sampled_from(["used", "out", "censored"]), min_size=3, max_size=40))
def test_a_censored_pair_is_never_put_back_as_a_number(kinds: list[str]) -> None:
    pairs = study(len(kinds)).assign(used=[k == "used" for k in kinds])
    codes = {
        "used": "",
        "out": Exclusion.CUSTODY_BROKEN,
        "censored": Exclusion.FIELD_OUTSIDE_LIMITS,
    }
    pairs["reason_code"] = [str(codes[k]) for k in kinds]
    pairs.loc[[k == "censored" for k in kinds], "field_mean"] = np.nan
    back = sensitivity.put_back(pairs)
    assert back["used"].tolist() == [k != "censored" for k in kinds]
    assert back["reason_code"].ne("").tolist() == [k == "censored" for k in kinds]


@pytest.fixture(scope="module")
def release(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty samples, twelve of them left out by entry because they read three times too high."""
    site = small.build(tmp_path_factory.mktemp("back") / "site", samples=40, bias=1.0)
    field = pd.read_csv(site / "field.csv", dtype=str)
    bad = [f"S{n:03d}" for n in range(1, 13)]
    values = pd.to_numeric(field["Cu (mg/kg)"], errors="coerce")
    high = field["sample_id"].isin(bad) & values.notna()
    field.loc[high, "Cu (mg/kg)"] = [f"{v:.1f}" for v in values[high] * 3]
    field.to_csv(site / "field.csv", index=False)
    path = site / "reconcile.toml"
    entries = ", ".join(f'"{name}/Cu" = "wet bag"' for name in bad)
    path.write_text(f"leave_out = {{ {entries} }}\n" + path.read_text("utf-8"), "utf-8")
    return reconcile.run_period(site, "2026-10").release_folder


@pytest.mark.slow
def test_a_flip_stands_on_page_1_in_the_verdict_table_on_the_page_and_in_the_files(
    release: Path,
) -> None:
    table = pd.read_csv(release / "verdicts.csv").set_index("element")
    copper = table.loc["Cu"]
    assert copper["verdict"] == ACCEPTED
    assert copper["flips"] == "yes"
    assert copper["verdict_put_back"] != ACCEPTED
    assert copper["pairs_put_back"] > 5
    assert table.loc["Fe", "flips"] == "no"
    pages = [p.extract_text().replace("\n", " ") for p in volumes.pages_of(release)]
    assert "Cu · XRF · soil ‡" in pages[0]
    assert words.FLIP_NOTE in pages[0]
    assert "With every excluded pair put back the verdict of 1 stratum would be another" in pages[1]
    assert "Accepted ‡" in " ".join(pages)
    assert words.FLIP_NOTE in " ".join(pages)
    said = [p for p in pages if "put back (" in p]
    assert said
    assert "pairs instead of" in said[0]
    assert "Accepted ‡" in (release / "report.html").read_text("utf-8")
    rows = list(openpyxl.load_workbook(release / "workbook.xlsx")["Strata"].values)
    head = next(row for row in rows if "Verdict" in row)
    place = head.index(words.COLUMNS["verdict_put_back"])
    assert any(row[place] for row in rows[rows.index(head) + 1 :])


@pytest.mark.slow
def test_a_verdict_shows_its_range_and_its_date_everywhere(release: Path) -> None:
    table = pd.read_csv(release / "verdicts.csv").set_index("element")
    copper = table.loc["Cu"]
    assert copper["valid_from_mg_kg"] < copper["valid_to_mg_kg"]
    assert copper["valid_until"] == "2027-01-31"
    factors = pd.read_csv(release / "factors.csv")
    assert "Cu" not in set(factors["element"])  # accepted as read: nothing is proposed
    assert {"valid_from", "valid_until", "verdict"} <= set(factors.columns)
    text = " ".join(p.extract_text() for p in volumes.pages_of(release))
    assert "until 2027-01-31" in text.replace("\n", " ")
    sheet = openpyxl.load_workbook(release / "workbook.xlsx")["Factors"]
    heads = [c.value for c in sheet[1]]
    assert {"Valid from", "Valid until", "Verdict"} <= set(heads)


@pytest.mark.slow
def test_an_entry_that_leaves_nothing_out_is_told(tmp_path: Path) -> None:
    site = small.build(tmp_path / "site", samples=10)
    path = site / "reconcile.toml"
    entries = '"S001" = "torn", "S002/Cu" = "wet", "S0O3" = "typo", "S004/Zn" = "no such"'
    path.write_text(f"leave_out = {{ {entries} }}\n" + path.read_text("utf-8"), "utf-8")
    found = reconcile.run_period(site, "2026-10").reconciliation.findings
    told = [f.subject for f in found if f.subject.startswith("leave_out.")]
    assert told == ["leave_out.S0O3", "leave_out.S004/Zn"]


def test_a_verdict_without_exclusions_says_nothing_of_putting_back() -> None:
    from reconcile.reporting import sentences

    assert sentences.put_back_sentence(Verdict(ACCEPTED, "fine"), 30) == ""
    same = replace(Verdict(ACCEPTED, "fine"), put_back=2, decision_put_back=ACCEPTED)
    assert "would be the same" in sentences.put_back_sentence(same, 30)
