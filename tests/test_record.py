"""A record that was shortened, lost or written anew is found; nothing is done by it."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import random
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.commands import acceptance, applying
from reconcile.commands.verifying import PROVES, verify
from reconcile.judgement import factor_life, factor_proposal
from reconcile.releases import anchors, record, signing, stamping
from tests.sizes import cases
from tests.test_cli import reconcile as command
from tests.test_factors import AT, PEOPLE, PERIOD, build, copper

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

LATER = "2026-11-04T10:00+02:00"


@pytest.fixture(scope="module")
def withdrawn_(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site whose copper factor was approved and then withdrawn."""
    site = build(tmp_path_factory.mktemp("record") / "site", samples=40)
    reconcile.run_period(site, PERIOD)
    number = copper(site).factor.factor_id
    factor_life.approve(site, number, "Ben Osei", "ratio steady", AT)
    factor_life.withdraw(site, number, "Ben Osei", "window replaced", LATER)
    shutil.copy(site / "field.csv", site / "field_only.csv")
    return site


@pytest.fixture
def withdrawn(withdrawn_: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(withdrawn_, tmp_path / "site"))


def another_proposal(site: Path) -> str:
    """The id of one more open proposal in the record: copper's factor for another matrix."""
    life = copper(site)
    stratum = replace(life.factor.stratum, matrix="rock")
    factor = factor_proposal.named(replace(life.factor, stratum=stratum))
    event = next(
        e.content for e in record.read(path_of(site)).entries
        if e.kind == factor_life.EVENT and e.content["act"] == factor_life.PROPOSED
    )  # fmt: skip
    changed = {"factor_id": factor.factor_id, "factor": factor_life.as_plain(factor)}
    record.extend(path_of(site), [(factor_life.EVENT, event | changed)])
    return factor.factor_id


def path_of(site: Path) -> Path:
    return site / "out" / record.RECORD


def mark_of(site: Path) -> Path:
    return site / "out" / record.MARK


def drop_lines(site: Path, count: int = 1) -> None:
    lines = path_of(site).read_bytes().splitlines(keepends=True)
    path_of(site).write_bytes(b"".join(lines[:-count]))


def written_anew(site: Path, keep: Callable[[record.Entry], bool]) -> None:
    """What somebody who knows the form can do: a whole chain of chosen lines, with its mark."""
    kept = [(e.kind, e.content) for e in record.read(path_of(site)).entries if keep(e)]
    path_of(site).unlink()
    mark_of(site).unlink()
    record.extend(path_of(site), kept)


def serious(site: Path, *heads: str) -> list[str]:
    return [f"{f.subject}: {f.text}" for f in verify(site, heads).findings]


# ---- lines dropped ----------------------------------------------------------------------


@pytest.mark.slow
def test_dropping_the_last_line_is_found_and_undoes_no_withdrawal(
    withdrawn: Path, tmp_path: Path
) -> None:
    assert serious(withdrawn) == []
    drop_lines(withdrawn)
    assert any("The last line is gone" in text for text in serious(withdrawn))
    number = next(iter(factor_life.lives(record.read(path_of(withdrawn)))))
    for act in (
        lambda: applying.correct_table(withdrawn / "field_only.csv", withdrawn, tmp_path / "x.csv"),
        lambda: factor_life.approve(withdrawn, number, "Ben Osei", "fine", AT),
        lambda: factor_life.listed(withdrawn),
        lambda: reconcile.run_period(withdrawn, PERIOD),
        lambda: acceptance.write_dossier(withdrawn, PERIOD),
    ):
        with pytest.raises(ReconcileError, match="The last line is gone"):
            act()
    assert not (tmp_path / "x.csv").exists()


@pytest.mark.slow
@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_however_many_lines_are_dropped_the_mark_counts_them(withdrawn: Path, count: int) -> None:
    drop_lines(withdrawn, count)
    assert any("gone" in text for text in serious(withdrawn))


