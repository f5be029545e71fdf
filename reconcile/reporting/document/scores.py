"""Factors of earlier months on this month's pairs: a control chart over months and the call."""

from __future__ import annotations

import math

import numpy as np

from reconcile.base.model.release import Reconciliation
from reconcile.judgement.scoring import KEEP, NOT_JUDGED, WATCH, WITHDRAW, FactorScore
from reconcile.reporting import numbers, words
from reconcile.reporting.document.blocks import Column, Gap, Plot, Plots, Section, Table, Text
from reconcile.reporting.plots.kinds import TrendPlot
from reconcile.reporting.text import printable

_MOST_CHARTS, _MOST_MONTHS = 36, 12
_ORDER = (WITHDRAW, WATCH, KEEP, NOT_JUDGED)


def scores_of(r: Reconciliation) -> list[FactorScore]:
    """The scores of the release, those that ask for an act first."""
    found: tuple[FactorScore, ...] = r.factor_scores
    return sorted(found, key=lambda s: (_ORDER.index(s.call), s.stratum))


def _unit(r: Reconciliation, score: FactorScore) -> tuple[str, float]:
    return next(
        ((x.unit, x.per_mg_kg) for x in r.results if x.stratum.key == score.stratum), ("mg/kg", 1.0)
    )


def sentence_of(r: Reconciliation, score: FactorScore) -> str:
    """What the score says, in the reader's unit."""
    unit, per = _unit(r, score)
    return score.sentence(numbers.unit_name(unit), per)


def plot_of(r: Reconciliation, score: FactorScore) -> TrendPlot | None:
    """The mean error by month with its control lines; None where there is no figure yet."""
    unit, per = _unit(r, score)
    points = [
        (p.period, p.shift, p.low, p.high, 0)
        for p in score.history
        if p.relative is score.relative  # a ratio and a difference share no axis
    ]
    points.append((r.period, score.shift.value, score.shift.low, score.shift.high, score.n))
    points = [p for p in points if math.isfinite(p[1])][-_MOST_MONTHS:]
    if not points:
        return None
    periods, values, lows, highs, counts = zip(*points, strict=True)
    base, scale = (1.0, 1.0) if score.relative else (0.0, per)

    def shown(numbers_: tuple[float, ...]) -> np.ndarray:
        return base + scale * np.array(numbers_, dtype=np.float64)

    return TrendPlot(
        tuple(printable(p) for p in periods),
        shown(values),
        shown(lows),
        shown(highs),
        tuple(int(n) for n in counts),
        words.AXIS_CORRECTED
        if score.relative
        else words.AXIS_CORRECTED_DIFFERENCE.format(unit=numbers.unit_name(unit)),
        base,
        tuple(float(v) for v in shown(score.edges) if math.isfinite(v)),
    )


def charts(r: Reconciliation) -> list[tuple[FactorScore, tuple[str, str], TrendPlot]]:
    """Each score with a chart, its title of two lines, and the chart."""
    made = []
    for score in scores_of(r):
        plot = plot_of(r, score)
        if plot is not None:
            call = words.SCORE_TITLE.format(
                call=words.SCORE_CALLS[score.call], factor=printable(score.factor_id)
            )
            made.append((score, (printable(score.label)[:60], call), plot))
    return made


def section(r: Reconciliation) -> list[Section]:
    """The charts over months, then what each says."""
    scores = scores_of(r)
    if not scores:
        return [Section("factor-scores", words.SCORES_TITLE, (Text(words.SCORES_NONE),))]
    name, call, says = words.SCORE_HEADINGS
    table = Table(
        (
            Column(name, 0.2, given=True, limit=80),
            Column(call, 0.1, bold=True),
            Column(says, 0.7, limit=None),
        ),
        [(s.label, words.SCORE_CALLS[s.call], sentence_of(r, s)) for s in scores],
        compact=True,
    )
    plots = tuple(Plot(plot, title) for _, title, plot in charts(r))
    blocks = (Text(words.SCORES_INTRO, "small"), Plots(plots, most=_MOST_CHARTS), Gap(4), table)
    return [Section("factor-scores", words.SCORES_TITLE, blocks)]
