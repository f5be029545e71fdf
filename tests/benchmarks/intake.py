"""CSV to typed rows: 1 M rows x 40 columns of text with '<5' cells, against DuckDB's scan.

Run: python tests/benchmarks/intake.py [ROWS]. Prints seconds, the ratio to DuckDB scanning
every column of the same file in the same run, and the peak memory of the reading.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import duckdb
import numpy as np

from reconcile.intake.read import read_file
from reconcile.quantities import ELEMENTS as ELEMENT_NAMES
from reconcile.settings import TableSettings

ELEMENTS = list(ELEMENT_NAMES)[19:53]  # calcium to iodine and on


def write_table(path: Path, rows: int, seed: int = 1) -> None:
    """A plain export: id, date, four facts and 34 elements, a tenth of the cells '<5'."""
    rng = np.random.default_rng(seed)
    header = ["Sample", "Measured at", "Reading No", "Operator", "Matrix", "Units", *ELEMENTS]
    with path.open("w", encoding="utf-8", newline="\n") as handle:
        handle.write(",".join(header) + "\n")
        done = 0
        while done < rows:
            n = min(20_000, rows - done)
            numbers = np.char.mod("%.2f", rng.lognormal(4, 1.2, (n, len(ELEMENTS))))
            numbers[rng.random(numbers.shape) < 0.1] = "<5"
            minute = rng.integers(0, 60, (n, 2))
            lines = []
            for i in range(n):
                no = done + i
                lines.append(
                    f"S{no // 4:07d},2026-{no % 12 + 1:02d}-{no % 28 + 1:02d} "
                    f"{no % 24:02d}:{minute[i, 0]:02d},{no},analyst {no % 5},rock {no % 3},mg/kg,"
                    + ",".join(numbers[i])
                )
            handle.write("\n".join(lines) + "\n")
            done += n


def main(rows: int) -> None:
    """Write, read both ways, print."""
    table = TableSettings(kind="field", files=("x",), fixed={"technique": "XRF"})
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "big.csv"
        write_table(path, rows)
        size = path.stat().st_size
        columns = ", ".join(f'sum(length("{name}"))' for name in ["Sample", "Units", *ELEMENTS])
        statement = f"SELECT {columns} FROM read_csv(?, all_varchar = true)"
        duckdb.connect().execute(statement, [str(path)]).fetchall()
        start = time.perf_counter()
        duckdb.connect().execute(statement, [str(path)]).fetchall()
        scan = time.perf_counter() - start
        start = time.perf_counter()
        (read,) = read_file(path, "big.csv", table, zone="UTC")
        seconds = time.perf_counter() - start
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
        print(f"{rows:,} rows, {size / 1e6:.0f} MB, {len(read.columns)} columns")
        print(f"accepted {read.facts.num_rows:,}, quarantined {len(read.quarantine):,}")
        print(f"DuckDB scan of all columns {scan:.2f} s")
        print(f"CSV to typed {seconds:.2f} s, ratio {seconds / scan:.1f}, peak {peak:.2f} GiB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
