"""A table whose headings say nothing: every column of numbers is asked about."""

from __future__ import annotations

from typing import Any

from reconcile.proposing.because import Because, Why
from reconcile.proposing.plain import PlainTable
from reconcile.proposing.questions import Ask, Question

_MOST = 12  # columns of numbers: more are no small table that a person describes by hand


def entries(table: PlainTable) -> list[tuple[tuple[str, ...], Any, Why | None]]:
    """Entries of settings for a plain table; empty where it holds no numbers, or too many."""
    numbers = [c for c in table.columns if c.of_numbers and not c.running]
    if not 0 < len(numbers) <= _MOST:
        return []
    made: list[tuple[tuple[str, ...], Any, Why | None]] = []
    texts = [c for c in table.columns if c.filled and not c.of_numbers]
    several = [c for c in texts if len({*c.filled}) > 1]
    if several:
        best = max(several, key=lambda c: len({*c.filled}))
        told = (str(len({*best.filled})), str(len(best.cells)))
        made.append((("columns", best.name), "sample_id", Why(Because.IDS_DIFFER, told)))
    else:
        made.append((("fixed", "sample_id"), Question(Ask.SAMPLE), None))
    for c in table.columns:
        if c.running:
            made.append((("columns", c.name), "ignore", Why(Because.COUNTS_ROWS)))
    for c in numbers:
        asked = {
            "means": "value",
            "element": Question(Ask.ELEMENT, c.name),
            "unit": Question(Ask.UNIT_AGAIN, c.name),
        }
        made.append((("columns", c.name), asked, None))
    return made
