"""Look at the inputs only: what was found, how it was understood, what was refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from reconcile.base.model import Finding
from reconcile.intake import workspace as ws
from reconcile.pairs import filing
from reconcile.pairs.grouping import Grouping, groupings
from reconcile.pairs.laboratories import Answered, answered
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

    @property
    def needs_a_person(self) -> bool:
        """True where something was refused or is unclear."""
        return bool(
            len(self.quarantine)
            or any(f.severity != "note" for f in self.findings)
            or self.columns["role"].isin(("unclear", "asked")).any()
        )


def check(
    folder: Path,
    period: str,
    tell: Callable[[str], None] = lambda text: None,
    step_started: Callable[[int, str], None] = lambda number, name: None,
) -> CheckReport:
    """Walk the reading steps and report; nothing is released."""
    workspace = ws.load_workspace(folder)
    with Store(workspace.store_file) as store:
        run = pipeline.begin(workspace, period, store, tell)
        for number, (name, step) in enumerate(pipeline.CHECK_STEPS):
            step_started(number, name)
            run = step(run)
        named = store.frame(sql("checking.files"))  # fmt: skip
        files = named.merge(filing.counts_of_files(store), on="file_id", how="left")
        columns = store.frame(sql("checking.columns"))
        notes = store.frame(sql("checking.notes"))
        return CheckReport(
            period, files, columns, pipeline.quarantine_of(run), notes,
            (*run.told, *run.findings),
            groupings(store),
            answered(store),
        )  # fmt: skip
