"""Cells that a person corrected: laid over the cells as read; the file stays as it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pyarrow as pa

from reconcile.intake.blocks import Block
from reconcile.intake.headings import matching
from reconcile.intake.sheets import Body
from reconcile.intake.tables import AppliedCorrection

#: What a person writes to say that the cell should have been empty.
EMPTY = "(empty)"


@dataclass(frozen=True, slots=True)
class Correction:
    """One corrected cell, as a person entered it."""

    sheet: str
    row: int  # 1-based line of the file or row of the sheet
    column: str  # heading, or 'column 3'
    value: str
    by: str
    because: str
    entered_in: str  # file and row of the entry


def applied(c: Correction, original: str, refused: str = "") -> AppliedCorrection:
    """The entry with what became of it."""
    return AppliedCorrection(
        c.sheet, c.row, c.column, original, c.value, c.by, c.because, c.entered_in, refused
    )


def lay_over(
    body: Body, block: Block, sheet: str, corrections: Sequence[Correction]
) -> tuple[Body, tuple[AppliedCorrection, ...]]:
    """The body with corrected cells, and what became of each correction of this sheet."""
    mine = [c for c in corrections if c.sheet == sheet]
    if not mine:
        return body, ()
    lines = np.asarray(body.lines.to_numpy(zero_copy_only=False))
    places = {int(line): at for at, line in enumerate(lines)}
    columns = list(body.columns)
    # by position: one column may be written in several ways ('Cu', 'cu', 'column 3')
    meant = [matching(block, c.column) if c.column else [] for c in mine]
    asked: dict[tuple[int, int], set[str | None]] = {}
    for c, found in zip(mine, meant, strict=True):
        for index in found:
            asked.setdefault((index, c.row), set()).add(_cell(c.value))
    changed: dict[int, dict[int, str | None]] = {}
    told: list[AppliedCorrection] = []
    for c, found in zip(mine, meant, strict=True):
        at = places.get(c.row)
        original = (
            (columns[found[0]][at].as_py() or "") if len(found) == 1 and at is not None else ""
        )
        if not c.column:
            why = "no column is named: the whole row was refused, say which cell is corrected"
        elif not found:
            why = f"the table has no column '{c.column}'"
        elif len(found) > 1:
            why = f"the heading '{c.column}' stands over several columns"
        elif at is None:
            why = f"row {c.row} holds no data, or could not be split into cells"
        elif len(asked[found[0], c.row]) > 1:
            why = "the same cell is corrected to different values"
        else:
            why = ""
            changed.setdefault(found[0], {})[at] = _cell(c.value)
        told.append(applied(c, original, why))
    for index, cells in changed.items():
        texts = columns[index].to_pylist()
        for at, text in cells.items():
            texts[at] = text
        columns[index] = pa.array(texts, pa.string())
    return replace(body, columns=tuple(columns)), tuple(told)


def refused_again(
    told: Sequence[AppliedCorrection],
    block: Block,
    headings: Mapping[int, str],
    refused: pd.DataFrame,
) -> tuple[AppliedCorrection, ...]:
    """What became of each correction once the sheet was read: a corrected cell may be refused too.

    ``headings`` by position; ``refused``: the sheet's quarantine (model.QUARANTINE_COLUMNS).
    """
    reasons = {
        (row.row, row.column): str(row.reason) for row in refused.iloc[::-1].itertuples(index=False)
    }
    result = []
    for c in told:
        found = matching(block, c.column) if c.column and not c.refused else []
        cell = reasons.get((c.row, headings.get(found[0], ""))) if found else None
        row = reasons.get((c.row, "")) if found else None
        if cell is not None:
            c = replace(c, refused=f"the corrected cell is refused in its turn: {cell}")
        elif row is not None:
            c = replace(c, refused=f"the row of the corrected cell is refused: {row}")
        result.append(c)
    return tuple(result)


def _cell(value: str) -> str | None:
    return None if value.strip().casefold() == EMPTY else value
