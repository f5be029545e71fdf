"""A month as ``reconcile run`` runs it, from the files to the release on disk.

``python -m tests.benchmarks.month ROWS [ROWS …]``: a workspace of so many field and so many
laboratory rows × 40 elements in three kinds of material (120 strata) for each. ``example`` in the
place of a number takes May of the invented example. Each command runs in a process of its own:
the month, and the same again with nothing changed. Printed is the
processor time (all of the process, loading the program too), that of each step, the most memory,
the release's size by file, and beside them DuckDB's bare scan of the same files and a fixed piece
of work, for other programs on the machine stretch every second.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb
import numpy as np

from reconcile.base.quantities import ELEMENTS as ELEMENT_NAMES
from tests.demo.make_demo_inputs import FOLDER

ELEMENTS = list(ELEMENT_NAMES)[19:59]  # calcium to praseodymium
MATERIALS = ("soil", "rock", "core")
PERIOD = "2026-05"
SETTINGS = """
[workspace]
title = "Invented site of a benchmark"
output = "out"

[thresholds]
rate_reference_materials = 0
controls_required = false
rate_blanks = 0
rate_duplicates = 0

[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = { technique = "LIBS", instrument = "L1", calibration = "all 1", specimen_form = "sieved", moisture_basis = "dry", pair_type = "split" }

[[table]]
kind = "lab"
files = ["lab.csv"]
unit = "mg/kg"
fixed = { technique = "ICP-OES", lab_method = "M1", laboratory = "laboratory A", digestion = "four acids", digestion_class = "near-total", moisture_basis = "dry" }
"""  # noqa: E501
#: What runs in the process of its own: the command's own path, with a clock at each step.
_WATCHED = """
import json, resource, sys, time
from pathlib import Path
from reconcile.intake import workspace as ws
from reconcile.run import unchanged
workspace = ws.load_workspace(Path(sys.argv[1]))
outcome, marks = unchanged.answered(workspace, sys.argv[2]), [("before", time.process_time())]
if outcome is None:
    from reconcile.run.pipeline import run_workspace
    outcome = run_workspace(workspace, sys.argv[2],
        step_started=lambda n, name: marks.append((name, time.process_time())))
marks.append(("", time.process_time()))
steps = {a[0]: round(b[1] - a[1], 2) for a, b in zip(marks, marks[1:])}
used = resource.getrusage(resource.RUSAGE_SELF)
print(json.dumps({"total": used.ru_utime + used.ru_stime, "steps": steps,
    "memory_mb": used.ru_maxrss / 1024, "new": outcome.new_release,
    "release": str(outcome.release_folder)}))
"""


def write_inputs(folder: Path, rows: int) -> None:
    """Four readings of each field sample and one laboratory row of each, some below a limit.

    A quarter of the field's rows have a partner at the laboratory for each row of a stratum.
    """
    rng = np.random.default_rng(rows)
    samples = rows
    truth = rng.lognormal(4, 1.0, (samples, len(ELEMENTS)))
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "reconcile.toml").write_text(SETTINGS, encoding="utf-8")
    heads = ("sample_id,reading_no,measured_at,matrix", "sample_id,certificate")
    for name, head, spread in zip(("field", "lab"), heads, (0.08, 0.03), strict=True):
        cells = np.char.mod("%.2f", truth * rng.lognormal(0.02, spread, truth.shape))
        cells[(truth < 12) & (rng.random(truth.shape) < 0.5)] = "<5"
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="\n") as stream:
            stream.write(f"{head},{','.join(ELEMENTS)}\n")
            for i in range(samples):
                day = f"2026-05-{i * 28 // samples + 1:02d}"
                facts = (
                    f"S{i:07d},1,{day} {i % 24:02d}:{i % 60:02d},{MATERIALS[i % 3]}"
                    if name == "field"
                    else f"S{i:07d},C{i // 50:05d}"
                )
                stream.write(f"{facts},{','.join(cells[i])}\n")


def run(folder: Path) -> dict[str, object]:
    """One command of its own process, and what it took."""
    done = subprocess.run(
        [sys.executable, "-c", _WATCHED, str(folder), PERIOD],
        capture_output=True, text=True, check=True, env={**os.environ, "PYTHONHASHSEED": "0"},
    )  # fmt: skip
    return dict(json.loads(done.stdout.splitlines()[-1]))


def scan(folder: Path) -> float:
    """Processor seconds of DuckDB touching every column of both files, as text."""
    begun = time.process_time()
    for name in ("field.csv", "lab.csv"):
        if (folder / name).exists():
            path = str(folder / name)
            duckdb.execute("SELECT sum(length(columns(*))) FROM read_csv(?, all_varchar = true)",
                           [path]).fetchall()  # fmt: skip
    return time.process_time() - begun


def fixed_work() -> float:
    """Processor seconds of a loop that is always the same."""
    begun = time.process_time()
    held: dict[int, int] = {}
    for i in range(3_000_000):
        held[i & 1023] = i * 2
    return time.process_time() - begun


def told(name: str, found: dict[str, object]) -> None:
    """One run, printed."""
    print(
        f"  {name:18s} {found['total']:7.1f} s  {found['memory_mb']:6.0f} MB  {found['steps']}",
        flush=True,
    )


def one(what: str, base: Path) -> None:
    """All runs of one workspace."""
    folder = base / what
    if what == "example":
        shutil.copytree(FOLDER, folder, ignore=shutil.ignore_patterns("__pycache__"))
        settings = folder / "reconcile.toml"
        text = settings.read_text(encoding="utf-8")
        settings.write_text(text.replace('"../out/demo"', '"out"'), encoding="utf-8")
    else:
        write_inputs(folder, int(what))
    print(f"{what}: fixed work {fixed_work():.2f} s, scan {scan(folder):.2f} s", flush=True)
    first = run(folder)
    told("the month", first)
    told("nothing changed", run(folder))
    sizes = {p.name: p.stat().st_size for p in Path(str(first["release"])).iterdir()}
    largest = sorted(sizes.items(), key=lambda item: -item[1])[:6]
    shown = ", ".join(f"{name} {size / 1e6:.1f}" for name, size in largest)
    print(f"  release {sum(sizes.values()) / 1e6:.1f} MB: {shown}", flush=True)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(prefix="month-") as name:
        for each in sys.argv[1:] or ["example", "2000", "10000"]:
            one(each, Path(name))
