"""A table that lies on its side: elements one below the other, samples side by side."""

from __future__ import annotations

import re

from reconcile.base.errors import ReconcileError
from reconcile.intake.sheets import Row
from reconcile.intake.wording import plain, read_heading

_NUMBER = re.compile(r"[<>]?\s*[+-]?[0-9][0-9.,]*(e[+-]?[0-9]+)?\s*%?", re.I)
_LOOKED_AT = 50  # cells of a row that show whether numbers stand beside its first
_FEWEST = 3  # different elements, below which a column may be anything
_SHARE = 0.6  # of the cells of a column that name an element


def element_of(text: str) -> str:
    """The element that a text names as a heading would; '' where it names none."""
    species = read_heading(plain(text)).species
    return species.element if species is not None else ""


def lies_on_its_side(head: tuple[Row, ...]) -> tuple[str, ...]:
    """The first cells that name elements in a column, each beside two numbers or more; or ()."""
    for column in (0, 1):
        found: list[str] = []
        elements: set[str] = set()
        cells = 0
        for row in head:
            text = plain(row.cells[column]) if column < len(row.cells) else ""
            beside = row.cells[column + 1 : column + 1 + _LOOKED_AT] if text else ()
            if sum(bool(_NUMBER.fullmatch(plain(c))) for c in beside) < 2:
                continue
            cells += 1
            if element := element_of(text):
                found.append(text)
                elements.add(element)
        if len(elements) >= _FEWEST and len(elements) >= _SHARE * cells:
            return tuple(found)
    return ()


def fault(place: str, names: tuple[str, ...]) -> ReconcileError:
    """What to tell of such a table, and what to do."""
    shown = ", ".join(f"'{name}'" for name in names[:3])
    return ReconcileError(
        f"{place}: the table lies on its side: elements stand one below the other ({shown} …) and "
        "samples side by side.",
        "Turn it (in a spreadsheet: copy, then paste transposed), so that each sample is a row "
        "and each element a column with its unit.",
    )
