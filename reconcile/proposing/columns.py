"""Kinds of rows, what cells mean, and columns that nothing explains."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Sequence

from reconcile.intake import lookalikes
from reconcile.intake.vocabulary import fact_of
from reconcile.intake.wording import words
from reconcile.proposing import both, kinds_of_rows, trial
from reconcile.proposing.because import Because, Why
from reconcile.proposing.plain import Column
from reconcile.proposing.questions import CHOICES, Ask, Question
from reconcile.proposing.seen import (
    FIELD,
    LAB,
    tokens,
)
from reconcile.proposing.table import MATERIALS, NO_UNIT, Table

_SEVERAL = 3  # headings that one pattern may stand for


def with_columns(table: Table, tables: Sequence[Table]) -> None:
    """Kinds of rows, what cells mean, and columns that nothing explains."""
    if table.kind not in {FIELD, LAB}:
        return
    codes = {
        c for t in tables if t.kind == MATERIALS for c in t.read.texts_of("reference_code")
    }  # fmt: skip
    free = {c.heading for c in table.read.columns if c.role in {"ignored", "asked"}}
    free -= {line.key[1] for line in table.lines if line.key[0] == "columns"}
    cells = trial.texts_of_columns(table.files, table.settings(), free)
    rules = (*kinds_of_rows.rules(table.read, codes), *kinds_of_rows.by_cells(cells))
    if table.kind == FIELD and not any(c.key == "reading_no" for c in table.read.columns):
        running = (name for name, texts in cells.items() if Column(name, tuple(texts)).running)
        for name in list(running)[:1]:
            table.add("columns", name, value="reading_no", why=Why(Because.COUNTS_ROWS))
    for name in kinds_of_rows.own_ids(cells, table.read.ids()):
        table.add("columns", name, value="duplicate_of", why=Why(Because.OWN_IDS))
    if rules:
        table.add(
            "kind_rules", value=[r.as_settings() for r in rules],
            why=Why(Because.KINDS, (", ".join(r.example for r in rules),)),
        )  # fmt: skip
    if zeros := table.read.zeros():
        told = ", ".join(f"{e} {n}" for e, (n, _) in sorted(zeros.items())[:4])
        table.add("cells", "zero", value=Question(Ask.ZERO, "", Why(Because.COUNTED, (told,))))
    by_element = {
        c.species.element: c.index
        for c in table.seen[0].columns if c.role == "error" and c.species is not None
    }  # fmt: skip
    beside_errors = [
        (c.index, by_element[c.species.element])
        for c in table.seen[0].columns
        if c.species is not None and c.role in {"value", "unclear"}
        and c.species.element in by_element
    ]  # fmt: skip
    if beside := trial.limits_beside(table.files, table.settings(), beside_errors):
        table.add(
            "cells",
            "limit_from",
            value=Question(Ask.LIMIT, "", Why(Because.COUNTED, (str(beside),))),
        )
    errors = [c for c in table.read.columns if c.role == "error"]
    sigma_column = any(c.key == "sigma" for c in table.read.columns) or _sigma_column(table)
    if errors and not sigma_column and any(math.isnan(c.sigma) for c in errors):
        table.add("cells", "error_sigma", value=Question(Ask.SIGMA, errors[0].heading))
    named = {line.key[1] for line in table.lines if line.key[0] == "columns"}
    named |= {r.column for r in rules}
    named |= _unnamed_times(table, named)
    odd = [
        c for c in table.read.columns
        if c.role in {"asked", "unclear"} and c.heading not in named and c.why != NO_UNIT
    ]  # fmt: skip
    for name, many in _alike([c.heading for c in odd]).items():
        told = lookalikes.kind_of(words(many[0])) or next(
            c.why for c in odd if c.heading == many[0]
        )
        why = Why(Because.READING, (told,))
        table.add("columns", name, value=Question(Ask.COLUMN, many[0], why))


def _unnamed_times(table: Table, named: Collection[str]) -> set[str]:
    """Asks about columns of times, and of a duration without its unit, that nothing explains."""
    free = {c.heading for c in table.read.columns if c.role == "ignored"} - set(named)
    if not free:
        return set()
    found = trial.times_in(table.files, table.settings(), free)
    asked = dict.fromkeys(found, Ask.TIME)
    for name in free - set(asked):
        in_seconds = fact_of(table.kind, words(f"{name} (s)")) == "count_time_s"
        if in_seconds and not fact_of(table.kind, words(name)):
            asked[name] = Ask.SECONDS
    for name, ask in sorted(asked.items()):
        table.add("columns", name, value=Question(ask, name))
    return set(asked)


def _sigma_column(table: Table) -> bool:
    """Whether a column that no known word names says how many sigma the errors hold."""
    taken = frozenset(c.heading for c in table.read.columns if c.role != "ignored")
    for column in trial.id_columns(table.files, table.settings(), taken):
        if "sigma" in tokens(column.name) and column.ids <= set(CHOICES[Ask.SIGMA]):
            told = (", ".join(sorted(column.ids)),)
            table.add("columns", column.name, value="sigma", why=Why(Because.CELLS, told))
            return True
    return False


def _alike(headings: Sequence[str]) -> dict[str, list[str]]:
    """Headings of elements that differ in the element alone together, under a pattern of all."""
    patterns: dict[str, list[str]] = defaultdict(list)
    for heading in headings:
        patterns[both.pattern_of(heading) or heading].append(heading)
    found: dict[str, list[str]] = {}
    for pattern, many in patterns.items():
        if len(many) >= _SEVERAL:
            found[pattern] = many
        else:
            found |= {heading: [heading] for heading in many}
    return found
