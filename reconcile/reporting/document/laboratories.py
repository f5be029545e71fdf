"""Laboratory against laboratory on the same samples, and the certificates of one laboratory."""

from __future__ import annotations

from reconcile.base.laboratories import BetweenLaboratories, GroupMean, GroupShifts
from reconcile.base.model.release import Reconciliation
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

_ROWS = 40  # on paper
_FILE = "laboratories.csv"


def section(r: Reconciliation) -> list[Section]:
    """Both tables; nothing where one laboratory gave one certificate."""
    if not (r.laboratories or r.group_shifts):
        return []
    blocks: list[Block] = []
    if r.laboratories:
        share = numbers.percent(r.laboratories[0].share_margin)
        intro = Text(words.LABORATORIES_INTRO.format(share=share), "small")
        blocks.append(Titled(words.LABORATORIES_TITLE, (intro, _between(r))))
    for kind, (title, told, level, size) in words.GROUPS.items():
        if shifts := [x for x in r.group_shifts if x.kind == kind]:
            text = told.format(level=_setting(r, level), size=_setting(r, size))
            blocks.append(Titled(title, (Text(text, "small"), _groups(shifts, kind))))
    return [Section("laboratories", words.LABORATORIES, tuple(blocks))]


def _setting(r: Reconciliation, name: str) -> str:
    return next((s.value for s in r.settings if s.name == name), words.NOT_STATED)


def _between(r: Reconciliation) -> Table:
    element, first, second, n, ratio, interval, limits, share, bias = words.LABORATORY_HEADINGS
    return Table(
        (
            Column(element, 0.07), Column(first, 0.17, given=True),
            Column(second, 0.17, given=True), Column(n, 0.08, number=True),
            Column(ratio, 0.07, number=True), Column(interval, 0.12, number=True),
            Column(limits, 0.10, number=True), Column(share, 0.08, number=True),
            Column(bias, 0.14),
        ),
        [_compared(x) for x in r.laboratories],
        most=_ROWS, rest=_FILE, file=_FILE, compact=True,
    )  # fmt: skip


def _compared(x: BetweenLaboratories) -> list[str | Cell]:
    ratio, interval = numbers.of_estimate(x.ratio)
    n = numbers.plain(float(x.n), 0)
    if x.limited:
        n = words.LABORATORY_LIMITED.format(n=n, limited=x.limited)
    first = words.LABORATORY_STANDS.format(laboratory=x.first.text) if x.stands else x.first.text
    share = numbers.percent(x.share.value) if x.share.estimable else numbers.NONE
    said = words.LABORATORY_BIAS[x.outcome].format(margin=numbers.percent(x.margin))
    return [
        x.element, first, x.second.text, Cell(n, float(x.n)), ratio, interval,
        numbers.interval_of_numbers(x.lower.value, x.upper.value), share,
        Cell(said, bold=x.beyond),
    ]  # fmt: skip


def _groups(shifts: list[GroupShifts], kind: str) -> Table:
    name, many, p, far, shift, interval, by_date, p_date, call = words.GROUP_HEADINGS[kind]
    return Table(
        (
            Column(name, 0.22, given=True), Column(many, 0.09, number=True),
            Column(p, 0.08, number=True), Column(far, 0.17, given=True),
            Column(shift, 0.09, number=True), Column(interval, 0.13, number=True),
            Column(by_date, 0.09, number=True), Column(p_date, 0.07, number=True),
            Column(call, 0.06),
        ),
        [_shifted(x) for x in sorted(shifts, key=lambda s: not s.told)],
        most=_ROWS, rest=_FILE, file=_FILE, compact=True,
    )  # fmt: skip


def _shifted(x: GroupShifts) -> list[str | Cell]:
    far = max(x.means, key=_size)
    shift, interval = _shown(far.shift, x.relative)
    by_date, _ = _shown(x.by_date, x.relative)
    return [
        x.label, counted(len(x.means)), numbers.p_text(x.p_value), far.name, shift, interval,
        by_date, numbers.p_text(x.p_by_date),
        Cell(words.CERTIFICATE_CALL[x.told], bold=x.told),
    ]  # fmt: skip


def _size(mean: GroupMean) -> float:
    return abs(mean.shift.value)


def _shown(e: Estimate, relative: bool) -> tuple[str, str]:
    unit = "%" if relative else "mg/kg"
    value, interval = numbers.of_estimate(e, 100.0 if relative else 1.0, signed=True)
    if value == numbers.NONE:
        return value, interval
    return f"{value}\N{NO-BREAK SPACE}{unit}", interval
