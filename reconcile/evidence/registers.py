"""The registers of instruments, laboratories and people, and the conditions of readings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.registers import (
    INSTRUMENT,
    LABORATORY,
    PERSON,
    CertificateText,
    Conditions,
    Doubt,
    Instrument,
    Laboratory,
    Reader,
    Registers,
    Said,
    said_of,
)
from reconcile.releases.persons import Person, Register, may_read
from reconcile.store.database import Store
from reconcile.store.statements import sql

#: Column of a pair table: what the registers and documents say against the pair; codes.
DOUBTS = "doubts"
_CONDITIONS = ("model", "software", "temperature", "filter", "gas_purge", "count_time_s")
_MOST = 8  # values of one condition that are named


def of_run(
    store: Store, people: Register, certificates: tuple[CertificateText, ...] = ()
) -> Registers:
    """What the run's tables and the register of people say. Rows must have dispositions."""
    files = [row[0] for row in store.rows(sql("registers.files"))]
    return Registers(
        _instruments(store, files),
        _laboratories(store, files),
        tuple(_conditions(row) for row in store.rows(sql("registers.conditions"))),
        _readers(store.rows(sql("registers.readers")), people),
        certificates,
    )


def _instruments(store: Store, files: Sequence[int]) -> tuple[Instrument, ...]:
    both = [list(files), list(files)]
    return tuple(Instrument(*row) for row in store.rows(sql("registers.instruments"), both))


def _laboratories(store: Store, files: Sequence[int]) -> tuple[Laboratory, ...]:
    both = [list(files), list(files)]
    return tuple(Laboratory(*row) for row in store.rows(sql("registers.laboratories"), both))


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


def _readers(
    rows: Iterable[tuple[str, str, datetime | None]], people: Register
) -> tuple[Reader, ...]:
    """Those of the field rows' operators whom the register of people holds."""
    last: dict[tuple[str, str], tuple[Person, str]] = {}
    for operator, technique, moment in rows:
        day = "" if moment is None else moment.date().isoformat()
        for person in people.named_in(operator):
            before = last.get((person.id, technique), (person, ""))[1]
            last[person.id, technique] = person, max(before, day)
    return tuple(
        Reader(p.name, p.role, p.authorised_for, p.authorised_until, technique, day)
        for (_, technique), (p, day) in sorted(last.items())
    )


def of_sample(
    store: Store, files: Sequence[int], names: Iterable[str], people: Register
) -> tuple[Said, ...]:
    """What the registers say of the instruments, laboratories and persons behind one sample."""
    found = store.frame(
        sql("registers.of_sample"), {"files": list(files), "names": sorted(names)}
    ).to_numpy()
    known = Registers(_instruments(store, files), _laboratories(store, files))
    said: list[Said] = []
    for kind, name, more in found.tolist():
        if kind == INSTRUMENT and (entry := known.instrument(name)) is not None:
            said.append(said_of(INSTRUMENT, name, entry))
        elif kind == LABORATORY:
            of_method = [x for x in known.of_laboratory(name) if x.lab_method in ("", more or "")]
            said += [said_of(LABORATORY, name, x) for x in of_method]
        elif kind == PERSON:
            said += [
                said_of(PERSON, reader.name, reader)
                for reader in _readers([(name, more or "", None)], people)
            ]
    return tuple(dict.fromkeys(said))


# ---- what is told -----------------------------------------------------------------------


def findings(store: Store, registers: Registers, people: Register) -> tuple[Finding, ...]:
    """Readings after a calibration was due or an authorisation ended, results after a scope did."""
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
    return (*found, *_of_readers(registers.readers, people))


