"""The schedule walks the same steps: a served deployment gives the command's bytes."""

from __future__ import annotations

import logging
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest

import reconcile
from reconcile.releases import unfinished
from reconcile.store.database import Store
from tests import small
from tests.flows.standing import wait_for

PERIOD = "2026-10"


def test_the_month_before_is_reckoned_in_the_zone_of_the_workspace() -> None:
    from reconcile.flows.monthly import previous_month

    moment = datetime(2026, 11, 30, 22, 0, tzinfo=UTC)  # already 1 December in Nairobi
    assert previous_month(moment, "UTC") == "2026-10"
    assert previous_month(moment, "Africa/Nairobi") == "2026-11"
    assert previous_month(datetime(2027, 1, 3, tzinfo=UTC), "UTC") == "2026-12"


def test_what_the_analyst_must_mend_is_not_tried_again() -> None:
    from reconcile.flows.monthly import worth_a_retry

    from reconcile.base.errors import BusyError, ReconcileError

    class State:
        def __init__(self, error: Exception) -> None:
            self.error = error

        def result(self) -> None:
            raise self.error

    assert not worth_a_retry(None, None, State(ReconcileError("Another run is using this.")))
    assert worth_a_retry(None, None, State(BusyError("It is held.")))
    assert worth_a_retry(None, None, State(TimeoutError()))


