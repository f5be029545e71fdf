"""The table of laboratories, certificates and operators beside each other: laboratories.csv."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from reconcile.base.laboratories import CERTIFICATES, BetweenLaboratories, GroupShifts
from reconcile.base.model.release import Reconciliation
from reconcile.statistics.result import Estimate

COLUMNS = (
    "kind", "element", "stratum", "first_laboratory", "first", "second_laboratory", "second",
    "moisture_basis", "stands", "day", "n", "limited", "figure", "value", "low", "high", "unit",
    "p_value", "told",
)  # fmt: skip
BETWEEN = "laboratories"


def holds_any(r: Reconciliation) -> bool:
    """True where there is something to show."""
    return bool(r.laboratories or r.group_shifts)


def rows(r: Reconciliation) -> Iterator[list[Any]]:
    """COLUMNS: one row per figure of two laboratories, and per certificate or operator."""
    for x in r.laboratories:
        yield from _between(x)
    for shift in r.group_shifts:
        yield from _groups(r, shift)


def _between(x: BetweenLaboratories) -> Iterator[list[Any]]:
    for name, e, unit in (
        ("geometric_mean_ratio", x.ratio, "1"),
        ("mean_difference", x.difference, "mg/kg"),
        ("limits_log_ratio_lower", x.lower, "1"),
        ("limits_log_ratio_upper", x.upper, "1"),
        ("share_within", x.share, "1"),
    ):
        yield [
            BETWEEN, x.element, "", x.first.laboratory, x.first.text, x.second.laboratory,
            x.second.text, x.moisture_basis, x.stands, "", x.n, x.limited, name,
            e.value, e.low, e.high, unit, math.nan, x.outcome,
        ]  # fmt: skip


def _groups(r: Reconciliation, x: GroupShifts) -> Iterator[list[Any]]:
    element = next((s.stratum.element for s in r.results if s.stratum.key == x.stratum), "")
    unit = "1" if x.relative else "mg/kg"

    def row(name: str, day: str, figure: str, e: Estimate, p: float) -> list[Any]:
        return [
            x.kind, element, x.stratum, x.of, name, x.of, "", "",
            None, day, e.n, None, figure, e.value, e.low, e.high, unit, p, "told" if x.told else "",
        ]  # fmt: skip

    for m in x.means:
        yield row(m.name, m.day, "shift_from_others", m.shift, x.p_value)
    if x.kind == CERTIFICATES:
        yield row("", "", "shift_in_30_days", x.by_date, x.p_by_date)
