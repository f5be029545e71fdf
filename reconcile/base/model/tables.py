"""Columns of the tables that rooms hand to each other, as pandas DataFrames.

All mass fractions are in mg/kg unless a column says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


#: Columns of the pair table: one row per sample and stratum. ``field_low``/``field_high``
#: bound the field mean (equal to it where nothing is censored; 0 and the limit where all
#: shots are below it); the same for the lab. ``used`` is False with a ``reason`` where the
#: pair is left out of the statistics; such rows stay in the table.
PAIR_COLUMNS = (
    "stratum",  # Stratum.key
    "sample_id",
    "group",  # hole, batch or heat; "" where none
    "field_mean",  # mg/kg; NaN where censored, or where a zero of unstated meaning is in it
    "field_se",  # standard error of the mean from shots and spots; NaN where one shot
    "field_sd",  # SD of single shots (within spot) or readings
    "field_n",  # shots
    "field_spots",
    "field_qualifier",  # "", "<", ">", "~" (some shots below their limit)
    "field_low",
    "field_high",
    "lab_mean",
    "lab_se",
    "lab_n",
    "lab_qualifier",
    "lab_low",
    "lab_high",
    "field_time",  # UTC timestamp or NaT
    "lab_time",
    "certificate",  # tuple of numbers
    "custody",  # complete | deviation | broken | not recorded
    "used",
    "reason_code",  # reasons.Exclusion, why not used; "" where used
    "reason",  # the same in words
)

#: Columns of the exclusion table: whatever was read and understood but kept out of a statistic.
EXCLUSION_COLUMNS = ("kind", "sample_id", "element", "stratum", "reason", "evidence", "advice")

#: Columns of the quarantine table: whatever was read but could not be used.
QUARANTINE_COLUMNS = (
    "file",
    "sheet",
    "row",  # 1-based line in the file or row in the sheet
    "column",  # the heading, or "" for the whole row
    "found",
    "reason",
    "advice",
)


@dataclass(frozen=True, slots=True)
class Refused:
    """How much of a quarantine table is whole files, whole rows, and cells of other rows."""

    files: int
    rows: int
    cells: int


def refused_counts(quarantine: pd.DataFrame) -> Refused:
    """Count what was refused (QUARANTINE_COLUMNS); a row with several reasons counts once."""
    whole = quarantine["column"].fillna("").eq("")
    file = whole & quarantine["row"].eq(0)
    rows = quarantine.loc[whole & ~file, ["file", "sheet", "row"]].fillna("")
    return Refused(int(file.sum()), len(rows.drop_duplicates()), int((~whole).sum()))


#: Columns of the table of corrections: single cells that a person corrected.
CORRECTION_COLUMNS = (
    "file", "sheet", "row", "column", "found", "corrected_value", "corrected_by",
    "corrected_because", "entered_in", "outcome",
)  # fmt: skip
