"""A month as it is released: all results, and whence they come."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from reconcile.base.model.account import FileAccount, Finding, WaterfallStep
from reconcile.base.model.controls import ControlRecord, QualityCheck
from reconcile.base.model.figures import StratumStatistics
from reconcile.base.model.months import Evidence
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.tables import CORRECTION_COLUMNS
from reconcile.base.model.verdict import CorrectionFactor, Verdict
from reconcile.base.registers import Registers
from reconcile.base.selection import SelectionRecord
from reconcile.statistics.equality import equal_with_nan

if TYPE_CHECKING:
    import pandas as pd

    from reconcile.base.grades import ConformityRecord
    from reconcile.base.laboratories import BetweenLaboratories, GroupShifts


def no_corrections() -> pd.DataFrame:
    """A table of corrections without rows; pandas is loaded where one is asked for."""
    import pandas as pd

    return pd.DataFrame(columns=list(CORRECTION_COLUMNS))


@equal_with_nan
@dataclass(frozen=True, slots=True)
class StratumResult:
    """Everything that the report says of one stratum."""

    stratum: Stratum
    unit: str  # the reader's unit, e.g. "%", "mg/kg", "g/t"
    per_mg_kg: float  # multiply mg/kg by this to show it in ``unit``
    pairs: pd.DataFrame  # PAIR_COLUMNS
    statistics: StratumStatistics
    factor: CorrectionFactor | None
    verdict: Verdict
    sentences: tuple[str, ...]  # two or three, plain words, numbers with units
    notes: tuple[str, ...] = ()  # digestion basis, mixed limits, suspected faults …
    decision_levels: tuple[tuple[str, float], ...] = ()  # name, mg/kg
    evidence: Evidence | None = None


@dataclass(frozen=True, slots=True)
class InputFile:
    """One file that went into the period."""

    path: str  # relative to the workspace, forward slashes
    sha256: str
    size: int
    kind: str
    rows: int
    accepted: int
    refused_rows: int
    refused_cells: int  # in accepted rows
    contents: str = ""  # digest of what was read from it, see ``contents.digest_of``


@dataclass(frozen=True, slots=True)
class Change:
    """One difference from the release before."""

    what: str
    before: str
    after: str


@equal_with_nan
@dataclass(frozen=True, slots=True)
class EarlierResult:
    """What the latest release of an earlier period said of one stratum."""

    period: str
    release_id: str
    stratum: str  # Stratum.key
    used: int
    ratio: float  # geometric mean of field/lab; NaN where not estimable
    low: float  # its interval; NaN where none was kept
    high: float
    verdict: str
    wrong_at_most: float = float("nan")  # expected number of wrong acceptances; NaN: not kept


@dataclass(frozen=True, slots=True)
class SignOff:
    """What one person said of a release."""

    act: str  # prepared, checked, approved, accepted or refused
    by: str
    role: str
    at: str  # ISO 8601 with zone
    text: str
    person: str = ""  # id in the register of people
    signed: bool = False  # with a key


@dataclass(frozen=True, slots=True)
class SettingLine:
    """One setting as the report prints it."""

    name: str
    value: str
    meaning: str


#: When the audit volume is written.
ON_DEMAND, EACH_RUN = "on demand", "each run"


@dataclass(frozen=True, slots=True)
class Awaited:
    """Samples of one dispatch that were read in the field and have no laboratory result."""

    dispatch: str
    sent: str  # ISO time; "" where the register does not say
    samples: int


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Reconciliation:
    """One period's reconciliation: all that the report, workbook and tables show."""

    title: str
    period: str
    revision: int
    release_id: str  # e.g. "north-pit-2026-10-r1-3fa9c2d4"
    status: str  # "draft" until signed off; then the last act
    supersedes: str  # release id of the revision before, or ""
    prepared_for: str
    prepared_by: str
    purpose: str
    data_until: str  # ISO time of the latest event in the inputs; "" where none
    code_version: str
    inputs_hash: str
    settings_hash: str
    custody_head: str  # head of the event chain
    results: tuple[StratumResult, ...]
    waterfall: tuple[WaterfallStep, ...]
    exclusions: pd.DataFrame  # EXCLUSION_COLUMNS
    quarantine: pd.DataFrame  # QUARANTINE_COLUMNS
    field_only: tuple[str, ...]  # sample ids without lab result
    lab_only: tuple[str, ...]  # sample ids without field reading
    findings: tuple[Finding, ...]
    quality: tuple[QualityCheck, ...]
    inputs: tuple[InputFile, ...]
    settings: tuple[SettingLine, ...]
    changes: tuple[Change, ...] = ()
    history: tuple[EarlierResult, ...] = ()  # of earlier periods, oldest first
    paper: str = "A4"
    language: str = "en"
    decimal_mark: str = "."
    date_style: str = "year-month-day"
    own_pages: int = 6  # strata with a page of their own in the report, at most
    page_pairs: int = 300  # of one stratum in the page's tables, at most
    page_at_once: int = 200  # of a stratum up to which the page holds them unpacked
    csv_pairs: int = 20_000  # of the release up to which its table of pairs is a CSV file
    workbook_pairs: int = 20_000  # in each of the workbook's sheets of pairs, at most
    near: float = 0.8  # share of the margin from which a bias is near it
    audit: str = ON_DEMAND  # or EACH_RUN: when audit.pdf is written
    controls: ControlRecord = field(default_factory=ControlRecord)
    corrections: pd.DataFrame = field(  # CORRECTION_COLUMNS
        default_factory=no_corrections
    )
    account_of_files: tuple[FileAccount, ...] = ()
    conformity: ConformityRecord | None = None  # where the settings name specification limits
    custody_gone: tuple[str, ...] = ()  # custody files that a release used and that are gone
    record_lines: int = 0  # lines of the record before this release
    record_head: str = ""  # the last one's hash
    rows: str = ""  # digest of the accepted rows
    factor_scores: tuple[Any, ...] = ()  # judgement.scoring.FactorScore
    laboratories: tuple[BetweenLaboratories, ...] = ()
    group_shifts: tuple[GroupShifts, ...] = ()
    selection: SelectionRecord = field(default_factory=SelectionRecord)
    registers: Registers = field(default_factory=Registers)
    evidence_in_brief: tuple[Mapping[str, Any], ...] = ()  # releases behind the verdicts
    factor_scores_in_brief: tuple[Mapping[str, Any], ...] = ()  # as the manifest keeps them
    acts: tuple[SignOff, ...] = ()  # of persons; none is part of a release as it is written
    site: str = ""  # its short name; "" where the settings state none
    awaited: tuple[Awaited, ...] = ()  # by dispatch
