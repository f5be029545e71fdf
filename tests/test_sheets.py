"""A result sheet is issued once, whole, and bears who did what with it."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import random
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.commands import issuing
from reconcile.commands.verifying import verify
from reconcile.intake import workspace as ws
from reconcile.judgement import factor_life, sheet_check, sheet_life
from reconcile.judgement.field_values import FlagKind
from reconcile.judgement.results import Why
from reconcile.judgement.sheet_content import from_bytes
from reconcile.releases import persons, record
from reconcile.reporting import words
from reconcile.reporting.document import result_sheet
from reconcile.reporting.render import sheet_files
from tests.sizes import cases
from tests.test_cli import reconcile as command
from tests.test_factors import AT, build, copper

pytestmark = pytest.mark.usefixtures("data_alone")

PERIOD = "2026-10"
ISSUED_AT = "2026-12-01T10:00+00:00"
BY = "Ana Lima"


def field_only(site: Path, contents: dict[str, float], day: str = "2026-11-05") -> Path:
    """A table of samples read in the field only, and their lines in the register."""
    rng = np.random.default_rng(3)
    lines = ["sample_id,reading_no,measured_at,group,operator,Cu (mg/kg),Fe (mg/kg)"]
    register = []
    for i, (sample, content) in enumerate(contents.items()):
        for reading in (1, 2):
            cu = content * 1.2 * np.exp(rng.normal(0, 0.02))
            at, lot = f"{day} 0{reading}:00", f"lot {'AB'[i % 2]}"
            lines.append(f"{sample},{reading},{at},{lot},Kofi Mensah,{cu:.1f},35000")
        register.append(f"{sample},soil,sieved,dry,split")
    path = site / "november.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with (site / "register.csv").open("a", encoding="utf-8") as stream:
        stream.write("\n".join(register) + "\n")
    return path


CONTENTS = {"N-1": 120.0, "N-2": 290.0, "N-3": 600.0, "N-4": 310.0, "N-5": 9000.0}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with a factor in force and a table of field-only samples."""
    site = build(tmp_path_factory.mktemp("sheets") / "site", samples=60)
    reconcile.run_period(site, PERIOD)
    factor_life.approve(site, copper(site).factor.factor_id, "Ben Osei", "looked at it", AT)
    field_only(site, CONTENTS)
    return site


@pytest.fixture
def site(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "site"))