@pytest.mark.slow
def test_with_the_mark_made_anew_the_printed_head_still_finds_the_dropped_line(
    withdrawn: Path,
) -> None:
    head = record.read(path_of(withdrawn)).head
    last = len(record.read(path_of(withdrawn)).entries)
    written_anew(withdrawn, lambda e: e.number < last)
    assert serious(withdrawn) == []  # nothing in the folder speaks of the line any more
    assert any("does not hold this head" in text for text in serious(withdrawn, head))
    code, out, _ = command("verify", str(withdrawn), "--head", head)
    assert code == 1
    assert "shortened or altered" in " ".join(out.split())


@pytest.mark.slow
def test_a_head_that_was_kept_shows_that_all_up_to_it_is_unchanged(withdrawn: Path) -> None:
    entries = record.read(path_of(withdrawn)).entries
    for entry in entries:
        (held,) = verify(withdrawn, (f" {entry.hash.upper()[:32]} {entry.hash[32:]}",)).held
        assert (held.lines, held.since) == (entry.number, len(entries) - entry.number)
    code, out, _ = command("verify", str(withdrawn), "--head", entries[-2].hash)
    assert code == 0
    assert "is unchanged; 1 event was added since" in " ".join(out.split())


@pytest.mark.parametrize("text", ["", "abc", "z" * 64, "0" * 63])
def test_what_can_be_no_head_is_refused(withdrawn: Path, text: str) -> None:
    with pytest.raises(ReconcileError, match="is no head of a record"):
        verify(withdrawn, (text,))


def test_the_head_of_a_custody_chain_is_told_apart_from_one_of_the_record(tmp_path: Path) -> None:
    from tests.test_verify import with_custody

    site = with_custody(tmp_path / "site")
    outcome = reconcile.run_period(site, PERIOD)
    (found,) = verify(site, (outcome.reconciliation.custody_head,)).findings
    assert "head of the custody chain" in found.text


# ---- the record lost, or written anew ----------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("also_the_mark", [False, True])
def test_without_its_record_a_workspace_with_releases_runs_no_month(
    withdrawn: Path, also_the_mark: bool
) -> None:
    path_of(withdrawn).unlink()
    if also_the_mark:
        mark_of(withdrawn).unlink()
    assert any("record" in text and "missing" in text for text in serious(withdrawn))
    with pytest.raises(ReconcileError, match="missing"):
        reconcile.run_period(withdrawn, PERIOD)
    (withdrawn / "lab.csv").write_text(
        "\n".join((withdrawn / "lab.csv").read_text("utf-8").splitlines()[:-2]) + "\n", "utf-8"
    )
    with pytest.raises(ReconcileError, match="missing"):
        reconcile.run_period(withdrawn, PERIOD)
    assert [p.name for p in (withdrawn / "out" / "releases" / PERIOD).iterdir()] == ["r1"]


@pytest.mark.slow
def test_a_run_over_a_broken_record_leaves_no_release(withdrawn: Path) -> None:
    raw = path_of(withdrawn).read_bytes()
    path_of(withdrawn).write_bytes(raw.replace(b"ratio steady", b"ratio Steady"))
    lab = withdrawn / "lab.csv"
    lab.write_text("\n".join(lab.read_text("utf-8").splitlines()[:-2]) + "\n", "utf-8")
    with pytest.raises(ReconcileError, match="is not what was written"):
        reconcile.run_period(withdrawn, PERIOD)
    assert [p.name for p in (withdrawn / "out" / "releases" / PERIOD).iterdir()] == ["r1"]


