"""Look at the inputs only: what was found, how it was understood, what was refused."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

import pandas as pd

from reconcile.base.model.account import Finding
from reconcile.base.registers import Registers
from reconcile.base.writing import write_whole
from reconcile.intake import workspace as ws
from reconcile.pairs import filing
from reconcile.pairs.grouping import Grouping, groupings
from reconcile.pairs.laboratories import Answered, answered
from reconcile.reporting.render.tables import CORRECTION_ENTRIES, QUARANTINE_FILE, quarantine_csv
from reconcile.run import pipeline
from reconcile.store.database import Store
from reconcile.store.statements import sql


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What ``check`` shows."""

    period: str
    files: pd.DataFrame  # path, kind, problem, and the columns of filing.counts_of_files
    columns: pd.DataFrame  # path, sheet, heading, role, meaning, unit, why
    quarantine: pd.DataFrame  # model.QUARANTINE_COLUMNS
    notes: pd.DataFrame  # path, text
    findings: tuple[Finding, ...]
    readings: tuple[Grouping, ...] = ()  # what told the readings of each field file apart
    laboratories: tuple[Answered, ...] = ()
    registers: Registers = field(default_factory=Registers)
    listed: Path | None = None  # the file in which every refusal stands; None where none is

    @property
    def needs_a_person(self) -> bool:
        """True where something was refused or is unclear."""
        return bool(
            len(self.quarantine)
            or any(f.severity != "note" for f in self.findings)
            or self.columns["role"].isin(("unclear", "asked")).any()
        )


def check(
    folder: str | os.PathLike[str],
    period: str,
    tell: Callable[[str], None] = lambda text: None,
    step_started: Callable[[int, str], None] = lambda number, name: None,
) -> CheckReport:
    """Walk the reading steps and report; nothing is released.

    Every refusal is listed in ``out/check/<period>/quarantine.csv``.
    """
    workspace = ws.load_workspace(folder)
    with Store(workspace.store_file, engine=workspace.engine) as store:
        run = pipeline.begin(workspace, period, store, tell)
        for number, (name, step) in enumerate(pipeline.CHECK_STEPS):
            step_started(number, name)
            run = step(run)
        named = store.frame(sql("checking.files"))  # fmt: skip
        files = named.merge(filing.counts_of_files(store), on="file_id", how="left")
        columns = store.frame(sql("checking.columns"))
        notes = store.frame(sql("checking.notes"))
        refused = pipeline.quarantine_of(run)
        return CheckReport(
            period, files, columns, refused, notes,
            (*run.told, *run.findings),
            groupings(store),
            answered(store),
            run.registers,
            _listed(workspace.output / "check" / run.period, refused),
        )  # fmt: skip


def _listed(folder: Path, refused: pd.DataFrame) -> Path | None:
    """Write every refusal, in the form in which a release lists them and a person corrects them.

    A list in which somebody has entered corrections stays; the new one gets a number.
    """
    content = quarantine_csv(refused)
    for number in count(1):
        path = folder / (QUARANTINE_FILE if number == 1 else f"quarantine-{number}.csv")
        there = path.read_bytes() if path.exists() else b""
        if there == content:
            return path if len(refused) else None
        if not there or not _filled_in(there):
            if not there and refused.empty:
                return None
            write_whole(path, content)
            return path if len(refused) else None
    raise AssertionError  # count has no end


def _filled_in(content: bytes) -> bool:
    """Whether a person wrote into the list; what can't be read is a person's too."""
    try:
        rows = csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline=""))
        return any((row.get(name) or "").strip() for row in rows for name in CORRECTION_ENTRIES)
    except (UnicodeDecodeError, csv.Error):
        return True