@pytest.fixture(scope="module")
def with_sheet(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = Path(shutil.copytree(made, tmp_path_factory.mktemp("issued") / "site"))
    issuing.issue(site, site / "november.csv", BY, ISSUED_AT)
    return site


@pytest.fixture
def issued(with_sheet: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(with_sheet, tmp_path / "site"))


def folder(site: Path, number: str = "RS-0001", revision: int = 1) -> Path:
    return site / "out" / "sheets" / number / f"r{revision}"


def rows(site: Path) -> dict[tuple[str, str], dict[str, str]]:
    text = (folder(site) / sheet_files.CSV).read_text(encoding="utf-8")
    return {(r["sample_id"], r["element"]): r for r in csv.DictReader(io.StringIO(text))}


def test_every_reason_has_words() -> None:
    assert set(words.REASON_WORDS) == {*map(str, Why), *map(str, FlagKind)}


@pytest.mark.slow
def test_a_sheet_holds_each_sample_its_value_and_its_side_of_the_level(with_sheet: Path) -> None:
    found = rows(with_sheet)
    calls = {sample: found[sample, "Cu"]["call"] for sample in CONTENTS}
    assert calls == {
        "N-1": "below", "N-2": "too close: laboratory", "N-3": "above",
        "N-4": "too close: laboratory", "N-5": "no decision",
    }  # fmt: skip
    one = found["N-3", "Cu"]
    assert float(one["value_mg_kg"]) == pytest.approx(600, rel=0.1)
    assert float(one["expanded_uncertainty_mg_kg"]) == pytest.approx(
        2 * float(one["standard_uncertainty_mg_kg"])
    )
    assert one["factor_id"] == copper(with_sheet).factor.factor_id
    assert one["read_by"] == "Kofi Mensah"
    assert one["lot"] == "lot A"
    assert found["N-5", "Cu"]["reason_codes"] == "outside the range"
    assert found["N-3", "Fe"]["call"] == ""  # no level was set for iron


def test_a_sheet_is_read_back_as_it_was_made(with_sheet: Path) -> None:
    content = (folder(with_sheet) / sheet_files.JSON).read_bytes()
    sheet = from_bytes(content)
    assert sheet_files.data_files(sheet)[sheet_files.JSON] == content
    (life,) = sheet_life.of_workspace(ws.load_workspace(with_sheet)).values()
    again = result_sheet.files(sheet, life.acts)
    for name, data in again.items():
        assert (folder(with_sheet) / name).read_bytes() == data, name


def test_the_same_table_and_evidence_give_the_same_sheet(issued: Path) -> None:
    again = issuing.issue(issued, issued / "november.csv", BY, "2026-12-02T10:00+00:00")
    assert not again.new
    assert again.sheet.name == "RS-0001 r1"
    assert len(sheet_life.of_workspace(ws.load_workspace(issued))) == 1


def test_the_event_in_the_record_holds_the_digest_of_the_manifest(with_sheet: Path) -> None:
    entry = record.read(with_sheet / "out" / record.RECORD).entries[-1]
    assert entry.kind == "result sheet"
    assert entry.content["by"] == BY
    assert entry.content["manifest_sha256"] == ws.sha256_of(folder(with_sheet) / "manifest.json")
    manifest = json.loads((folder(with_sheet) / "manifest.json").read_bytes())
    assert {x["name"] for x in manifest["outputs"]} == {
        "result_sheet.csv", "result_sheet.json", "result_sheet.pdf", "result_sheet.xlsx",
        "source.csv",
    }  # fmt: skip


def test_a_revision_takes_the_place_of_the_sheet_before(issued: Path) -> None:
    table = field_only(issued, {**CONTENTS, "N-6": 500.0})
    made = issuing.issue(issued, table, BY, "2026-12-03T10:00+00:00", revise="rs-0001")
    assert made.sheet.name == "RS-0001 r2"
    assert made.sheet.supersedes == "RS-0001 r1"
    states = {x.name: x.state for x in sheet_life.of_workspace(ws.load_workspace(issued)).values()}
    assert states == {"RS-0001 r1": "superseded", "RS-0001 r2": "issued"}


@pytest.mark.slow
def test_samples_with_a_laboratory_result_are_left_out(site: Path) -> None:
    with pytest.raises(ReconcileError, match="has a laboratory result"):
        issuing.issue(site, site / "field.csv", BY, ISSUED_AT)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("at", "words_"),
    [("2026-11-01T10:00+00:00", "is before the day of the last reading"), ("", "No time"),
     ("2026-12-01 10:00", "no time with its zone")],
)  # fmt: skip
def test_a_sheet_is_issued_at_a_time_with_its_zone_after_the_readings(
    site: Path, at: str, words_: str
) -> None:
    with pytest.raises(ReconcileError, match=words_):
        issuing.issue(site, site / "november.csv", BY, at)
    assert not (site / "out" / "sheets").exists()


# ---- sign-off -----------------------------------------------------------------------------

CHECK = ("checked", "Ben Osei", "2026-12-02T09:00+00:00", "geochemist", "values compared")
APPROVE = ("approved", "Cora Diaz", "2026-12-02T11:00+00:00", "competent person", "as it stands")


def test_a_sheet_bears_who_checked_approved_and_accepted_it(issued: Path) -> None:
    issuing.sign_off(issued, "RS-0001", *CHECK)
    done = issuing.sign_off(issued, "RS-0001", *APPROVE)
    assert done.life.state == "approved"
    done = issuing.sign_off(
        issued, "RS-0001", "accepted", "Dan Kay", "2026-12-03T08:00+00:00", "client", "agreed"
    )
    text = pdf_text(done.path)
    for shown in ("Ben Osei", "Cora Diaz", "Dan Kay", "competent person", "agreed",
                  words.SHEET_STATES["accepted"]):  # fmt: skip
        assert shown in text
    assert words.SHEET_STATES["issued"] not in text


def pdf_text(path: Path) -> str:
    from pypdf import PdfReader

    return " ".join(" ".join(page.extract_text().split()) for page in PdfReader(path).pages)