@pytest.mark.slow
@pytest.mark.whole_release
def test_each_release_holds_the_record_before_it_so_one_written_anew_contradicts(
    withdrawn: Path,
) -> None:
    before = record.read(path_of(withdrawn))
    lab = withdrawn / "lab.csv"
    lab.write_text("\n".join(lab.read_text("utf-8").splitlines()[:-2]) + "\n", "utf-8")
    outcome = reconcile.run_period(withdrawn, PERIOD)
    r = outcome.reconciliation
    assert (r.record_lines, r.record_head) == (len(before.entries), before.head)
    assert outcome.record_head == record.read(path_of(withdrawn)).head
    page = (outcome.release_folder / "report.html").read_text("utf-8")
    assert before.head in page
    assert serious(withdrawn) == []
    written_anew(withdrawn, lambda e: e.content.get("act") != "withdrawn")
    assert any("releases/2026-10/r2" in text and "shortened" in text for text in serious(withdrawn))
    with pytest.raises(ReconcileError, match="can't be relied on"):
        factor_life.listed(withdrawn)


@pytest.mark.slow
def test_the_marks_loss_or_change_is_found(withdrawn: Path) -> None:
    whole = mark_of(withdrawn).read_bytes()
    chance = random.Random(3)
    for _ in range(cases(40, 6)):
        place = chance.randrange(len(whole))
        changed = bytes([whole[place] ^ chance.randrange(1, 256)])
        mark_of(withdrawn).write_bytes(whole[:place] + changed + whole[place + 1 :])
        assert serious(withdrawn), place
    mark_of(withdrawn).unlink()
    assert any("mark" in text and "missing" in text for text in serious(withdrawn))


def test_a_crash_between_a_line_and_its_mark_is_mended_by_the_next_act(tmp_path: Path) -> None:
    path = tmp_path / record.RECORD
    record.extend(path, [("custody event", {"event": "a"})])
    old = (tmp_path / record.MARK).read_bytes()
    record.extend(path, [("custody event", {"event": "b"})])
    new = (tmp_path / record.MARK).read_bytes()
    (tmp_path / record.MARK).write_bytes(old)
    assert record.check(path) == ()
    record.extend(path, [])
    assert (tmp_path / record.MARK).read_bytes() == new


@pytest.mark.slow
def test_a_record_of_before_marks_and_times_stays_readable(withdrawn: Path) -> None:
    for manifest in (withdrawn / "out" / "releases").rglob("manifest.json"):
        content = json.loads(manifest.read_text("utf-8"))
        for name in ("record_lines", "record_head", "custody_gone"):
            del content[name]
        manifest.write_text(json.dumps(content), "utf-8")
        digest = hashlib.sha256(manifest.read_bytes()).hexdigest()
    entries = record.read(path_of(withdrawn)).entries
    old = []
    for e in entries:
        content = {k: v for k, v in e.content.items() if k not in ("data_until", "author_person")}
        content |= {"at": ""} if "at" in content else {}
        content |= {"manifest_sha256": digest} if e.kind == "release" else {}
        old.append((e.kind, content))
    path_of(withdrawn).unlink()
    mark_of(withdrawn).unlink()
    record.extend(path_of(withdrawn), old)
    mark_of(withdrawn).unlink()
    assert serious(withdrawn) == []
    states = {x.factor.factor_id: x.state for x in factor_life.listed(withdrawn)[0]}
    assert "withdrawn" in states.values()
    factor_life.approve(withdrawn, another_proposal(withdrawn), "Ben Osei", "fine", AT)
    assert serious(withdrawn) == []


def test_the_proof_says_what_it_does_not_find() -> None:
    assert "only a head that another keeps" in PROVES


# ---- signatures ---------------------------------------------------------------------------


@pytest.fixture
def key(tmp_path: Path) -> Path:
    path = tmp_path / "ben.pem"
    signing.new_key(path)
    return path


def register(site: Path, key: Path, person: str = "P2") -> None:
    public = signing.public_text(signing.load_key(key))
    head, *rows = PEOPLE.splitlines()
    rows = [f"{row},{public if row.startswith(person) else ''}" for row in rows]
    text = "\n".join([f"{head},public key", *rows]) + "\n"
    (site / "people.csv").write_text(text.replace("approve; withdraw", ""), "utf-8")


