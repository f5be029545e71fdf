"""A factor's life: two people, a reason, a record that shows every touch."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.base.model.release import Reconciliation
from reconcile.commands.verifying import verify
from reconcile.figures import evaluation
from reconcile.intake import workspace
from reconcile.judgement import factor_life, factor_proposal
from reconcile.releases import record
from tests import small
from tests.pairs import STRATUM, settings, study

pytestmark = pytest.mark.usefixtures("data_alone")

PERIOD = "2026-10"
AT = "2026-11-03T10:00+02:00"


def build(folder: Path, **values: object) -> Path:
    site = small.build(folder, **values)  # type: ignore[arg-type]
    path = site / "reconcile.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[report]", '[report]\nprepared_by = "Ana Lima"'), "utf-8")
    return site


@pytest.fixture(scope="module")
def released(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = build(tmp_path_factory.mktemp("factors") / "site", samples=40)
    reconcile.run_period(site, PERIOD)
    return site


@pytest.fixture
def site(released: Path, tmp_path: Path) -> Path:
    import shutil

    return Path(shutil.copytree(released, tmp_path / "site"))


def copper(site: Path) -> factor_life.Life:
    return next(x for x in factor_life.listed(site)[0] if x.factor.stratum.element == "Cu")


@pytest.mark.slow
def test_a_release_proposes_its_factors_with_range_and_dates(site: Path) -> None:
    life = copper(site)
    assert life.state == "proposed"
    assert life.author == "Ana Lima"
    assert life.factor.form == "ratio"
    assert (life.factor.valid_from, life.factor.valid_until) == ("2026-10-01", "2027-01-31")


def test_a_stratum_that_needs_no_correction_has_nothing_to_approve(site: Path) -> None:
    factors = json.loads((site / f"out/releases/{PERIOD}/r1/factors.json").read_text("utf-8"))
    forms = {f["stratum"]["element"]: f["form"] for f in factors["factors"]}
    assert set(forms) == {"Cu"}
    assert "none" not in forms.values()
    assert {x.factor.stratum.element for x in factor_life.listed(site)[0]} == {"Cu"}


def test_another_person_approves_and_the_reason_is_kept(site: Path) -> None:
    life = factor_life.approve(site, copper(site).factor.factor_id, "Ben Osei", "ratio steady", AT)
    assert life.state == "approved"
    assert (life.approver, life.reason) == ("Ben Osei", "ratio steady")
    assert verify(site).findings == ()


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    [
        "Ana Lima", "ana lima", "  ANA\u00a0 LIMA ", "A\u200bna Lima", "Lima, Ana", "AnaLima",
        "Aná Lima", "Ａｎａ Ｌｉｍａ", "\u0410n\u0430 Lima", "Lima", "Dr. Ana Lima",
        "Ben Osei and Ana Lima", "ana_lima", "A n a L i m a", "Ana\u3164Lima",
        "A. Lima", "Lima A", "Anna Lima", "Ana Líma-Berg",
    ],
)  # fmt: skip
def test_the_author_in_any_spelling_can_not_approve(site: Path, name: str) -> None:
    with pytest.raises(ReconcileError, match="may be the person"):
        factor_life.approve(site, copper(site).factor.factor_id, name, "fine", AT)
    assert copper(site).state == "proposed"


@pytest.mark.parametrize(("by", "reason"), [("", "fine"), (" \u200b", "fine"), ("Ben", " . ")])
def test_an_approval_needs_a_name_and_a_reason(site: Path, by: str, reason: str) -> None:
    with pytest.raises(ReconcileError, match=r"No (name|reason)"):
        factor_life.approve(site, copper(site).factor.factor_id, by, reason, AT)


@pytest.mark.slow
def test_a_factor_whose_author_is_not_named_can_not_be_approved(tmp_path: Path) -> None:
    site = small.build(tmp_path / "site", samples=40)
    reconcile.run_period(site, PERIOD)
    with pytest.raises(ReconcileError, match="does not say who prepared it"):
        factor_life.approve(site, copper(site).factor.factor_id, "Ben Osei", "fine", AT)


PEOPLE = """id,full name,also known as,authorised for
P1,Ana Lima,analyst 1,withdraw
P2,Ben Osei,,approve; withdraw
P3,Anne Lima,,approve
"""


def test_with_a_register_of_people_persons_are_compared_and_not_spellings(site: Path) -> None:
    number = copper(site).factor.factor_id
    (site / "people.csv").write_text(PEOPLE.replace("withdraw\nP2", "\nP2"), encoding="utf-8")
    with pytest.raises(ReconcileError, match="Ana Lima prepared the factor"):
        factor_life.approve(site, number, "analyst 1", "fine", AT)
    with pytest.raises(ReconcileError, match="holds no 'Carl Berg'"):
        factor_life.approve(site, number, "Carl Berg", "fine", AT)
    # another person whose name is alike can approve, now that both are known
    life = factor_life.approve(site, number, "LIMA, Anne", "fine", AT)
    assert (life.state, life.approver) == ("approved", "Anne Lima")
    content = record.read(site / "out" / record.RECORD).entries[-1].content
    assert (content["person"], content["at"]) == ("P3", "2026-11-03T10:00:00+02:00")


@pytest.mark.slow
def test_the_author_can_not_approve_after_prepared_by_was_changed(site: Path) -> None:
    first = copper(site).factor.factor_id
    path = site / "reconcile.toml"
    path.write_text(path.read_text("utf-8").replace("Ana Lima", "Carl Berg"), "utf-8")
    lab = site / "lab.csv"
    lines = lab.read_text(encoding="utf-8").splitlines()
    lab.write_text("\n".join(lines[:-2]) + "\n", encoding="utf-8")
    reconcile.run_period(site, PERIOD)
    of = {x.factor.factor_id: x for x in factor_life.listed(site)[0] if x.state == "proposed"}
    second = next(x for k, x in of.items() if k.startswith("Cu") and k != first)
    assert second.author == "Carl Berg"
    for people in ("", PEOPLE.replace("withdraw\nP2", "\nP2") + "P4,Carl Berg,,\n"):
        if people:
            (site / "people.csv").write_text(people, encoding="utf-8")
        for name in ("Ana Lima", "Carl Berg"):
            with pytest.raises(ReconcileError, match="prepared the factor"):
                factor_life.approve(site, second.factor.factor_id, name, "fine", AT)
    assert factor_life.approve(site, second.factor.factor_id, "Ben Osei", "fine", AT)


def test_an_approval_before_the_data_or_a_withdrawal_before_it_is_refused(site: Path) -> None:
    number = copper(site).factor.factor_id
    for at in ("1066-01-01T00:00Z", "2026-10-27T23:00Z"):
        with pytest.raises(ReconcileError, match="before the last result that release"):
            factor_life.approve(site, number, "Ben Osei", "fine", at)
    with pytest.raises(ReconcileError, match="No time was given"):
        factor_life.approve(site, number, "Ben Osei", "fine", "")
    factor_life.approve(site, number, "Ben Osei", "fine", AT)
    with pytest.raises(ReconcileError, match="before the approval"):
        factor_life.withdraw(site, number, "Ben Osei", "window replaced", "2026-11-03T09:59+02:00")
    assert (
        factor_life.withdraw(site, number, "Ben Osei", "window replaced", AT).state == "withdrawn"
    )


@pytest.mark.slow
def test_an_approved_factor_is_superseded_when_the_next_is_approved(site: Path) -> None:
    first = copper(site).factor.factor_id
    factor_life.approve(site, first, "Ben Osei", "fine", AT)
    lab = site / "lab.csv"
    lines = lab.read_text(encoding="utf-8").splitlines()
    lab.write_text("\n".join(lines[:-2]) + "\n", encoding="utf-8")
    reconcile.run_period(site, PERIOD)
    of = {x.factor.factor_id: x for x in factor_life.listed(site)[0]}
    second = next(k for k, x in of.items() if k[:2] == "Cu" and k != first)
    assert of[first].state == "approved"  # a proposal alone changes nothing
    factor_life.approve(site, second, "Ben Osei", "two samples less", AT)
    of = {x.factor.factor_id: x for x in factor_life.listed(site)[0]}
    assert (of[first].state, of[first].by_factor) == ("superseded", second)
    assert of[second].state == "approved"


_MADE: dict[str, Reconciliation] = {}


def proposed(
    site: Path,
    period: str,
    revision: int = 1,
    decision: str = "accepted after correction",
) -> str:
    """A release of a month put into the record, with copper's factor where it may be used."""
    if not _MADE:
        _MADE[PERIOD] = reconcile.run_period(site, PERIOD).reconciliation
    outcome = _MADE[PERIOD]
    result = next(r for r in outcome.results if r.stratum.element == "Cu")
    assert result.factor is not None
    months = (f"{period}-01", workspace.month_after(period, 3))
    factor = factor_proposal.named(
        replace(result.factor, valid_from=months[0], valid_until=months[1], n=revision % 2 + 30)
    )
    verdict = replace(result.verdict, decision=decision)
    made = replace(
        outcome, period=period, revision=revision, release_id=f"{period}-r{revision}-x",
        results=(replace(result, factor=factor, verdict=verdict),),
    )  # fmt: skip
    path = site / "out" / record.RECORD
    known = factor_life.lives(record.read(path))
    content = {"release_id": made.release_id, "period": period, "revision": revision}
    digests = {"manifest_sha256": "0" * 64, "custody_head": ""}
    record.extend(
        path, [("release", content | digests), *factor_life.events_of_release(known, made)]
    )
    return factor.factor_id


