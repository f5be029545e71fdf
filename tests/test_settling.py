"""A person settles a finding; the record holds it, and the next run's verdict follows."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook
from typer.testing import CliRunner

import reconcile
from reconcile import cli
from reconcile.base.errors import ReconcileError
from reconcile.base.model.account import FAULT, NO_FAULT, Finding
from reconcile.base.model.release import Reconciliation
from reconcile.base.model.verdict import Ask, Verdict
from reconcile.releases import record, settling
from reconcile.run import releasing
from tests import small

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

BY, WHY, AT = (
    "Ada Quill",
    "the instrument's mode is for ores: sheet 7 shows it",
    "2026-11-20T09:00Z",
)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Reconciliation]]:
    """Copper forty times too high, settled as no fault, then as a fault; three revisions."""
    folder = small.build(tmp_path_factory.mktemp("settled") / "site", bias=40)
    with pytest.MonkeyPatch.context() as patch:  # the second release alone is looked at whole
        patch.setattr(releasing, "write_release", small.data_alone)
        outcomes = [reconcile.run_period(folder, "2026-10").reconciliation]
    finding = fault_of(outcomes[0]).id
    settling.settle(folder, finding, BY, WHY, AT, NO_FAULT)
    outcomes.append(reconcile.run_period(folder, "2026-10").reconciliation)
    settling.settle(folder, finding, BY, "the sheet was another's", "2026-11-21T09:00Z", FAULT)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(releasing, "write_release", small.data_alone)
        outcomes.append(reconcile.run_period(folder, "2026-10").reconciliation)
    return folder, outcomes


def fault_of(outcome: Reconciliation) -> Finding:
    (finding,) = [f for f in outcome.findings if f.code == "unit"]
    return finding


def verdict_of(outcome: Reconciliation, element: str) -> Verdict:
    (result,) = [r for r in outcome.results if r.stratum.element == element]
    return result.verdict


def criterion_of(outcome: Reconciliation) -> tuple[bool, str]:
    (found,) = [c for c in verdict_of(outcome, "Cu").criteria if c.ask is Ask.FAULT]
    return found.passes, found.fact("found")


@pytest.mark.slow
def test_a_suspected_fault_blocks_until_a_person_settles_it(
    made: tuple[Path, list[Reconciliation]],
) -> None:
    _, (suspected, no_fault, fault) = made
    assert verdict_of(suspected, "Cu").reason.startswith("Suspected: the units of field and lab")
    met, said = criterion_of(suspected)
    assert (met, said.startswith("Suspected: the units")) == (False, True)
    assert criterion_of(no_fault) == (
        True,
        f"Settled as no fault by {BY} (2026-11-20T09:00:00+00:00): {WHY}",
    )
    assert "Suspected" not in verdict_of(no_fault, "Cu").reason
    assert any(r.factor is not None for r in no_fault.results if r.stratum.element == "Cu")
    met, said = criterion_of(fault)
    assert met is False
    assert "Settled as fault by Ada Quill" in said
    assert verdict_of(fault, "Cu").reason.startswith("Suspected: the units of field and lab")
    assert [fault_of(o).severity for o in (suspected, no_fault, fault)] == [
        "serious", "note", "serious",
    ]  # fmt: skip


def test_other_strata_are_not_touched(made: tuple[Path, list[Reconciliation]]) -> None:
    _, outcomes = made
    assert len({verdict_of(o, "Fe").reason for o in outcomes}) == 1


@pytest.mark.slow
def test_what_was_settled_makes_a_new_revision_once(
    made: tuple[Path, list[Reconciliation]],
) -> None:
    folder, outcomes = made
    assert [o.revision for o in outcomes] == [1, 2, 3]
    again = reconcile.run_period(folder, "2026-10")
    assert not again.new_release
    assert again.reconciliation.revision == 3


def test_the_release_shows_who_settled_what_and_why(
    made: tuple[Path, list[Reconciliation]],
) -> None:
    folder, outcomes = made
    release = folder / "out" / "releases" / "2026-10" / "r2"
    finding = fault_of(outcomes[1])
    (kept,) = json.loads((release / "manifest.json").read_text("utf-8"))["findings"]
    assert kept["id"] == finding.id
    assert kept["code"] == "unit"
    assert kept["parameters"] == [["power of ten", "2"]]  # 40 is 100 x 0.4
    assert kept["settled"] == {
        "as": NO_FAULT, "by": BY, "reason": WHY, "at": "2026-11-20T09:00:00+00:00",
    }  # fmt: skip
    page = (release / "report.html").read_text("utf-8")
    assert f"Settled as no fault by {BY}" in page
    assert finding.id in page
    book = load_workbook(release / "workbook.xlsx", read_only=True)
    cells = {str(c) for sheet in book for row in sheet.iter_rows(values_only=True) for c in row}
    assert finding.id in cells
    assert any(f"Settled as no fault by {BY}" in cell for cell in cells)


def test_the_record_holds_every_settlement_in_its_chain(
    made: tuple[Path, list[Reconciliation]],
) -> None:
    folder, outcomes = made
    reading = record.read(folder / "out" / record.RECORD)
    assert reading.altered == 0
    events = [e.content for e in reading.entries if e.kind == settling.EVENT]
    assert [e["as"] for e in events] == [NO_FAULT, FAULT]
    assert {e["finding"] for e in events} == {fault_of(outcomes[0]).id}
    assert {e["by"] for e in events} == {BY}
    assert settling.settlements(reading)[fault_of(outcomes[0]).id].verdict == FAULT


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"finding_id": "F-0123456789"}, "holds a finding 'F-0123456789'"),
        ({"verdict": "perhaps"}, "'perhaps' settles nothing"),
        ({"reason": " - "}, "No reason was given"),
        ({"by": " "}, "No name was given"),
        ({"at": "2026-11-20"}, "no time with its zone"),
        ({"at": "2026-09-30T00:00Z"}, "is before the last result"),
    ],
)
def test_what_can_not_be_settled_is_refused_and_changes_nothing(
    change: dict[str, str], said: str, made: tuple[Path, list[Reconciliation]]
) -> None:
    folder, outcomes = made
    path = folder / "out" / record.RECORD
    before = path.read_bytes()
    given: dict[str, Any] = {
             "finding_id": fault_of(outcomes[0]).id, "by": BY, "reason": WHY, "at": AT,
             "verdict": NO_FAULT}  # fmt: skip
    with pytest.raises(ReconcileError, match=said):
        settling.settle(folder, **(given | change))
    assert path.read_bytes() == before


def test_the_command_settles_and_says_what_follows(
    made: tuple[Path, list[Reconciliation]],
) -> None:
    folder, outcomes = made
    finding = fault_of(outcomes[0]).id
    done = CliRunner().invoke(
        cli.app,
        ["settle", finding, str(folder), "--by", BY, "--reason", WHY, "--at",
         "2026-11-22T09:00Z", "--as", "no fault"],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert f"Settled {finding}" in done.output
    assert "Run '2026-10' again" in done.output
    for option in ("--by", "--reason", "--at", "--as"):
        arguments = {"--by": BY, "--reason": WHY, "--at": AT, "--as": "fault"}
        del arguments[option]
        flat = [part for pair in arguments.items() for part in pair]
        assert CliRunner().invoke(cli.app, ["settle", finding, str(folder), *flat]).exit_code == 2
