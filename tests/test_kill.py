"""A run killed at any moment leaves nothing lost, doubled or half-written."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

import reconcile
from reconcile.commands.verifying import verify
from reconcile.releases import record
from reconcile.store.database import Store
from reconcile.store.statements import Sql
from tests import small
from tests.sizes import cases
from tests.test_verify import with_custody

PERIOD = "2026-10"
KILLS = cases(40, 6)


def start(site: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "reconcile.cli", "run", PERIOD, str(site)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


@pytest.mark.slow
def test_kills_at_random_moments_cost_nothing(tmp_path: Path) -> None:
    clean = with_custody(tmp_path / "clean")
    started = time.perf_counter()
    assert start(clean).wait(120) in (0, 1)  # 1: custody has gaps for a person to see
    whole_run = time.perf_counter() - started
    expected = small.bytes_of(clean / "out" / "releases")
    chance = random.Random(5)
    site = with_custody(tmp_path / "site")
    killed, trial = 0, 0
    while killed < KILLS:
        if trial % 8 == 0:  # from nothing again, so that every step meets its kill
            site = with_custody(tmp_path / f"site{trial}")
        process = start(site)
        try:
            process.wait(chance.uniform(0.03, 0.9) * whole_run)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            killed += 1
        trial += 1
        assert trial < 5 * KILLS, "runs end before they can be killed"
        if trial % 8 == 0 or killed == KILLS:
            reconcile.run_period(site, PERIOD)
            assert small.bytes_of(site / "out" / "releases") == expected
            assert verify(site).findings == ()
            entries = record.read(site / "out" / record.RECORD).entries
            assert Counter(e.kind for e in entries) == {"custody event": 3, "release": 1}
            with Store(site / "out" / "store" / "reconcile.duckdb") as store:
                rows = store.rows(Sql("SELECT count(*), count(DISTINCT (path, sha256)) FROM file"))
                assert rows[0][0] == rows[0][1]
