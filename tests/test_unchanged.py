"""A run in which nothing changed is answered by its release; anything else is computed."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import reconcile
from reconcile.releases import kept_value
from reconcile.reporting.render.tables import data_files
from reconcile.run import pipeline, unchanged
from tests import small

PERIOD = "2026-10"
pytestmark = pytest.mark.whole_release


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return small.build(tmp_path / "site")


@pytest.mark.slow
def test_nothing_is_computed_where_nothing_changed_and_everything_where_something_did(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = reconcile.run_period(site, PERIOD)
    walked: list[str] = []

    def watched(name: str, step: Callable[[pipeline.Run], pipeline.Run]) -> Any:
        def walk(run: pipeline.Run) -> pipeline.Run:
            walked.append(name)
            return step(run)

        return name, walk

    steps = tuple(watched(name, step) for name, step in pipeline.STEPS)
    monkeypatch.setattr(pipeline, "STEPS", steps)
    again = reconcile.run_period(site, PERIOD)
    assert not walked
    assert not again.new_release
    assert again.release_folder == first.release_folder
    assert (again.record_lines, again.record_head) == (first.record_lines, first.record_head)
    assert again.needs_a_person == first.needs_a_person
    assert data_files(again.reconciliation) == data_files(first.reconciliation)
    assert kept_value.packed(again.reconciliation) == kept_value.packed(first.reconciliation)

    settings = site / "reconcile.toml"
    settings.write_text(settings.read_text("utf-8") + "\n# a remark\n", "utf-8")
    assert not reconcile.run_period(site, PERIOD).new_release
    assert walked
    for path in (first.release_folder / "pairs.csv", next((site / "out" / "archive").iterdir())):
        walked.clear()
        kept = path.read_bytes()
        path.write_bytes(kept + b" ")
        workspace = reconcile.load_workspace(site)
        assert unchanged.answered(workspace, PERIOD) is None, path
        path.write_bytes(kept)
        assert unchanged.answered(workspace, PERIOD) is not None
    shutil.rmtree(site / "out" / "store")
    walked.clear()
    assert not reconcile.run_period(site, PERIOD).new_release
    assert walked


def test_a_value_of_another_program_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(reconcile.ReconcileError, match="is not there"):
        kept_value.read(tmp_path)
    (tmp_path / kept_value.NAME).write_bytes(b"no zip")
    with pytest.raises(reconcile.ReconcileError, match="can't be read"):
        kept_value.read(tmp_path)


def test_what_stands_is_told_in_brief_as_the_whole_value_tells_it(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from reconcile.commands import standing_shown, terminal

    reconcile.run_period(site, PERIOD)
    workspace = reconcile.load_workspace(site)
    stands = unchanged.stands(workspace, PERIOD)
    assert stands is not None
    standing_shown.show(stands.folder, stands.standing)
    brief = capsys.readouterr().out
    outcome = unchanged.whole(stands)
    assert outcome is not None
    terminal.show_outcome(outcome)
    terminal.show_paths([outcome])
    assert capsys.readouterr().out == brief
    assert stands.standing.needs_a_person == outcome.needs_a_person
    note = site / "out" / "store" / f"unchanged_{PERIOD}.json"
    told = note.read_text("utf-8")
    note.write_text(told.replace(stands.standing.title, "Another site"), "utf-8")
    assert unchanged.stands(workspace, PERIOD) is None
    note.write_text(told.replace('"urgent"', '"others"'), "utf-8")
    assert unchanged.stands(workspace, PERIOD) is None


@pytest.mark.slow
def test_an_unchanged_month_is_told_without_what_reads_and_computes(tmp_path: Path) -> None:
    # loading these takes longer than all that such a run does
    site = small.build(tmp_path / "site", samples=6)
    reconcile.run_period(site, "2026-10")
    code = (
        "import sys\n"
        "from reconcile import cli\n"
        f"sys.argv = ['reconcile', 'run', '2026-10', {str(site)!r}]\n"
        "try:\n    cli.main()\n"
        "except SystemExit:\n    pass\n"
        "print('loaded', sorted({'duckdb', 'numpy', 'pandas', 'scipy'} & set(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=240, check=True
    )
    assert "Nothing changed" in done.stdout
    assert "loaded []" in done.stdout
