"""What a run or a check can show beyond its answer: names that the command line takes."""

from __future__ import annotations

from enum import StrEnum


class Show(StrEnum):
    """One table, or all of them."""

    VERDICTS = "verdicts"
    ACCOUNT = "account"
    FINDINGS = "findings"
    CHANGES = "changes"
    ALL = "all"


class Only(StrEnum):
    """A document of a release, or its pairs as CSV."""

    REPORT = "report"
    AUDIT = "audit"
    WORKBOOK = "workbook"
    PAGE = "page"
    PAIRS = "pairs"


class With(StrEnum):
    """What a run can write beyond its release."""

    AUDIT = "audit"


class Look(StrEnum):
    """One whole list of ``check``, or all of them."""

    FILES = "files"
    COLUMNS = "columns"
    REFUSALS = "refusals"
    FINDINGS = "findings"
    NOTES = "notes"
    ALL = "all"


class Needs(StrEnum):
    """What a plan can show beyond its choice."""

    NEEDS = "needs"
