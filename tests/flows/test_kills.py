"""What is killed in the middle leaves nothing half-written; the next try releases the month."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from reconcile.portfolio import listed
from reconcile.portfolio.processes import run_all
from reconcile.portfolio.status import Standing, duty
from reconcile.portfolio.work import State, asked
from reconcile.releases import persons
from reconcile.run.pipeline import run_period
from tests import sites, small
from tests.flows import standing
from tests.flows.standing import wait_for
from tests.sizes import cases

MONTH = "2026-10"
minutes = pytest.mark.skipif(
    not cases(True, False), reason="minutes of waiting: RECONCILE_CASES=all"
)


def once(site: Path, environment: dict[str, str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "reconcile", "schedule", str(site), "--once", MONTH],
        env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


@pytest.mark.slow
@minutes
def test_a_server_that_is_killed_in_the_middle_costs_nothing(tmp_path: Path) -> None:
    root = sites.build_portfolio(tmp_path / "sites", 1, [MONTH])
    portfolio = listed.load(root)
    site = portfolio.sites[0].folder
    environment = standing.environment(tmp_path)
    process = standing.start(environment, tmp_path / "server.log")
    try:
        run = once(site, environment)
        wait_for("the store", (site / "out" / "store" / "reconcile.duckdb").is_file, 120)
        process.send_signal(signal.SIGKILL if os.name != "nt" else signal.SIGTERM)
        process.wait(30)
        run.wait(300)
        for folder in (site / "out" / "releases").glob(f"{MONTH}/r*"):
            assert (folder / "manifest.json").is_file()
        (row,) = duty(portfolio, persons.clock())
        assert row.standing is Standing.UNFINISHED
        assert row.unfinished == (MONTH,)
        assert row.notes[0]
        process = standing.start(environment, tmp_path / "server.log")
        assert once(site, environment).wait(300) == 0
    finally:
        process.terminate()
        process.wait(30)
    (row,) = duty(portfolio, persons.clock())
    assert (row.standing, row.period, row.unfinished) == (Standing.DONE, MONTH, ())
    alone = sites.build(tmp_path / "alone", 0, [MONTH])
    run_period(alone, MONTH)
    releases = [small.bytes_of(folder / "out" / "releases") for folder in (site, alone)]
    assert releases[0] == releases[1]


@pytest.mark.slow
def test_of_two_who_run_one_site_one_releases_and_the_other_waits(tmp_path: Path) -> None:
    site = listed.load(sites.build_portfolio(tmp_path, 1, [MONTH])).sites[0].workspace
    assert site is not None
    found = run_all([asked(site, (MONTH,), 300.0)] * 2, 2)
    states = sorted(month.state for one in found for month in one.months)
    assert states == [State.RELEASED, State.UNCHANGED]
    assert [p.name for p in site.releases(MONTH).glob("r*")] == ["r1"]


@pytest.mark.slow
@minutes
def test_of_two_schedulers_of_one_site_one_runs_and_the_other_waits(
    tmp_path: Path,
    server: dict[str, str],
) -> None:
    site = sites.build(tmp_path / "site", 5, [MONTH])
    serving = [
        subprocess.Popen(
            [sys.executable, "-m", "reconcile", "schedule", str(site)],
            env=server, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        for _ in range(2)
    ]  # fmt: skip
    try:

        def ask() -> int:
            return subprocess.run(
                [sys.executable, "-m", "prefect", "deployment", "run",
                 "monthly-reconciliation/site-05", "--param", f"period={MONTH}"],
                env=server, capture_output=True, check=False, timeout=120,
            ).returncode  # fmt: skip

        wait_for("the deployment", lambda: ask() == 0, 180)
        time.sleep(1)
        assert ask() == 0

        def runs() -> list[dict[str, str]]:
            request = urllib.request.Request(
                server["PREFECT_API_URL"] + "/flow_runs/filter", b"{}",
                {"Content-Type": "application/json"},
            )  # fmt: skip
            with urllib.request.urlopen(request, timeout=10) as answer:
                found = json.load(answer)
            return [r for r in found if r["name"] == f"site-05 · {MONTH}"]

        def ended() -> bool:
            return len(runs()) == 2 and all(r["state"]["type"] == "COMPLETED" for r in runs())

        wait_for("both runs", ended, 300)
        first, second = sorted((r["start_time"], r["end_time"]) for r in runs())
        assert first[1] <= second[0]  # not at the same time
    finally:
        for process in serving:
            process.terminate()
        for process in serving:
            process.wait(60)
    assert [p.name for p in (site / "out" / "releases" / MONTH).glob("r*")] == ["r1"]
