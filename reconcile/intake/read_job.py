"""What reading one sheet needs to know, and the ledger of what can't be used."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.corrections import Correction
from reconcile.intake.sheets import Broken, Sheet

if TYPE_CHECKING:
    pass
else:  # ours, whatever else has that name where the program runs
    pass


TEXT = pa.string()

TIME = pa.timestamp("us", "UTC")


class NotATable(ReconcileError):
    """The sheet holds no table of this kind; other sheets of the workbook may."""


@dataclass(frozen=True, slots=True)
class Job:
    """What reading one sheet needs to know."""

    path: Path
    shown: str
    sheet: Sheet
    table: TableSettings
    zone: str
    register: pd.DataFrame | None
    place: str
    corrections: tuple[Correction, ...] = ()
    met_ids: Collection[str] = ()


@dataclass(slots=True)
class Ledger:
    """Rows and cells that can't be used, by position, while a sheet is read."""

    rows: dict[int, tuple[str, str, str]] = field(default_factory=dict)  # found, reason, advice
    cells: dict[tuple[int, str], tuple[str, str, str]] = field(default_factory=dict)

    def row(self, at: int, found: str, reason: str, advice: str) -> None:
        """Put a row into quarantine; the first reason stands, later ones follow from it."""
        self.rows.setdefault(at, (found, reason, advice))

    def cell(self, at: int, heading: str, found: str, reason: str, advice: str) -> None:
        """Put a cell into quarantine; its row stays."""
        self.cells.setdefault((at, heading), (found, reason, advice))

    def follow(self, made_of: npt.NDArray[np.int64], lines: pa.Array) -> tuple[Broken, ...]:
        """Go over to rows that were made of the rows at ``made_of``; those of which none was made.

        ``lines`` of all rows before.
        """
        first: dict[int, int] = {}
        for new, old in enumerate(made_of.tolist()):
            first.setdefault(old, new)
        told = {at: entry for (at, _), entry in reversed(self.cells.items())} | self.rows
        nothing = ("", "no certified value", "Fill it in, or leave the row out.")
        gone = tuple(
            Broken(line, *told.get(at, nothing))
            for at, line in enumerate(lines.to_pylist())
            if at not in first
        )
        self.rows = {
            new: self.rows[old] for new, old in enumerate(made_of.tolist()) if old in self.rows
        }
        self.cells = {
            (first[at], heading): entry
            for (at, heading), entry in self.cells.items()
            if at in first
        }
        return gone
