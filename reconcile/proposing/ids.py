"""By which rule the ids of two sides meet: how many do, as written and after one rule.

Rules are regular expressions of the settings' ``sample_id_rules``. They are tried on one side at
a time, and one is proposed only where many more ids meet, no two ids of a side become one, and
most of the smaller side meets.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass

_ENOUGH = 0.5  # of the smaller side's ids
_FEWEST = 3
#: What people do to ids: folders and endings of files, marks before and behind, zeros, case.
_TRIED = (
    (r"^.*[/\\]", ""),
    (r"\.[A-Za-z0-9]{2,5}$", ""),
    (r"^.*[/\\]|\.[A-Za-z0-9]{2,5}$", ""),
    (r"^[A-Za-z]+[-_ .]+", ""),
    (r"^[A-Za-z]+", ""),
    (r"^[A-Za-z0-9]+[-_ .]+", ""),
    (r"[-_ .]+[A-Za-z]+$", ""),
    (r"[-_ .]+[0-9]{1,2}$", ""),
    (r"[-_ .]+[A-Za-z0-9]+$", ""),
    (r"[A-Za-z]+$", ""),
    (r"^0+(?=[0-9])", ""),
    (r"(?<![0-9])0+(?=[0-9])", ""),
    (r"[-_ .]+", ""),
    (r"\s+", "-"),
    (r"_", "-"),
    (r"^.*?([0-9]+)[^0-9]*$", r"\1"),
)


@dataclass(frozen=True, slots=True)
class Meeting:
    """How ids of two sides meet; ``rules`` change those of ``side`` (0 or 1), -1 where none."""

    met: int
    of: int  # ids of the smaller side
    before: int
    side: int = -1
    rules: tuple[tuple[str, str], ...] = ()

    @property
    def enough(self) -> bool:
        """Whether most of the smaller side meets."""
        return self.met >= max(_ENOUGH * self.of, 1)


def best(first: Collection[str], second: Collection[str], of_first: bool = False) -> Meeting:
    """The rule by which most ids meet; none where they meet as written, or no rule helps.

    ``of_first``: only the first side's ids may change.
    """
    sides = (frozenset(first), frozenset(second))
    of = min(len(s) for s in sides)
    before = len(sides[0] & sides[1])
    as_written = Meeting(before, of, before)
    if of == 0 or as_written.enough:
        return as_written
    found = as_written
    for side in (0,) if of_first else (0, 1):
        other = sides[1 - side]
        for rules in _sets(sides[side], other):
            changed = {text: applied(text, rules) for text in sides[side]}
            hits = {new for new in changed.values() if new in other}
            # two ids that become one of the other side's would be mixed up
            mixed = sum(new in hits for new in changed.values()) > len(hits)
            if not mixed and len(hits) >= max(_FEWEST, 2 * found.met, _ENOUGH * of):
                found = Meeting(len(hits), of, before, side, rules)
    return found


def applied(text: str, rules: Iterable[tuple[str, str]]) -> str:
    """An id after the rules."""
    for find, replace in rules:
        text = re.sub(find, replace, text)
    return text


def _sets(ids: Collection[str], other: Collection[str]) -> list[tuple[tuple[str, str], ...]]:
    """Single rules, and a mark of the other side that all of its ids have, put before."""
    made: list[tuple[tuple[str, str], ...]] = [(rule,) for rule in _TRIED]
    if mark := common_start(other):
        own = common_start(ids)
        before = (f"^{re.escape(own)}", mark) if own else (r"^(?=.)", mark)
        made.append((before,))
        if not own:
            made += [(rule, before) for rule in _TRIED]
    return made


def common_start(ids: Collection[str]) -> str:
    """What every id begins with, up to where numbers begin; '' for fewer than three ids."""
    texts = sorted(ids)
    if len(texts) < _FEWEST:
        return ""
    first, last = texts[0], texts[-1]
    n = next((i for i, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), len(first))
    return re.sub(r"[0-9]+$", "", first[:n])
