"""The criteria of a stratum as tables: what stands in the way, and all of them."""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum

from reportlab.platypus import Flowable, Table

from reconcile.base.model.release import StratumResult
from reconcile.base.model.verdict import (
    Ask,
    Criterion,
    Outcome,
)
from reconcile.judgement.criterion_words import written
from reconcile.reporting import words
from reconcile.reporting.render.styles import (
    grid,
    own,
    worded,
)

_MOST_OPEN = 6  # criteria that stand in the way, where the others are only counted


class Folded(Enum):
    """Which criteria stand together in one row, where room is short."""

    NOTHING = 0
    BEFORE_FIGURES = 1  # those that ask no figure, where they don't stand in the way
    ALL_SHOWN = 2  # all that don't stand in the way


def open_criteria(result: StratumResult, width: float, counted: bool = False) -> list[Flowable]:
    """The criteria that are not shown or shown to fail, and how many others there are.

    Where all are met all of them stand there, or how many there are, where that is asked for.
    """
    met = sum(c.passes for c in result.verdict.criteria)
    if met == len(result.verdict.criteria):
        if counted:
            return [own(words.CRITERIA_ALL_MET.format(n=met), "small")]
        return [criteria_table(result, width)]
    if counted:
        standing = [c for c in result.verdict.criteria if not c.passes]
        failed = [c for c in standing if c.outcome is Outcome.FAILED] or standing
        left = len(result.verdict.criteria) - len(failed[:_MOST_OPEN])
        rest = [own(words.CRITERIA_OTHERS.format(n=left), "small")] if left else []
        return [_grid_of(failed[:_MOST_OPEN], width), *rest]
    note = [own(words.CRITERIA_MET.format(n=met), "small")] if met else []
    return [criteria_table(result, width, met_too=False), *note]


def _grid_of(criteria: Sequence[Criterion], width: float) -> Table:
    rows: list[list[Flowable | str]] = [
        [worded(c.name), worded(c.asked), worded(c.found), own(c.outcome, "cell-bold")]
        for c in map(written, criteria)
    ]
    shares = (0.20, 0.30, 0.39, 0.11)
    return grid(words.CRITERIA_HEADINGS, rows, [width * s for s in shares], compact=True)


#: What is asked before any figure.
_BEFORE_FIGURES = frozenset(
    {
        Ask.PURPOSE, Ask.ELEMENT, Ask.FAULT, Ask.DESCRIPTION, Ask.PAIRS, Ask.THIRDS, Ask.CENSORED,
        Ask.CONTROLS, Ask.SPOTS, Ask.CUSTODY, Ask.QUALITY_LEVEL, Ask.SELECTION, Ask.LEVEL_SAMPLES,
        Ask.MEAN_BIAS,
    }
)  # fmt: skip


def criteria_table(
    result: StratumResult, width: float, met_too: bool = True, folded: Folded = Folded.NOTHING
) -> Table:
    """Every criterion of the verdict, or those that stand in its way: asked, found, outcome.

    ``folded``: what stands in one row for what is shown and one for what is only told.
    """
    shown = [c for c in result.verdict.criteria if met_too or not c.passes]
    plain = [
        c
        for c in shown
        if c.outcome in (Outcome.SHOWN, Outcome.TOLD)
        and (
            folded is Folded.ALL_SHOWN
            or (folded is Folded.BEFORE_FIGURES and c.ask in _BEFORE_FIGURES)
        )
    ]
    rows: list[list[Flowable | str]] = [
        [
            worded(c.name),
            worded(c.asked),
            worded(c.found),
            own(c.outcome, "cell-bold" if c.fails else "cell"),
        ]
        for c in map(written, (c for c in shown if c not in plain))
    ]
    across = []
    for outcome in (Outcome.SHOWN, Outcome.TOLD):
        if own_ones := [written(c) for c in plain if c.outcome is outcome]:
            text = "; ".join(
                words.CRITERION_MET.format(name=c.name, found=c.found) for c in own_ones
            )
            rows.append([worded(text, limit=1800), "", "", own(words.OUTCOMES[outcome], "cell")])
            across.append(("SPAN", (0, len(rows)), (2, len(rows))))
    shares = (0.20, 0.30, 0.39, 0.11)
    table = grid(words.CRITERIA_HEADINGS, rows, [width * s for s in shares], compact=True)
    table.setStyle(across)
    return table