def test_the_author_can_not_approve_and_the_client_answers_what_is_approved(issued: Path) -> None:
    for by in (BY, "A. Lima", "lima ana"):
        with pytest.raises(ReconcileError, match="may be the person who prepared"):
            issuing.sign_off(issued, "RS-0001", "approved", by, *APPROVE[2:])
    with pytest.raises(ReconcileError, match="is not approved"):
        issuing.sign_off(issued, "RS-0001", "accepted", "Dan Kay", *APPROVE[2:])
    issuing.sign_off(issued, "RS-0001", *APPROVE)
    with pytest.raises(ReconcileError, match="is approved already"):
        issuing.sign_off(issued, "RS-0001", *APPROVE)


@pytest.mark.parametrize(
    ("change", "said"),
    [((2, "2026-11-30T09:00+00:00"), "is before 'issued'"), ((3, ""), "Role and text"),
     ((4, " "), "Role and text"), ((0, "praised"), "is nothing that is said"),
     ((1, ""), "No name")],
)  # fmt: skip
def test_an_act_needs_name_role_time_and_text(
    issued: Path, change: tuple[int, str], said: str
) -> None:
    act: list[Any] = list(CHECK)
    act[change[0]] = change[1]
    with pytest.raises(ReconcileError, match=said):
        issuing.sign_off(issued, "RS-0001", *act)


def test_nobody_signs_off_what_was_withdrawn(issued: Path) -> None:
    done = issuing.withdraw(issued, "RS-0001", "Ben Osei", "2026-12-02T09:00+00:00", "wrong lot")
    assert done.life.state == "withdrawn"
    assert words.SHEET_STATES["withdrawn"] in pdf_text(done.path)
    with pytest.raises(ReconcileError, match="is withdrawn"):
        issuing.sign_off(issued, "RS-0001", *APPROVE)


# ---- what stands and what was altered -------------------------------------------------------


def signed_off(site: Path) -> Path:
    issuing.sign_off(site, "RS-0001", *CHECK)
    issuing.sign_off(site, "RS-0001", *APPROVE)
    return site / "out"


def untold(out: Path, chance: random.Random, rounds: int) -> list[str]:
    """Change one byte of one file after the other; those that verify does not name.

    What is compared is taken apart from the workspace's releases: those have their own test.
    """
    workspace = ws.load_workspace(out.parent)
    reading = record.read(out / record.RECORD)
    files = sorted(p for p in (out / "sheets").rglob("*") if p.is_file())
    missed = []
    for number in range(rounds):
        path = files[number % len(files)]
        whole = path.read_bytes()
        place = chance.randrange(len(whole))
        path.write_bytes(
            whole[:place] + bytes([whole[place] ^ chance.randrange(1, 256)]) + whole[place + 1 :]
        )
        subjects = {f.subject for f in sheet_check.check(workspace, reading).findings}
        if path.relative_to(out).as_posix() not in subjects:
            missed.append(f"{path.name}, byte {place}")
        path.write_bytes(whole)
    return missed


@pytest.mark.slow
def test_each_of_two_hundred_changed_bytes_of_sheets_is_found(issued: Path) -> None:
    out = signed_off(issued)
    assert untold(out, random.Random(4), 200) == []
    report = verify(issued)
    assert report.findings == ()
    assert (report.sheets, report.sheet_files) == (1, 8)


@pytest.mark.slow
def test_verify_finds_what_was_taken_away_and_what_was_added(issued: Path) -> None:
    out = signed_off(issued)
    (folder(issued) / sheet_files.CSV).unlink()
    (folder(issued) / "more.txt").write_text("x", encoding="utf-8")
    found = {f.subject for f in verify(issued).findings}
    assert found == {f"sheets/RS-0001/r1/{name}" for name in (sheet_files.CSV, "more.txt")}
    shutil.rmtree(out / "sheets")
    found = {f.subject for f in verify(issued).findings}
    assert "sheets/RS-0001/r1/manifest.json" in found
    assert len([name for name in found if "signed" in name]) == 2


