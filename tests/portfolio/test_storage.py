"""Inputs on storage: laid there whole, staged by digest, and cut off in the middle without harm."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow.fs as pafs
import pytest
from typer.testing import CliRunner

from reconcile.base.errors import ReconcileError, UnreachableError
from reconcile.cli import app
from reconcile.commands import portfolio_shown
from reconcile.intake import storage
from reconcile.intake.workspace import Workspace, load_workspace
from reconcile.portfolio import listed, work
from reconcile.portfolio.status import duty
from reconcile.portfolio.work import State, asked
from reconcile.releases import persons
from reconcile.run.pipeline import run_period
from tests import sites, small

MONTH = "2026-10"


def with_inputs(folder: Path, address: str) -> Workspace:
    text = (folder / "reconcile.toml").read_text("utf-8")
    where = text.replace("[workspace]\n", f'[workspace]\ninputs = "{address}"\n')
    (folder / "reconcile.toml").write_text(where, encoding="utf-8")
    return load_workspace(folder)


@pytest.fixture
def address(tmp_path: Path) -> str:
    return (tmp_path / "storage").as_uri()


@pytest.fixture
def laid(tmp_path: Path, address: str) -> Workspace:
    """A site whose files lie on storage; they lie in its folder too."""
    workspace = with_inputs(sites.build(tmp_path / "origin", 0, [MONTH]), address)
    assert storage.lay(workspace) == 2
    return workspace


@pytest.fixture
def elsewhere(tmp_path: Path, laid: Workspace, address: str) -> Workspace:
    """The same site on another machine: its settings and no file."""
    return with_inputs(sites.build(tmp_path / "elsewhere", 0, []), address)


@pytest.fixture
def cut(monkeypatch: pytest.MonkeyPatch) -> dict[str, int]:
    """Reads and writes that work before the network is gone; -1 for a network that stays."""
    left = {"read": -1, "write": -1}
    for what in left:
        really = getattr(storage, f"_{what}")

        def breaks(*given: Any, what: str = what, really: Callable[..., Any] = really) -> Any:
            if left[what] == 0:
                raise OSError("the network is gone")
            left[what] -= 1
            return really(*given)

        monkeypatch.setattr(storage, f"_{what}", breaks)
    return left


def manifests(tmp_path: Path) -> list[str]:
    folder = tmp_path / "storage" / "manifests"
    return sorted(p.name for p in folder.iterdir()) if folder.is_dir() else []


def test_a_run_on_another_machine_gives_the_bytes_of_one_beside_the_files(
    tmp_path: Path, laid: Workspace, elsewhere: Workspace, data_alone: None
) -> None:
    run_period(elsewhere.folder, MONTH)
    alone = sites.build(tmp_path / "alone", 0, [MONTH])
    run_period(alone, MONTH)
    releases = [small.bytes_of(f / "out" / "releases") for f in (elsewhere.folder, alone)]
    assert releases[0] == releases[1]


def test_files_are_laid_once_and_listed_once(laid: Workspace, tmp_path: Path) -> None:
    assert storage.lay(laid) == 0
    assert len(manifests(tmp_path)) == 1
    file = laid.folder / "lab" / f"{MONTH}.csv"
    file.write_text(file.read_text("utf-8").replace("C-2026-10", "C-1"), encoding="utf-8")
    assert storage.lay(laid) == 1
    assert [name[:8] for name in manifests(tmp_path)] == ["00000001", "00000002"]
    assert len(list((tmp_path / "storage" / "objects").iterdir())) == 3


@pytest.mark.parametrize("works", [0, 1, 2])
def test_a_network_that_goes_while_files_are_laid_leaves_no_list(
    tmp_path: Path, address: str, cut: dict[str, int], works: int
) -> None:
    workspace = with_inputs(sites.build(tmp_path / "origin", 0, [MONTH]), address)
    cut["write"] = works
    with pytest.raises(UnreachableError, match="the network is gone"):
        storage.lay(workspace)
    assert manifests(tmp_path) == []
    cut["write"] = -1
    assert storage.lay(workspace) == 2 - works
    assert len(manifests(tmp_path)) == 1


@pytest.mark.parametrize("works", [0, 1, 2])
def test_a_network_that_goes_while_files_are_staged_is_told_and_the_next_try_releases(
    elsewhere: Workspace, tmp_path: Path, cut: dict[str, int], works: int, data_alone: None
) -> None:
    (tmp_path / "portfolio.toml").write_text('[[site]]\nfolder = "elsewhere"\n')
    cut["read"] = works
    (month,) = work.work(asked(elsewhere, (MONTH,), 0.0)).months
    assert month.state is State.UNREACHABLE
    assert "the network is gone" in month.message
    assert not list((elsewhere.folder / "field").iterdir())
    assert not (elsewhere.output / "releases").exists()
    (row,) = duty(listed.load(tmp_path), persons.clock())
    assert row.unfinished == (MONTH,)
    assert any("the network is gone" in text for text in portfolio_shown.what(row))
    cut["read"] = -1
    (month,) = work.work(asked(elsewhere, (MONTH,), 0.0)).months
    assert month.state is State.RELEASED
    (row,) = duty(listed.load(tmp_path), persons.clock())
    assert row.unfinished == ()


def test_a_file_that_a_person_laid_is_not_overwritten(elsewhere: Workspace) -> None:
    own = elsewhere.folder / "lab" / f"{MONTH}.csv"
    own.write_text("my own\n")
    with pytest.raises(ReconcileError, match="was not brought from there"):
        storage.fetch(elsewhere)
    assert own.read_text() == "my own\n"
    assert not list((elsewhere.folder / "field").iterdir())


def test_what_is_listed_no_more_goes_and_what_changed_is_changed(
    laid: Workspace, elsewhere: Workspace
) -> None:
    storage.fetch(elsewhere)
    (laid.folder / "field" / f"{MONTH}.csv").unlink()
    (laid.folder / "lab" / f"{MONTH}.csv").write_text("other\n")
    storage.lay(laid)
    assert storage.fetch(elsewhere) == 1
    assert small.bytes_of(elsewhere.folder / "lab") == {f"{MONTH}.csv": b"other\n"}
    assert small.bytes_of(elsewhere.folder / "field") == {}
    assert storage.fetch(elsewhere) == 0


def test_other_bytes_than_listed_are_refused(elsewhere: Workspace, tmp_path: Path) -> None:
    for path in (tmp_path / "storage" / "objects").iterdir():
        path.write_bytes(path.read_bytes() + b"1")
    with pytest.raises(ReconcileError, match="other bytes than its name says"):
        storage.fetch(elsewhere)
    assert not list((elsewhere.folder / "field").iterdir())


@pytest.mark.parametrize(
    "name",
    ["../stolen.csv", "/etc/stolen", "C:\\x", "field/../../x", "reconcile.toml", "out/x", ".x", ""],
)
def test_a_name_that_leads_elsewhere_is_never_a_path(
    elsewhere: Workspace, tmp_path: Path, name: str
) -> None:
    files, root = storage.opened(elsewhere.settings.workspace.inputs)
    digest = next((tmp_path / "storage" / "objects").iterdir()).name
    storage._list(files, root, {name: digest}, 9)
    with pytest.raises(ReconcileError, match="can't be the name of an input file"):
        storage.fetch(elsewhere)


def test_of_two_who_write_a_list_at_once_at_most_one_stands(
    laid: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files, root = storage.opened(laid.settings.workspace.inputs)
    really = storage._write

    def and_another(files: pafs.FileSystem, path: str, content: bytes) -> None:
        really(files, f"{root}/manifests/00000002-{'0' * 64}.json", b"{}")
        really(files, path, content)

    monkeypatch.setattr(storage, "_write", and_another)
    with pytest.raises(ReconcileError, match="at the same time"):
        storage._list(files, root, {}, 2)
    assert [name[:12] for name in manifests(tmp_path)][1:] == ["00000002-000"]


def test_any_storage_that_is_asked_by_an_address_serves(
    laid: Workspace, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    mock = pafs._MockFileSystem()
    monkeypatch.setattr(storage, "opened", lambda address: (mock, "bucket/site"))
    assert storage.lay(laid) == 2
    paths = [i.path for i in mock.get_file_info(pafs.FileSelector("bucket/site/manifests"))]
    assert len(paths) == 1
    listed = json.loads(mock.open_input_stream(paths[0]).read())["files"]
    assert sorted(listed) == [f"field/{MONTH}.csv", f"lab/{MONTH}.csv"]
    empty = replace(laid, folder=tmp_path / "empty")
    (tmp_path / "empty").mkdir()
    assert storage.fetch(empty) == 2


def test_the_command_lays_each_site_and_tells_those_that_can_not(
    tmp_path: Path, laid: Workspace
) -> None:
    sites.build(tmp_path / "without", 1, [MONTH])
    lost = sites.build(tmp_path / "lost", 2, [MONTH])
    with_inputs(lost, "nowhere://x")
    (tmp_path / "portfolio.toml").write_text(
        "\n".join(f'[[site]]\nfolder = "{name}"' for name in ("origin", "without", "lost"))
    )
    done = CliRunner().invoke(app, ["portfolio", "stage", str(tmp_path)])
    assert done.exit_code == 1, (done.output, done.exception)
    printed = " ".join(done.output.split())
    assert "site-00: no new files on file:" in printed
    assert "site-01: its settings state no storage" in printed
    assert "site-02: The storage nowhere://x can't be read or written" in printed
