"""Which pairs are of one cluster, and so no evidence of each other's independence."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.base.settings.pairs import PairSettings

Codes = NDArray[np.int64]
#: Marks of rows (see ``repeats``), which a pair table may carry beside PAIR_COLUMNS.
LAB_ROW, BOTH_ROWS, REPEAT_OF = "lab_row", "both_rows", "repeat_of"


def groupings(pairs: pd.DataFrame, settings: PairSettings) -> tuple[Codes, ...]:
    """One or two groupings of the pairs (PAIR_COLUMNS), codes of shape (n,) each.

    The first: pairs with the same group or the same laboratory row, and what these join. The
    second, which crosses it: the laboratory's batches, where there are enough of them to show
    how they differ. None of which no cluster holds two pairs.
    """
    asked = settings.clusters
    columns = {"group": "group", "determination": LAB_ROW}
    labels = [
        names
        for what, column in columns.items()
        if what in asked
        and column in pairs
        and _several(names := [str(name) for name in pairs[column].tolist()])
    ]
    found = [joined(labels, len(pairs))] if labels else []
    if "batch" in asked:
        batch = [_batch(many) for many in pairs["certificate"]]
        if len(set(batch) - {""}) >= settings.fewest_batches:
            found.append(joined([batch], len(pairs)))
    return tuple(codes for codes in found if len(codes) and int(codes.max()) + 1 < len(codes))


def _several(names: Sequence[str]) -> bool:
    """Whether a name stands at more than one pair."""
    named = [name for name in names if name]
    return len(set(named)) < len(named)


def _batch(certificates: Iterable[str]) -> Hashable:
    """A pair's batch: all of its certificates; '' where none is named."""
    return tuple(certificates) or ""


def joined(labels: Sequence[Sequence[Hashable]], n: int) -> Codes:
    """Numbers 0, 1, … of what any of the labels join; '' joins nothing."""
    above = list(range(n))

    def root(i: int) -> int:
        while above[i] != i:
            above[i] = above[above[i]]
            i = above[i]
        return i

    for names in labels:
        first: dict[Hashable, int] = {}
        for i, name in enumerate(names):
            if name != "":
                above[root(i)] = root(first.setdefault(name, i))
    roots = [root(i) for i in range(n)]
    number: dict[int, int] = {}
    return np.array([number.setdefault(r, len(number)) for r in roots], dtype=np.int64)
