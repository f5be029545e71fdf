"""Tables without a known heading: their first row of names, and the texts below it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from reconcile.intake.cells import plain_number
from reconcile.intake.sheets import Row, Sheet
from reconcile.intake.wording import plain

_LOOKED_AT = 5  # leading rows, one of which may hold the names
_FEWEST_ROWS = 3


@dataclass(frozen=True, slots=True)
class Column:
    """One column: how settings name it, and its cells, '' where empty."""

    name: str
    cells: tuple[str, ...]

    @property
    def filled(self) -> tuple[str, ...]:
        """The cells that hold something."""
        return tuple(c for c in self.cells if c)

    @property
    def numbers(self) -> tuple[float, ...]:
        """The cells that are numbers."""
        return tuple(v for c in self.filled if (v := plain_number(c)) is not None)

    @property
    def of_numbers(self) -> bool:
        """Whether every cell that holds something is a number."""
        return bool(self.filled) and len(self.numbers) == len(self.filled)

    @property
    def running(self) -> bool:
        """Whether it only counts the rows."""
        return len(self.cells) >= _FEWEST_ROWS and list(self.numbers) in (
            list(range(1, len(self.cells) + 1)), list(range(len(self.cells))),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class PlainTable:
    """A sheet with the row of names that it most likely has."""

    path: Path
    shown: str
    sheet: str
    columns: tuple[Column, ...]

    def column(self, name: str) -> Column:
        """The column of a name."""
        return next(c for c in self.columns if c.name == name)


def plain_table(path: Path, shown: str, sheet: Sheet) -> PlainTable | None:
    """The sheet by its row with most names among the first; None where rows below lack."""
    best = max(
        range(min(_LOOKED_AT, len(sheet.head))),
        key=lambda i: (_names(sheet.head[i]), -i),
        default=None,
    )
    if best is None or _names(sheet.head[best]) < 2:
        return None
    names = [plain(c) for c in sheet.head[best].cells]
    body = sheet.read_body(sheet.head[best].last, len(names), frozenset())
    columns = tuple(
        Column(name or f"column {i + 1}", tuple(str(c or "").strip() for c in cells.to_pylist()))
        for i, (name, cells) in enumerate(zip(names, body.columns, strict=True))
    )
    if not columns or len(columns[0].cells) < _FEWEST_ROWS:
        return None
    once = [c for c in columns if sum(c.name == o.name for o in columns) == 1]
    return PlainTable(path, shown, sheet.name, tuple(once))


def _names(row: Row) -> int:
    """How many different names a row holds; none where numbers stand beside them."""
    cells = [plain(c) for c in row.cells if plain(c)]
    if any(plain_number(c) is not None for c in cells):
        return 0
    return len(set(cells))