@pytest.mark.slow
def test_a_signed_head_finds_a_record_that_was_shortened_or_written_anew(
    withdrawn: Path, key: Path
) -> None:
    register(withdrawn, key)
    code, _, err = command(
        "sign", str(withdrawn), "--key", str(key), "--by", "ben osei", "--at", LATER
    )
    assert code == 0, err
    report = verify(withdrawn)
    assert (report.findings, report.signed_heads) == ((), 1)
    last = len(record.read(path_of(withdrawn)).entries)
    written_anew(withdrawn, lambda e: e.number < last - 1)  # without the withdrawal
    found = serious(withdrawn)
    assert any("signatures/" in text and "shortened" in text for text in found)
    with pytest.raises(ReconcileError, match="can't be relied on"):
        factor_life.listed(withdrawn)


@pytest.mark.slow
def test_a_signature_by_another_key_or_of_nobody_registered_is_told(
    withdrawn: Path, key: Path, tmp_path: Path
) -> None:
    signing.sign(withdrawn, key, "Ben Osei", LATER)
    (found,) = verify(withdrawn).findings
    assert "does not hold: anybody can have made it" in found.text
    register(withdrawn, key)
    assert verify(withdrawn).findings == ()
    other = tmp_path / "other.pem"
    signing.new_key(other)
    with pytest.raises(ReconcileError, match="not the one that the register"):
        signing.sign(withdrawn, other, "Ben Osei", LATER)
    register(withdrawn, other)
    assert any("another key" in text for text in serious(withdrawn))


@pytest.mark.slow
def test_every_changed_byte_of_a_signature_is_found_and_its_loss_too(
    withdrawn: Path, key: Path
) -> None:
    register(withdrawn, key)
    path = signing.sign(withdrawn, key, "Ben Osei", LATER).path
    whole = path.read_bytes()
    for place in range(0, len(whole), cases(3, 17)):
        changed = bytearray(whole)
        changed[place] ^= 1
        path.write_bytes(bytes(changed))
        assert serious(withdrawn), place
    path.unlink()
    assert any("is gone" in text for text in serious(withdrawn))
    signing.sign(withdrawn, key, "Ben Osei", LATER)
    assert path.read_bytes() == whole
    assert serious(withdrawn) == []


@pytest.mark.slow
def test_who_has_a_key_signs_each_act_and_a_forged_one_is_found(
    withdrawn: Path, key: Path, tmp_path: Path
) -> None:
    register(withdrawn, key)
    number = another_proposal(withdrawn)
    with pytest.raises(ReconcileError, match="acts in this name are signed"):
        factor_life.approve(withdrawn, number, "Ben Osei", "fine", LATER)
    arguments = ("--by", "Ben Osei", "--reason", "fine", "--at", LATER, "--key", str(key))
    code, _, err = command("approve", number, str(withdrawn), *arguments)
    assert code == 0, err
    report = verify(withdrawn)
    assert (report.findings, report.acts, report.acts_signed) == ((), 3, 1)
    # a withdrawal in the same name, chained as it should be, by somebody without the key
    content = {"act": "withdrawn", "factor_id": number, "reason": "x", "by": "Ben Osei", "at": AT}
    whole = path_of(withdrawn).read_bytes()
    forged = [content, content | {"public_key": "", "signature": ""}]
    signed = record.read(path_of(withdrawn)).entries[-1].content
    forged += [signed | {"act": "withdrawn"}, signed | {"reason": "looked twice"}]
    for one in forged:
        record.extend(path_of(withdrawn), [("factor event", one)])
        assert any(f"line {len(whole.splitlines()) + 1}" in text for text in serious(withdrawn))
        path_of(withdrawn).write_bytes(whole)
        mark_of(withdrawn).unlink()
        record.extend(path_of(withdrawn), [])
    assert serious(withdrawn) == []