def states(site: Path) -> dict[str, str]:
    return {x.factor.factor_id: x.state for x in factor_life.listed(site)[0]}


@pytest.mark.slow
def test_months_caught_up_in_one_go_leave_each_proposal_open(site: Path) -> None:
    september = proposed(site, "2026-09")
    unfit = proposed(site, "2026-11", decision="insufficient evidence")
    december = proposed(site, "2026-12")
    older = proposed(site, "2026-08")  # an older month after the newer ones
    found = states(site)
    assert unfit not in found
    assert {found[x] for x in (older, september, december)} == {"proposed"}
    assert factor_life.approve(site, september, "Ben Osei", "fine", AT).state == "approved"


def test_an_approval_supersedes_what_is_earlier_and_leaves_what_is_later_open(site: Path) -> None:
    september, november = proposed(site, "2026-09"), proposed(site, "2026-11")
    factor_life.approve(site, september, "Ben Osei", "fine", AT)
    open_still = copper(site).factor.factor_id  # of October, which nobody approved
    december = proposed(site, "2026-12")
    factor_life.approve(site, november, "Ben Osei", "fine", AT)
    found = states(site)
    assert (found[september], found[open_still]) == ("superseded", "superseded")
    assert (found[november], found[december]) == ("approved", "proposed")


