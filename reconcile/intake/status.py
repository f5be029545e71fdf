"""Whether a row of results counts: what its columns of status, acceptance and rejection say.

Words of the trade and of plain language (common practice, no source), in any case; a
workspace names further ones under ``cells``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from reconcile.base.settings.tables import CellRules
from reconcile.intake.headings import Column
from reconcile.intake.tables import ACCEPTED, REJECTED
from reconcile.intake.vocabulary import word_set
from reconcile.intake.wording import words

_YES = word_set("yes y true t 1 x")
_NO = word_set("no n false f 0")
_NOTHING = frozenset(("", "-", "none", "n a", "na", "nil", "null"))
_ACCEPTED = word_set(
    """accept accepted ok okay good valid pass passed approved validated verified usable used
    use keep kept include included final released reported complete completed done finished
    normal clean"""
)
_REJECTED = word_set(
    """reject rejected rej void voided invalid fail failed bad error abort aborted cancelled
    canceled discard discarded exclude excluded omit omitted delete deleted unusable unaccepted
    unapproved outlier"""
) | {"not valid", "not accepted", "not ok", "not used", "not approved", "do not use", "no good"}
#: The facts that speak of it, the plainest last.
SOURCES = ("status", "accepted", "rejected", "status_reason")
_LONGEST = 80


@dataclass(frozen=True, slots=True)
class Told:
    """Status and reason of every row, and the words that nobody knows."""

    status: pa.Array  # ACCEPTED, REJECTED, else as written; null where nothing says it
    reason: pa.Array  # of a rejected row; else null
    unknown: tuple[tuple[str, Counter[str]], ...]  # fact, words with their rows


def told(
    by_fact: Mapping[str, Column], at: Callable[[int], pa.Array], rules: CellRules, n: int
) -> Told | None:
    """What the columns say row by row; None where no column is of this kind."""
    sources = [(fact, by_fact[fact]) for fact in SOURCES if fact in by_fact]
    if not sources:
        return None
    status = np.full(n, None, dtype=object)
    reason = np.full(n, None, dtype=object)
    unknown = []
    for fact, column in sources:
        cells = pc.fill_null(at(column.index), "").to_pylist()
        meant = {text: _meaning(fact, text, rules) for text in dict.fromkeys(cells)}
        odd: Counter[str] = Counter()
        for row, text in enumerate(cells):
            found = meant[text]
            if found == REJECTED:
                _reject(status, reason, row, fact, column.heading, text)
            elif found == ACCEPTED:
                status[row] = status[row] or ACCEPTED
            elif found:
                odd[text] += 1
                status[row] = status[row] or text
        if odd:
            unknown.append((fact, odd))
    text = pa.string()
    return Told(pa.array(status, text), pa.array(reason, text), tuple(unknown))


def _reject(
    status: np.ndarray, reason: np.ndarray, row: int, fact: str, heading: str, text: str
) -> None:
    status[row] = REJECTED
    own = text if fact == "status_reason" else f"{heading}: {text}"
    reason[row] = own[:_LONGEST] if fact == "status_reason" or not reason[row] else reason[row]


def _meaning(fact: str, text: str, rules: CellRules) -> str:
    """ACCEPTED, REJECTED, '' for nothing said, or the text where its word is not known."""
    word = words(text)
    if word in {words(w) for w in rules.rejected_words}:
        return REJECTED
    if word in {words(w) for w in rules.accepted_words}:
        return ACCEPTED
    if word in _NOTHING:
        return ""
    if fact == "status_reason":
        return REJECTED
    if fact == "rejected":  # the heading speaks: a word there is a reason
        return ACCEPTED if word in _NO | _ACCEPTED else REJECTED
    if fact == "accepted" and word in _YES | _NO:
        return ACCEPTED if word in _YES else REJECTED
    if word in _ACCEPTED:
        return ACCEPTED
    return REJECTED if word in _REJECTED else text


def asked(columns: tuple[Column, ...], found: Told | None) -> tuple[Column, ...]:
    """The columns; one with words that nobody knows is asked about."""
    if found is None:
        return columns
    odd = dict(found.unknown)
    return tuple(
        replace(c, role="asked", question=_question(odd[c.fact]))
        if c.role == "fact" and c.fact in odd
        else c
        for c in columns
    )


def _question(odd: Counter[str]) -> str:
    shown = ", ".join(f"'{word}' ({count})" for word, count in sorted(odd.items())[:6])
    return (
        f"says whether a row counts, in words that are not known: {shown}; those rows were kept. "
        "Name them in cells.rejected_words or cells.accepted_words"
    )


def notes(found: Told | None) -> list[str]:
    """How many rows are rejected, and why."""
    if found is None:
        return []
    why = Counter(found.reason.drop_null().to_pylist())
    if not why:
        return []
    shown = "; ".join(f"{reason} ({count})" for reason, count in sorted(why.items())[:8])
    rows = sum(why.values())
    return [f"{rows} {'row is' if rows == 1 else 'rows are'} rejected, and set aside: {shown}"]
