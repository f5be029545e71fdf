"""The schedule walks the same steps: a served deployment gives the command's bytes."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

import reconcile
from tests import small

PERIOD = "2026-10"


def test_the_month_before_is_reckoned_in_the_zone_of_the_workspace() -> None:
    from flows.monthly import previous_month

    moment = datetime(2026, 11, 30, 22, 0, tzinfo=UTC)  # already 1 December in Nairobi
    assert previous_month(moment, "UTC") == "2026-10"
    assert previous_month(moment, "Africa/Nairobi") == "2026-11"
    assert previous_month(datetime(2027, 1, 3, tzinfo=UTC), "UTC") == "2026-12"


def test_what_the_analyst_must_mend_is_not_tried_again() -> None:
    from flows.monthly import worth_a_retry
    from reconcile.errors import ReconcileError

    class State:
        def __init__(self, error: Exception) -> None:
            self.error = error

        def result(self) -> None:
            raise self.error

    assert not worth_a_retry(None, None, State(ReconcileError("A column is missing.")))
    assert worth_a_retry(None, None, State(ReconcileError("Another run is using this.")))
    assert worth_a_retry(None, None, State(TimeoutError()))


def wait_for(what: str, ready: Callable[[], bool], seconds: float) -> None:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if ready():
            return
        time.sleep(0.5)
    raise AssertionError(f"{what} did not come within {seconds} s")


@pytest.fixture
def server(tmp_path: Path) -> Iterator[dict[str, str]]:
    """A standing server on loopback with a home of its own; yields the environment to use."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {
        **os.environ,
        "PREFECT_HOME": str(tmp_path / "prefect"),
        "PREFECT_API_URL": f"http://127.0.0.1:{port}/api",
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
        "COLUMNS": "200",  # keeps the tables of the client on one line
    }
    log = (tmp_path / "server.log").open("wb")
    process = subprocess.Popen(
        [sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1",
         "--port", str(port), "--no-ui"],
        env=environment, stdout=log, stderr=log,
    )  # fmt: skip

    def healthy() -> bool:
        try:
            with urllib.request.urlopen(environment["PREFECT_API_URL"] + "/health", timeout=2):
                return True
        except OSError:
            return False

    try:
        wait_for("the server", healthy, 90)
        yield environment
    finally:
        process.terminate()
        process.wait(30)
        log.close()


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
        name = "monthly-reconciliation/monthly"
        wait_for("the deployment", lambda: name in ask("deployment", "ls"), 120)
        assert "0 6 3 * *" in ask("deployment", "inspect", name)
        ask("deployment", "run", name, "--param", f"period={PERIOD}")
        wait_for("the run", lambda: "COMPLETED" in ask("flow-run", "ls").upper(), 150)
        assert f"{PERIOD}-verdicts" in ask("artifact", "ls")
    finally:
        serving.terminate()
        serving.wait(30)
    by_command = small.build(tmp_path / "commanded")
    reconcile.run_period(by_command, PERIOD)
    releases = [small.bytes_of(folder / "out" / "releases") for folder in (site, by_command)]
    assert releases[0] == releases[1]


@pytest.mark.slow
def test_a_failed_run_leaves_a_plain_note(tmp_path: Path, server: dict[str, str]) -> None:
    site = small.build(tmp_path / "site")
    (site / "lab.csv").write_bytes(b"")
    done = subprocess.run(
        [sys.executable, "-m", "reconcile.cli", "schedule", str(site), "--once", PERIOD],
        env=server, capture_output=True, text=True, timeout=180, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    note = (site / "out" / "last_failure.txt").read_text("utf-8")
    assert "lab.csv" in note
