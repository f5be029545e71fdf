"""SQL from ``sql/*.sql``: the only place where statements come from.

A file holds one statement, or several that each stand under a line ``-- name: …``. A place in
braces is filled with pieces of SQL that this module made: another statement, or a quoted name.
Values are never put in; they are bound where the statement is run.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from importlib import resources
from typing import Literal

_NAMED = re.compile(r"^-- name: (\w+)\n", re.MULTILINE)
_PLACE = re.compile(r"\{(\w+)\}")


class Sql(str):
    """SQL that this module made."""

    __slots__ = ()


def quoted(identifier: str) -> Sql:
    """An SQL identifier that can hold any text."""
    return Sql('"' + identifier.replace('"', '""') + '"')


#: What stands between pieces.
_BETWEEN = {"list": ", ", "all": " AND ", "sum": " + ", "union": " UNION ALL "}


def listed(parts: Iterable[Sql], how: Literal["list", "all", "sum", "union"] = "list") -> Sql:
    """Pieces one after another: columns, conditions that must all hold, terms, rows."""
    return Sql(_BETWEEN[how].join(_checked(part) for part in parts))


def sql(name: str, /, **parts: Sql) -> Sql:
    """A statement by its name, ``file`` or ``file.statement``, its places filled.

    Raises KeyError where there is none, or a place has no part, TypeError where a part is text.
    """
    text = _texts(name.partition(".")[0])[name]
    return Sql(_PLACE.sub(lambda place: _checked(parts[place[1]]), text))


def _checked(part: object) -> Sql:
    if not isinstance(part, Sql):
        raise TypeError(f"text can't become part of a statement: {part!r}")
    return part


@cache
def _texts(file: str) -> dict[str, str]:
    """Every statement of a file."""
    folder = resources.files("reconcile.store").joinpath("sql")
    text = folder.joinpath(f"{file}.sql").read_text(encoding="utf-8")
    _, *named = _NAMED.split(text)
    if not named:
        return {file: text}
    return {
        f"{file}.{name}": statement.strip()
        for name, statement in zip(named[::2], named[1::2], strict=True)
    }
