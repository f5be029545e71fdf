"""``python -m tests.benchmarks.sites N [MONTHS]``: N tiny sites side by side against single runs.

Prints whether all bytes are those of single runs, the processor time of both, the most memory of a
worker, and which suspects are named. An instrument reads 30 % high (ln), and the results of one of
three laboratories are low so that ln(field/lab) is 0.15 more. Five sites are run alone too, and
their processor time stands for all: single runs of 50 sites would take as long again.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from reconcile.portfolio import listed, release, running
from tests import sites, small

FAULTS = {"X04": 0.30, "laboratory C": 0.15}


def children() -> float:
    """Processor time of processes that have ended, s."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def own() -> float:
    """Processor time of this process, s."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def main(count: int, many: int) -> None:
    months = tuple(f"2026-{month:02d}" for month in range(10 - many + 1, 11))
    with tempfile.TemporaryDirectory(prefix="sites-") as name:
        root = sites.build_portfolio(Path(name), count, months, faults=FAULTS)
        portfolio = listed.load(root)
        before, mine, began = children(), own(), time.monotonic()
        found = running.run(
            portfolio, portfolio.sites, lambda workspace: months, running.by_processes(2)
        )  # fmt: skip
        together, wall = children() - before + own() - mine, time.monotonic() - began
        every = [m for site in found for m in site.months]
        released = sum(m.done for m in every)
        memory = [site.memory_mb for site in found if site.memory_mb is not None]
        print(f"{count} sites x {many} months: {released} of {len(every)} released")
        print(f"side by side: {together:.1f} s of processor time, {wall:.0f} s")
        print(f"most memory of a worker: {max(memory, default=float('nan')):.0f} MB")
        chosen = range(0, count, max(1, count // 5))
        alone, equal, files = 0.0, 0, 0
        for number in chosen:
            site = sites.build(
                root / "alone" / sites.name_of(number), number, months, faults=FAULTS
            )  # fmt: skip
            before = children()
            for month in months:
                done = subprocess.run(
                    [sys.executable, "-m", "reconcile", "run", month, str(site)],
                    capture_output=True, text=True, check=False,
                )  # fmt: skip
                assert done.returncode in (0, 1), done.stderr
            alone += children() - before
            one = small.bytes_of(site / "out" / "releases")
            other = small.bytes_of(root / "sites" / site.name / "out" / "releases")
            assert set(one) == set(other)
            files += len(one)
            equal += sum(one[path] == other[path] for path in one)
        single = alone / len(chosen) * count
        print(f"bytes of {len(chosen)} sites alone: {equal} of {files} files equal")
        print(
            f"alone, {len(chosen)} sites taken for all: {single:.1f} s; "
            f"side by side takes {together / single:.2f} times that"
        )
        made = release.make(portfolio, months[-1])
        for place, suspect in enumerate(made.value.suspects[:4], start=1):
            print(
                f"suspect {place}: {suspect.kind} {suspect.name}, p {suspect.p:.2g}"
                f"{', named' if suspect.named else ''}"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 3)
