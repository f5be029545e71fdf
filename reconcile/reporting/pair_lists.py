"""Columns of a stratum's pairs as lists and arrays, taken from the table once for all documents."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.model.release import Reconciliation
from reconcile.releases import kept_rows

Array = NDArray[np.float64]
#: Pair columns of which a cell may hold many texts.
_MANY = frozenset({"certificate", "operator", "places"})


class PairLists:
    """The columns of one table of pairs, each turned into a list or an array when first asked."""

    def __init__(self, pairs: pd.DataFrame) -> None:
        self._pairs = pairs
        self._lists: dict[str, list[Any]] = {}
        self._numbers: dict[str, Array] = {}
        self._used: NDArray[np.bool_] | None = None

    def of(self, name: str) -> list[Any]:
        """A column, shape (pairs,); NaN throughout where the table has none of that name."""
        known = self._lists.get(name)
        if known is None:
            there = name in self._pairs.columns
            known = self._pairs[name].tolist() if there else [math.nan] * len(self._pairs)
            self._lists[name] = known
        return known

    def shown(self, name: str) -> list[Any]:
        """A column as it is shown: lists of numbers of certificates as text."""
        values = self.of(name)
        if name not in _MANY:
            return values
        return [", ".join(many) if isinstance(many, tuple) else many for many in values]

    def texts(self, name: str) -> NDArray[np.object_]:
        """A column as texts, shape (pairs,); '' for what is missing."""
        values = self.of(name)
        found = np.empty(len(values), dtype=object)
        found[:] = ["" if value is None or value != value else str(value) for value in values]
        return found

    def numbers(self, name: str) -> Array:
        """A column as numbers, shape (pairs,); NaN for what is none."""
        known = self._numbers.get(name)
        if known is None:
            known = pd.to_numeric(self._pairs[name], errors="coerce").to_numpy("float64")
            known.flags.writeable = False
            self._numbers[name] = known
        return known

    def used(self) -> NDArray[np.bool_]:
        """Which pairs are used, shape (pairs,)."""
        if self._used is None:
            self._used = self._pairs["used"].fillna(False).astype(bool).to_numpy()
        return self._used


def pairs_name(r: Reconciliation) -> str:
    """Name of the release's table of pairs."""
    many = sum(len(x.pairs) for x in r.results) > r.csv_pairs
    return kept_rows.PACKED if many else kept_rows.CSV


#: By the place in memory of the table, which is kept with them.
_KNOWN: dict[int, tuple[pd.DataFrame, PairLists]] = {}
_MOST_KNOWN = 500


def lists_of(pairs: pd.DataFrame) -> PairLists:
    """The columns of a table of pairs that nobody changes."""
    known = _KNOWN.get(id(pairs))
    if known is not None and known[0] is pairs:
        return known[1]
    if len(_KNOWN) >= _MOST_KNOWN:
        _KNOWN.clear()
    made = PairLists(pairs)
    _KNOWN[id(pairs)] = (pairs, made)
    return made


def forget() -> None:
    """Give the memory back, once every document is written."""
    _KNOWN.clear()
