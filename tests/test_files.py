"""Only regular files are opened, under names that can be stored and printed."""

from __future__ import annotations

import os
import socket
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from reconcile.base.errors import ReconcileError
from reconcile.base.regular import open_regular, readable_name
from reconcile.commands import checking, forms, verifying
from reconcile.intake import workspace as ws
from reconcile.run import pipeline
from reconcile.store.database import Store
from tests import small

pytestmark = pytest.mark.usefixtures("data_alone")

PERIOD = "2026-10"


def pipe(path: Path) -> None:
    os.mkfifo(path)


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def listening(path: Path) -> None:
    here = Path.cwd()
    os.chdir(path.parent)  # a socket's path must be short
    try:
        with socket.socket(socket.AF_UNIX) as unix:
            unix.bind(path.name)
    finally:
        os.chdir(here)


def folder(path: Path) -> None:
    path.mkdir()


POSIX = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no such files here")
KINDS = [
    pytest.param(pipe, "a named pipe", marks=POSIX),
    pytest.param(device, "a device", marks=POSIX),
    pytest.param(listening, "a socket", marks=POSIX),
    (folder, "a folder"),
]


@pytest.mark.parametrize(("make", "what"), KINDS)
def test_what_is_no_regular_file_is_not_opened_and_named(
    tmp_path: Path, make: Callable[[Path], None], what: str
) -> None:
    make(tmp_path / "x.csv")
    with pytest.raises(OSError, match=f"it is {what}, not a regular file"):
        open_regular(tmp_path / "x.csv")


def test_a_link_to_a_regular_file_is_followed(tmp_path: Path) -> None:
    (tmp_path / "there.csv").write_bytes(b"content")
    (tmp_path / "here.csv").symlink_to("there.csv")
    with open_regular(tmp_path / "here.csv") as stream:
        assert stream.read() == b"content"


@pytest.mark.slow
@POSIX
@pytest.mark.parametrize("pattern", ["field*.csv", "field_odd.csv"])
@pytest.mark.parametrize("make", [pipe, device, listening])
def test_an_endless_file_is_told_and_the_good_ones_are_read(
    tmp_path: Path, make: Callable[[Path], None], pattern: str
) -> None:
    site = small.build(tmp_path / "site", samples=5)
    settings = site / "reconcile.toml"
    files = f'files = ["field.csv", "{pattern}"]'
    settings.write_text(settings.read_text("utf-8").replace('files = ["field.csv"]', files))
    make(site / "field_odd.csv")
    report = checking.check(site, PERIOD)
    (told,) = [f for f in report.findings if f.subject == "field_odd.csv"]
    assert told.severity == "serious"
    assert "not a regular file" in told.text
    assert int(report.files.set_index("path")["rows"]["field.csv"]) == 10


@pytest.mark.slow
@POSIX
def test_a_pipe_among_photos_register_and_custody_is_told_and_stops_nothing(
    tmp_path: Path,
) -> None:
    site = small.build(tmp_path / "site", samples=5)
    with (site / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write('[[table]]\nkind = "evidence"\nfiles = ["photos/*"]\n')
        stream.write('[[table]]\nkind = "custody"\nfiles = ["custody/*"]\n')
    for name in ("photos/bag.jpg", "photos/index.csv", "custody/events.csv"):
        (site / name).parent.mkdir(exist_ok=True)
        pipe(site / name)
    report = checking.check(site, PERIOD)
    told = {f.subject for f in report.findings if "a named pipe" in f.text}
    assert told == {"photos/bag.jpg", "photos/index.csv", "custody/events.csv"}
    assert any("a named pipe" in f.text for f in verifying.verify(site).findings)
    assert any("a named pipe" in p for p in forms.read_records(ws.load_workspace(site)).problems)


def test_a_link_to_nothing_is_told(tmp_path: Path) -> None:
    site = small.build(tmp_path / "site", samples=5)
    settings = site / "reconcile.toml"
    settings.write_text(settings.read_text("utf-8").replace('["field.csv"]', '["field*.csv"]'))
    (site / "field_gone.csv").symlink_to("nowhere.csv")
    report = checking.check(site, PERIOD)
    assert any(f.subject == "field_gone.csv" for f in report.findings)


def test_bytes_of_a_name_that_are_no_utf_8_are_shown_escaped() -> None:
    name = os.fsdecode(b"field_\xe9\xff.csv") if os.name == "posix" else "field_\udce9\udcff.csv"
    assert readable_name(name) == "field_\\xe9\\xff.csv"
    assert readable_name("a\ud800b") == "a\\ud800b"
    assert readable_name("Прядь é.csv") == "Прядь é.csv"


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names themselves")
def test_a_file_name_that_is_not_utf_8_is_read_under_an_escaped_name(tmp_path: Path) -> None:
    site = small.build(tmp_path / "site", samples=5)
    settings = site / "reconcile.toml"
    settings.write_text(settings.read_text("utf-8").replace('["field.csv"]', '["field*"]'))
    (site / "field.csv").rename(os.fsdecode(os.fsencode(site) + b"/field_\xe9.cs\xff"))
    run = []
    with Store(ws.load_workspace(site).store_file) as store:
        run.append(pipeline.begin(ws.load_workspace(site), PERIOD, store))
        for _, step in pipeline.STEPS:
            run.append(step(run[-1]))
    outcome = run[-1].outcome
    assert outcome is not None
    assert outcome.reconciliation.inputs[0].path == "field_\\xe9.cs\\xff"
    assert outcome.reconciliation.results
    assert verifying.verify(site).findings == ()


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names themselves")
def test_a_workspace_under_a_name_that_is_not_utf_8_is_refused_in_plain_words(
    tmp_path: Path,
) -> None:
    site = small.build(tmp_path / "site", samples=5)
    odd = Path(os.fsdecode(os.fsencode(tmp_path) + b"/site_\xff"))
    site.rename(odd)
    with pytest.raises(ReconcileError, match=r"site_\\xff is not UTF-8"):
        ws.load_workspace(odd)
