"""What ``check`` found, put together for a person: each kind of problem once, most rows first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd

from reconcile.base.finding_codes import LISTED_AS_REFUSED
from reconcile.base.model.account import Finding
from reconcile.base.places import Place

#: So many different reasons with one remedy are told as one: each quotes another cell.
_REASONS = 3
_PLACES = 3
_AT = ["file", "sheet", "row"]
_PLACE = (*_AT, "column")
_ORDER = {"serious": 0, "warning": 1}


@dataclass(frozen=True, slots=True)
class Problem:
    """Refusals of one kind: one reason (or many that quote cells), one remedy."""

    reason: str
    others: int  # further reasons of the kind, each quoting another cell
    advice: str
    files: int  # refused as a whole
    rows: int  # rows in which something is gained when it is mended
    cells: int  # refused cells; 0 where rows or files were refused
    columns: tuple[tuple[str, int], ...]  # heading and its refused cells, most first
    found: tuple[tuple[str, int], ...]  # what stood in most of the cells, with how often
    places: tuple[str, ...]  # the first three

    @property
    def rank(self) -> tuple[int, int, int, str]:
        """Files first, for nobody knows how many rows they hold; then most rows."""
        return -self.files, -self.rows, -self.cells, self.reason


@dataclass(frozen=True, slots=True)
class Told:
    """Findings of one kind."""

    severity: str
    count: int
    subjects: tuple[str, ...]  # the first three
    text: str  # of the first one
    advice: str


def problems_of(quarantine: pd.DataFrame) -> tuple[Problem, ...]:
    """Refusals (model.QUARANTINE_COLUMNS) by kind, most rows gained first; each is counted once."""
    if quarantine.empty:
        return ()
    frame = quarantine.assign(
        column=quarantine["column"].fillna(""), sheet=quarantine["sheet"].fillna("")
    )
    whole = frame["column"].eq("")
    frame["level"] = whole.map({True: "row", False: "cell"}).mask(
        whole & frame["row"].eq(0), "file"
    )
    # one remedy for many cells, each quoted by its own reason, is one kind of problem
    by_remedy = frame.groupby(["level", "advice"], sort=False)["reason"].transform("nunique")
    frame["kind"] = frame["reason"].where(by_remedy.le(_REASONS), "")
    return tuple(
        sorted(
            (
                _problem(str(level), str(advice), group)
                for (level, advice, _), group in frame.groupby(
                    ["level", "advice", "kind"], sort=False
                )
            ),
            key=lambda problem: problem.rank,
        )
    )


def _problem(level: str, advice: str, group: pd.DataFrame) -> Problem:
    reasons = Counter(group["reason"].astype(str))
    reason = min(reasons, key=lambda text: (-reasons[text], text))
    columns = Counter(c for c in group["column"].astype(str) if c)
    file = level == "file"
    return Problem(
        reason=reason,
        others=len(reasons) - 1,
        advice=advice,
        files=len(group) if file else 0,
        rows=0 if file else len(group[_AT].drop_duplicates()),
        cells=len(group) if level == "cell" else 0,
        columns=tuple(sorted(columns.items(), key=lambda item: (-item[1], item[0]))),
        found=tuple(Counter(group["found"].astype(str)).most_common(_PLACES))
        if len(reasons) > 1
        else (),
        places=tuple(
            Place(file, sheet, int(row), column).text
            for file, sheet, row, column in zip(
                *(group.drop_duplicates(_AT).head(_PLACES)[name].tolist() for name in _PLACE),
                strict=True,
            )
        ),
    )


def told_of(findings: Iterable[Finding]) -> tuple[Told, ...]:
    """Findings that need a person, by kind: the serious first, then the most frequent."""
    kinds: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        if finding.severity != "note" and finding.code not in LISTED_AS_REFUSED:
            kinds.setdefault((finding.severity, finding.code), []).append(finding)
    told = [
        Told(
            severity,
            len(many),
            tuple(f.subject for f in many[:_PLACES]),
            many[0].text,
            many[0].advice,
        )
        for (severity, _), many in kinds.items()
    ]
    return tuple(sorted(told, key=lambda t: (_ORDER.get(t.severity, 2), -t.count, t.text)))


def refusals_of(problems: Sequence[Problem]) -> int:
    """How many files, rows and cells were refused, over all these problems."""
    return sum(p.files + (p.cells or p.rows) for p in problems)