@pytest.mark.slow
def test_a_served_deployment_completes_with_the_bytes_of_the_command(
    tmp_path: Path, server: dict[str, str]
) -> None:
    site = small.build(tmp_path / "scheduled")
    serving = subprocess.Popen(
        [sys.executable, "-m", "reconcile.cli", "schedule", str(site)],
        env=server, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    prefect = [sys.executable, "-m", "prefect"]

    def ask(*words: str) -> str:
        done = subprocess.run(
            [*prefect, *words], env=server, capture_output=True, text=True, timeout=90, check=False
        )
        return done.stdout + done.stderr

    try:
        name = "monthly-reconciliation/scheduled"  # by the folder, as the site has no name
        wait_for("the deployment", lambda: name in ask("deployment", "ls"), 120)
        assert "0 6 3 * *" in ask("deployment", "inspect", name)
        ask("deployment", "run", name, "--param", f"period={PERIOD}")
        wait_for("the run", lambda: "COMPLETED" in ask("flow-run", "ls").upper(), 150)
        assert f"scheduled-{PERIOD}-verdicts" in ask("artifact", "ls")
    finally:
        serving.terminate()
        serving.wait(30)
    by_command = small.build(tmp_path / "commanded")
    reconcile.run_period(by_command, PERIOD)
    releases = [small.bytes_of(folder / "out" / "releases") for folder in (site, by_command)]
    assert releases[0] == releases[1]


def plain_task(slept: list[float]) -> Callable[..., Callable[..., Callable[..., object]]]:
    """What a task does with its retries, without a server."""

    class Failed:
        def __init__(self, error: Exception) -> None:
            self.error = error

        def result(self) -> None:
            raise self.error

    def task(
        *,
        retries: int,
        retry_delay_seconds: float,
        retry_condition_fn: Callable[..., bool],
        **_: object,
    ) -> Callable[[Callable[..., object]], Callable[..., object]]:
        def wrapped(work: Callable[..., object]) -> Callable[..., object]:
            def call(*values: object) -> object:
                for left in range(retries, -1, -1):
                    try:
                        return work(*values)
                    except Exception as error:
                        if not left or not retry_condition_fn(None, None, Failed(error)):
                            raise
                        slept.append(retry_delay_seconds)
                raise AssertionError("the last try returns or raises")

            return call

        return wrapped

    return task


@pytest.fixture
def flow(monkeypatch: pytest.MonkeyPatch) -> tuple[Callable[[str, str], str], list[float]]:
    """The body of the flow without a server and without work, and the waits of its tasks."""
    from reconcile.flows import monthly

    outcome = SimpleNamespace(
        reconciliation=SimpleNamespace(release_id="id", inputs=(), quarantine=(), findings=()),
        needs_a_person=False,
        new_release=True,
        release_folder=Path(),
        told=(),
    )
    slept: list[float] = []
    monkeypatch.setattr(monthly, "task", plain_task(slept))
    monkeypatch.setattr(monthly, "get_run_logger", lambda: logging.getLogger("flow"))
    monkeypatch.setattr(monthly, "_publish", lambda run, outcome: None)
    monkeypatch.setattr(monthly, "STEPS", (("all", lambda run: replace(run, outcome=outcome)),))
    return (lambda *given: monthly.monthly.fn(*given).data), slept


def test_a_held_workspace_is_tried_again_as_the_settings_say(
    tmp_path: Path,
    flow: tuple[Callable[[str, str], str], list[float]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from reconcile.flows import monthly

    from reconcile.base.errors import BusyError

    site = small.build(tmp_path / "site", samples=3)
    with (site / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write("[schedule]\nbusy_retries = 4\nbusy_seconds = 7\n")
    run, slept = flow
    held = iter([True, True, False])
    really = monthly.Store

    def store(file: Path, **engine: object) -> Store:
        if next(held, True):
            raise BusyError("Another run is using this workspace.")
        return really(file)

    monkeypatch.setattr(monthly, "Store", store)
    assert run(str(site), PERIOD) == "id"
    assert slept == [7.0, 7.0]
    assert not list((site / "out").glob("last_failure*"))
    with pytest.raises(BusyError):
        run(str(site), PERIOD)
    assert slept == [7.0] * 6
    assert unfinished.note_of(site / "out", PERIOD).is_file()


def test_the_success_of_one_month_leaves_the_note_of_another(
    tmp_path: Path, flow: tuple[Callable[[str, str], str], list[float]]
) -> None:
    site = small.build(tmp_path / "site", samples=3)
    unfinished.write(site / "out", "2026-10", "It failed.")
    unfinished.write(site / "out", "2026-07", "It failed.")
    flow[0](str(site), "2026-07")
    assert [p.name for p in (site / "out").glob("last_*")] == ["last_failure_2026-10.txt"]


@pytest.mark.slow
def test_a_failed_run_leaves_a_plain_note_and_an_empty_month_is_no_success(
    tmp_path: Path, server: dict[str, str]
) -> None:
    site = small.build(tmp_path / "site")

    def once(period: str) -> int:
        return subprocess.run(
            [sys.executable, "-m", "reconcile.cli", "schedule", str(site), "--once", period],
            env=server, capture_output=True, text=True, timeout=180, check=False,
        ).returncode  # fmt: skip

    good = (site / "lab.csv").read_bytes()
    (site / "lab.csv").write_bytes(b"")
    assert once(PERIOD) == 2
    note = (site / "out" / f"last_failure_{PERIOD}.txt").read_text("utf-8")
    assert "lab.csv" in note
    assert "Failed" in note
    (site / "lab.csv").write_bytes(good)
    assert once("2026-12") == 2
    assert "Nothing to release" in (site / "out" / "last_failure_2026-12.txt").read_text("utf-8")
    assert once(PERIOD) in (0, 1)
    assert [p.name for p in (site / "out").glob("last_*")] == ["last_failure_2026-12.txt"]


@pytest.mark.slow
def test_a_flow_that_is_killed_leaves_the_note_of_its_month(
    tmp_path: Path, server: dict[str, str]
) -> None:
    site = small.build(tmp_path / "site")
    process = subprocess.Popen(
        [sys.executable, "-m", "reconcile.cli", "schedule", str(site), "--once", PERIOD],
        env=server, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    note = site / "out" / f"last_failure_{PERIOD}.txt"
    wait_for("the note", note.is_file, 90)
    process.kill()
    process.wait(30)
    assert "began and did not end" in note.read_text("utf-8")
