"""What registers and documents of certificates say of the month's results."""

from __future__ import annotations

from reconcile.base.model.release import Reconciliation
from reconcile.reporting import register_words, words
from reconcile.reporting.document.blocks import Column, Section, Table, Text

_ROWS = 40  # on paper
_FILE = "registers.csv"


def section(r: Reconciliation) -> list[Section]:
    """One line for each entry; nothing where there is none."""
    every = register_words.every(r.registers)
    if not every:
        return []
    kind, name, said = words.REGISTER_HEADINGS
    table = Table(
        (
            Column(kind, 0.12), Column(name, 0.2, given=True),
            Column(said, 0.68, given=True, limit=600),
        ),
        [[words.REGISTER_KINDS[x.kind], x.name, register_words.facts(x)] for x in every],
        most=_ROWS, rest=_FILE, file=_FILE, compact=True,
    )  # fmt: skip
    return [Section("registers", words.REGISTERS, (Text(words.REGISTERS_INTRO, "small"), table))]
