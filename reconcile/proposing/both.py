"""Both sides in one table: columns of one element that differ by a mark of their side."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from reconcile.base.quantities import element_by_name, parse_species, parse_unit
from reconcile.intake.blocks import Heading
from reconcile.intake.vocabulary import ERROR_WORDS, INTENSITY_WORDS, LIMIT_WORDS
from reconcile.intake.wording import plain, read_heading
from reconcile.proposing.seen import FIELD, LAB, side_of, tokens

_PART = re.compile(r"[^\s_\-./|:,;()\[\]]+")
_SHARE = 0.5  # of the smaller group's elements that both must have


@dataclass(frozen=True, slots=True)
class Group:
    """Columns of results with one mark: '*_icp' and what it is likely to be.

    ``patterns`` holds what ``take`` needs; empty where the columns have no mark of their own.
    """

    mark: str
    patterns: tuple[str, ...]
    elements: frozenset[str]
    score: Counter[str]


@dataclass(frozen=True, slots=True)
class Sides:
    """The groups of the two sides; not ``sure`` where no word says which is which."""

    field: Group
    lab: Group
    sure: bool


@dataclass(frozen=True, slots=True)
class _Marked:
    element: str
    words: tuple[str, ...]
    pattern: str
    error: bool


def found(headings: Sequence[Heading]) -> Sides | None:
    """The two sides of a table; None where it holds one."""
    by_mark: dict[tuple[str, ...], list[_Marked]] = defaultdict(list)
    for heading in headings:
        marked = _marked(heading)
        if marked is not None:
            by_mark[marked.words].append(marked)
    groups = [
        _group(mark, many, by_mark)
        for mark, many in by_mark.items()
        if not all(m.error for m in many)
    ]
    groups.sort(key=lambda g: -len(g.elements))
    best: Sides | None = None
    for i, one in enumerate(groups):
        for other in groups[i + 1 :]:
            sides = _sides(one, other)
            if sides is not None and (best is None or (sides.sure and not best.sure)):
                best = sides
    return best


def pattern_of(heading: str) -> str:
    """A heading with '*' in the element's place; '' where it names none, or nothing else."""
    marked = _of_text(heading)
    return marked.pattern if marked is not None and marked.pattern.strip("* ") else ""


def _marked(heading: Heading) -> _Marked | None:
    """The element of a heading and the mark that stands beside it."""
    if read_heading(heading.text).role == "ignored" or INTENSITY_WORDS & set(tokens(heading.text)):
        return None  # intensities and the like are no side's results
    return _of_text(heading.text)


def _of_text(text: str) -> _Marked | None:
    reading = read_heading(text)
    parts = list(_PART.finditer(text))
    for part in parts:
        species = parse_species(part[0])
        named = species.element if species is not None else element_by_name(part[0])
        if not named:
            continue
        others = [
            p for p in parts
            if p is not part and parse_unit(p[0]) is None and p[0] not in {"%", "ppm", "ppb"}
        ]  # fmt: skip
        of_error = [p for p in others if p[0].lower() in ERROR_WORDS | LIMIT_WORDS]
        mark = tuple(p[0].lower() for p in others if p not in of_error)
        before, after = text[: part.start()], text[part.end() :]
        # a unit beside the element belongs to what the star stands for
        for p in parts:
            if p is part or p in others:
                continue
            after = after.replace(p[0], "", 1) if p.start() > part.start() else after
        pattern = plain(re.sub(r"[(\[]\s*[)\]]", "", f"{before}*{after}"))
        pattern = re.sub(r"\s{2,}", " ", pattern).strip()
        error = bool(of_error) or reading.role in {"error", "limit"}
        return _Marked(named, mark, pattern, error)
    return None


def _group(
    mark: tuple[str, ...], many: list[_Marked], by_mark: dict[tuple[str, ...], list[_Marked]]
) -> Group:
    patterns = dict.fromkeys(m.pattern for m in many if m.pattern.strip("* "))
    score = side_of([" ".join(mark)] if mark else [])
    alone = [m for m in by_mark.get((), ()) if m.error] if mark else []
    if alone and len(by_mark) > 1 and score[FIELD] >= score[LAB]:
        # errors without a mark of a side stand beside readings
        patterns |= dict.fromkeys(m.pattern for m in alone if m.pattern.strip("* "))
    return Group(
        " ".join(mark), tuple(patterns), frozenset(m.element for m in many if not m.error), score
    )


def _sides(one: Group, other: Group) -> Sides | None:
    both = one.elements & other.elements
    if len(both) < max(1, _SHARE * min(len(one.elements), len(other.elements))):
        return None
    if not one.patterns and not other.patterns:
        return None
    leans = [g.score[FIELD] - g.score[LAB] for g in (one, other)]
    if leans[0] == leans[1]:
        return None  # two methods of one side, or nothing that tells sides apart
    field, lab = (one, other) if leans[0] >= leans[1] else (other, one)
    sure = max(leans) > 0 > min(leans) or not (one.mark and other.mark)
    return Sides(field, lab, sure)
