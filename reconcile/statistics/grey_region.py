"""The chance that a sample at the edge of a grey region is called on the wrong side of a level.

Inside the grey region around a decision level nobody was promised a right call; at its edges
the agreed error rates must hold (US EPA QA/G-4, Guidance on systematic planning using the
data quality objectives process, 2006, step 6; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from reconcile.statistics import distributions as stats
from reconcile.statistics.equality import equal_with_nan
from reconcile.statistics.level_band import FEWEST_LOCAL, TruthLine
from reconcile.statistics.noncentral_t import tail_bound
from reconcile.statistics.result import NAN

#: Size of the test that the scatter is the same at every content.
UNEVEN = 0.20


@equal_with_nan
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
    """What :func:`tail_bound` asks for: k, leverage and degrees of freedom; NaN without a line.

    Where the scatter about the line changes with the content (rank correlation of its size
    with the lab value, two-sided at ``UNEVEN``) and the third of the samples nearest the edge
    scatters more than all, their scatter stands for all, with their degrees of freedom.
    """
    logs = line.scale == "log ratio"
    if (
        line.reason
        or not line.own > 0
        or not math.isfinite(line.effect)
        or (logs and not (level > 0 and edge > 0))
    ):
        return NAN, NAN, NAN
    at, limit = (math.log(edge), math.log(level)) if logs else (edge, level)
    variance = float(line.variance(at))
    scatter, df = line.scatter, _freedom_of_scatter(line)
    near = _near(line, at)
    if near is not None and near[0] > scatter:
        variance *= near[0] / scatter
        scatter, df = near[0], near[1] * df / (line.n - 2)
    own = scatter - (line.scatter - line.own)
    k = (limit - float(line.at(at))) / math.sqrt(own)
    return -k if edge < level else k, variance / own, max(df * (own / scatter) ** 2, 1.0)


def _freedom_of_scatter(line: TruthLine) -> float:
    if line.clusters is None or not math.isfinite(line.clusters.total_freedom):
        return line.n - 2.0
    return line.clusters.total_freedom * (line.n - 2) / max(line.clusters.n - 2, 1)


def _near(line: TruthLine, at: float) -> tuple[float, float] | None:
    """Scatter of the samples nearest a content and its degrees of freedom; None where even."""
    residual = line.field - line.field_mean - line.slope * (line.lab - line.lab_mean)
    n = line.n
    rank = float(stats.spearman(line.lab, np.abs(residual)))
    t = abs(rank) * math.sqrt((n - 2) / max(1 - rank * rank, 1e-12))
    count = max(math.ceil(n / 3), FEWEST_LOCAL)
    if not t > float(special.stdtrit(n - 2, 1 - UNEVEN / 2)) or count >= n:
        return None
    nearest = residual[np.argsort(np.abs(line.lab - at), kind="stable")[:count]]
    df = count * (1 - 2 / n)  # two coefficients, shared by all
    return float(nearest @ nearest) / df, df
