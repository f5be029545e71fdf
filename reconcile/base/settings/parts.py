"""What every part of the settings is made of: kinds of numbers and texts, and the base class."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator

from reconcile.base import patterns
from reconcile.base.quantities import ELEMENTS


def number(**bounds: Any) -> Any:
    """A number within bounds; true is no 1, and "3" no 3. Infinity and NaN are never numbers."""
    return Field(strict=True, **bounds)


#: Below its end a margin or share means nothing, and cannot be calculated with.
Fraction = Annotated[float, number(ge=1e-9, lt=1)]

Positive = Annotated[float, number(gt=0, le=1e9)]

#: Level of a test or rate of an error: beyond these ends quantiles mean nothing.
Level = Annotated[float, number(ge=1e-6, le=0.5)]

#: How often something is counted.
Count = Annotated[int, number(ge=1, le=1_000_000)]

Name = Annotated[str, Field(min_length=1, max_length=100)]

#: A file name or pattern below the folder of the settings.
Pattern = Annotated[str, AfterValidator(patterns.checked)]
Words = Annotated[str, Field(max_length=500)]

_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff]")

_MOST_TEXT = 10_000

_MOST_ENTRIES = 10_000


def known_symbols(symbols: Iterable[str]) -> list[str]:
    """The symbols, each once; raises ValueError where one is no chemical element's."""
    known = list(dict.fromkeys(symbols))
    if unknown := [symbol for symbol in known if symbol not in ELEMENTS]:
        raise ValueError(
            f"{', '.join(unknown)}: no symbol of a chemical element; write Cu, not CU or copper"
        )
    return known


class Part(BaseModel):
    """A part of the settings; unknown names are refused so that a typo is seen."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False
    )

    @field_validator("*")
    @classmethod
    def _one_line(cls, value: object) -> object:
        """Text of one line of bounded length, wherever it stands."""
        if isinstance(value, tuple | dict) and len(value) > _MOST_ENTRIES:
            raise ValueError(f"at most {_MOST_ENTRIES} entries")
        for text in _texts(value):
            if _CONTROL.search(text):
                raise ValueError(
                    "no line break, tab or other control character may stand in a text"
                )
            if len(text) > _MOST_TEXT:
                raise ValueError(f"at most {_MOST_TEXT} characters")
        return value


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, tuple):
        for part in value:
            yield from _texts(part)
    elif isinstance(value, dict):
        for key, part in value.items():
            yield from _texts(key)
            yield from _texts(part)


def unique(names: Iterable[str], what: str) -> None:
    """Raises ValueError where two of the names are the same, capitals and blanks aside."""
    counts = Counter(" ".join(name.casefold().split()) for name in names)
    if twice := [name for name, count in counts.items() if count > 1]:
        raise ValueError(f"{what} '{twice[0]}' stands more than once")


def ordered(part: BaseModel, low: str, high: str) -> None:
    """Raises ValueError where the setting ``low`` is above the setting ``high``."""
    least, most = getattr(part, low), getattr(part, high)
    if least is not None and most is not None and least > most:
        raise ValueError(f"{low} ({least:g}) is above {high} ({most:g})")
