"""Rows that are no ordinary samples, by the words of the trade in their ids."""

from __future__ import annotations

import re
from dataclasses import dataclass

from reconcile.proposing.trial import Read

#: Whole words in ids (common practice, no source).
WORDS = (
    ("blank", r"(?i)(?:.*[-_ .])?(?:blank|blk)[-_ .0-9]*.*"),
    ("reference material", r"(?i)(?:.*[-_ .])?(?:crm|srm|std)[-_ .]?[0-9].*"),
    ("duplicate", r"(?i).*[-_ .](?:dup|duplicate)[-_ .0-9]*"),
)


@dataclass(frozen=True, slots=True)
class Rule:
    """One kind rule and an id that it meets."""

    pattern: str
    kind: str
    example: str

    def as_settings(self) -> dict[str, str]:
        """As the settings hold it."""
        return {"column": "sample_id", "pattern": self.pattern, "kind": self.kind}


def rules(read: Read) -> tuple[Rule, ...]:
    """Rules for the kinds that ids name and no column states."""
    stated = any(c.key == "sample_kind" for c in read.columns)
    ids = sorted(read.ids())
    found = []
    for kind, pattern in () if stated else WORDS:
        met = [text for text in ids if re.fullmatch(pattern, text)]
        if met and len(met) < len(ids):
            found.append(Rule(pattern, kind, met[0]))
    return tuple(found)
