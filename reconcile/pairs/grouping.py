"""Which rows of a field table are one reading: what told them apart, file by file.

The rule itself stands in ``sql/field_rows.sql``; this tells what it found.
"""

from __future__ import annotations

from dataclasses import dataclass

from reconcile.store.database import Store
from reconcile.store.statements import sql

#: What may tell readings apart, in the order in which it is told; ``day``: where shots of one
#: reading have times of their own; ``row``: nothing numbers the rows.
PARTS = ("spot_no", "reading_no", "measured_at", "day", "operator", "group", "row")


@dataclass(frozen=True, slots=True)
class Grouping:
    """The rows of ordinary samples of one file, and how many readings (or spots) they are."""

    path: str
    by: tuple[str, ...]  # of PARTS
    rows: int
    samples: int
    readings: int
    numbers: int  # different reading numbers, sample by sample and sheet by sheet

    @property
    def restarted(self) -> bool:
        """True where a number stands for more than one reading of a sample."""
        return "spot_no" not in self.by and 0 < self.numbers < self.readings


def groupings(store: Store) -> tuple[Grouping, ...]:
    """Of every field file with rows of samples; the rows must have their dispositions."""
    found = store.frame(sql("reading_groups"))
    return tuple(
        Grouping(
            str(row["path"]),
            tuple(part for part in PARTS if row[part]),
            *(int(row[name]) for name in ("rows", "samples", "readings", "numbers")),
        )
        for row in found.to_dict("records")
    )
