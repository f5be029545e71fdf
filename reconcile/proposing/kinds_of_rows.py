"""Rows that are no ordinary samples, by the words of the trade in their ids."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from reconcile.proposing.trial import Read

#: Whole words in ids (common practice, no source).
WORDS = (
    ("blank", r"(?i)(?:.*[-_ .])?(?:blank|blk)[-_ .0-9]*.*"),
    ("reference material", r"(?i)(?:.*[-_ .])?(?:crm|srm|std)[-_ .]?[0-9].*"),
    ("duplicate", r"(?i).*[-_ .](?:dup|duplicate)[-_ .0-9]*"),
)


#: Whole cells of a column that says what a row is (common practice, no source).
_CELLS = (
    ("blank", r"(?i)(?:(?:method|reagent|preparation|field|lab|laboratory)[ -])?(?:blank|blk)"),
    ("duplicate", r"(?i)(?:lab[ -])?(?:repeat|duplicate|dup|replicate)"),
    ("reference material", r"(?i)(?:certified )?reference material|crm|srm|standard"),
    ("sample", r"(?i)sample|routine|normal|unknown|original"),
)
_MOST_TEXTS = 8  # different ones in a column that says what rows are


@dataclass(frozen=True, slots=True)
class Rule:
    """One kind rule and a text that it meets."""

    pattern: str
    kind: str
    example: str
    column: str = "sample_id"

    def as_settings(self) -> dict[str, str]:
        """As the settings hold it."""
        return {"column": self.column, "pattern": self.pattern, "kind": self.kind}


def exactly(text: str) -> str:
    """A pattern that only this text meets, as a person would write it."""
    return re.escape(text).replace("\\ ", " ").replace("\\-", "-")


def rules(read: Read, codes: Collection[str] = ()) -> tuple[Rule, ...]:
    """Rules for the kinds that ids name and no column states.

    ``codes``: those of the reference materials that a table of certified values holds.
    """
    stated = any(c.key == "sample_kind" for c in read.columns)
    ids = sorted(read.ids())
    found = []
    if materials := [text for text in ids if text in codes]:
        pattern = "|".join(exactly(text) for text in materials)
        found.append(Rule(pattern, "reference material", materials[0]))
    for kind, pattern in () if stated else WORDS:
        met = [t for t in ids if re.fullmatch(pattern, t) and t not in materials]
        if met and len(met) < len(ids):
            found.append(Rule(pattern, kind, met[0]))
    return tuple(found)


def by_cells(columns: Mapping[str, Sequence[str]]) -> tuple[Rule, ...]:
    """Rules of the first column each of whose texts is a word for a kind of row; none without."""
    for name, cells in columns.items():
        texts = sorted({c for c in cells if c})
        if not 0 < len(texts) <= _MOST_TEXTS:
            continue
        kinds = {
            text: next((k for k, pattern in _CELLS if re.fullmatch(pattern, text)), "")
            for text in texts
        }
        if all(kinds.values()) and {*kinds.values()} != {"sample"}:
            return tuple(
                Rule(exactly(text), kind, text, name)
                for text, kind in kinds.items()
                if kind != "sample"
            )
    return ()


def own_ids(columns: Mapping[str, Sequence[str]], ids: Collection[str]) -> tuple[str, ...]:
    """Columns that hold, in some rows, the ids of others: of what a row is a repeat."""
    found = []
    for name, cells in columns.items():
        texts = [c for c in cells if c]
        if texts and 2 * len(texts) < len(cells) and set(texts) <= set(ids):
            found.append(name)
    return tuple(found)
