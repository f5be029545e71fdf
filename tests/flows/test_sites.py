"""Sites on one server: each under its own name, seen by its state, and calling when it must."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from reconcile.intake.workspace import load_workspace
from reconcile.portfolio import mail
from reconcile.store.database import Store
from tests import sites
from tests.flows.mail_server import Received
from tests.flows.standing import wait_for
from tests.sizes import cases

MONTH = "2026-10"


def command(server: dict[str, str], *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", *words], env=server, capture_output=True, text=True, timeout=240,
        check=False,
    )  # fmt: skip


def runs(server: dict[str, str]) -> list[tuple[str, str, str]]:
    """Name, state and type of the state of every flow run, as the server has them."""
    request = urllib.request.Request(
        server["PREFECT_API_URL"] + "/flow_runs/filter", b"{}", {"Content-Type": "application/json"}
    )
    with urllib.request.urlopen(request, timeout=10) as answer:
        found = json.load(answer)
    return [(r["name"], r["state"]["name"], r["state"]["type"]) for r in found]


def has(server: dict[str, str], name: str, state: str) -> Callable[[], bool]:
    return lambda: any((n, s) == (name, state) for n, s, _ in runs(server))


@pytest.fixture
def called(received: Received) -> Iterator[tuple[str, list[dict[str, str]], Received]]:
    """A stand-in for whatever calls the person on duty: its address, what it was told, the mail.

    What it is told goes on to the program's own gateway, and from there to a mail server.
    """
    told: list[dict[str, str]] = []
    gateway = mail.gateway(
        mail.Post("127.0.0.1", received.port, "server@example.org", ("duty@example.org",)), 0, print
    )

    class Stand(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            content = self.rfile.read(int(self.headers["Content-Length"]))
            told.append(json.loads(content))
            address = f"http://127.0.0.1:{gateway.server_port}/"
            with urllib.request.urlopen(urllib.request.Request(address, content), timeout=30):
                self.send_response(204)
                self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    stand = HTTPServer(("127.0.0.1", 0), Stand)
    for serving in (stand, gateway):
        threading.Thread(target=serving.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{stand.server_port}/call", told, received
    stand.shutdown()
    gateway.shutdown()


@pytest.mark.slow
def test_a_site_on_a_server_catches_up_waits_for_a_busy_store_and_calls_a_person(
    tmp_path: Path,
    server: dict[str, str],
    called: tuple[str, list[dict[str, str]], Received],
) -> None:
    address, told, received = called
    site = sites.build(tmp_path / "site", 0, [MONTH])
    with (site / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write('[schedule]\ncatch_up = "run"\nbusy_retries = 60\nbusy_seconds = 1\n')
    with (site / "lab" / f"{MONTH}.csv").open("a", encoding="utf-8") as stream:
        stream.write("2610-012,C,4OO,1\n")  # letters in a number: a finding
    made = command(server, "reconcile", "schedule", str(site), "--call", address)
    assert made.returncode == 0, made.stderr
    assert "reconcile: needs a person" in made.stdout
    held: Store | None = Store(load_workspace(site).store_file)
    serving = subprocess.Popen(
        [sys.executable, "-m", "reconcile", "schedule", str(site)],
        env=server, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    name = f"site-00 · {MONTH}"
    try:
        wait_for("the run", has(server, name, "Running"), 180)
        time.sleep(3)
        assert has(server, name, "Running")()  # it waits for the store
        assert held is not None
        held.close()
        held = None
        wait_for("the end", has(server, name, "Completed with findings"), 240)
        artifacts = command(server, "prefect", "artifact", "ls").stdout
        for kind in ("account", "verdicts", "findings", "release"):
            assert f"site-00-{MONTH}-{kind}" in artifacts
        wait_for("the call", lambda: any(t["call"] == "needs a person" for t in told), 60)
        (call,) = [t for t in told if t["call"] == "needs a person"]
        assert (call["site"], call["period"]) == ("site-00", MONTH)
        assert call["release"].startswith(f"site-00-{MONTH}-r1-")
        twin = sites.build(tmp_path / "twin", 0, [MONTH])
        refused = command(server, "reconcile", "schedule", str(twin))
        assert refused.returncode == 2
        told_of = " ".join(refused.stderr.split())
        assert str(twin) in told_of
        assert str(site) in told_of
        (site / "field" / f"{MONTH}.csv").unlink()  # now the month can't be run
        command(
            server, "prefect", "deployment", "run", "monthly-reconciliation/site-00",
            "--param", "period=2026-12",
        )  # fmt: skip
        wait_for("the failure", has(server, "site-00 · 2026-12", "Failed"), 240)
        wait_for("its call", lambda: any(t["call"] == "failed" for t in told), 60)
        assert (site / "out" / "last_failure_2026-12.txt").is_file()
        subjects = [message["Subject"] for message in received.mail]
        assert f"Findings need a person: site-00 · {MONTH}" in subjects
        assert "A run failed: site-00 · 2026-12" in subjects
    finally:
        if held is not None:
            held.close()
        serving.terminate()
        printed, _ = serving.communicate(timeout=30)
    assert f"site-00: {MONTH} has files and no release." in printed


@pytest.mark.slow
@pytest.mark.skipif(not cases(True, False), reason="minutes of waiting: RECONCILE_CASES=all")
def test_the_workers_of_a_pool_do_what_is_left_to_them(
    tmp_path: Path,
    server: dict[str, str],
) -> None:
    site = sites.build(tmp_path / "site", 7, [MONTH])
    assert command(
        server, "prefect", "work-pool", "create", "sites", "--type", "process"
    ).returncode == 0  # fmt: skip
    left = command(server, "reconcile", "schedule", str(site), "--work-pool", "sites")
    assert left.returncode == 0, left.stderr
    assert "left to the workers of 'sites'" in left.stdout
    assert f"{MONTH} has files and no release" in left.stdout  # told, not run
    command(
        server, "prefect", "deployment", "run", "monthly-reconciliation/site-07",
        "--param", f"period={MONTH}",
    )  # fmt: skip
    worker = subprocess.Popen(
        [sys.executable, "-m", "prefect", "worker", "start", "--pool", "sites", "--run-once"],
        env=server, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        wait_for("the end", has(server, f"site-07 · {MONTH}", "Completed"), 300)
    finally:
        worker.terminate()
        worker.wait(60)
    assert (site / "out" / "releases" / MONTH / "r1" / "manifest.json").is_file()


@pytest.mark.slow
@pytest.mark.skipif(not cases(True, False), reason="minutes of waiting: RECONCILE_CASES=all")
def test_the_file_of_deployments_gives_a_pool_a_site_whose_month_its_worker_releases(
    tmp_path: Path, server: dict[str, str]
) -> None:
    site = sites.build(tmp_path / "site", 8, [MONTH])
    text = (Path(__file__).parents[2] / "prefect.yaml").read_text("utf-8")
    here = text.replace("/sites/north-pit", site.as_posix()).replace("north-pit", "site-08")
    (tmp_path / "prefect.yaml").write_text(here.replace("name: sites", "name: by-file"), "utf-8")
    assert command(
        server, "prefect", "work-pool", "create", "by-file", "--type", "process"
    ).returncode == 0  # fmt: skip
    made = subprocess.run(
        [sys.executable, "-m", "prefect", "--no-prompt", "deploy", "--all"],
        cwd=tmp_path, env=server, capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    assert made.returncode == 0, made.stdout + made.stderr
    command(
        server, "prefect", "deployment", "run", "monthly-reconciliation/site-08",
        "--param", f"period={MONTH}",
    )  # fmt: skip
    worker = subprocess.Popen(
        [sys.executable, "-m", "prefect", "worker", "start", "--pool", "by-file", "--run-once"],
        env=server, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        wait_for("the end", has(server, f"site-08 · {MONTH}", "Completed"), 300)
    finally:
        worker.terminate()
        worker.wait(60)
    assert (site / "out" / "releases" / MONTH / "r1" / "manifest.json").is_file()