def test_an_earlier_factor_does_not_push_out_a_later_one_that_was_approved(site: Path) -> None:
    september, december = proposed(site, "2026-09"), proposed(site, "2026-12")
    factor_life.approve(site, december, "Ben Osei", "fine", AT)
    assert states(site)[september] == "superseded"
    november = proposed(site, "2026-11")  # its run came late
    with pytest.raises(ReconcileError, match=r"2026-12, revision 1, is approved"):
        factor_life.approve(site, november, "Ben Osei", "fine", AT)
    assert (states(site)[november], states(site)[december]) == ("proposed", "approved")
    factor_life.withdraw(site, december, "Ben Osei", "window replaced", AT)
    assert factor_life.approve(site, november, "Ben Osei", "fine", AT).state == "approved"


def test_a_factor_whose_month_was_issued_again_without_it_can_not_be_approved(site: Path) -> None:
    first = proposed(site, "2026-09", 1)
    proposed(site, "2026-09", 2, "laboratory only")
    with pytest.raises(ReconcileError, match="revision 2 does not propose"):
        factor_life.approve(site, first, "Ben Osei", "fine", AT)
    assert proposed(site, "2026-09", 3) == first  # the cause was mended: the same factor again
    assert factor_life.approve(site, first, "Ben Osei", "fine", AT).state == "approved"


def test_a_superseded_factor_that_a_later_revision_finds_again_is_open_again(site: Path) -> None:
    first = proposed(site, "2026-09", 1)
    second = proposed(site, "2026-09", 2)
    assert first != second
    factor_life.approve(site, second, "Ben Osei", "fine", AT)
    assert states(site)[first] == "superseded"
    assert proposed(site, "2026-09", 3) == first
    assert states(site)[first] == "proposed"
    factor_life.approve(site, first, "Ben Osei", "fine", AT)
    assert states(site)[second] == "superseded"


