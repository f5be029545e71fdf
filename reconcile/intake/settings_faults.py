"""What is wrong in the settings, in plain words: where, on which line, the nearest right word."""

from __future__ import annotations

import types
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from reconcile.base.nearest import meant
from reconcile.base.settings.whole import Settings
from reconcile.intake.toml_lines import Path

_MOST_SHOWN, _MOST_MESSAGE = 80, 500  # characters of a message
_MOST_ERRORS = 30  # told at once


def faults_told(error: ValidationError, lines: Mapping[Path, int]) -> list[str]:
    """A line for each fault; ``lines`` says on which line of the file an entry stands."""
    told = [_fault(item, lines) for item in error.errors()[:_MOST_ERRORS]]
    beyond = error.error_count() - _MOST_ERRORS
    return [*told, f"  - and {beyond} more"] if beyond > 0 else told


def line_of(path: Sequence[Any], lines: Mapping[Path, int]) -> str:
    """The line on which an entry stands, or what holds it: 'line 12, '; '' where it is unknown."""
    known: Path = ()
    for part in path:  # the models add names of their own for one of several forms
        if (*known, part) in lines:
            known = (*known, part)
    return f"line {lines[known]}, " if known else ""


def _fault(item: Any, lines: Mapping[Path, int]) -> str:
    loc = item["loc"]
    place = ".".join(str(part + 1) if isinstance(part, int) else part for part in loc)
    place = place if len(place) <= _MOST_SHOWN else f"{place[:_MOST_SHOWN]}…"
    place = f"{line_of(loc, lines)}{place or 'the file'}"
    found = item.get("input")
    text = str(item["msg"]).removeprefix("Value error, ")
    near = meant(loc[-1] if item["type"] == "extra_forbidden" else found, words_at(loc))
    if item["type"] == "extra_forbidden":
        text = "this name is not known here (a typo?)"
    elif item["type"] == "missing":
        return f"  - {place}: this setting is required"
    shown = ""
    if isinstance(found, str | int | float | bool):
        # the digits of a number of 5,000 can't even be printed
        digits = isinstance(found, int) and found.bit_length() > 1000
        words = "a number of very many digits" if digits else repr(found)
        shown = f" (found {words if len(words) <= _MOST_SHOWN else words[:_MOST_SHOWN] + '…'})"
    return f"  - {place}: {text[:_MOST_MESSAGE]}{near}{shown}"


def words_at(loc: Sequence[Any]) -> list[str]:
    """The words that may stand at a place of the settings: names of a part, or the choices."""
    kinds: list[Any] = [Settings]
    for part in loc:
        inner = [kind for found in kinds for kind in _inside(found, part)]
        if not inner:
            return _names(kinds)
        kinds = inner
    return _names(kinds, choices=True)


def _names(kinds: Iterable[Any], choices: bool = False) -> list[str]:
    names: list[str] = []
    for kind in kinds:
        if choices and get_origin(kind) is Literal:
            names += [str(word) for word in get_args(kind)]
        elif not choices and _is_part(kind):
            names += list(kind.model_fields)
    return names


def _inside(kind: Any, part: Any) -> list[Any]:
    """What may stand under a name, a number or a form of a value."""
    if _is_part(kind):
        field = kind.model_fields.get(part) if isinstance(part, str) else None
        return [] if field is None else _forms(field.annotation)
    if get_origin(kind) is tuple and isinstance(part, int):
        return _forms(get_args(kind)[0])
    if get_origin(kind) is dict and isinstance(part, str):
        return _forms(get_args(kind)[1])
    return []


def _forms(annotation: Any) -> list[Any]:
    """The forms that a value may have, without what only checks it."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return _forms(get_args(annotation)[0])
    if origin in (Union, types.UnionType):
        return [form for inner in get_args(annotation) for form in _forms(inner)]
    return [annotation]


def _is_part(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)
