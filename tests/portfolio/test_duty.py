"""The page of the person on duty, field by field."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

from reconcile.commands import portfolio_shown
from reconcile.judgement import factor_life
from reconcile.portfolio import status
from reconcile.portfolio.listed import Portfolio
from reconcile.portfolio.status import Due, Duty, Standing
from reconcile.releases import release, unfinished
from reconcile.releases.release import Earlier
from tests.portfolio.conftest import MONTH

Row = Callable[..., Duty]
NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
#: days_ahead is 30: the last day that is told is 20 December.
SOON, LATER, OVER = "2026-12-20", "2026-12-21", "2026-11-19"
#: laboratory_days is 30: what was sent on 21 October is due on 20 November, which is not over.
IN_TIME, OVERDUE = "2026-10-21", "2026-10-20"


@pytest.fixture
def row(released: Portfolio, monkeypatch: pytest.MonkeyPatch) -> Row:
    """The row of one site whose release says what is given, instead of what it said."""
    one = replace(released, sites=released.sites[:1])
    really = release.latest

    def of(**given: object) -> Duty:
        monkeypatch.setattr(
            release, "latest",
            lambda folder: Earlier(folder, {**really(folder).manifest, **given}),
        )  # fmt: skip
        (found,) = status.duty(one, NOW)
        return found

    return of


def test_a_site_that_stands_well_has_state_month_revision_verdicts_and_age(row: Row) -> None:
    found = row(needs_a_person=False)
    assert (found.site, found.standing) == ("site-00", Standing.DONE)
    assert (found.period, found.revision) == (MONTH, 1)
    assert found.release_id.startswith(f"site-00-{MONTH}-r1-")
    assert sum(count for _, count in found.verdicts) == 2  # two elements
    assert (found.findings, found.missing, found.unfinished, found.notes) == (0, (), (), ())
    assert found.age_days == 39  # its last reading is of 12 October, 02:00
    assert not found.needs_a_person


@pytest.mark.parametrize(
    ("verdicts", "expected"),
    [
        (["accepted", "rejected", "accepted"], (("accepted", 2), ("rejected", 1))),
        ([], ()),
    ],
)
def test_verdicts_are_counted_by_kind(row: Row, verdicts: list[str], expected: object) -> None:
    found = row(strata={str(n): {"verdict": v} for n, v in enumerate(verdicts)})
    assert found.verdicts == expected


def test_open_findings_are_counted_and_call_a_person(row: Row) -> None:
    found = row(open_findings=3, needs_a_person=True)
    assert (found.findings, found.standing) == (3, Standing.FINDINGS)
    assert found.needs_a_person


def test_a_calibration_is_told_from_thirty_days_before_its_end_on(row: Row) -> None:
    ends = {"X1": SOON, "X2": LATER, "X3": OVER, "X4": ""}
    found = row(instruments=[{"instrument": k, "calibration_due": v} for k, v in ends.items()])
    assert found.calibrations == (Due("X1", SOON, False), Due("X3", OVER, True))
    assert found.needs_a_person


def test_an_accreditation_is_told_from_thirty_days_before_its_end_on(row: Row) -> None:
    ends = {"A": SOON, "B": LATER, "C": OVER}
    found = row(laboratories=[{"laboratory": k, "valid_until": v} for k, v in ends.items()])
    assert found.accreditations == (Due("A", SOON, False), Due("C", OVER, True))


def test_a_dispatch_that_the_laboratory_has_not_answered_in_time_is_overdue(row: Row) -> None:
    sent = {"D-1": OVERDUE, "D-2": IN_TIME}
    found = row(awaited=[{"dispatch": k, "sent": v, "samples": 4} for k, v in sent.items()])
    assert found.certificates == (Due("D-1 (4)", OVER, True),)


def test_an_approved_factor_is_told_from_thirty_days_before_its_end_on(
    row: Row, monkeypatch: pytest.MonkeyPatch
) -> None:
    states = (("F-1", SOON, "approved"), ("F-2", LATER, "approved"), ("F-3", SOON, "withdrawn"))
    lives = {
        name: SimpleNamespace(
            state=state, factor=SimpleNamespace(factor_id=name, valid_until=until)
        )
        for name, until, state in states
    }
    monkeypatch.setattr(factor_life, "of_workspace", lambda workspace: lives)
    assert row().factors == (Due("F-1", SOON, False),)


def test_a_month_that_has_files_and_no_release_is_missing(row: Row, released: Portfolio) -> None:
    later = released.sites[0].folder / "field" / "2026-09.csv"
    later.write_text("sample_id\n")
    try:
        found = row()
    finally:
        later.unlink()
    assert (found.standing, found.missing) == (Standing.MISSING, ("2026-09",))


def test_a_run_that_did_not_end_is_told_in_the_words_of_its_note(
    row: Row, released: Portfolio
) -> None:
    output = released.sites[0].workspace.output
    unfinished.begun(output, MONTH)
    try:
        found = row()
    finally:
        unfinished.done(output, MONTH)
    assert (found.standing, found.unfinished) == (Standing.UNFINISHED, (MONTH,))
    assert any("began and did not end" in text for text in portfolio_shown.what(found))


def test_a_time_that_can_not_be_read_gives_no_age(row: Row) -> None:
    assert row(data_until="soon").age_days is None