def test_a_withdrawn_factor_stays_so(site: Path) -> None:
    number = copper(site).factor.factor_id
    assert (
        factor_life.withdraw(site, number, "Ana Lima", "window replaced", AT).state == "withdrawn"
    )
    with pytest.raises(ReconcileError, match="is withdrawn"):
        factor_life.approve(site, number, "Ben Osei", "fine", AT)


@pytest.mark.slow
def test_a_later_period_records_that_a_factor_expired(site: Path) -> None:
    lives = factor_life.of_workspace(workspace.load_workspace(site))
    outcome = reconcile.run_period(site, PERIOD)
    later = replace(outcome.reconciliation, period="2027-02", results=())
    acts = [content["act"] for _, content in factor_life.events_of_release(lives, later)]
    assert acts == ["expired"] * len(lives)
    before = replace(later, period="2027-01")
    assert factor_life.events_of_release(lives, before) == []


@pytest.mark.slow
def test_running_again_adds_nothing_to_the_record(site: Path) -> None:
    path = site / "out" / record.RECORD
    before = path.read_bytes()
    reconcile.run_period(site, PERIOD)
    assert path.read_bytes() == before


def test_every_changed_byte_of_an_approval_is_detected(site: Path) -> None:
    factor_life.approve(site, copper(site).factor.factor_id, "Ben Osei", "fine", AT)
    path = site / "out" / record.RECORD
    good = path.read_bytes()
    start = good.rindex(b'{"hash"')
    for place in range(start, len(good), 7):
        bad = bytearray(good)
        bad[place] ^= 1
        path.write_bytes(bytes(bad))
        assert record.check(path), place
    path.write_bytes(good[:start].replace(b"Ana Lima", b"Ada Lima") + good[start:])
    assert verify(site).findings
    with pytest.raises(ReconcileError, match="not what was written"):
        factor_life.listed(site)


@pytest.mark.slow
def test_a_release_file_loads_back_into_the_same_factors(site: Path) -> None:
    outcome = reconcile.run_period(site, PERIOD)
    loaded = factor_life.load(outcome.release_folder / "factors.json")
    assert loaded == tuple(r.factor for r in outcome.reconciliation.results if r.factor)
    raw = json.loads((outcome.release_folder / "factors.json").read_text(encoding="utf-8"))
    assert [factor_life.as_plain(f) for f in loaded] == raw["factors"]


@pytest.mark.parametrize("truth", [{"ratio": 1.2}, {"ratio": 1.1, "offset": 60.0}, {"ratio": 0.8}])
def test_a_factor_survives_text_to_the_last_bit(truth: dict[str, float]) -> None:
    config = settings()
    evaluated = evaluation.evaluate(STRATUM, study(40, **truth), None, config)  # type: ignore[arg-type]
    factor = factor_proposal.propose(STRATUM, evaluated, config, None).factor
    assert factor is not None
    assert factor_life.from_plain(json.loads(json.dumps(factor_life.as_plain(factor)))) == factor


def test_a_file_that_holds_no_factors_is_named(tmp_path: Path) -> None:
    path = tmp_path / "factors.json"
    path.write_text('{"factors": [{"form": "ratio"}]}', encoding="utf-8")
    with pytest.raises(ReconcileError, match="can't be read"):
        factor_life.load(path)


def test_another_coefficient_has_another_id() -> None:
    config = settings()
    evaluated = evaluation.evaluate(STRATUM, study(40, ratio=1.2), None, config)
    factor = factor_proposal.propose(STRATUM, evaluated, config, None).factor
    assert factor is not None
    assert factor_proposal.named(factor) == factor
    changed = factor_proposal.named(replace(factor, slope=factor.slope * 1.001))
    assert changed.factor_id != factor.factor_id


@pytest.mark.slow
def test_only_a_factor_whose_verdict_accepts_field_results_is_proposed(tmp_path: Path) -> None:
    site = build(tmp_path / "site", samples=15)
    outcome = reconcile.run_period(site, PERIOD)
    assert {r.verdict.decision for r in outcome.reconciliation.results} <= {
        "insufficient evidence", "laboratory only"
    }  # fmt: skip
    assert factor_life.listed(site)[0] == []
