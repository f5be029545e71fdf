"""The months behind a stratum as a plot; those of an element share one scale in a document."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from types import MappingProxyType

import numpy as np

from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.base.model.verdict import Ask
from reconcile.reporting import words
from reconcile.reporting.plots.kinds import TrendPlot
from reconcile.reporting.text import printable

#: By element, between which ratios the axis of its months must reach.
_NONE: Mapping[str, tuple[float, ...]] = MappingProxyType({})
_SCALES: ContextVar[Mapping[str, tuple[float, ...]]] = ContextVar("scales", default=_NONE)


@contextmanager
def one_scale(r: Reconciliation) -> Iterator[None]:
    """Within it, the plots of months of one element have one scale, so that they compare."""
    ends: dict[str, tuple[float, ...]] = {}
    for x in r.results:
        plot = plot_of(x)
        if plot is None:
            continue
        shown = np.concatenate([plot.values, plot.low, plot.high, plot.bounds])
        shown = shown[np.isfinite(shown) & (shown > 0)]
        if len(shown):
            there = ends.get(x.stratum.element, ())
            all_ends = (*there, float(shown.min()), float(shown.max()))
            ends[x.stratum.element] = (min(all_ends), max(all_ends))
    token = _SCALES.set(ends)
    try:
        yield
    finally:
        _SCALES.reset(token)


def plot_of(result: StratumResult) -> TrendPlot | None:
    """Each month's bias as a ratio, the month in hand and a coming one apart."""
    e = result.evidence
    if e is None or len(e.months) < 2 or not e.coming.estimable:
        return None
    margins = [c.fact("margin") for c in result.verdict.criteria if c.ask is Ask.COMING]
    shown = [m.raw for m in e.months] + [e.coming]
    bounds = (1 / (1 + margins[0]), 1 + margins[0]) if margins else ()
    values, low, high = (
        np.array([1 + getattr(x, end) for x in shown], dtype=np.float64)
        for end in ("value", "low", "high")
    )
    return TrendPlot(
        (*(printable(m.period) for m in e.months), words.EVIDENCE_NEXT), values, low, high,
        (*(m.pairs for m in e.months), e.coming.n), words.AXIS_RATIO, bounds=bounds, apart=2,
        reach=_SCALES.get().get(result.stratum.element, ()),
    )  # fmt: skip
