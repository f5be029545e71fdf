"""Cells that are read as a field reading and as a laboratory result at once.

A table compared with itself agrees always. Only cells count: one sheet may hold both sides
in different columns, or in different rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from reconcile.store.database import Store, StoredFile
from reconcile.store.statements import sql


@dataclass(frozen=True, slots=True)
class SameCells:
    """A field and a laboratory reading, by their keys, of the same cells."""

    field: int
    lab: int
    sheets: tuple[str, ...]
    headings: tuple[str, ...]
    rows: int


def same_cells(store: Store, files: Mapping[int, StoredFile]) -> tuple[SameCells, ...]:
    """Pairs of field and laboratory files that share cells of results; bytes tell, not names."""
    usable = {key: file for key, file in sorted(files.items()) if file.sha256 and not file.problem}
    found = []
    for field_key, field in usable.items():
        for lab_key, lab in usable.items():
            if (field.kind, lab.kind) != ("field", "lab") or field.sha256 != lab.sha256:
                continue
            columns = store.rows(
                sql("twofold.same_headings"),
                [field.file_id, lab.file_id],
            )
            rows = store.rows(
                sql("twofold.same_rows"),
                [field.file_id, lab.file_id],
            ) if columns else []  # fmt: skip
            of_sheet = {str(sheet): int(count) for sheet, count in rows}
            shared = [(str(s), str(h)) for s, h in columns if str(s) in of_sheet]
            if shared:
                sheets = tuple(dict.fromkeys(sheet for sheet, _ in shared))
                found.append(
                    SameCells(
                        field_key, lab_key, sheets,
                        tuple(dict.fromkeys(heading for _, heading in shared)),
                        sum(of_sheet[sheet] for sheet in sheets),
                    )
                )  # fmt: skip
    return tuple(found)
