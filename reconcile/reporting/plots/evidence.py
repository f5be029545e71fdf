"""The months behind a stratum as a plot."""

from __future__ import annotations

import numpy as np

from reconcile.base.model.release import StratumResult
from reconcile.base.model.verdict import Ask
from reconcile.reporting import words
from reconcile.reporting.plots.kinds import TrendPlot
from reconcile.reporting.text import printable


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
    )  # fmt: skip