def test_a_key_with_a_pass_phrase_opens_with_it_and_a_key_is_never_overwritten(
    tmp_path: Path,
) -> None:
    path = tmp_path / "key.pem"
    made = signing.new_key(path, "a phrase")
    assert b"ENCRYPTED" in path.read_bytes()
    assert os.name == "nt" or path.stat().st_mode & 0o077 == 0
    opened = signing.load_key(path, lambda: "a phrase")
    assert signing.public_text(opened) == signing.public_text(made)
    with pytest.raises(ReconcileError, match="does not open"):
        signing.load_key(path, lambda: "another")
    with pytest.raises(ReconcileError, match="never overwritten"):
        signing.new_key(path)
    code, out, _ = command("key", str(tmp_path / "new.pem"))
    assert (code, "Public key" in out) == (0, True)
    (tmp_path / "text.pem").write_text("no key", "utf-8")
    with pytest.raises(ReconcileError, match="no private key in PEM"):
        signing.load_key(tmp_path / "text.pem")


def test_a_key_and_a_signature_are_those_of_rfc_8032(tmp_path: Path) -> None:
    # RFC 8032, section 7.1, TEST 2: secret key, public key, one byte of message, signature
    secret = bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb")
    public = bytes.fromhex("3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c")
    signature = (
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
    key = signing.Key.from_private_bytes(secret)
    assert base64.b64decode(signing.public_text(key)) == public
    assert key.sign(b"\x72").hex() == signature


# ---- time-stamp tokens ----------------------------------------------------------------------


def authority(folder: Path) -> Path | None:
    """An invented time-stamping authority, made with openssl where that is installed."""
    if shutil.which("openssl") is None:
        return None
    config = folder / "tsa.cnf"
    (folder / "serial").write_text("01\n", "utf-8")
    config.write_text(
        "[req]\ndistinguished_name=dn\nprompt=no\nx509_extensions=ext\n[dn]\nCN=Invented\n"
        "[ext]\nextendedKeyUsage=critical,timeStamping\n[tsa]\ndefault_tsa=t\n[t]\n"
        f"serial={(folder / 'serial').as_posix()}\ndefault_policy=1.2.3.4\n"
        "digests=sha256,sha512\nsigner_digest=sha256\ness_cert_id_alg=sha256\n",
        "utf-8",
    )
    done = subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "30", "-config",
         str(config), "-keyout", str(folder / "tsa.key"), "-out", str(folder / "tsa.pem")],
        capture_output=True, check=False,
    )  # fmt: skip
    return config if done.returncode == 0 else None


def token(folder: Path, config: Path, digest: str, name: str, how: str = "-sha256") -> Path:
    made = folder / name
    for arguments in (
        ["-query", "-digest", digest, how, "-no_nonce", "-out", str(folder / "q.tsq")],
        ["-reply", "-config", str(config), "-queryfile", str(folder / "q.tsq"), "-signer",
         str(folder / "tsa.pem"), "-inkey", str(folder / "tsa.key"), "-out", str(made)],
    ):  # fmt: skip
        subprocess.run(["openssl", "ts", *arguments], capture_output=True, check=True)
    return made


@pytest.mark.slow
def test_a_time_stamp_token_is_bound_to_the_head_that_it_stamps(
    withdrawn: Path, tmp_path: Path
) -> None:
    config = authority(tmp_path)
    if config is None:
        pytest.skip("no openssl that makes a time-stamping authority")
    reading = record.read(path_of(withdrawn))
    plain = token(tmp_path, config, reading.head, "plain.tsr")
    text = hashlib.sha256(reading.entries[-2].hash.encode()).hexdigest()
    as_text = token(tmp_path, config, text, "text.tsr")
    foreign = token(tmp_path, config, hashlib.sha256(b"else").hexdigest(), "foreign.tsr")
    longer = token(tmp_path, config, reading.head * 2, "longer.tsr", "-sha512")
    code, out, err = command("stamp", str(withdrawn), "--token", str(plain))
    assert code == 0, err
    assert reading.head in out
    assert stamping.keep_token(withdrawn, as_text).lines == len(reading.entries) - 1
    for wrong in (foreign, longer):
        with pytest.raises(ReconcileError, match="no head of this record"):
            stamping.keep_token(withdrawn, wrong)
    report = verify(withdrawn)
    assert (report.findings, report.tokens) == ((), 2)
    path = withdrawn / "out" / anchors.TOKENS / f"{hashlib.sha256(plain.read_bytes()).hexdigest()}"
    kept = path.with_suffix(".tsr")
    kept.write_bytes(plain.read_bytes()[:-1] + b"\0")
    assert any("not what was recorded" in t for t in serious(withdrawn))
    kept.unlink()
    assert any("is gone" in t for t in serious(withdrawn))
    kept.write_bytes(plain.read_bytes())
    withdrawal = len(reading.entries)
    written_anew(withdrawn, lambda e: e.number < withdrawal)
    assert any("tokens/" in t and "shortened" in t for t in serious(withdrawn))


