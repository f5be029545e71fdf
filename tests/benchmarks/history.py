"""What a month costs with the evidence of many behind it: processor time of each month's run.

Run: python -m tests.benchmarks.history [MONTHS]. Makes so many months of the invented example
(36 unless said), runs them in order, and prints the processor time of each and its ratio to the
first month's and to the sixth's.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from pathlib import Path

import reconcile
from tests.demo.make_demo_inputs import FOLDER, make


def processor_time() -> float:
    """Seconds of this process and of those that it started."""
    t = os.times()
    return t.user + t.system + t.children_user + t.children_system


def site_of(folder: Path, periods: list[str]) -> Path:
    """The example with these months."""
    site = folder / "demo_inputs"
    site.mkdir()
    for name, content in make(periods).files.items():
        (site / name).parent.mkdir(parents=True, exist_ok=True)
        (site / name).write_bytes(content)
    shutil.copy(FOLDER / "reconcile.toml", site)
    return site


def main() -> None:
    """Run the months in order, from 2026-05 on, and print what each took."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 36
    periods = [f"{2026 + (4 + i) // 12}-{(4 + i) % 12 + 1:02d}" for i in range(count)]
    taken: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        site = site_of(Path(folder), periods)
        for number, period in enumerate(periods, 1):
            before = processor_time()
            outcome = reconcile.run_period(site, period)
            taken.append(processor_time() - before)
            pairs = sum(
                sum(m.pairs for m in r.evidence.months)
                for r in outcome.reconciliation.results
                if r.evidence is not None
            )
            sixth = f"{taken[-1] / taken[5]:.2f}" if number >= 6 else "-"
            print(
                f"{number:3d}  {period}  {taken[-1]:6.1f} s  {taken[-1] / taken[0]:.2f} of the "
                f"first  {sixth} of the sixth  {pairs} pairs of evidence",
                flush=True,
            )


if __name__ == "__main__":
    main()
