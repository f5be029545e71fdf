"""Any altered byte is found and named; a crash costs nothing; the proof says its limits."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.commands.verifying import PROVES, verify
from reconcile.releases import record
from tests import small

pytestmark = pytest.mark.usefixtures("data_alone")

PERIOD = "2026-10"
CUSTODY = """event_id,sample_id,event,at,by,to
1,S001,collected,2026-10-01T08:00Z,analyst 1,
2,S001,relinquished,2026-10-02T08:00Z,analyst 1,courier
3,S001,received,2026-10-02T12:00Z,courier,laboratory
"""


def with_custody(folder: Path) -> Path:
    small.build(folder, samples=12)
    (folder / "custody.csv").write_text(CUSTODY, encoding="utf-8")
    with (folder / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[[table]]\nkind = "custody"\nfiles = ["custody.csv"]\n')
    return folder


@pytest.fixture(scope="module")
def released(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = with_custody(tmp_path_factory.mktemp("verified") / "site")
    reconcile.run_period(site, PERIOD)
    return site


def test_an_untouched_workspace_verifies(released: Path) -> None:
    report = verify(released)
    assert report.findings == ()
    assert (report.events, report.releases) == (3, 1)
    assert report.inputs == 4


def test_the_proof_says_what_it_can_not_show() -> None:
    assert "not prove that what was recorded is true" in PROVES.replace("does not", "not")


@pytest.mark.slow
def test_a_missing_release_file_or_release_is_named(released: Path, tmp_path: Path) -> None:
    site = tmp_path / "site"
    shutil.copytree(released, site)
    release = site / "out" / "releases" / PERIOD / "r1"
    (release / "pairs.csv").unlink()
    assert any("pairs.csv" in f.subject for f in verify(site).findings)
    shutil.rmtree(release)
    assert any("r1" in f.subject and "not there" in f.text for f in verify(site).findings)


def test_a_file_slipped_into_a_release_is_named(released: Path, tmp_path: Path) -> None:
    site = tmp_path / "site"
    shutil.copytree(released, site)
    (site / "out" / "releases" / PERIOD / "r1" / "more.csv").write_text("x", encoding="utf-8")
    assert any("more.csv" in f.subject for f in verify(site).findings)


@pytest.mark.slow
def test_events_are_recorded_once_however_often_a_month_runs(tmp_path: Path) -> None:
    site = with_custody(tmp_path / "site")
    for _ in range(3):
        reconcile.run_period(site, PERIOD)
    reading = record.read(site / "out" / record.RECORD)
    assert [e.kind for e in reading.entries] == ["custody event"] * 3 + ["release"]


@pytest.mark.slow
def test_an_event_changed_in_the_table_is_a_new_line_and_the_old_one_stays(tmp_path: Path) -> None:
    site = with_custody(tmp_path / "site")
    reconcile.run_period(site, PERIOD)
    (site / "custody.csv").write_text(CUSTODY.replace("12:00", "13:00"), encoding="utf-8")
    reconcile.run_period(site, PERIOD)
    kinds = [e.kind for e in record.read(site / "out" / record.RECORD).entries]
    assert kinds == ["custody event"] * 3 + ["release", "custody event", "release"]
    assert verify(site).findings == ()


@pytest.mark.parametrize("keep", [1, 40, 200])
def test_a_line_that_a_crash_left_unfinished_is_written_again(tmp_path: Path, keep: int) -> None:
    path = tmp_path / record.RECORD
    first = [("custody event", {"event": "a"}), ("custody event", {"event": "b" * 100})]
    record.extend(path, first[:1])
    mark = (tmp_path / record.MARK).read_bytes()  # a crash came before the next was written
    record.extend(path, first)
    whole = path.read_bytes()
    (tmp_path / record.MARK).write_bytes(mark)
    cut = whole[: whole.index(b"\n") + 1] + whole[whole.index(b"\n") + 1 :][:keep]
    path.write_bytes(cut)
    assert record.check(path)
    record.extend(path, first)
    assert path.read_bytes() == whole


def test_nothing_is_added_to_a_record_that_was_altered(tmp_path: Path) -> None:
    path = tmp_path / record.RECORD
    record.extend(path, [("custody event", {"event": "a"}), ("custody event", {"event": "b"})])
    path.write_bytes(path.read_bytes().replace(b'"a"', b'"z"'))
    before = path.read_bytes()
    with pytest.raises(ReconcileError, match="Line 1"):
        record.extend(path, [("custody event", {"event": "c"})])
    assert path.read_bytes() == before
