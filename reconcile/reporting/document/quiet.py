"""Strata in brief: verdict, what was found, and the bias of the months beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether

from reconcile.base.model.release import StratumResult
from reconcile.base.model.verdict import DECISIONS
from reconcile.reporting import numbers, words
from reconcile.reporting.document import stratum_page
from reconcile.reporting.document.glance import ORDER
from reconcile.reporting.document.verdicts import kind_of
from reconcile.reporting.manner import styled
from reconcile.reporting.plots import drawn, signs
from reconcile.reporting.plots.evidence import plot_of as evidence_plot_of
from reconcile.reporting.plots.stratum import difference_plot_of
from reconcile.reporting.render.book import Heading
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import columns, gap, own, style, worded
from reconcile.reporting.sentences import range_of
from reconcile.reporting.text import markup

_HEIGHT = 27 * mm  # of the plot
_TEXT = 0.58  # share of the width
#: Sentences of a stratum; characters of one, so many that none of ours is cut (a cut one could
#: lose a condition), and a text that a file holds can't fill the page.
_SENTENCES, _MOST = 2, 2_000


def strips(
    results: Sequence[StratumResult],
    anchors: Mapping[str, str],
    reasons: Mapping[str, str],
    width: float,
) -> list[Flowable]:
    """The strata one below the other, those that ask for something first."""
    ordered = sorted(results, key=lambda x: ORDER.index(kind_of(x)))
    return [
        _strip(x, anchors[x.stratum.key], reasons.get(x.stratum.key, ""), width) for x in ordered
    ]


def _strip(x: StratumResult, anchor: str, reason: str, width: float) -> Flowable:
    """One stratum; text alone where no pairs can be drawn."""
    verdict = x.verdict
    parts = [words.DECISION_TITLE.get(verdict.decision, verdict.decision)]
    where = range_of(verdict, x.unit, x.per_mg_kg)
    if where != numbers.NONE:
        parts.append(f"{words.VALID_RANGE}: {where}")
    if verdict.valid_until:
        parts.append(f"{words.VALID_UNTIL}: {verdict.valid_until}")
    kind = DECISIONS.index(verdict.decision) if verdict.decision in DECISIONS else 3
    line = f'<font name="ReportBold">{styled(markup(" · ".join(parts)))}</font>'
    head = [
        Heading(x.stratum.label, anchor, outline=1, name="h2", title=x.stratum.label),
        columns([[signs.verdict_mark(kind, 8)], [Paragraph(line, style("small"))]],
                [12, width - 12]),
    ]  # fmt: skip
    said = [worded(s, "small", _MOST) for s in x.sentences[:_SENTENCES]]
    if reason:
        said.insert(0, own(reason, "small"))
    said += [worded(f"{label}: {text}", "small", _MOST) for label, text in stratum_page.unsaid(x)]
    plot = _plot(x, (1 - _TEXT) * width - 4 * mm)
    if plot is None:
        return KeepTogether([*head, *said, gap(3)])
    widths = [_TEXT * width, 4 * mm, (1 - _TEXT) * width - 4 * mm]
    return KeepTogether([*head, columns([said, [], [plot]], widths), gap(3)])


def _plot(x: StratumResult, width: float) -> Flowable | None:
    """The bias of the months against the margin, else the pairs of the month; None where few."""
    months = evidence_plot_of(x)
    if months is not None:
        return drawn.trend_plot(months, width, _HEIGHT)
    if stratum_page.is_short(x):
        return None
    found = difference_plot_of(x)
    if found is None:
        return None
    # the whole names of the axes, as the large plot has them, would be cut here
    level = words.AXIS_LEVEL_SHORT.format(unit=numbers.unit_name(x.unit))
    off = found.y_title if found.ratio else words.AXIS_DIFFERENCE_SHORT
    return drawn.difference_plot(replace(found, x_title=level, y_title=off), width, _HEIGHT)
