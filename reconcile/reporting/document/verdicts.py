"""One line per stratum with its verdict, grouped by methods, and the account of what was read."""

from __future__ import annotations

import math

from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.base.model.verdict import DECISIONS
from reconcile.reporting import numbers, words
from reconcile.reporting.document.blocks import (
    Across,
    Cell,
    Column,
    Section,
    Table,
    Text,
    counted,
)
from reconcile.reporting.figures import by_key
from reconcile.reporting.sentences import decision_marked, many_sentence, range_of

Row = list[str | Cell]


def anchors_of(r: Reconciliation) -> dict[str, str]:
    """The bookmark of each stratum by its key."""
    return {x.stratum.key: f"stratum-{i}" for i, x in enumerate(r.results, start=1)}


def kind_of(result: StratumResult) -> int:
    """Place of the verdict in DECISIONS; the last for an unknown one."""
    decision = result.verdict.decision
    return DECISIONS.index(decision) if decision in DECISIONS else len(DECISIONS) - 1


def section(r: Reconciliation) -> list[Section]:
    """The table of verdicts, then the account."""
    notes = [Text(words.ONE_STRATUM, "small")]
    if together := many_sentence(r):
        notes.append(Text(together, "small"))
    if any(x.verdict.flips for x in r.results):
        notes.append(Text(words.FLIP_NOTE, "small"))
    return [
        Section("verdicts", words.VERDICTS, (*notes, _verdicts(r))),
        Section("account", words.ACCOUNT, (Text(words.ACCOUNT_INTRO, "small"), _account(r))),
    ]


def _verdicts(r: Reconciliation) -> Table:
    verdict, stratum, n, ratio, limits, where, page = words.VERDICT_HEADINGS
    until, reason, step, field_method, lab_method = words.SCREEN_VERDICT_HEADINGS
    columns = (
        Column("", 0.03, on_screen=False),
        Column(stratum, 0),
        Column(verdict, 0.19, bold=True, limit=40),
        Column(stratum, 0.22, limit=80, on_screen=False),
        Column(n, 0.04, number=True),
        Column(ratio, 0.16, number=True),
        Column(limits, 0.165, number=True),
        Column(where, 0, number=True),
        Column(where, 0.145, number=True, on_screen=False),
        Column(until, 0),
        Column(reason, 0),
        Column(step, 0),
        Column(field_method, 0, given=True),
        Column(lab_method, 0, given=True),
        Column(page, 0.05, number=True, on_screen=False),
    )
    anchors = anchors_of(r)
    groups: dict[tuple[str, str], list[Row]] = {}
    for x in r.results:
        key = (x.stratum.field_method, x.stratum.lab_method)
        groups.setdefault(key, []).append(_row(x, anchors[x.stratum.key]))
    rows: list[Row | Across] = []
    for (field, lab), of in groups.items():
        rows += [Across(words.AGAINST.format(field=field, lab=lab)), *of]
    return Table(columns, rows, compact=True)


def _row(x: StratumResult, anchor: str) -> Row:
    figures, verdict = by_key(x.statistics), x.verdict
    ratio = figures["geometric_mean_ratio"]
    shown, interval = ratio.texts(1)
    key = "absolute" if x.statistics.difference_scale == "absolute" else "log_ratio"
    low, high = figures[f"limits_{key}_lower"], figures[f"limits_{key}_upper"]
    unit = low.unit(x.unit)
    limits = words.TO.format(low=low.texts(x.per_mg_kg)[0], high=high.texts(x.per_mg_kg)[0])
    known = math.isfinite(low.value) and math.isfinite(high.value)
    where = range_of(verdict, x.unit, x.per_mg_kg)
    dated = where
    if verdict.valid_until and where != numbers.NONE:
        dated = words.RANGE_UNTIL.format(range=where, date=verdict.valid_until)
    return [
        Cell("", verdict=kind_of(x)),
        Cell(x.stratum.label, anchor=anchor),
        decision_marked(verdict),
        Cell(x.stratum.label, anchor=anchor),
        counted(x.statistics.n_used),
        Cell(shown if interval == numbers.NONE else f"{shown} ({interval})", ratio.value),
        Cell(f"{limits}{' ' + unit if unit else ''}" if known else numbers.NONE, low.value),
        Cell(where, verdict.range_low),
        dated,
        verdict.valid_until,
        verdict.reason,
        verdict.next_step,
        x.stratum.field_method,
        x.stratum.lab_method,
        Cell("", page_of=anchor),
    ]


def _account(r: Reconciliation) -> Table:
    """Every step with each reason of a loss; a step that loses nothing has one row."""
    shares = (0.24, 0.13, 0.09, 0.09, 0.08, 0.28, 0.09)
    columns = tuple(
        Column(heading, share, i in (2, 3, 4, 6), i < 2)
        for i, (heading, share) in enumerate(zip(words.ACCOUNT_HEADINGS, shares, strict=True))
    )
    rows: list[Row] = []
    for step in r.waterfall:
        (reason, n), *others = step.lost or (("", 0),)
        entered, kept = counted(step.entered), counted(step.kept)
        rows.append(
            [step.name, step.unit, entered, kept, counted(n), reason, counted(step.balance)]
        )
        rows += [["", "", "", "", counted(n), reason, ""] for reason, n in others]
    return Table(columns, rows, sortable=False)
