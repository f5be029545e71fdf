"""What changes after a sheet was issued is told with each sample that it touches."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

import reconcile
from reconcile.base.finding_codes import FindingCode
from reconcile.commands import issuing
from reconcile.intake import workspace as ws
from reconcile.judgement import factor_life, recall
from reconcile.releases import record
from tests.test_cli import reconcile as command
from tests.test_factors import AT, copper
from tests.test_sheets import (  # noqa: F401 - fixtures
    PERIOD,
    issued,
    made,
    with_sheet,
)

pytestmark = pytest.mark.usefixtures("data_alone")


def touches(site: Path, **named: object) -> tuple[recall.Touch, ...]:
    workspace = ws.load_workspace(site)
    reading = record.read(site / "out" / record.RECORD)
    return recall.of_workspace(workspace, reading, **named)  # type: ignore[arg-type]


@pytest.mark.slow
def test_nothing_changed_touches_nothing(issued: Path) -> None:  # noqa: F811
    assert touches(issued) == ()


def test_withdrawing_the_factor_lists_every_sample_that_rests_on_it(issued: Path) -> None:  # noqa: F811
    factor = copper(issued).factor.factor_id
    code, output, _ = command(
        "withdraw", factor, str(issued), "--by", "Ben Osei", "--reason", "window replaced",
        "--at", "2026-12-05T10:00+02:00",
    )  # fmt: skip
    assert code == 1, output
    found = touches(issued)
    assert {t.sample_id for t in found} == {"N-1", "N-2", "N-3", "N-4"}
    one = next(t for t in found if t.sample_id == "N-3")
    assert (one.call_before, one.call_now) == ("above", "")
    assert math.isfinite(one.value_before)
    assert math.isnan(one.value_now)
    assert one.causes == ((recall.Cause.FACTOR_WITHDRAWN, factor),)
    for shown in ("RS-0001 r1", "N-3", "factor withdrawn", "reconcile recall"):
        assert shown in output
    (finding,) = recall.findings(found)
    assert finding.severity == "serious"
    assert "4 of its samples" in finding.text


def test_a_withdrawn_sheet_is_touched_by_nothing_more(issued: Path) -> None:  # noqa: F811
    factor_life.withdraw(issued, copper(issued).factor.factor_id, "Ben Osei", "why", AT)
    assert touches(issued)
    issuing.withdraw(issued, "RS-0001", "Ben Osei", "2026-12-06T10:00+00:00", "factor withdrawn")
    assert touches(issued) == ()
    code, output, _ = command("sheets", str(issued))
    assert code == 0
    assert "withdrawn" in output


@pytest.mark.slow
def test_a_reissued_certificate_tells_what_the_new_evidence_makes_of_each_sample(
    issued: Path,  # noqa: F811
) -> None:
    lab = issued / "lab.csv"
    lines = lab.read_text(encoding="utf-8").splitlines()
    for i, line in enumerate(lines[1:], start=1):
        sample, cu, fe = line.split(",")
        lines[i] = f"{sample},{float(cu) * 0.9:.1f},{fe}"
    lab.write_text("\n".join(lines) + "\n", encoding="utf-8")
    reconcile.run_period(issued, PERIOD)
    found = {t.sample_id: t for t in touches(issued)}
    assert set(found) == {"N-1", "N-2", "N-3", "N-4"}
    for t in found.values():
        assert t.value_now == pytest.approx(0.9 * t.value_before, rel=0.02)
        assert {cause for cause, _ in t.causes} == {recall.Cause.RELEASE_REISSUED}
    assert found["N-3"].call_now == "above"
    assert found["N-2"].call_before == "too close to call"


def test_a_corrected_reading_lists_its_sample(issued: Path) -> None:  # noqa: F811
    workspace = ws.load_workspace(issued)
    reading = record.read(issued / "out" / record.RECORD)
    ((_, sheet),) = recall.standing(workspace, reading)
    mean = next(
        r.mean for r in sheet.results if (r.mean.sample_id, r.mean.element) == ("N-3", "Cu")
    )
    half = replace(mean, low=mean.low / 4, high=mean.high / 4)
    (one,) = touches(issued, means={recall.key_of(half): half})
    assert (one.sample_id, one.call_before, one.call_now) == ("N-3", "above", "below")
    assert one.causes == ((recall.Cause.READING_CORRECTED, "N-3"),)


def december(site: Path) -> None:
    """Some samples of December, so that there is a month after the sheet's."""
    for name, line in (
        ("field.csv", "D-{i},{k},2026-12-05 0{k}:00,{cu},35000"), ("lab.csv", "D-{i},{cu},3.5"),
        ("register.csv", "D-{i},soil,sieved,dry,split"),
    ):  # fmt: skip
        with (site / name).open("a", encoding="utf-8") as stream:
            for i in range(4):
                for k in (1, 2) if name == "field.csv" else (1,):
                    stream.write(line.format(i=i, k=k, cu=200 + 50 * i) + "\n")


@pytest.mark.slow
def test_next_months_release_tells_of_a_touched_sheet_and_the_month_itself_stays(
    issued: Path,  # noqa: F811
) -> None:
    assert reconcile.run_period(issued, PERIOD).new_release  # the register has grown
    assert touches(issued) == ()
    factor_life.withdraw(issued, copper(issued).factor.factor_id, "Ben Osei", "why", AT)
    assert not reconcile.run_period(issued, PERIOD).new_release
    december(issued)
    outcome = reconcile.run_period(issued, "2026-12")
    (told,) = [f for f in outcome.reconciliation.findings if f.code == FindingCode.SHEET_TOUCHED]
    assert told.subject == "result sheet RS-0001 r1"
    assert "N-3 Cu" in told.text
    assert not reconcile.run_period(issued, "2026-12").new_release