@pytest.mark.parametrize("content", [b"", b"no token", b"\x30\x03\x02\x01\x00", b"\x30\x80" * 50])
def test_what_is_no_token_is_refused(withdrawn: Path, tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.tsr"
    path.write_bytes(content)
    with pytest.raises(ReconcileError, match="no time-stamp response"):
        stamping.keep_token(withdrawn, path)


# ---- custody files that are gone -------------------------------------------------------------


def with_receipts(folder: Path) -> Path:
    from tests.test_verify import CUSTODY

    build(folder, samples=40)
    (folder / "custody").mkdir()
    (folder / "custody" / "events.csv").write_text(CUSTODY, encoding="utf-8")
    heading = "Event ID,Sample ID,Dispatch,Event,At,By,To,Seal,Seal intact\n"
    lines = "R-1,S002,,received,2026-10-03T08:00Z,door,,7,no\nR-2,S003,,received,2026-10-04T08:00Z,door,,8,no\n"  # noqa: E501
    (folder / "custody" / "received.csv").write_text(heading + lines, encoding="utf-8")
    with (folder / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[[table]]\nkind = "custody"\nfiles = ["custody/*.csv"]\n')
    return folder


@pytest.mark.slow
def test_a_receipt_that_is_gone_keeps_the_verdicts_out_and_gives_no_dossier(
    tmp_path: Path,
) -> None:
    site = with_receipts(tmp_path / "site")
    first = reconcile.run_period(site, PERIOD).reconciliation
    assert not any(f.subject == "custody/received.csv" for f in first.findings)
    path = site / "custody" / "received.csv"
    whole = path.read_text("utf-8")

    def told() -> list[str]:
        r = reconcile.run_period(site, PERIOD).reconciliation
        assert r.custody_gone == ("custody/received.csv",)
        assert {x.verdict.decision for x in r.results} == {"insufficient evidence"}
        assert "custody records are gone" in r.results[0].verdict.reason.lower()
        with pytest.raises(ReconcileError, match="No dossier"):
            acceptance.write_dossier(site, PERIOD)
        found = [f.text for f in r.findings if f.subject == "custody/received.csv"]
        assert any("custody/received.csv" in text for text in serious(site))
        return found

    path.unlink()
    assert "The file is gone" in told()[0]
    assert "The file is gone" in told()[0]  # also when it was run before without it
    path.write_text("\n".join(whole.splitlines()[:-1]) + "\n", "utf-8")
    assert "Lines of the file are gone" in told()[0]
    path.write_text(whole + "R-3,S004,,received,2026-10-05T08:00Z,door,,9,yes\n", "utf-8")
    last = reconcile.run_period(site, PERIOD).reconciliation
    assert last.custody_gone == ()
    assert serious(site) == []


@pytest.mark.slow
def test_a_custody_file_under_another_name_is_not_gone(tmp_path: Path) -> None:
    site = with_receipts(tmp_path / "site")
    reconcile.run_period(site, PERIOD)
    (site / "custody" / "events.csv").rename(site / "custody" / "october.csv")
    assert reconcile.run_period(site, PERIOD).reconciliation.custody_gone == ()
