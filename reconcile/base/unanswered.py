"""Questions that stand open in the settings, each as '<number: words>' in the answer's place."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

#: How one looks, for a reader.
FORM = "<number: …>"
_OPEN = re.compile(r"<([0-9]+): (.*)>", re.S)


@dataclass(frozen=True, slots=True)
class Open:
    """One open question: its number, words, the place in the settings and the line of the file."""

    number: int
    words: str
    place: tuple[str | int, ...]
    line: int


def open_questions(raw: dict[str, Any], text: str) -> tuple[Open, ...]:
    """The open questions of settings ``raw``, that were read from ``text``, by number."""
    lines = text.splitlines()

    def line_of(number: int) -> int:
        mark = f"<{number}: "
        return next((i for i, line in enumerate(lines, 1) if mark in _code(line)), 0)

    found = [Open(n, words, place, line_of(n)) for place, n, words in _walk(raw, ())]
    return tuple(sorted(found, key=lambda o: o.number))


def standing(number: int, words: str) -> str:
    """How an open question stands in the settings."""
    return f"<{number}: {words}>"


def _code(line: str) -> str:
    return "" if line.lstrip().startswith("#") else line


def _walk(
    value: Any, place: tuple[str | int, ...]
) -> Iterator[tuple[tuple[str | int, ...], int, str]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _walk(inner, (*place, str(key)))
    elif isinstance(value, list):
        for i, inner in enumerate(value, 1):
            yield from _walk(inner, (*place, i))
    elif isinstance(value, str) and (found := _OPEN.fullmatch(value.strip())):
        yield place, int(found[1]), found[2]
