"""Many small files: what reading them costs, each for the first time and again.

``python -m tests.benchmarks.files NUMBER``: a workspace of so many field files of five readings
and one laboratory file with all of their samples. Printed is the processor time that ``check``
and ``run`` spend on reading, for each file.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from reconcile.base import provenance
from reconcile.intake import workspace as ws
from reconcile.run import pipeline
from reconcile.store.database import Store
from tests.benchmarks import month

#: The tables of the month's benchmark, with many field files for one.
SETTINGS = month.SETTINGS.replace('"field.csv"', '"field/*.csv"')


def write_inputs(folder: Path, files: int) -> None:
    """Five readings in each file, one of the elements below a limit."""
    (folder / "field").mkdir()
    (folder / "reconcile.toml").write_text(SETTINGS, encoding="utf-8")
    heading = "Sample,Measured at,Cu ppm,Zn ppm,Pb ppm"
    results = ["Sample,Cu ppm,Zn ppm,Pb ppm"]
    for number in range(files):
        ids = [f"S{5 * number + place:06d}" for place in range(5)]
        rows = [
            f"{name},2026-05-10 01:0{place},{10 + number % 7 + place}.5,{200 + place},<{5 + place}"
            for place, name in enumerate(ids)
        ]
        path = folder / "field" / f"{number:05d}.csv"
        path.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")
        results += [f"{name},12,201,<6" for name in ids]
    (folder / "lab.csv").write_text("\n".join(results) + "\n", encoding="utf-8")


def main(files: int) -> None:
    """Write the workspace, then read it twice."""
    provenance.reading_version()  # once for a command, however many files
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_inputs(folder, files)
        workspace = ws.load_workspace(folder)
        for turn in ("the first time", "again"):
            with Store(workspace.store_file, engine=workspace.engine) as store:
                run = pipeline.find_files(pipeline.begin(workspace, month.PERIOD, store))
                begun = time.process_time()
                run = pipeline.read_found(run)
                spent = time.process_time() - begun
            assert len(run.files) == files + 1
            print(f"{files} files {turn}: {1000 * spent / files:.1f} ms of processor time for each")


if __name__ == "__main__":
    main(int(sys.argv[1]))
