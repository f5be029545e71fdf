"""How samples were chosen and how many were sent: ``selection.csv``."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from reconcile.base.model.release import Reconciliation
from reconcile.base.selection import OfStratum
from reconcile.statistics.result import Estimate

COLUMNS = ("of", "name", "figure", "selection", "n", "value", "low", "high", "unit", "agreed")


def rows(r: Reconciliation) -> Iterator[list[Any]]:
    """COLUMNS: counts, biases and mean relative difference of each stratum; shares of each kind."""
    for s in r.selection.strata:
        yield from _of(s)
    for k in r.selection.sent:
        yield [
            "kind", k.kind, "share_sent", "", k.read, k.share, math.nan, math.nan, "1",
            k.planned,
        ]  # fmt: skip


def _of(s: OfStratum) -> Iterator[list[Any]]:
    unit = "1" if s.relative else "mg/kg"
    for name, n in s.counts:
        yield ["stratum", s.stratum, "pairs", name, n, n, math.nan, math.nan, "", math.nan]

    def figure(code: str, e: Estimate, of: str, name: str, agreed: float = math.nan) -> list[Any]:
        return ["stratum", s.stratum, code, name, e.n, e.value, e.low, e.high, of, agreed]

    yield figure("bias_unweighted", s.plain, unit, "")
    yield figure("bias_weighted", s.weighted, unit, "")
    for name, e in s.by_selection:
        yield figure("bias_of_selection", e, unit, name)
    yield figure("mean_relative_difference_abs", s.rpd, "1", "", s.most_rpd)
