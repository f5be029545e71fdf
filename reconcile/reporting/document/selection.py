"""How samples were chosen for the laboratory, what that does to the bias, the share sent."""

from __future__ import annotations

from reconcile.base.model.release import Reconciliation
from reconcile.base.selection import OfStratum
from reconcile.reporting import numbers, words
from reconcile.reporting.document.blocks import (
    Block,
    Cell,
    Column,
    Section,
    Table,
    Text,
    Titled,
    counted,
)
from reconcile.statistics.result import Estimate

_ROWS = 40
_FILE = "selection.csv"


def section(r: Reconciliation) -> list[Section]:
    """Both tables; nothing without a pair."""
    found = r.selection
    if not found.strata:
        return []
    most = numbers.percent(found.strata[0].most_rpd)
    intro = words.SELECTION_INTRO if found.stated else words.SELECTION_UNSTATED
    blocks: list[Block] = [
        Text(intro, "small"), Text(words.SELECTION_RPD.format(most=most), "small"),
        _strata(found.strata),
        Titled(
            words.SELECTION_SENT, (Text(words.SELECTION_SENT_INTRO, "small"), _sent(r)), whole=True
        ),
    ]  # fmt: skip
    return [Section("selection", words.SELECTION, tuple(blocks))]


def _strata(strata: tuple[OfStratum, ...]) -> Table:
    name, chosen, bias, interval, weighted, of_weighted, rpd, agreed = words.SELECTION_HEADINGS
    return Table(
        (
            Column(name, 0.25), Column(chosen, 0.22), Column(bias, 0.09, number=True),
            Column(interval, 0.12, number=True), Column(weighted, 0.08, number=True),
            Column(of_weighted, 0.11, number=True), Column(rpd, 0.07, number=True),
            Column(agreed, 0.06, number=True),
        ),
        [_row(s) for s in sorted(strata, key=lambda s: not s.only_ends)],
        most=_ROWS, rest=_FILE, file=_FILE, compact=True,
    )  # fmt: skip


def _row(s: OfStratum) -> list[str | Cell]:
    chosen = "; ".join(f"{name or words.SELECTION_NOT_STATED} {n}" for name, n in s.counts)
    if s.only_ends:
        chosen = f"{chosen}: {words.SELECTION_ENDS}"
    high = s.rpd.estimable and s.rpd.value > s.most_rpd
    rpd = numbers.percent(s.rpd.value) if s.rpd.estimable else numbers.NONE
    plain = (numbers.NONE, numbers.NONE) if s.only_ends else _bias(s.plain, s.relative)
    return [
        s.label, chosen, *plain, *_bias(s.weighted, s.relative),
        Cell(rpd, s.rpd.value if s.rpd.estimable else None, bold=high),
        numbers.percent(s.most_rpd),
    ]  # fmt: skip


def _bias(e: Estimate, relative: bool) -> tuple[str, str]:
    if not relative:
        return numbers.of_estimate(e, signed=True)
    return numbers.of_estimate(e)


def _sent(r: Reconciliation) -> Table:
    kind, read, answered, share, planned = words.SELECTION_SENT_HEADINGS
    return Table(
        (
            Column(kind, 0.52, given=True), Column(read, 0.12, number=True),
            Column(answered, 0.12, number=True), Column(share, 0.12, number=True),
            Column(planned, 0.12, number=True),
        ),
        [
            [
                k.kind, counted(k.read), counted(k.answered),
                Cell(numbers.percent(k.share), k.share, bold=k.share < k.planned),
                numbers.percent(k.planned),
            ]
            for k in r.selection.sent
        ],
        most=_ROWS, rest=_FILE, file=_FILE, compact=True,
    )  # fmt: skip
