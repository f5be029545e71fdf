"""Where rows, files and samples went, and what was found on the way."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reconcile.base.finding_codes import BLOCKING, SETTLED_BY_PERSONS

if TYPE_CHECKING:
    pass


@dataclass(frozen=True, slots=True)
class WaterfallStep:
    """One line of the account: ``entered`` = ``kept`` + the sum of ``lost``."""

    name: str
    unit: str  # what is counted: rows, readings, samples, pairs
    entered: int
    kept: int
    lost: tuple[tuple[str, int], ...] = ()  # reason, count

    @property
    def balance(self) -> int:
        """Zero where nothing was lost or invented."""
        return self.entered - self.kept - sum(count for _, count in self.lost)


@dataclass(frozen=True, slots=True)
class FileAccount:
    """What became of the lines and rows of one sheet in one reading; every step balances.

    ``lines`` and ``read`` enter what was counted in the file apart from its reading.
    """

    path: str
    sheet: str
    kind: str
    table: str  # which [[table]] read it
    again: bool  # the same sheet was read by an earlier [[table]] too
    lines: WaterfallStep  # lines (of a workbook: rows) that hold something -> rows below headings
    read: WaterfallStep  # rows of the sheet -> accepted
    use: (
        WaterfallStep | None
    )  # accepted -> rows that hold a result of a sample in this period; field and lab

    @property
    def steps(self) -> tuple[WaterfallStep, ...]:
        """All steps, in order."""
        return (self.lines, self.read) + (() if self.use is None else (self.use,))


FAULT, NO_FAULT = "fault", "no fault"


@dataclass(frozen=True, slots=True)
class Settlement:
    """What a person said of a finding, as the record holds it."""

    verdict: str  # FAULT or NO_FAULT
    by: str
    reason: str
    at: str  # ISO time


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a person should look at: quality, custody, identity or diagnosis."""

    area: str  # quality | custody | identity | diagnosis | intake
    severity: str  # note | warning | serious
    subject: str  # sample, batch, certificate, file …
    text: str  # what was found, plain words
    evidence: str = ""
    advice: str = ""
    code: str = ""  # what kind of finding: a FindingCode, or the rule of a custody break
    parameters: tuple[tuple[str, str], ...] = ()  # what tells it from others of its code
    strata: tuple[str, ...] = ()  # keys of the strata that it speaks of
    settled: Settlement | None = None

    @property
    def id(self) -> str:
        """What names it in this and later releases, where a person can settle it: code, subject
        and parameters, no words; else ''."""
        if self.code not in SETTLED_BY_PERSONS:
            return ""
        content = json.dumps([self.code, self.subject, self.parameters], ensure_ascii=False)
        return f"F-{hashlib.sha256(content.encode('utf-8', 'surrogatepass')).hexdigest()[:10]}"

    @property
    def blocks(self) -> bool:
        """True where the verdicts of its strata must wait for it."""
        if self.settled is not None:
            return self.settled.verdict == FAULT
        return self.code in BLOCKING
