"""What a run knows, and what it gave."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from reconcile.base.model.account import FileAccount, Finding, WaterfallStep
from reconcile.base.model.controls import ControlRecord, QualityCheck
from reconcile.base.model.release import Change, Reconciliation, StratumResult
from reconcile.base.model.singles import Pooling
from reconcile.base.model.stratum import Stratum
from reconcile.base.registers import Registers
from reconcile.base.selection import SelectionRecord
from reconcile.intake.workspace import FoundFile, MissingFile, Workspace
from reconcile.releases import release

if TYPE_CHECKING:  # a run in which nothing changed needs none of these
    from reconcile.base.grades import ConformityRecord
    from reconcile.base.laboratories import BetweenLaboratories, GroupShifts
    from reconcile.figures import laboratory_error
    from reconcile.figures.evaluation import Evaluated
    from reconcile.figures.gathered import Gathered
    from reconcile.intake.corrections import Correction
    from reconcile.judgement import scoring
    from reconcile.pairs.earlier import EarlierMonth
    from reconcile.pairs.month import Held
    from reconcile.pairs.pairing import Joined, RunFile
    from reconcile.pairs.sides import Side
    from reconcile.store.database import Store, StoredFile

Tell = Callable[[str], None]


NO_CHANGES: tuple[Change, ...] = ()


def silent(_: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True)
class Run:
    """All that a run knows so far; each step fills in its part."""

    workspace: Workspace
    period: str
    store: Store
    tell: Tell = silent
    found: tuple[FoundFile, ...] = ()
    missing: tuple[MissingFile, ...] = ()
    files: tuple[tuple[FoundFile, StoredFile], ...] = ()
    run_files: tuple[RunFile, ...] = ()
    corrections_refused: tuple[tuple[str, Correction, str], ...] = ()
    held: Held | None = None
    findings: tuple[Finding, ...] = ()
    told: tuple[Finding, ...] = ()  # of store and archive: no part of a release
    contents: dict[int, str] = field(default_factory=dict)  # what each file gave, by file_id
    quality: tuple[QualityCheck, ...] = ()
    controls: ControlRecord = field(default_factory=ControlRecord)
    custody_status: dict[str, str] = field(default_factory=dict)
    custody_broken_by: dict[str, str] = field(default_factory=dict)  # rules, by sample id
    custody_head: str = ""
    custody_gone: tuple[str, ...] = ()  # custody files that a release used and that are gone
    lab_errors: dict[tuple[str, str], laboratory_error.LabError] = field(default_factory=dict)
    means: tuple[Side, Side] | None = None  # of the samples, field and laboratory
    marks: pd.DataFrame | None = None  # of the rows behind the pairs, see pairs.repeats
    joined: Joined | None = None
    pairs: pd.DataFrame = field(default_factory=pd.DataFrame)
    pooling: dict[str, Pooling] = field(default_factory=dict)  # by stratum key
    steps_of_account: tuple[WaterfallStep, ...] = ()
    account_of_files: tuple[FileAccount, ...] = ()
    evaluated: tuple[tuple[Stratum, Evaluated], ...] = ()
    earlier: tuple[EarlierMonth, ...] = ()
    gathered: dict[str, Gathered] = field(default_factory=dict)  # by stratum key
    results: tuple[StratumResult, ...] = ()
    factor_scores: tuple[scoring.FactorScore, ...] = ()
    earlier_mark: tuple[str, ...] = ()  # what the scores took from earlier releases
    conformity: ConformityRecord | None = None
    selection: SelectionRecord = field(default_factory=SelectionRecord)
    registers: Registers = field(default_factory=Registers)
    laboratories: tuple[BetweenLaboratories, ...] = ()
    group_shifts: tuple[GroupShifts, ...] = ()
    outcome: RunOutcome | None = None


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """What a run gave."""

    release_folder: Path
    reconciliation: Reconciliation
    new_release: bool
    told: tuple[Finding, ...] = ()  # of store and archive: no part of the release
    #: Data files of the release that hold something else than was computed now: the
    #: release stands, and nothing of ``reconciliation`` was recorded.
    differing: tuple[str, ...] = ()
    record_lines: int = 0  # of the record, with this release
    record_head: str = ""  # the last one's hash

    @property
    def needs_a_person(self) -> bool:
        """True where something was found that a person should look at."""
        return release.needs_a_person(self.reconciliation) or any(
            f.severity != "note" for f in self.told
        )


def of_run(run: Run, table: str) -> pd.DataFrame:
    """The stored rows of one kind that belong to this run."""
    from reconcile.store.statements import quoted, sql

    frame = run.store.frame(sql("state.rows_of_run", rows=quoted(table)))
    for column in frame.columns:
        if pd.api.types.is_datetime64_any_dtype(frame[column]):
            frame[column] = frame[column].dt.tz_localize("UTC")
    return frame
