"""Running series of ids: neighbours in one (depths, numbers of bags) are different samples.

What a running series is, is common practice, no source: ids that differ in one number (or one
letter) alone, at least three others of them known, which follow each other in even steps or
densely. A number far outside of it is no part of it.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from statistics import median_low

from reconcile.samples.identity.text import comparison_form

_TOKENS = re.compile(r"\d+(?:\.\d+)?|[^\W\d_]+|[\W_]+")
_OTHERS = 3  # ids of a series beside the two that are looked at
_DENSE = 10  # steps of so many units of the last digit are dense
_REACH = 3  # steps from the next id that still belong to it
_SMALL = 50  # ids; a longer series is not changed by two
_LONGEST = 64  # characters of an id; digits beyond are no numbers of bags

#: What an id is without its number (or letter), and where this stands.
_Stem = tuple[tuple[str, ...], int]


@dataclass(frozen=True, slots=True)
class Series:
    """The numbers that follow one stem, by stem; of the stems that are asked for."""

    numbers: dict[_Stem, tuple[Decimal, ...]]  # sorted
    steps: dict[_Stem, Decimal | None]  # of those with many numbers

    @classmethod
    def among(cls, known: Iterable[str], pairs: Iterable[tuple[str, str]]) -> Series:
        """The series in ``known`` in which either id of a pair may stand."""
        wanted = {found[0] for a, b in pairs if (found := _between(a, b)) is not None}
        numbers: dict[_Stem, set[Decimal]] = defaultdict(set)
        if wanted:
            slots = {slot for _, slot in wanted}
            for text in known:
                tokens = _tokens(text)
                for slot in slots:
                    number = _number(tokens, slot)
                    if number is not None and (stem := _stem(tokens, slot)) in wanted:
                        numbers[stem].add(number)
        ordered = {stem: tuple(sorted(many)) for stem, many in numbers.items()}
        steps = {stem: _step(many) for stem, many in ordered.items() if len(many) > _SMALL}
        return cls(ordered, steps)

    def holds(self, a: str, b: str) -> bool:
        """Whether both ids are members of one running series, and so two samples."""
        found = _between(a, b)
        if found is None:
            return False
        stem, first, second = found
        numbers = self.numbers.get(stem, ())
        if stem in self.steps:
            step = self.steps[stem]
        else:  # the two must not make the series in which they stand
            numbers = tuple(n for n in numbers if n not in (first, second))
            step = _step(numbers)
        if step is None:
            return False
        return all(
            any(abs(number - other) <= _REACH * step for other in _next_to(numbers, number))
            for number in (first, second)
        )


def _step(numbers: tuple[Decimal, ...]) -> Decimal | None:
    """The usual step from one number to the next; None where they make no running series."""
    if len(numbers) < _OTHERS:
        return None
    gaps = [high - low for low, high in pairwise(numbers)]
    step = median_low(gaps)
    dense = step <= _DENSE * min(map(_unit, numbers))
    even = gaps.count(step) > 1 and 2 * sum(gap % step == 0 for gap in gaps) > len(gaps)
    return step if dense or even else None


def _next_to(numbers: Sequence[Decimal], number: Decimal) -> list[Decimal]:
    """The numbers before and after one, without itself."""
    at = bisect_left(numbers, number)
    return [n for n in numbers[max(at - 1, 0) : at + 2] if n != number]


def _between(a: str, b: str) -> tuple[_Stem, Decimal, Decimal] | None:
    """The stem that two ids share and the numbers by which alone they differ; None where more."""
    one, other = _tokens(a), _tokens(b)
    if len(one) != len(other):
        return None
    differing = [at for at, (x, y) in enumerate(zip(one, other, strict=True)) if x != y]
    if len(differing) != 1:
        return None
    (slot,) = differing
    first, second = _number(one, slot), _number(other, slot)
    if first is None or second is None or first == second:
        return None
    if one[slot].isdecimal() != other[slot].isdecimal() and "." not in one[slot] + other[slot]:
        return None  # a letter in the place of a number
    return _stem(one, slot), first, second


def _tokens(text: str) -> tuple[str, ...]:
    form = comparison_form(text)
    return tuple(_TOKENS.findall(form)) if len(form) <= _LONGEST else ()


def _stem(tokens: Sequence[str], slot: int) -> _Stem:
    return (*tokens[:slot], *tokens[slot + 1 :]), slot


def _number(tokens: Sequence[str], slot: int) -> Decimal | None:
    """The number in a place of an id; of a single letter its place in the alphabet."""
    if slot >= len(tokens):
        return None
    token = tokens[slot]
    if token[0].isdecimal() and token.isascii():
        return Decimal(token)
    return Decimal(ord(token)) if len(token) == 1 and "a" <= token <= "z" else None


def _unit(number: Decimal) -> Decimal:
    exponent = number.as_tuple().exponent
    return Decimal(1).scaleb(exponent if isinstance(exponent, int) else 0)
