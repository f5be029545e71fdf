"""Values with numbers that are not known (NaN) compare alike on every Python.

Until 3.12 a dataclass compares its fields as one tuple, in which the same NaN equals itself; from
3.13 on field by field, in which no NaN equals anything. Here 'not known' equals 'not known', as
whoever asks whether two results are the same means it.
"""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any, TypeVar

_T = TypeVar("_T", bound=type)


def equal_with_nan(cls: _T) -> _T:
    """For a dataclass: two values are equal where every field is, NaN to NaN and in tuples too.

    Values that are equal have the same hash, where the class has one.
    """
    names = tuple(field.name for field in fields(cls) if field.compare)

    def key(value: Any) -> tuple[Any, ...]:
        return tuple([_one(getattr(value, name)) for name in names])

    def equal(self: object, other: object) -> bool:
        if self is other:
            return True
        if other.__class__ is not self.__class__:
            return False
        return key(self) == key(other)

    made: Any = cls
    made.__eq__ = equal
    if made.__hash__ is not None:
        made.__hash__ = lambda self: hash(key(self))
    return cls


def _one(value: Any) -> Any:
    """A number that is not known as the one NaN, which equals itself as a part of a tuple."""
    if isinstance(value, float):
        return math.nan if value != value else value
    return tuple([_one(part) for part in value]) if type(value) is tuple else value
