"""Which of several columns holds the ids: the one whose ids stand on the other side."""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

import pyarrow.compute as pc

from reconcile.base.settings.tables import TableSettings
from reconcile.intake import facts as fact_work
from reconcile.intake.headings import Column

ID_FACTS = ("sample_id", "lab_id")
_NAMES = {"sample_id": "sample id", "lab_id": "lab id"}


@dataclass(frozen=True, slots=True)
class _Candidate:
    """Columns of one heading that may hold the ids, and how well these meet the other side."""

    column: Column
    ids: int  # different ones
    met: int  # of them, those that stand on the other side


def chosen(
    columns: tuple[Column, ...], at: Any, table: TableSettings, met: Collection[str]
) -> tuple[tuple[Column, ...], list[str]]:
    """The columns with one for the ids, and what to tell of the choice.

    ``at`` gives a column's cells by its position; ``met`` holds the ids of the other side, or
    of the register. A column that the settings name stands above every other. Without evidence
    the others are 'unclear', so that a person looks.
    """
    notes: list[str] = []
    for fact in ID_FACTS:
        of_fact = [c for c in columns if c.fact == fact and c.role in {"fact", "unclear"}]
        first = {c.heading: c for c in reversed(of_fact)}
        if len(first) < 2:
            continue
        settled = next((c for c in of_fact if c.why == "settings" and c.role == "fact"), None)
        if settled is not None or (fact == "sample_id" and table.sample_id_template):
            kept = "" if settled is None else settled.heading
            columns = tuple(
                replace(c, role="ignored", fact="", why="the settings say where the id stands")
                if c in of_fact and c.heading != kept
                else c
                for c in columns
            )
            continue
        known = {fact_work.loose(text) for text in met} if fact == _looked_for(table) else set()
        ranked = sorted(
            (_candidate(c, at, table, known) for c in first.values()),
            key=lambda c: (-c.met, -c.ids, c.column.index),
        )
        best, others = ranked[0], ranked[1:]
        sure = best.met > others[0].met
        columns = tuple(_as(c, best.column, sure) if c in of_fact else c for c in columns)
        notes += [_told(fact, best, other) for other in others]
    return columns, notes


def _looked_for(table: TableSettings) -> str:
    """The fact by which rows of this table are joined."""
    return "lab_id" if table.look_up == "lab_id" else "sample_id"


def _candidate(column: Column, at: Any, table: TableSettings, known: set[str]) -> _Candidate:
    ids = pc.unique(at(column.index).drop_null())
    if column.fact == "sample_id":
        ids = fact_work.apply_id_rules(ids, table.sample_id_rules)
    different = {fact_work.loose(text) for text in ids.to_pylist() if text}
    return _Candidate(column, len(different), len(different & known))


def _as(column: Column, best: Column, sure: bool) -> Column:
    if column.heading == best.heading:
        why = "heading" if column.index == best.index else "side-by-side table: must agree"
        return replace(column, role="fact", question="", why=why)
    if sure:
        return replace(column, role="ignored", question="", why=f"the id is in '{best.heading}'")
    return replace(column, role="unclear", question=f"'{best.heading}' was taken as the id")


def _told(fact: str, best: _Candidate, other: _Candidate) -> str:
    taken, left = best.column.heading, other.column.heading
    if best.met:
        why = (
            f"{best.met} of its {best.ids} ids stand on the other side, {other.met} of the "
            f"{other.ids} of '{left}'"
        )
    elif best.ids > other.ids:
        why = (
            f"it holds {best.ids} different ids, '{left}' {other.ids}; none is known of the other "
            "side"
        )
    else:
        why = "it stands first; nothing else tells which is meant"
    line = f'columns = {{ {json.dumps(left, ensure_ascii=False)} = "{fact}" }}'
    return f"'{taken}' and '{left}' may both hold the {_NAMES[fact]}; '{taken}' was taken, for " + (
        f"{why}. To take the other: {line}"
    )
