"""The registers of instruments and laboratories, and the conditions that readings state."""

from __future__ import annotations

from typing import Any

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model import Finding
from reconcile.base.registers import Conditions, Instrument, Laboratory, Registers
from reconcile.store.database import Store
from reconcile.store.statements import sql

_CONDITIONS = ("model", "software", "temperature", "filter", "gas_purge", "count_time_s")
_MOST = 8  # values of one condition that are named


def of_run(store: Store) -> Registers:
    """What the run's tables say. The rows must have their dispositions."""
    return Registers(
        tuple(Instrument(*row) for row in store.rows(sql("registers.instruments"))),
        tuple(Laboratory(*row) for row in store.rows(sql("registers.laboratories"))),
        tuple(_conditions(row) for row in store.rows(sql("registers.conditions"))),
    )


def _conditions(row: tuple[Any, ...]) -> Conditions:
    technique, instrument, calibration, *rest = row
    values = [
        (name, tuple(str(v) for v in many[:_MOST]))
        for name, many in zip(_CONDITIONS, rest[:6], strict=True)
        if many
    ]
    south, north, west, east = rest[6:]
    if south is not None and west is not None:
        values.append(("coordinates", (f"{south:g} to {north:g}", f"{west:g} to {east:g}")))
    return Conditions(technique, instrument, calibration, tuple(values))


def findings(store: Store, registers: Registers) -> tuple[Finding, ...]:
    """Readings after an instrument's calibration was due, results after a scope ended."""
    found = []
    for kind, name, last in store.rows(sql("registers.last_read")):
        if last is None:
            continue
        day = last.date().isoformat()
        if kind == "instrument":
            entry = registers.instrument(name)
            if entry and entry.calibration_due and day > entry.calibration_due:
                found.append(
                    Finding(
                        "quality", "warning", name,
                        f"The calibration of {name} was due on {entry.calibration_due}, and it "
                        f"read samples until {day}.",
                        advice="Have it calibrated, and enter the new date in the register of "
                        "instruments.",
                        code=FindingCode.CALIBRATION_OVERDUE,
                    )
                )  # fmt: skip
        else:
            ended = [
                x for x in registers.of_laboratory(name) if x.valid_until and day > x.valid_until
            ]
            found += [
                Finding(
                    "quality", "warning", name,
                    f"{x.accreditation or 'The scope'} of {name}"
                    f"{f' for {x.lab_method}' if x.lab_method else ''} ended on {x.valid_until}; "
                    f"results are dated until {day}.",
                    advice="Ask the laboratory for its scope of that day.",
                    code=FindingCode.SCOPE_ENDED,
                )
                for x in ended
            ]  # fmt: skip
    return tuple(found)
