"""Files stand whole or not at all, and one process writes a file at a time."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from reconcile.base import writing
from reconcile.base.errors import ReconcileError
from reconcile.base.writing import write_whole
from reconcile.commands import applying
from reconcile.releases import record
from reconcile.store.database import Store
from tests import small, source
from tests.test_house import ROOT, modules


@contextmanager
def full_disk(room: int) -> Iterator[None]:
    """No file may grow beyond ``room`` bytes, as on a disk that is full."""
    resource = pytest.importorskip("resource", reason="limits of file size are of POSIX")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_leaves_the_old_file_and_says_so(tmp_path: Path) -> None:
    target = tmp_path / "list.csv"
    target.write_bytes(b"old")
    with full_disk(1000), pytest.raises(ReconcileError, match=r"list\.csv can't be written"):
        write_whole(target, b"x" * 5000)
    assert small.bytes_of(tmp_path) == {"list.csv": b"old"}


def test_a_full_disk_leaves_no_part_of_a_corrected_table(tmp_path: Path) -> None:
    site = small.build(tmp_path / "site", samples=8)
    target = tmp_path / "to" / "corrected.csv"
    with full_disk(1000), pytest.raises(ReconcileError, match="Nothing half-written stands"):
        applying.correct_table(site / "field.csv", site, target)
    assert list(target.parent.iterdir()) == []
    applying.correct_table(site / "field.csv", site, target)
    assert len(target.read_bytes()) > 1000


def test_a_full_disk_adds_no_part_of_an_act_to_the_record(tmp_path: Path) -> None:
    path = tmp_path / record.RECORD
    record.extend(path, [("release", {"n": 1})])
    before = path.read_bytes()
    room = len(before) + 150  # the first line fits, the second does not
    acts = [("factor event", {"n": number}) for number in range(2)]
    with full_disk(room), pytest.raises(OSError, match="large"):
        record.extend(path, acts)
    assert path.read_bytes() == before
    record.extend(path, acts)
    assert len(record.read(path).entries) == 3


@pytest.mark.parametrize("there", [True, False])
def test_a_kill_before_the_end_leaves_the_old_file_or_none(tmp_path: Path, there: bool) -> None:
    target = tmp_path / "form.pdf"
    if there:
        target.write_bytes(b"old")
    script = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from reconcile.base import writing\n"
        "os.fsync = lambda _: os._exit(9)  # ends as a kill does, with everything written\n"
        "writing.write_whole(Path(sys.argv[1]), b'new' * 1000)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(target)], cwd=ROOT, check=False, timeout=120
    )
    assert done.returncode == 9
    assert target.exists() == there
    assert not there or target.read_bytes() == b"old"


def test_what_must_be_new_never_takes_the_place_of_a_file(tmp_path: Path) -> None:
    target = tmp_path / "a.csv"
    write_whole(target, b"first", new=True)
    with pytest.raises(ReconcileError, match="exists already"):
        write_whole(target, b"second", new=True)
    assert small.bytes_of(tmp_path) == {"a.csv": b"first"}


def test_what_must_be_new_is_kept_also_where_a_disk_knows_no_links(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    test_what_must_be_new_never_takes_the_place_of_a_file(tmp_path)


def test_a_file_is_written_through_a_link_and_with_the_usual_rights(tmp_path: Path) -> None:
    target = tmp_path / "kept" / "story.pdf"
    write_whole(target, b"one")
    usual = tmp_path / "usual"
    usual.write_bytes(b"")
    assert target.stat().st_mode == usual.stat().st_mode
    link = tmp_path / "link.pdf"
    try:
        link.symlink_to(target)
    except OSError:
        pytest.skip("links are not for everybody on this system")
    write_whole(link, b"two")
    assert link.is_symlink()
    assert target.read_bytes() == b"two"


def test_a_file_that_another_process_holds_is_waited_for_and_then_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "received.csv"
    script = (
        "import sys\n"
        "from pathlib import Path\n"
        "from reconcile.base.writing import one_at_a_time\n"
        "with one_at_a_time(Path(sys.argv[1])):\n"
        "    print('held', flush=True)\n"
        "    sys.stdin.readline()\n"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", script, str(path)],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline().strip() == b"held"
        monkeypatch.setattr(writing, "LONGEST_WAIT", 0.2)
        with (
            pytest.raises(ReconcileError, match=r"Another program is writing .*received\.csv"),
            writing.one_at_a_time(path),
        ):
            pass
        holder.kill()  # its lock ends with it
        holder.wait(60)
        monkeypatch.setattr(writing, "LONGEST_WAIT", 60.0)
        with writing.one_at_a_time(path):
            pass
    finally:
        holder.kill()
        holder.communicate()


def test_a_store_that_another_process_is_making_is_busy_and_not_damaged(tmp_path: Path) -> None:
    path = tmp_path / "reconcile.duckdb"
    path.write_bytes(b"\0" * 100)  # as far as the other one came
    lock = writing.hold(path, 0)
    assert lock is not None
    with pytest.raises(ReconcileError, match="Another run is using this workspace"):
        Store(path)
    lock.release()
    with Store(path) as store:  # what nobody makes is moved aside, and the refusal left no lock
        assert store.told


#: Where a file is opened for writing without ``write_whole``, and why that is safe.
OWN_WAYS = {
    "reconcile.base.writing": "the helper itself",
    "reconcile.releases.record": "appends under its lock, takes back what was not written whole",
    "reconcile.releases.release": "a folder beside its place, moved there whole",
    "reconcile.judgement.sheet_life": "a folder beside its place, moved there whole",
    "reconcile.portfolio.release": "a folder beside its place, moved there whole",
    "reconcile.reporting.files": "the files of that folder",
    "reconcile.run.archiving": "a copy beside its place, moved there whole",
    "reconcile.store.binding": "a copy beside its place, moved there whole",
    "reconcile.trials.counted": "a table of the repository, by a contributor's command",
    "reconcile.store.database": "a mark whose loss or harm costs one comparison of the store",
}


@pytest.mark.slow
def test_every_file_for_a_person_is_written_through_the_one_helper() -> None:
    found = set()
    for name, path in modules().items():
        for node in source.nodes(path):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            modes = [a.value for a in node.args if isinstance(a, ast.Constant)]
            opens = node.func.attr == "open" and any(
                isinstance(mode, str) and set(mode) & set("wxa+") and set(mode) <= set("wxabrt+")
                for mode in modes
            )
            if opens or node.func.attr in ("write_bytes", "write_text", "copyfile"):
                found.add(name)
    assert found <= set(OWN_WAYS)
