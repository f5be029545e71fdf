"""From two CSV files to agreement per element: 1 M field rows and 1 M lab rows of 40 elements.

Run: python tests/benchmarks/intake.py [ROWS]. Prints seconds of each step, waiting and
processor, the ratio to DuckDB scanning every column of both files in the same run, and the
peak memory. A tenth of the cells are '<5'.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import redirect_stdout
from functools import partial
from io import StringIO
from pathlib import Path
from typing import TypeVar

import duckdb
import numpy as np
import pandas as pd

from reconcile.base.quantities import ELEMENTS as ELEMENT_NAMES
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.read import read_file
from reconcile.intake.tables import TypedTable
from reconcile.pairs import pairing, sides
from reconcile.run.ahead import ahead
from reconcile.store import contents
from reconcile.store.database import Store
from reconcile.store.statements import Sql

ELEMENTS = list(ELEMENT_NAMES)[19:59]  # calcium to praseodymium
FIELD_HEAD = ["Sample", "Measured at", "Reading No", "Operator", "Matrix", *ELEMENTS]
LAB_HEAD = ["Sample", "Certificate", "Method", *ELEMENTS]
_Result = TypeVar("_Result")


def write_table(path: Path, rows: int, kind: str, seed: int) -> None:
    """A plain export: four readings of each field sample, one determination of each lab sample."""
    rng = np.random.default_rng(seed)
    with path.open("w", encoding="utf-8", newline="\n") as handle:
        handle.write(",".join(FIELD_HEAD if kind == "field" else LAB_HEAD) + "\n")
        for done in range(0, rows, 20_000):
            n = min(20_000, rows - done)
            numbers = np.char.mod("%.2f", rng.lognormal(4, 1.2, (n, len(ELEMENTS))))
            numbers[rng.random(numbers.shape) < 0.1] = "<5"
            minute = rng.integers(0, 60, n)
            lines = []
            for i in range(n):
                no = done + i
                facts = (
                    f"S{no // 4:07d},2026-{no % 12 + 1:02d}-{no % 28 + 1:02d} "
                    f"{no % 24:02d}:{minute[i]:02d},{no},analyst {no % 5},rock {no // 4 % 3}"
                    if kind == "field"
                    else f"S{no:07d},C{no // 500:05d},ICP-OES"
                )
                lines.append(f"{facts},{','.join(numbers[i])}")
            handle.write("\n".join(lines) + "\n")


def scan(path: Path, head: list[str]) -> None:
    """DuckDB touches every column of the file, as text."""
    columns = ", ".join(f'sum(length("{name}"))' for name in head)
    duckdb.connect().execute(
        f"SELECT {columns} FROM read_csv(?, all_varchar = true)", [str(path)]
    ).fetchall()


class Clock:
    """Waiting and processor seconds of named steps."""

    def __init__(self) -> None:
        self.steps: list[tuple[str, float, float]] = []

    def step(self, name: str, work: Callable[[], _Result]) -> _Result:
        """Do the work, write down and print what it took."""
        wall, processor = time.perf_counter(), time.process_time()
        result = work()
        taken = (name, time.perf_counter() - wall, time.process_time() - processor)
        self.steps.append(taken)
        print(f"{name:34s} {taken[1]:6.2f} s, processor {taken[2]:6.2f} s", flush=True)
        return result

    def total(self, names: tuple[str, ...]) -> tuple[float, float]:
        """Sum of the steps that begin with one of these words."""
        kept = [s for s in self.steps if s[0].startswith(names)]
        return sum(s[1] for s in kept), sum(s[2] for s in kept)


def taken_in(store: Store, paths: tuple[Path, Path], rows: int) -> list[int]:
    """Read, type, validate and store both files as a run does, which archived them before:
    their digests are known, and the next is read while one is stored.
    """
    works, told = [], {}
    for path, kind in zip(paths, ("field", "lab"), strict=True):
        fixed = {"technique": "XRF"} if kind == "field" else {}
        table = TableSettings(kind=kind, files=("x",), fixed=fixed, unit="mg/kg")

        def read(path: Path = path, table: TableSettings = table) -> tuple[TypedTable, ...]:
            begun = time.perf_counter()
            tables = read_file(path, path.name, table, zone="UTC", sha256="0" * 64)
            told[f"read, type, validate {path.name}"] = time.perf_counter() - begun
            return tables

        works.append(read)
    numbers = []
    for path, kind, tables in zip(paths, ("field", "lab"), ahead(works), strict=True):
        begun = time.perf_counter()
        assert tables[0].facts.num_rows == rows, tables[0].quarantine
        with store.transaction():
            file = store.add(path.name, kind, "", kind, 1, tables)
            contents.digest_of(store, file.file_id)
        numbers.append(file.file_id)
        told[f"store {path.name}"] = time.perf_counter() - begun
    for name, seconds in told.items():
        print(f"  {name:32s} {seconds:6.2f} s")
    return numbers


def agreement(store: Store, both: tuple[sides.Side, sides.Side]) -> pd.DataFrame:
    """Pairs, mean difference and its SD per element."""
    pairs = store.frame(Sql("SELECT field_number, lab_number FROM sample_pair"))
    field_at, lab_at = (pairs[f"{side}_number"].to_numpy("int64") for side in ("field", "lab"))
    keys = [sides.keys_of(store, side, ()) for side in ("field", "lab")]
    rows = []
    for key, _, field, lab in pairing.means_of_pairs(both, *keys):
        exact = (field.censored[field_at] == 0) & (lab.censored[lab_at] == 0)
        difference = (field.low[field_at] - lab.low[lab_at])[exact]
        rows.append((key.element, len(difference), difference.mean(), difference.std(ddof=1)))
    return pd.DataFrame(rows, columns=["element", "pairs", "bias", "sd"])


def whole_way(clock: Clock, base: Path, paths: tuple[Path, Path], rows: int) -> pd.DataFrame:
    """From the files to agreement per element, step by step."""
    with Store(base) as store:
        numbers = clock.step("read and store", lambda: taken_in(store, paths, rows))
        files = [pairing.RunFile(number, at, True) for at, number in enumerate(numbers)]
        pairing.begin(store, files, pd.DataFrame({"written_id": [], "sample_id": []}))
        clock.step("place rows", lambda: pairing.place_rows(store, "nothing", None))
        both = clock.step("join samples", lambda: sides.average(store))
        return clock.step("average and compare", lambda: agreement(store, both))


def main(rows: int) -> None:
    """Write, scan, run every step, print."""
    clock = Clock()
    with tempfile.TemporaryDirectory() as folder:
        field, lab = Path(folder) / "field.csv", Path(folder) / "lab.csv"
        write_table(field, rows, "field", 1)
        write_table(lab, rows, "lab", 2)
        size = (field.stat().st_size + lab.stat().st_size) / 1e6
        print(f"{rows:,} field rows and {rows:,} lab rows, {len(ELEMENTS)} elements, {size:.0f} MB")
        for path, head in ((field, FIELD_HEAD), (lab, LAB_HEAD)):
            scan(path, head)  # the file is in memory from here on
            clock.step(f"scan {path.name}", partial(scan, path, head))
        with redirect_stdout(StringIO()):  # once in full before it is clocked, as the scan is
            whole_way(Clock(), Path(folder) / "first.duckdb", (field, lab), rows)
        found = whole_way(clock, Path(folder) / "bench.duckdb", (field, lab), rows)
        print(found.head(3).to_string(index=False))
    scanned, worked = clock.total(("scan",)), clock.total(("read", "place", "join", "av"))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    print(
        f"scan {scanned[0]:.2f} s, all the rest {worked[0]:.2f} s: ratio "
        f"{worked[0] / scanned[0]:.1f}, of processor time {worked[1] / scanned[1]:.1f}; "
        f"peak {peak:.2f} GiB"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
