"""A standing server on loopback with a home of its own."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path


def wait_for(what: str, ready: Callable[[], bool], seconds: float) -> None:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if ready():
            return
        time.sleep(0.5)
    raise AssertionError(f"{what} did not come within {seconds} s")


def environment(home: Path) -> dict[str, str]:
    """For whoever uses the server; its port is free now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    return {
        **os.environ,
        "PREFECT_HOME": str(home / "prefect"),
        "PREFECT_API_URL": f"http://127.0.0.1:{port}/api",
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
        "COLUMNS": "200",  # keeps the tables of the client on one line
    }


def start(environment: dict[str, str], log: Path) -> subprocess.Popen[bytes]:
    """Begin it, and wait until it answers."""
    port = environment["PREFECT_API_URL"].rpartition(":")[2].removesuffix("/api")
    with log.open("ab") as stream:
        process = subprocess.Popen(
            [sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1",
             "--port", port, "--no-ui"],
            env=environment, stdout=stream, stderr=stream,
        )  # fmt: skip

    def healthy() -> bool:
        try:
            with urllib.request.urlopen(environment["PREFECT_API_URL"] + "/health", timeout=2):
                return True
        except OSError:
            return False

    try:
        wait_for("the server", healthy, 90)
    except BaseException:
        process.kill()
        raise
    return process
