"""Processor time of each document of a release, and of a run in which nothing changed.

``python -m tests.benchmarks.documents WORKSPACE PERIOD``, after that period was run.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

from reconcile.base.model.release import Reconciliation
from reconcile.intake.workspace import load_workspace
from reconcile.releases import kept_value, release
from reconcile.reporting.files import DOCUMENTS
from reconcile.reporting.render.tables import data_files
from reconcile.run.pipeline import run_period


def main(folder: Path, period: str) -> None:
    """Print one line of a table for each."""
    begun = time.process_time()
    again = run_period(folder, period)
    unchanged = time.process_time() - begun
    found = release.latest(load_workspace(folder).releases(period))
    assert found is not None
    assert not again.new_release
    value = kept_value.read(found.folder)
    lines = [("a run in which nothing changed, with loading the program", unchanged)]
    makers: dict[str, Callable[[Reconciliation], object]] = dict(DOCUMENTS.values())
    makers |= {"data files": data_files, kept_value.NAME: kept_value.packed}
    for name, make in makers.items():
        begun = time.process_time()
        make(value)
        lines.append((name, time.process_time() - begun))
    for name, seconds in lines:
        sys.stdout.write(f"| {name} | {seconds:.1f} |\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
