"""The whole value of a release as a file of it: what report, page and workbook are drawn from.

JSON, packed. Every value that is more than a number, a text or a truth is a list that begins
with what it is, so that nothing is guessed when it is read: a place in the table of classes, or
one of the signs below. Only frozen values of this program are made from it, never code.
"""

from __future__ import annotations

import enum
import gzip
import importlib
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from reconcile.base.errors import ReconcileError
from reconcile.base.model.release import Reconciliation

NAME = "values.json.gz"
_TUPLE, _LIST, _DICT, _FRAME, _ARRAY, _FLOAT, _TIME, _SET, _DATE, _NAT = range(-1, -11, -1)
_AS_THEY_ARE = frozenset({str, int, bool, type(None)})
_PACKAGE = "reconcile."


def packed(r: Reconciliation) -> bytes:
    """The file of a release; equal values give equal bytes."""
    writer = _Writer()
    value = writer.plain(r)
    content = {"classes": writer.names, "value": value}
    text = json.dumps(content, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return gzip.compress(text.encode(), compresslevel=6, mtime=0)


def read(folder: Path) -> Reconciliation:
    """The value that the release in ``folder`` was written from.

    Raises ReconcileError where the file is missing, damaged or of another program's values.
    """
    path = folder / NAME
    try:
        content = json.loads(gzip.decompress(path.read_bytes()))
        value = _Reader([_class_of(*name) for name in content["classes"]]).value(content["value"])
        if not isinstance(value, Reconciliation):
            raise TypeError("no release")
    except FileNotFoundError as error:
        raise ReconcileError(
            f"{path} is not there.",
            "The release was made before releases kept it; run its period again for a new one.",
        ) from error
    except (OSError, EOFError, ValueError, TypeError, KeyError, IndexError,
            AttributeError, ImportError) as error:  # fmt: skip
        raise ReconcileError(
            f"{path} can't be read by this program.",
            "Use the version of the program that the manifest names, or restore the file from "
            "the copy that was sent out.",
        ) from error
    return value


class _Writer:
    def __init__(self) -> None:
        self.names: list[tuple[str, str, list[str]]] = []
        self._places: dict[type, tuple[int, tuple[str, ...]]] = {}

    def _place(self, kind: type) -> tuple[int, tuple[str, ...]]:
        found = self._places.get(kind)
        if found is None:
            names = tuple(f.name for f in fields(kind)) if is_dataclass(kind) else ()
            found = self._places[kind] = len(self.names), names
            self.names.append((kind.__module__, kind.__qualname__, list(names)))
        return found

    def _each(self, values: Iterable[Any]) -> list[Any]:
        """``plain`` of each; most are plain already, and a call costs more than the look."""
        plain = self.plain
        return [
            x if type(x) in _AS_THEY_ARE or (type(x) is float and x - x == 0) else plain(x)
            for x in values
        ]

    def plain(self, x: Any) -> Any:
        """``x`` in lists, texts, numbers and truths."""
        kind = type(x)
        if kind in _AS_THEY_ARE:
            return x
        if kind is float or isinstance(x, np.floating):
            x = float(x)
            return x if math.isfinite(x) else [_FLOAT, repr(x)]
        if kind is tuple:
            return [_TUPLE, *self._each(x)]
        if kind is list:
            return [_LIST, *self._each(x)]
        if isinstance(x, enum.Enum):
            return [self._place(kind)[0], self.plain(x.value)]
        if is_dataclass(x):
            place, names = self._place(kind)
            return [place, *self._each([getattr(x, name) for name in names])]
        if isinstance(x, Mapping):
            return [_DICT, *self._each([one for pair in x.items() for one in pair])]
        return self._array(x)

    def _array(self, x: Any) -> Any:
        if isinstance(x, pd.DataFrame):
            columns = [[str(name), str(c.dtype), self._column(c)] for name, c in x.items()]
            return [_FRAME, len(x), self._each(x.index.tolist()), columns]
        if isinstance(x, np.ndarray):
            return [
                _ARRAY,
                str(x.dtype),
                list(x.shape),
                self._each(x.ravel().tolist()),
            ]
        if isinstance(x, np.bool_):
            return bool(x)
        if isinstance(x, np.integer):
            return int(x)
        if x is pd.NaT:
            return [_NAT]
        if isinstance(x, pd.Timestamp):
            return [_TIME, "stamp", x.isoformat()]
        if isinstance(x, datetime):
            return [_TIME, "time", x.isoformat()]
        if isinstance(x, date):
            return [_DATE, x.isoformat()]
        if isinstance(x, (set, frozenset)):
            return [_SET, *self._each(sorted(x))]
        raise TypeError(f"{type(x)} has no form in a release's values")

    def _column(self, column: pd.Series) -> list[Any]:
        return self._each(column.tolist())


def _class_of(module: str, name: str, names: list[str]) -> type:
    """A class of values of this program, with the fields that it had when it was written."""
    if not module.startswith(_PACKAGE):
        raise TypeError(module)
    kind = getattr(importlib.import_module(module), name)
    if not isinstance(kind, type) or not (is_dataclass(kind) or issubclass(kind, enum.Enum)):
        raise TypeError(name)
    if is_dataclass(kind) and [f.name for f in fields(kind)] != names:
        raise TypeError(name)
    return kind


class _Reader:
    def __init__(self, classes: list[type]) -> None:
        self._classes = classes
        self._fields = [
            tuple(f.name for f in fields(kind)) if is_dataclass(kind) else None for kind in classes
        ]

    def _each(self, values: list[Any]) -> list[Any]:
        value = self.value
        return [value(v) if type(v) is list else v for v in values]

    def value(self, x: Any) -> Any:
        """What ``plain`` was given."""
        if not isinstance(x, list):
            return x
        sign, rest = x[0], x[1:]
        if sign >= 0:
            return self._made(sign, self._each(rest))
        if sign == _TUPLE:
            return tuple(self._each(rest))
        if sign == _LIST:
            return self._each(rest)
        if sign == _FLOAT:
            return float(rest[0])
        if sign == _DICT:
            values = self._each(rest)
            return dict(zip(values[::2], values[1::2], strict=True))
        return self._array(sign, rest)

    def _made(self, place: int, values: list[Any]) -> Any:
        kind, names = self._classes[place], self._fields[place]
        if names is None:
            return kind(values[0])
        made: Any = object.__new__(kind)
        for name, value in zip(names, values, strict=True):
            object.__setattr__(made, name, value)
        return made

    def _array(self, sign: int, rest: list[Any]) -> Any:
        if sign == _FRAME:
            _, index, columns = rest
            at = pd.Index(self._each(index))
            if list(at) == list(range(len(at))):
                at = pd.RangeIndex(len(at))
            return pd.DataFrame(
                {
                    name: pd.Series(self._each(values), index=at, dtype=dtype)
                    for name, dtype, values in columns
                },
                index=at,
                columns=[name for name, _, _ in columns],
            )
        if sign == _ARRAY:
            dtype, shape, values = rest
            return np.array(self._each(values), dtype=dtype).reshape(shape)
        if sign == _NAT:
            return pd.NaT
        if sign == _TIME:
            make = pd.Timestamp if rest[0] == "stamp" else datetime.fromisoformat
            return make(rest[1])
        if sign == _DATE:
            return date.fromisoformat(rest[0])
        if sign == _SET:
            return frozenset(self._each(rest))
        raise ValueError(sign)
