"""The chance that a sample at the edge of a grey region is called on the wrong side of a level.

Inside the grey region around a decision level nobody was promised a right call; at its edges
the agreed error rates must hold (US EPA QA/G-4, Guidance on systematic planning using the
data quality objectives process, 2006, step 6; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import special

from reconcile.statistics.level_band import TruthLine
from reconcile.statistics.noncentral_t import tail_bound
from reconcile.statistics.result import NAN


@dataclass(frozen=True, slots=True)
class EdgeChance:
    """Chance of the wrong call for a true content at an edge, with one-sided bounds."""

    edge: float  # in the unit of the values
    value: float
    lower: float  # each bound one-sided at ``confidence``
    upper: float
    confidence: float


def edge_chance(
    line: TruthLine, level: float, edge: float, confidence: float = 0.95, two_sided: bool = True
) -> EdgeChance:
    """P(field on the other side of ``level`` than the true content ``edge``), and its bounds.

    ``level`` and ``edge`` in the unit of the values. The chance is Φ((level − line(edge))/σ),
    mirrored below the level, σ the scatter of a field value at a true content: the lab's
    error is taken off where its variance is known. The bounds hold what the pairs leave
    uncertain of line and scatter: exact through the noncentral t where nothing is taken off;
    else with its degrees of freedom by Satterthwaite. Without ``two_sided`` no lower bound.
    """
    k, leverage, df = edge_terms(line, level, edge)
    if not math.isfinite(k):
        return EdgeChance(edge, NAN, NAN, NAN, confidence)
    return EdgeChance(
        edge,
        float(special.ndtr(k)),
        tail_bound(k, leverage, df, 1 - confidence) if two_sided else NAN,
        tail_bound(k, leverage, df, confidence),
        confidence,
    )


def edge_terms(line: TruthLine, level: float, edge: float) -> tuple[float, float, float]:
    """What :func:`tail_bound` asks for: k, leverage and degrees of freedom; NaN without a line."""
    logs = line.scale == "log ratio"
    if line.reason or not line.own > 0 or (logs and not (level > 0 and edge > 0)):
        return NAN, NAN, NAN
    at, limit = (math.log(edge), math.log(level)) if logs else (edge, level)
    k = (limit - float(line.at(at))) / math.sqrt(line.own)
    leverage = float(line.variance(at)) / line.own
    df = max((line.n - 2) * (line.own / line.scatter) ** 2, 1.0)
    return -k if edge < level else k, leverage, df
