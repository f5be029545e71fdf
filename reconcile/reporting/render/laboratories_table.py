"""Laboratories and certificates beside each other as they stand in ``laboratories.csv``."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from reconcile.base.laboratories import BetweenLaboratories, CertificateShift
from reconcile.base.model import Reconciliation
from reconcile.statistics.result import Estimate

COLUMNS = (
    "kind", "element", "stratum", "first_laboratory", "first", "second_laboratory", "second",
    "moisture_basis", "stands", "day", "n", "limited", "figure", "value", "low", "high", "unit",
    "p_value", "told",
)  # fmt: skip
BETWEEN, CERTIFICATE = "laboratories", "certificates"


def holds_any(r: Reconciliation) -> bool:
    """True where there is something to show."""
    return bool(r.laboratories or r.certificate_shifts)


def rows(r: Reconciliation) -> Iterator[list[Any]]:
    """COLUMNS: one row per figure of two laboratories, and per certificate of a stratum."""
    for x in r.laboratories:
        yield from _between(x)
    for shift in r.certificate_shifts:
        yield from _certificates(r, shift)


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


def _certificates(r: Reconciliation, x: CertificateShift) -> Iterator[list[Any]]:
    element = next((s.stratum.element for s in r.results if s.stratum.key == x.stratum), "")
    unit = "1" if x.relative else "mg/kg"

    def row(certificate: str, day: str, name: str, e: Estimate, p: float) -> list[Any]:
        return [
            CERTIFICATE, element, x.stratum, x.laboratory, certificate, x.laboratory, "", "",
            None, day, e.n, None, name, e.value, e.low, e.high, unit, p, "told" if x.told else "",
        ]  # fmt: skip

    for m in x.means:
        yield row(m.certificate, m.day, "shift_from_others", m.shift, x.p_value)
    yield row("", "", "shift_in_30_days", x.by_date, x.p_by_date)
