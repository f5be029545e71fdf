"""On which line of a TOML file each of its entries stands; the values are ``tomllib``'s work.

TOML v1.0.0 (toml.io). Only text that ``tomllib`` has read is looked at, so that nothing is
checked twice.
"""

from __future__ import annotations

import re
import tomllib

#: Names of parts and numbers of entries, as in the parsed file: ('table', 0, 'files', 1).
Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:\\.|[^"\\\n])*"' r"|'[^'\n]*'", re.DOTALL
)
_PLAIN = re.compile(r"[^\s,\]}#][^,\]}#\n]*")


def lines_of(text: str) -> dict[Path, int]:
    """Line (from 1) of every table, key and entry of an array; {} where the text can't be told."""
    reader = _Reader(text.replace("\r\n", "\n"))
    try:
        reader.file()
    except (AttributeError, IndexError, RecursionError, tomllib.TOMLDecodeError):
        return {}
    return reader.lines


class _Reader:
    """Walks over the text once; ``at`` is where it is."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self._counted = (0, 1)  # a place and its line
        self._arrays: dict[Path, int] = {}

    def file(self) -> None:
        """Headings and keys to the end of the text."""
        table: Path = ()
        self._skip(_BLANK)
        while self.at < len(self.text):
            if self.text.startswith("[[", self.at):
                start, self.at = self.at, self.at + 2
                path = self._resolved(self._key())
                number = self._arrays.get(path, -1) + 1
                self._arrays[path] = number
                table = (*path, number)
                self._note(table, start)
                self.at += 2
            elif self.text[self.at] == "[":
                start, self.at = self.at, self.at + 1
                table = self._resolved(self._key())
                self._note(table, start)
                self.at += 1
            else:
                self._pair(table)
            self._skip(_BLANK)

    def _pair(self, table: Path) -> None:
        start = self.at
        path = (*table, *self._key())
        self._note(path, start)
        self.at += 1  # the equals sign
        self._skip(_SPACE)
        self._value(path)

    def _value(self, path: Path) -> None:
        mark = self.text[self.at]
        if mark == "[":
            self.at += 1
            number = 0
            while self._next() != "]":
                self._note((*path, number), self.at)
                self._value((*path, number))
                number += 1
                if self._next() == ",":
                    self.at += 1
            self.at += 1
        elif mark == "{":
            self.at += 1
            while self._next() != "}":
                self._pair(path)
                if self._next() == ",":
                    self.at += 1
            self.at += 1
        else:
            self._skip(_STRING if mark in "\"'" else _PLAIN)

    def _key(self) -> Path:
        """A key, dotted or not; the place is then behind it and its blanks."""
        parts: list[str] = []
        while True:
            self._skip(_SPACE)
            start = self.at
            if self.text[start] in "\"'":
                self._skip(_STRING)
                parts.append(next(iter(tomllib.loads(f"{self.text[start : self.at]} = 0"))))
            else:
                self._skip(_BARE)
                parts.append(self.text[start : self.at])
            self._skip(_SPACE)
            if self.text[self.at] != ".":
                return tuple(parts)
            self.at += 1

    def _resolved(self, key: Path) -> Path:
        """The key of a heading with the number of the entry where a part is an array of tables."""
        path: Path = ()
        for place, part in enumerate(key):
            path = (*path, part)
            if place < len(key) - 1 and path in self._arrays:
                path = (*path, self._arrays[path])
        return path

    def _next(self) -> str:
        self._skip(_BLANK)
        return self.text[self.at]

    def _skip(self, what: re.Pattern[str]) -> None:
        found = what.match(self.text, self.at)
        self.at = found.end()  # type: ignore[union-attr]  # what is no TOML ends the walk

    def _note(self, path: Path, at: int) -> None:
        """The line of an entry, and of what holds it where nothing did before."""
        line = self._line(at)
        for length in range(len(path), 0, -1):
            if self.lines.setdefault(path[:length], line) != line:
                break

    def _line(self, at: int) -> int:
        place, line = self._counted
        if at < place:
            place, line = 0, 1
        self._counted = (at, line + self.text.count("\n", place, at))
        return self._counted[1]
