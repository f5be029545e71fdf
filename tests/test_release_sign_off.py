"""A month's release bears who prepared, checked, approved and accepted it."""

from __future__ import annotations

import random
import shutil
from pathlib import Path
from typing import Any

import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.base.model.release import Reconciliation
from reconcile.commands import release_signing
from reconcile.commands.verifying import verify
from reconcile.intake import workspace as ws
from reconcile.releases import kept_value, persons, record, sign_off, signing
from reconcile.reporting.document import signing as section
from reconcile.run import drawing, releasing
from tests import small
from tests.test_cli import reconcile as command
from tests.test_factors import build
from tests.test_sheets import PERIOD, pdf_text

PREPARE = ("prepared", "Ana Lima", "2026-12-01T09:00+00:00", "field analyst", "from all tables")
CHECK = ("checked", "Kofi Mensah", "2026-12-01T11:00+00:00", "second analyst", "recomputed")
APPROVE = ("approved", "Ben Osei", "2026-12-01T12:00+00:00", "head of section", "may go out")
ACCEPT = ("accepted", "Ines Duarte", "2026-12-02T09:00+00:00", "client", "as agreed")


def value_and_data(r: Reconciliation, folder: Path) -> tuple[str, ...]:
    """A release's data and the value that its documents are drawn from, without these."""
    names = small.data_alone(r, folder)
    (folder / kept_value.NAME).write_bytes(kept_value.packed(r))
    return (*names, kept_value.NAME)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = build(tmp_path_factory.mktemp("sign_off") / "site", samples=20)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(releasing, "write_release", value_and_data)
        reconcile.run_period(site, PERIOD)
    return site


@pytest.fixture
def site(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "site"))


def signed(site: Path, *acts: Any) -> release_signing.Done:
    for act in acts:
        done = release_signing.sign(site, PERIOD, *act)
    return done


@pytest.mark.slow
def test_the_report_bears_every_act_on_page_one_and_at_its_end(site: Path) -> None:
    done = signed(site, PREPARE, CHECK, APPROVE, ACCEPT)
    assert done.path.name == "04-accepted-report.pdf"
    text = " ".join(pdf_text(done.path).split())
    assert "DRAFT" not in text
    assert "Approved, accepted by the client" in text
    for _, by, at, role, said in (PREPARE, CHECK, APPROVE, ACCEPT):
        assert f"{by}, {role}, {at[:10]}" in text
        assert said in text
    folder = done.path.parent
    assert sorted(p.name for p in folder.iterdir()) == [
        "01-prepared-report.pdf", "02-checked-report.pdf", "03-approved-report.pdf",
        "04-accepted-report.pdf",
    ]  # fmt: skip
    report = verify(site)
    assert report.findings == ()
    assert report.acts >= 4


@pytest.mark.slow
def test_documents_drawn_again_bear_the_acts_and_are_what_verify_expects(site: Path) -> None:
    drawing.draw(ws.load_workspace(site), PERIOD, "audit")
    signed(site, PREPARE, CHECK)
    assert verify(site).findings == ()  # it was drawn before, with no act
    drawn = drawing.draw(ws.load_workspace(site), PERIOD, "audit")
    text = " ".join(pdf_text(drawn.path).split())
    assert "Checked – not approved" in text
    assert "Kofi Mensah" in text
    assert verify(site).findings == ()


@pytest.mark.slow
def test_the_author_can_not_approve_and_the_client_answers_what_is_approved(site: Path) -> None:
    with pytest.raises(ReconcileError, match="Nobody has said yet"):
        signed(site, APPROVE)
    signed(site, PREPARE)
    with pytest.raises(ReconcileError, match="may be the person who prepared"):
        signed(site, ("approved", "Lima, Ana", *APPROVE[2:]))
    with pytest.raises(ReconcileError, match="is not approved"):
        signed(site, ACCEPT)
    with pytest.raises(ReconcileError, match="before 'prepared' by Ana Lima"):
        signed(site, (*CHECK[:2], "2026-11-30T09:00+00:00", *CHECK[3:]))
    with pytest.raises(ReconcileError, match="no time with its zone"):
        signed(site, (*CHECK[:2], "2026-12-01T11:00", *CHECK[3:]))
    signed(site, APPROVE, ("refused", *ACCEPT[1:]))
    with pytest.raises(ReconcileError, match="answered by the client already"):
        signed(site, (*CHECK[:2], "2026-12-03T09:00+00:00", *CHECK[3:]))


