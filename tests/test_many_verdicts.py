"""Many verdicts: the expected number of wrong acceptances, and rules that hold it down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

import reconcile
from reconcile.base.model.release import EarlierResult, Reconciliation
from reconcile.base.model.verdict import ACCEPTED, INSUFFICIENT, LABORATORY_ONLY, Verdict
from reconcile.judgement import many
from reconcile.releases import history
from reconcile.reporting import sentences
from tests import small
from tests.reporting import builder


def release_of(verdicts: Sequence[Verdict]) -> Reconciliation:
    """A month with these verdicts, and none of any other month."""
    result = builder.empty()
    results = tuple(replace(result, verdict=verdict) for verdict in verdicts)
    return replace(builder.mixed(), results=results, history=(), period="2026-10")


def test_what_may_be_wrong_is_the_sum_of_what_each_judging_may() -> None:
    verdicts = [
        *(Verdict(ACCEPTED, "", alpha=0.05, decisions=1) for _ in range(30)),
        *(Verdict(LABORATORY_ONLY, "", alpha=0.05, decisions=2) for _ in range(5)),
        *(Verdict(INSUFFICIENT, "", alpha=0.05) for _ in range(9)),  # nothing was judged
    ]
    found = many.expected(verdicts)
    assert (found.accepted, found.judged) == (30, 40)
    assert found.wrong_at_most == pytest.approx(2.0)  # 0.05 · 40
    said = sentences.many_sentence(release_of(verdicts))
    assert "Of 30 acceptances at most 2.00 are to be expected wrong" in said
    assert "40 judgings" in said


def test_without_an_acceptance_none_can_be_wrong() -> None:
    verdicts = [Verdict(LABORATORY_ONLY, "", alpha=0.05, decisions=2)]
    assert many.expected(verdicts).wrong_at_most == 0
    assert sentences.many_sentence(release_of(verdicts)) == ""


def accepted(period: str, wrong: float) -> EarlierResult:
    return EarlierResult(period, f"{period}-r1", "Cu", 20, 1.0, 0.9, 1.1, ACCEPTED, wrong)


def test_the_year_adds_up_the_months_that_were_released_and_say_how_they_were_judged() -> None:
    verdicts = [Verdict(ACCEPTED, "", alpha=0.05, decisions=2)]
    earlier = (
        accepted("2025-10", 0.05),  # a year and more ago
        accepted("2025-11", 0.05),
        accepted("2026-09", 0.05),
        replace(accepted("2026-09", 0.05), stratum="Zn", verdict=LABORATORY_ONLY),
        accepted("2026-08", float("nan")),  # released before this was kept
    )
    year = many.over_a_year(verdicts, earlier, "2026-10")
    assert (year.months, year.accepted) == (3, 3)
    assert year.wrong_at_most == pytest.approx(0.10 + 0.05 + 0.10)
    said = sentences.many_sentence(replace(release_of(verdicts), history=earlier))
    assert "3 months" in said
    assert "of 3 acceptances at most 0.25" in said


@pytest.mark.slow
def test_what_a_month_keeps_of_its_chances_comes_back_in_later_months(tmp_path: Path) -> None:
    site = small.build(tmp_path, samples=25)
    first = reconcile.run_period(site, "2026-10").reconciliation
    kept = history.earlier_results(site / "out" / "releases", "2026-11")
    assert [k.wrong_at_most for k in kept] == [
        pytest.approx(r.verdict.wrong_at_most) for r in first.results
    ]
    assert sum(k.wrong_at_most for k in kept) > 0


def rejected(rule: str, p: np.ndarray) -> set[int]:
    """Which p values lie at or below the alpha of the rule."""
    level = many.level_of(rule, 0.05, [1] * len(p), lambda i, a: bool(p[i] <= a))
    return {i for i in range(len(p)) if p[i] <= level}


@pytest.mark.parametrize("seed", range(40))
def test_the_rules_are_those_of_holm_and_of_benjamini_and_hochberg(seed: int) -> None:
    # adjusted p values by statsmodels
    rng = np.random.default_rng(seed)
    p = rng.uniform(0, 1, 12) ** rng.choice([1.0, 3.0, 6.0])
    holm, hochberg = (multipletests(p, method=m)[1] for m in ("holm", "fdr_bh"))
    assert rejected("none", p) == set(np.flatnonzero(p <= 0.05))
    assert rejected("family-wise", p) == set(np.flatnonzero(holm <= 0.05))
    assert rejected("false discovery", p) == set(np.flatnonzero(hochberg <= 0.05))


def test_a_factor_makes_two_judgings_of_one_stratum() -> None:
    level = many.level_of("family-wise", 0.05, [2, 2, 1], lambda i, a: False)
    assert level == pytest.approx(0.05 / 5)
    assert many.level_of("family-wise", 0.05, [], lambda i, a: True) == 0.05