def _of_readers(readers: Iterable[Reader], people: Register) -> list[Finding]:
    found = []
    for r in readers:
        if r.authorised_until and r.last_day > r.authorised_until:
            found.append(
                Finding(
                    "quality", "warning", r.name,
                    f"{r.name} was authorised until {r.authorised_until}, and read samples"
                    f"{f' by {r.technique}' if r.technique else ''} until {r.last_day}.",
                    advice=f"Have the readings looked at by an authorised person, and enter the "
                    f"new date in {people.path}.",
                    code=FindingCode.READER_NO_LONGER_AUTHORISED,
                )
            )  # fmt: skip
        if not may_read(people, r.authorised_for, r.technique):
            found.append(
                Finding(
                    "quality", "warning", r.name,
                    f"{r.name} read samples{f' by {r.technique}' if r.technique else ''}, for "
                    f"which {people.path} does not authorise them.",
                    advice=f"Have an authorised person read, or write 'read {r.technique}' into "
                    f"'authorised for' of {people.path}.",
                    code=FindingCode.READER_NOT_AUTHORISED,
                )
            )  # fmt: skip
    return found


# ---- pairs ------------------------------------------------------------------------------


def doubted(
    pairs: pd.DataFrame, registers: Registers, people: Register, methods: pd.DataFrame
) -> pd.DataFrame:
    """The pairs with the column DOUBTS, where registers or documents say something against one.

    ``methods``: one row for each pair: instrument, laboratory, lab_method, technique. A pair
    with a doubt stays in: a person judges.
    """
    if not (registers.said() or any(c.differing for c in registers.certificates)):
        return pairs
    marks: list[tuple[Doubt, np.ndarray[Any, Any]]] = []
    field_day, lab_day = (
        pd.to_datetime(pairs[name], utc=True).dt.strftime("%Y-%m-%d").fillna("").to_numpy(str)
        for name in ("field_time", "lab_time")
    )
    for entry in registers.instruments:
        if entry.calibration_due:
            of_it = methods["instrument"].eq(entry.instrument).to_numpy()
            marks.append((Doubt.CALIBRATION_OVERDUE,
                          of_it & (field_day > entry.calibration_due)))  # fmt: skip
    for lab in registers.laboratories:
        if lab.valid_until:
            of_it = methods["laboratory"].eq(lab.laboratory).to_numpy()
            if lab.lab_method:
                of_it = of_it & methods["lab_method"].eq(lab.lab_method).to_numpy()
            marks.append((Doubt.SCOPE_ENDED, of_it & (lab_day > lab.valid_until)))
    named = {
        text: {p.name for p in people.named_in(text)} for text in {*_texts(pairs["operator"])}
    } if "operator" in pairs and registers.readers else {}  # fmt: skip
    for r in registers.readers:
        texts = [text for text, names in named.items() if r.name in names]
        of_it = np.array([bool({*_many(x)} & {*texts}) for x in pairs["operator"]], dtype=bool)
        of_it = of_it & methods["technique"].eq(r.technique).to_numpy()
        if r.authorised_until:
            marks.append((Doubt.NO_LONGER_AUTHORISED,
                          of_it & (field_day > r.authorised_until)))  # fmt: skip
        if not may_read(people, r.authorised_for, r.technique):
            marks.append((Doubt.NOT_AUTHORISED, of_it))
    for c in registers.certificates:
        for d in c.differing:
            of_it = (pairs["sample_id"].eq(d.sample_id) & pairs["element"].eq(d.element)).to_numpy()
            at = np.flatnonzero(of_it)
            answered = [i for i in at if c.certificate in _many(pairs["certificate"].iloc[i])]
            mask = np.zeros(len(pairs), dtype=bool)
            mask[answered] = True
            marks.append((Doubt.CERTIFICATE_DIFFERS, mask))
    if not any(mask.any() for _, mask in marks):
        return pairs
    told = np.full(len(pairs), "", dtype=object)
    for code in dict.fromkeys(code for code, _ in marks):
        mask = np.logical_or.reduce([m for c, m in marks if c == code])
        told[mask] = [f"{before}; {code}" if before else str(code) for before in told[mask]]
    return pairs.assign(**{DOUBTS: told})


def _texts(column: Iterable[object]) -> list[str]:
    return [text for cell in column for text in _many(cell)]


def _many(cell: object) -> tuple[str, ...]:
    return tuple(map(str, cell)) if isinstance(cell, tuple | list) else (str(cell),)