@pytest.mark.slow
def test_a_sheet_whose_last_lines_were_cut_from_the_record_contradicts_it(issued: Path) -> None:
    issuing.sign_off(issued, "RS-0001", *CHECK)
    table = field_only(issued, {**CONTENTS, "N-6": 500.0})
    issuing.issue(issued, table, BY, "2026-12-03T10:00+00:00", revise="RS-0001")
    path = issued / "out" / record.RECORD
    lines = path.read_bytes().splitlines(keepends=True)[:-2]
    path.write_bytes(b"".join(lines))
    (issued / "out" / record.MARK).unlink()
    with pytest.raises(ReconcileError, match="can't be relied on"):
        issuing.sign_off(issued, "RS-0001", *APPROVE)


# ---- kills --------------------------------------------------------------------------------


class Killed(BaseException):
    """What stands for a kill: nothing catches it."""


@pytest.mark.parametrize("moment", range(20))
def test_a_kill_at_any_moment_loses_no_sheet(
    tmp_path: Path, moment: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The process ends before or after one of the steps that touch the disk."""
    build(tmp_path / "site", samples=2)
    workspace = ws.load_workspace(tmp_path / "site")
    path = workspace.output / record.RECORD
    workspace.output.mkdir()
    record.extend(path, [])
    done, files = [0], {"result_sheet.csv": b"a", "result_sheet.json": b"{}"}
    acting = persons.Acting(BY, "", ISSUED_AT)

    def ending(real: Callable[..., Any]) -> Callable[..., Any]:
        def step(*values: Any, **named: Any) -> Any:
            for before in (True, False):
                done[0] += 1
                if done[0] - 1 == moment:
                    if not before:
                        real(*values, **named)
                    raise Killed
            return real(*values, **named)

        return step

    def issued_once() -> None:
        sheet_life.finish(workspace, record.read(path))
        reading = record.read(path)
        if not sheet_life.lives(reading):
            manifest = sheet_life.manifest_of("RS-0001", 1, "mark", reading, files)
            sheet_life.issue(workspace, "RS-0001", 1, manifest, files, acting, None, reading.head)

    with monkeypatch.context() as patch:
        for name in ("write_bytes", "replace", "mkdir"):
            patch.setattr(Path, name, ending(getattr(Path, name)))
        for name in ("sync_files", "sync_folder"):
            patch.setattr(sheet_life, name, ending(getattr(sheet_life, name)))
        patch.setattr(record, "extend", ending(record.extend))
        with contextlib.suppress(Killed):
            issued_once()
    assert (done[0] > moment) == (moment < 20)
    issued_once()
    checked = sheet_check.check(workspace, record.read(path))
    assert (checked.sheets, checked.files, checked.findings) == (1, 3, ())
    assert [p.name for p in (workspace.output / "sheets" / "RS-0001").iterdir()] == ["r1"]


@pytest.mark.slow
def test_a_killed_process_loses_no_sheet_and_issues_none_twice(site: Path) -> None:
    chance = random.Random(7)
    line = [
        sys.executable, "-m", "reconcile.cli", "issue", str(site / "november.csv"), str(site),
        "--by", BY, "--at", ISSUED_AT,
    ]  # fmt: skip
    for _ in range(cases(20, 3)):
        process = subprocess.Popen(line, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            process.wait(chance.uniform(0.5, 4))
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        reading = record.read(site / "out" / record.RECORD)
        assert len(sheet_life.lives(reading)) <= 1
    made = issuing.issue(site, site / "november.csv", BY, ISSUED_AT)
    assert made.sheet.name == "RS-0001 r1"
    assert (
        sheet_check.check(
            ws.load_workspace(site), record.read(site / "out" / record.RECORD)
        ).findings
        == ()
    )


@pytest.mark.slow
def test_every_command_of_the_readme_runs_as_it_is_typed(site: Path) -> None:
    text = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    section = text.split("## Result sheets")[1].split("\n## ")[0]
    (block,) = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    places = {"november.csv": str(site / "november.csv"), "my_site": str(site)}
    run = []
    for line in block.strip().splitlines():
        words_of = [places.get(word, word) for word in shlex.split(line)]
        assert words_of[0] == "reconcile"
        code, output, errors = command(*words_of[1:])
        assert code in (0, 1), f"{line}\n{output}{errors}"
        run.append(words_of[1])
    assert set(run) == {"issue", "signoff", "dispatch", "sheets", "recall"}
    lives = sheet_life.of_workspace(ws.load_workspace(site)).values()
    assert [(x.name, x.state) for x in lives] == [
        ("RS-0001 r1", "withdrawn"),
    ]
