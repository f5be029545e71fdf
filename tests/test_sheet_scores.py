"""The list for the laboratory has known chances, and its answers are held against the calls."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.base.finding_codes import FindingCode
from reconcile.commands import dispatching, issuing
from reconcile.intake import workspace as ws
from reconcile.judgement import recall, sheet_counts, sheet_life, sheet_scores
from reconcile.judgement.sheet_content import Costs, ResultSheet
from reconcile.releases import record
from tests.test_cli import reconcile as command
from tests.test_sheet_recall import december
from tests.test_sheets import (  # noqa: F401 - fixtures
    BY,
    issued,
    made,
    with_sheet,
)

pytestmark = pytest.mark.usefixtures("data_alone")
AT = "2026-12-02T10:00+00:00"


def sheet_of(site: Path) -> tuple[sheet_life.SheetLife, ResultSheet]:
    workspace = ws.load_workspace(site)
    ((life, sheet),) = recall.standing(workspace, record.read(site / "out" / record.RECORD))
    return life, sheet


@pytest.mark.slow
def test_the_list_holds_what_is_open_and_a_random_part(issued: Path) -> None:  # noqa: F811
    code, output, _ = command(
        "dispatch", "RS-0001", str(issued), "--dispatch", "D-77", "--by", BY, "--at", AT,
        "--share", "0.5",
    )  # fmt: skip
    assert code == 0, output
    rows = list(csv.DictReader((issued / "out/forms/dispatch-D-77.csv").open(encoding="utf-8")))
    why = {r["sample_id"]: (r["why"], float(r["inclusion_probability"])) for r in rows}
    assert {s for s, (kind, _) in why.items() if kind == "too close"} == {"N-2", "N-4"}
    assert why["N-5"] == ("undecided", 1.0)
    (drawn,) = [s for s, (kind, _) in why.items() if kind == "random"]
    assert drawn in {"N-1", "N-3"}
    assert why[drawn][1] == 0.5
    assert (issued / "out/forms/custody-form-D-77.pdf").exists()
    (event,) = sheet_of(issued)[0].dispatches
    assert len(event["samples"]) == 4
    again = dispatching.dispatch(issued, "RS-0001", "D-77", BY, AT, 1.0)
    assert len(again.samples) == 4  # what was recorded stands
    assert len(sheet_of(issued)[0].dispatches) == 1


def test_every_called_sample_has_the_same_chance(issued: Path) -> None:  # noqa: F811
    _, sheet = sheet_of(issued)
    one = next(r for r in sheet.results if r.mean.sample_id == "N-1" and r.levels)
    many = tuple(
        replace(one, mean=replace(one.mean, sample_id=f"S{i:02d}"), value=100.0 + i)
        for i in range(20)
    )
    counts = dict.fromkeys((r.mean.sample_id for r in many), 0)
    for seed in range(400):
        for sample, why, chance in dispatching.choose(replace(sheet, results=many), 0.2, str(seed)):
            counts[sample] += 1
            assert (why, chance) == ("random", 0.2)
    assert all(abs(n - 80) < 4 * np.sqrt(400 * 0.2 * 0.8) for n in counts.values())


def test_nothing_is_sent_by_a_sheet_that_does_not_stand(issued: Path) -> None:  # noqa: F811
    issuing.withdraw(issued, "RS-0001", BY, AT, "wrong lot")
    with pytest.raises(ReconcileError, match="nothing is sent by it"):
        dispatching.dispatch(issued, "RS-0001", "D-1", BY, AT)


def test_scores_count_each_side_by_level_against_what_was_promised(issued: Path) -> None:  # noqa: F811
    life, sheet = sheet_of(issued)
    method = next(r.lab_method for r in sheet.results if r.lab_method)
    content = {"N-1": 130.0, "N-2": 280.0, "N-3": 250.0}  # N-3 was called above 300
    answers = {(s, "Cu", method): (x, x) for s, x in content.items()}
    (apart,) = sheet_scores.score(life, sheet, answers)
    assert not apart.at_random
    assert (apart.right.n, apart.right.value) == (2, 0.5)
    below, above = apart.sides
    assert (below.n, below.wrong, below.rate) == (1, 0, 0.05)
    assert (above.n, above.wrong, above.rate) == (1, 1, 0.10)
    assert not above.beyond  # one of one proves nothing
    drawn = replace(life, dispatches=({"samples": [["N-1", "random", 0.5]]},))
    scores = sheet_scores.score(drawn, sheet, answers)
    assert [(s.at_random, s.right.n) for s in scores] == [(False, 1), (True, 1)]


def test_more_wrong_calls_than_promised_are_a_warning(issued: Path) -> None:  # noqa: F811
    life, sheet = sheet_of(issued)
    one = next(r for r in sheet.results if r.mean.sample_id == "N-1" and r.levels)
    many = tuple(replace(one, mean=replace(one.mean, sample_id=f"S{i:02d}")) for i in range(20))
    answers = {(r.mean.sample_id, "Cu", r.lab_method): (400.0, 400.0) for r in many[:5]}
    answers |= {(r.mean.sample_id, "Cu", r.lab_method): (0.0, 50.0) for r in many[5:]}
    scores = sheet_scores.score(life, replace(sheet, results=many), answers)
    assert scores[0].sides[0].wrong == 5
    assert scores[0].beyond  # Clopper-Pearson: 5 of 20 is at least 8.7 % (tables), above 5 %
    (finding,) = sheet_scores.findings(scores)
    assert finding.severity == "warning"


@pytest.mark.slow
def test_answers_that_come_later_are_scored_in_the_next_months_release(
    issued: Path,  # noqa: F811
) -> None:
    dispatching.dispatch(issued, "RS-0001", "D-77", BY, AT, 1.0)
    november = (issued / "november.csv").read_text(encoding="utf-8").splitlines()[1:]
    with (issued / "field.csv").open("a", encoding="utf-8") as stream:
        for line in november:
            sample, reading, at, _, _, cu, fe = line.split(",")
            stream.write(f"{sample},{reading},{at},{cu},{fe}\n")
    with (issued / "lab.csv").open("a", encoding="utf-8") as stream:
        stream.write("N-1,118,3.5\nN-2,288,3.5\nN-3,610,3.5\nN-4,315,3.5\n")
    outcome = reconcile.run_period(issued, "2026-11")
    (told,) = [f for f in outcome.reconciliation.findings if f.code == FindingCode.SHEET_SCORED]
    assert told.severity == "note"
    assert "100% of 2 samples drawn at random" in told.text
    assert "100% of 2 samples drawn at random" in command("sheets", str(issued))[1]
    december(issued)
    reconcile.run_period(issued, "2026-11")
    outcome = reconcile.run_period(issued, "2026-12")
    (told,) = [f for f in outcome.reconciliation.findings if f.code == FindingCode.SHEET_SCORED]
    assert "100% of 2 samples drawn at random" in told.text


def test_the_cost_of_each_policy_counts_assays_and_expected_wrong_calls(issued: Path) -> None:  # noqa: F811
    _, sheet = sheet_of(issued)
    costs = Costs(40.0, 5000.0, 800.0, "units")
    lab, by_sheet, alone = sheet_counts.policies(sheet.results, costs)
    assert (lab.assays, by_sheet.assays, alone.assays) == (5, 3, 1)
    assert lab.cost == 200.0
    called = [at for r in sheet.results for at in r.levels if at.call in ("below", "above")]
    assert by_sheet.wrong_calls == pytest.approx(sum(at.other_side for at in called))
    one, other = (next(at for at in called if at.call == c) for c in ("below", "above"))
    expected = 3 * 40 + one.other_side * 5000 + other.other_side * 800
    assert by_sheet.cost == pytest.approx(expected)
    assert alone.wrong_calls > by_sheet.wrong_calls
    assert np.isnan(sheet_counts.policies(sheet.results, Costs())[0].cost)


def test_a_lot_has_the_mean_of_its_samples_and_no_limit_where_one_has_no_value(
    issued: Path,  # noqa: F811
) -> None:
    _, sheet = sheet_of(issued)
    by_lot = {x.lot: x for x in sheet_counts.lot_means(sheet.results)}
    assert set(by_lot) == {"lot A", "lot B"}
    a, b = by_lot["lot A"], by_lot["lot B"]  # N-1, N-3, N-5 and N-2, N-4
    assert (a.samples, a.without, a.called) == (3, 1, (("cut-off", 1, 2),))
    assert np.isnan(a.mean.upper)
    assert np.isnan(b.mean.upper)  # two samples give none
    assert b.mean.mean == pytest.approx(300, rel=0.05)
    one = next(r for r in sheet.results if r.mean.sample_id == "N-2" and r.levels)
    many = tuple(
        replace(one, mean=replace(one.mean, sample_id=f"S{i}"), value=one.value + i)
        for i in range(5)
    )
    (lot,) = sheet_counts.lot_means(many)
    alone = lot.mean.sd / np.sqrt(5)
    assert lot.mean.upper > lot.mean.mean + 2.13 * np.hypot(alone, one.parts[0] * 0.999)
