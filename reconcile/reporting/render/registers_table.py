"""The table of what registers and documents of certificates say: registers.csv."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import register_words

FILE = "registers.csv"
COLUMNS = ("kind", "name", "fact", "value")


def holds_any(r: Reconciliation) -> bool:
    """True where there is something to show."""
    return bool(register_words.every(r.registers))


def rows(r: Reconciliation) -> Iterator[list[str]]:
    """COLUMNS: one row per fact; an entry that says no more has one row."""
    for said in register_words.every(r.registers):
        for fact, value in said.facts or (("", ""),):
            yield [said.kind, said.name, fact, value]
