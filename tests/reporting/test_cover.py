"""The first page answers which, for what, until when and what may still go wrong."""

from dataclasses import replace
from typing import Any

import pytest

from reconcile.base.model.release import StratumResult
from reconcile.base.model.verdict import Ask, Criterion, Outcome
from reconcile.reporting import words
from reconcile.reporting.document import cover, verdicts
from reconcile.statistics.proportions import clopper_pearson
from tests.reporting import builder


def with_missed(
    result: StratumResult, missed: int, of: int, acts: str = "at or above"
) -> StratumResult:
    """The stratum's first level with so many missed samples."""
    share = clopper_pearson(missed, of)
    field = "false_positive" if acts == "below" else "false_negative"
    changed: Any = {"acts": acts, field: share}
    level = replace(result.statistics.levels[0], **changed)
    return replace(result, statistics=replace(result.statistics, levels=(level,)))


def usable() -> StratumResult:
    result = builder.ordinary()
    assert verdicts.kind_of(result) < 2
    return result


def test_a_serious_finding_comes_first_with_its_own_words() -> None:
    value = builder.reconciliation([with_missed(usable(), 1, 20)])
    first, second = cover.open_risks(value)
    assert "S-0004" in first
    assert "Seal 118 was broken at receipt." in first
    assert "1 of 20" in second


def test_strata_in_use_without_controls_are_told_before_missed_samples() -> None:
    result = with_missed(usable(), 0, 3)
    bare = Criterion(Ask.CONTROLS, Outcome.TOLD, (("lacking", "no control"),))
    kept = tuple(c for c in result.verdict.criteria if c.ask is not Ask.CONTROLS)
    result = replace(result, verdict=replace(result.verdict, criteria=(*kept, bare)))
    first, second = cover.open_risks(builder.reconciliation([result], findings=()))
    assert first.startswith("For 1 stratum that may be used no reference material")
    assert "0 of 3" in second
    assert "70.8\u00a0%" in second  # upper end for 0 of 3: 1 - 0.025^(1/3), Clopper & Pearson 1934


def test_where_someone_acts_below_the_level_passing_a_low_sample_is_the_miss() -> None:
    result = with_missed(usable(), 2, 9, acts="below")
    (only,) = cover.open_risks(builder.reconciliation([result], findings=()))
    assert "missed 2 of 9 samples below" in only


def test_without_any_risk_the_page_says_why() -> None:
    result = usable()
    result = replace(result, statistics=replace(result.statistics, levels=()))
    assert cover.open_risks(builder.reconciliation([result], findings=())) == [words.RISK_NONE]


@pytest.mark.slow
def test_many_strata_are_all_named_under_their_method_and_material() -> None:
    results = builder.many(30).results
    groups = cover.by_rest_of_label(results)
    assert sum(len(found) for found in groups.values()) == 30
    for result in results:
        rest = result.stratum.label.removeprefix(result.stratum.element).lstrip(" ·")
        assert result.stratum.element in groups[rest]
