"""A run that does not end leaves a note of its month, and of no other."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from reconcile.base.errors import ReconcileError
from reconcile.intake.workspace import load_workspace
from reconcile.releases import unfinished
from reconcile.run import pipeline
from reconcile.store.database import Store
from tests import small

PERIOD = "2026-10"


def stopping(
    error: BaseException,
) -> tuple[tuple[str, Callable[[pipeline.Run], pipeline.Run]], ...]:
    def step(run: pipeline.Run) -> pipeline.Run:
        raise error

    return (("stop", step),)


@pytest.mark.slow
def test_a_killed_run_leaves_the_note_of_its_month(tmp_path: Path) -> None:
    site = small.build(tmp_path / "site", samples=3)
    unfinished.write(site / "out", "2026-07", "It failed.")
    program = (
        "import os, signal, sys; from pathlib import Path; from reconcile.run import pipeline\n"
        "kill = getattr(signal, 'SIGKILL', signal.SIGTERM)\n"
        "pipeline.STEPS = (('die', lambda run: os.kill(os.getpid(), kill)),)\n"
        "pipeline.run_period(Path(sys.argv[1]), sys.argv[2])\n"
    )
    done = subprocess.run([sys.executable, "-c", program, str(site), PERIOD], check=False)
    assert done.returncode != 0
    assert "began and did not end" in unfinished.note_of(site / "out", PERIOD).read_text("utf-8")
    assert unfinished.note_of(site / "out", "2026-07").is_file()


@pytest.mark.parametrize("error", [KeyboardInterrupt(), RuntimeError("a fault")])
def test_a_run_that_is_stopped_or_crashes_leaves_its_note(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    site = small.build(tmp_path / "site", samples=3)
    monkeypatch.setattr(pipeline, "STEPS", stopping(error))
    with pytest.raises(type(error)):
        pipeline.run_period(site, PERIOD)
    assert unfinished.note_of(site / "out", PERIOD).is_file()


@pytest.mark.parametrize("before", ["The night's run failed.", None])
def test_a_message_that_a_person_saw_leaves_the_note_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: str | None
) -> None:
    site = small.build(tmp_path / "site", samples=3)
    note = unfinished.note_of(site / "out", PERIOD)
    if before:
        unfinished.write(site / "out", PERIOD, before)
    kept = note.read_bytes() if before else None
    monkeypatch.setattr(pipeline, "STEPS", stopping(ReconcileError("A column is missing.")))
    with pytest.raises(ReconcileError):
        pipeline.run_period(site, PERIOD)
    assert (note.read_bytes() if note.exists() else None) == kept


def test_success_takes_away_the_note_of_its_month_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = small.build(tmp_path / "site", samples=3)
    for month in (PERIOD, "2026-07"):
        unfinished.write(site / "out", month, "It failed.")
    outcome = SimpleNamespace(reconciliation=SimpleNamespace(period=PERIOD), told=("something",))
    done = (("done", lambda run: replace(run, outcome=outcome)),)
    monkeypatch.setattr(pipeline, "STEPS", done)
    pipeline.run_period(site, PERIOD)
    assert not unfinished.note_of(site / "out", PERIOD).exists()
    assert unfinished.note_of(site / "out", "2026-07").is_file()


def test_a_run_that_waits_for_another_leaves_the_note_of_the_other(tmp_path: Path) -> None:
    site = small.build(tmp_path / "site", samples=3)
    unfinished.begun(site / "out", PERIOD)
    holder = subprocess.Popen(
        [sys.executable, "-c", "import sys, time, duckdb\n"
         "con = duckdb.connect(sys.argv[1]); print('held', flush=True); time.sleep(600)",
         str(_store(site))],
        stdout=subprocess.PIPE,
    )  # fmt: skip
    try:
        assert holder.stdout is not None
        holder.stdout.readline()
        with pytest.raises(ReconcileError, match="Another run is using"):
            pipeline.run_period(site, PERIOD)
        assert unfinished.note_of(site / "out", PERIOD).is_file()
    finally:
        holder.kill()
        holder.wait(30)


def _store(site: Path) -> Path:
    file = load_workspace(site).store_file
    with Store(file):
        return file


def test_a_note_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file where the folder should be", "utf-8")
    unfinished.begun(tmp_path / "out", PERIOD)
    unfinished.done(tmp_path / "out", PERIOD)