def test_nothing_can_be_said_before_the_data_end_or_of_an_altered_release(site: Path) -> None:
    with pytest.raises(ReconcileError, match="before the last result of the release"):
        signed(site, (*PREPARE[:2], "2026-10-02T09:00+00:00", *PREPARE[3:]))
    path = next((site / "out" / "releases" / PERIOD / "r1").glob("pairs.csv"))
    path.write_bytes(path.read_bytes() + b"\n")
    with pytest.raises(ReconcileError, match="was altered after it was made"):
        signed(site, PREPARE)


@pytest.mark.slow
def test_each_changed_byte_of_a_signed_report_and_of_its_act_is_found(site: Path) -> None:
    done = signed(site, PREPARE, APPROVE)
    workspace, chance = ws.load_workspace(site), random.Random(3)
    folder = site / "out" / "releases" / PERIOD / "r1"
    reading = record.read(site / "out" / record.RECORD)
    for number in range(60):
        path = sorted(done.path.parent.iterdir())[number % 2]
        whole = path.read_bytes()
        place = chance.randrange(len(whole))
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        (found,) = sign_off.check(workspace, reading, folder, done.release_id)
        assert path.name in found.subject
        path.write_bytes(whole)
    (done.path.parent / "more.pdf").write_bytes(b"x")
    done.path.unlink()
    told = {f.subject.rpartition("/")[2] for f in verify(site).findings}
    assert told == {"more.pdf", done.path.name}
    (done.path.parent / "more.pdf").unlink()
    signed(site, ACCEPT)  # draws what is missing again
    assert verify(site).findings == ()


@pytest.mark.slow
def test_an_act_signed_with_a_key_is_verified_offline_and_held_by_a_kept_head(
    site: Path, tmp_path: Path
) -> None:
    key = signing.new_key(tmp_path / "key.pem")
    (site / "people.csv").write_text(
        "id,full name,role,authorised for,public key\n"
        f"P1,Ana Lima,analyst,issue,{signing.public_text(key)}\nP2,Ben Osei,head,approve;sign,\n",
        "utf-8",
    )
    with pytest.raises(ReconcileError, match="acts in this name are signed"):
        signed(site, PREPARE)
    release_signing.sign(site, PERIOD, *PREPARE, key=key)
    signed(site, APPROVE)
    r = kept_value.read(site / "out" / "releases" / PERIOD / "r1")
    reading = record.read(site / "out" / record.RECORD)
    acts = [s.act for s in sign_off.of_release(reading, r.release_id)]
    assert [a.signed for a in acts] == [True, False]
    (made_,) = section.section(sign_off.with_acts(r, acts))
    assert "Prepared" in str(made_.blocks)
    report = verify(site, [reading.head])
    assert (report.findings, report.acts_signed) == ((), 1)
    assert report.held[0].lines == len(reading.entries)
    # the last act is cut off: the head that was kept is gone
    path = site / "out" / record.RECORD
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:-1]))
    (site / "out" / record.MARK).unlink()
    assert verify(site, [reading.head]).findings


def test_somebody_whose_authorisation_ended_can_not_sign_off(site: Path) -> None:
    (site / "people.csv").write_text(
        "id,full name,authorised until\nP1,Ana Lima,2026-11-30\n", "utf-8"
    )
    with pytest.raises(ReconcileError, match="was authorised until 2026-11-30"):
        signed(site, PREPARE)
    (site / "people.csv").write_text("id,full name,authorised until\nP1,A B,soon\n", "utf-8")
    workspace = ws.load_workspace(site)
    with pytest.raises(ReconcileError, match="is no date"):
        persons.register_of(workspace)


def test_the_command_signs_off_a_month(site: Path) -> None:
    act, by, at, role, text = PREPARE
    line = ["signoff", PERIOD, str(site), "--as", act, "--by", by, "--at", at, "--role", role]
    code, out, _ = command(*line, "--text", text)
    assert code == 0
    assert "is prepared" in out
