"""What ``check`` prints of columns: how each was understood, those read alike in one line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from reconcile.base.shown import safe
from reconcile.commands.printing import row as _row
from reconcile.commands.printing import table as _table
from reconcile.reporting import numbers, words

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

_COLUMNS, _LAYOUTS = 20, 4  # lines of a table that nobody asked for
_NAMES, _FACTS = 12, 3
_LEADING = ("sample_id", "lab_id", "element", "value", "unit", "measured_at")


def show_columns(console: Console, columns: pd.DataFrame, whole: bool) -> None:
    """Each column with the reason where they are few, else a line for each way of reading."""
    sheets = columns.groupby(["path", "sheet"], sort=False)
    if not whole and len(columns) > _COLUMNS:
        return _show_layouts(console, [(_title(*key), of) for key, of in sheets])
    for (path, sheet), of_sheet in sheets:
        table = _table(
            words.CHECK_HOW_COLUMNS_WERE_UNDERSTOOD.format(title=_title(path, sheet)),
            "heading",
            words.CHECK_TAKEN_AS,
            "meaning",
            "unit",
            words.CHECK_MG_KG,
            "because",
            right=(4,),
        )
        rows: list[Any] = list(of_sheet.itertuples(index=False))
        for row in rows:
            factor = "" if row.to_mg_kg != row.to_mg_kg else f"x {row.to_mg_kg:g}"
            sigma = words.CHECK_SD.format(sigma=row.sigma) if row.sigma == row.sigma else ""
            meaning = " ".join(p for p in (row.species or row.key, row.method) if p) + sigma
            _row(table, row.heading, row.role, meaning, row.unit, factor, row.why)
        console.print(table)
    return None


def _title(path: object, sheet: object) -> str:
    return words.CHECK_SHEET.format(path=path, sheet=sheet) if sheet else f"{path}"


def _show_layouts(console: Console, sheets: Sequence[tuple[str, pd.DataFrame]]) -> None:
    """Sheets whose columns were read alike share a line."""
    alike: dict[tuple[Any, ...], list[str]] = {}
    for title, of_sheet in sheets:
        read = of_sheet[["heading", "role", "key", "species", "unit"]].fillna("")
        alike.setdefault(tuple(read.itertuples(index=False, name=None)), []).append(title)
    table = _table(
        words.CHECK_HOW_COLUMNS_WERE,
        "file", "facts", "results", words.CHECK_LEFT_ASIDE, words.CHECK_BE_ASKED,
    )  # fmt: skip
    for layout, titles in list(alike.items())[:_LAYOUTS]:
        of_role: dict[str, list[tuple[str, str, str, str]]] = {}
        for heading, role, key, species, unit in layout:
            of_role.setdefault(role, []).append((heading, key, species, unit))
        results = Counter(unit for _, _, _, unit in of_role.get("value", ()))
        values = some(species or key for _, key, species, _ in of_role.get("value", ()))
        if values:
            values += words.CHECK_IN_UNITS + ", ".join(
                unit or words.CHECK_NO_STATED_UNIT for unit in results
            )
        _row(
            table,
            some(titles, 2),
            some(
                (
                    words.CHECK_FROM.format(key=key, heading=heading)
                    for key, heading in _first_facts(of_role)
                ),
                _FACTS,
            ),
            "; ".join(
                part
                for part in (
                    values,
                    *(
                        numbers.count(
                            len(of_role[role]),
                            words.CHECK_COLUMN.format(what=what),
                            words.CHECK_COLUMNS.format(what=what),
                        )
                        for role, what in (("error", "errors"), ("limit", "limits"))
                        if role in of_role
                    ),
                )
                if part
            ),
            some((heading for heading, *_ in of_role.get("ignored", ())), 4),
            some((h for role in ("asked", "unclear") for h, *_ in of_role.get(role, ())), 4),
        )
    console.print(table)
    if len(alike) > _LAYOUTS:
        console.print(safe(words.CHECK_MORE_WAYS_READING.format(value=len(alike) - _LAYOUTS)))


def _first_facts(of_role: dict[str, list[tuple[str, str, str, str]]]) -> list[tuple[str, str]]:
    """Fact and heading, those first on which most depends."""
    facts = [(key, heading) for heading, key, _, _ in of_role.get("fact", ())]
    return sorted(facts, key=lambda f: _LEADING.index(f[0]) if f[0] in _LEADING else len(_LEADING))


def some(names: Iterable[str], most: int = _NAMES) -> str:
    """The first names, and how many there are beyond them."""
    listed = list(dict.fromkeys(names))
    more = words.CHECK_TAIL_MORE.format(more=len(listed) - most) if len(listed) > most else ""
    return ", ".join(listed[:most]) + more
