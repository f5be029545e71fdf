"""Reading the typed-in published tables; their first line names the source."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

DATA = Path(__file__).parent / "data"


def rows(name: str) -> list[dict[str, str]]:
    """Rows of ``data/name.csv`` as text, comment lines skipped."""
    with (DATA / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def column(name: str, heading: str) -> np.ndarray:
    """One column as numbers."""
    return np.array([float(row[heading]) for row in rows(name)])
