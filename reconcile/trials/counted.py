"""The counts of the trials that were run: kept as data, so that a dossier can show them.

``characteristics.csv`` is written by the command that also makes the tables of the validation
notes; it holds acceptances as read of invented studies at every truth.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from importlib import resources
from pathlib import Path

from reconcile.base.model.verdict import DECISIONS
from reconcile.trials.trial import Characteristic

FILE = "characteristics.csv"


def as_read() -> tuple[Characteristic, ...]:
    """The rows that came with this version."""
    text = (resources.files("reconcile.trials") / FILE).read_text(encoding="utf-8")
    return tuple(map(_row, csv.DictReader(io.StringIO(text))))


def read(path: Path) -> tuple[Characteristic, ...]:
    """Rows that :func:`write` wrote; none where there is no such file."""
    if not path.exists():
        return ()
    with path.open(encoding="utf-8", newline="") as stream:
        return tuple(map(_row, csv.DictReader(stream)))


def _row(record: Mapping[str, str]) -> Characteristic:
    decisions = tuple((name, int(record[name])) for name in DECISIONS)
    names = ("wrongly accepted", "by bias", "by spread", "by misses", "by false alarms")
    return Characteristic(
        record["truth"], int(record["n"]), int(record["studies"]), decisions,
        *(int(record[name]) for name in names),
    )  # fmt: skip


def write(path: Path, rows: Sequence[Characteristic]) -> None:
    """The counts as CSV."""
    records = [row.as_record() for row in rows]
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(records[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(records)
