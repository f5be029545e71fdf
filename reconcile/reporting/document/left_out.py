"""Exclusions, quarantine, corrections and unmatched samples; long lists are cut on paper."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from reconcile.base.model.release import Reconciliation
from reconcile.base.model.tables import QUARANTINE_COLUMNS
from reconcile.reporting import numbers, words
from reconcile.reporting.document.blocks import (
    MOST_ROWS,
    Block,
    Column,
    Gap,
    Section,
    Table,
    Text,
    Titled,
)

_ROWS, _IDS = 50, 120  # on paper
_REASONS = 12  # named before the table
_EXCLUSIONS = ("kind", "sample_id", "element", "reason", "evidence", "advice")
_CORRECTIONS = (
    "file", "row", "column", "found", "corrected_value", "corrected_by", "corrected_because",
    "outcome",
)  # fmt: skip
#: Columns in which the program speaks.
_OUR_WORDS = frozenset({"reason", "evidence", "advice"})


def section(r: Reconciliation) -> list[Section]:
    """What was left out, and why."""
    shares: tuple[float, ...] = (0.10, 0.17, 0.08, 0.25, 0.20, 0.20)
    excluded = _frame(r.exclusions, _EXCLUSIONS, words.EXCLUSION_HEADINGS, shares, "exclusions.csv")
    shares = (0.18, 0.09, 0.06, 0.12, 0.14, 0.22, 0.19)
    refused = _frame(
        r.quarantine, QUARANTINE_COLUMNS, words.QUARANTINE_HEADINGS, shares, "quarantine.csv"
    )
    return [
        Section(
            "exclusions", words.EXCLUSIONS,
            (Text(words.EXCLUSIONS_INTRO, "small"), *_listed(r.exclusions, excluded)),
        ),
        Section(
            "quarantine", words.QUARANTINE,
            (
                Text(words.QUARANTINE_INTRO, "small"), *_listed(r.quarantine, refused),
                *_corrections(r),
            ),
        ),
        Section(
            "unmatched", words.UNMATCHED,
            (
                Text(words.UNMATCHED_INTRO, "small"),
                *_unmatched(words.UNMATCHED_FIELD, r.field_only),
                *_unmatched(words.UNMATCHED_LAB, r.lab_only),
            ),
        ),
    ]  # fmt: skip


def _frame(
    frame: pd.DataFrame,
    columns: Sequence[str],
    headings: Sequence[str],
    shares: Sequence[float],
    file: str,
) -> Table:
    shown = frame.reindex(columns=list(columns))
    return Table(
        tuple(
            Column(heading, share, given=name not in _OUR_WORDS)
            for name, heading, share in zip(columns, headings, shares, strict=True)
        ),
        [
            ["" if pd.isna(value) else str(value) for value in row]
            for row in shown.itertuples(index=False, name=None)
        ],
        most=_ROWS, rest=file,
    )  # fmt: skip


def _listed(frame: pd.DataFrame, table: Table) -> list[Block]:
    """The commonest reasons, then the rows."""
    if frame.empty:
        return [Text(words.NONE_LISTED)]
    reasons = frame["reason"].astype(str).value_counts()
    ordered = sorted(reasons.items(), key=lambda item: (-int(item[1]), str(item[0])))
    summary = "; ".join(f"{reason} ({n})" for reason, n in ordered[:_REASONS])
    if len(ordered) > _REASONS:
        summary = words.FURTHER_REASONS.format(named=summary, n=len(ordered) - _REASONS)
    told = words.BY_REASON.format(total=len(frame), reasons=summary)
    return [Text(told, "small", limit=2000), table]


def _corrections(r: Reconciliation) -> list[Block]:
    if r.corrections.empty:
        return []
    shares = (0.16, 0.06, 0.12, 0.12, 0.12, 0.12, 0.16, 0.14)
    table = _frame(
        r.corrections, _CORRECTIONS, words.CORRECTION_HEADINGS, shares, "corrections.csv"
    )
    intro = Text(words.CORRECTIONS_INTRO, "small")
    return [Gap(4), Titled(words.CORRECTIONS, (intro, table))]


def _unmatched(title: str, ids: Sequence[str]) -> list[Block]:
    counted = f"{title}: {numbers.count(len(ids), *words.SAMPLES)}"
    if not ids:
        return [Text(counted, "h3")]
    out: list[Block] = [
        Text(" ;  ".join(ids[:_IDS]), "small", given=True, limit=8000, on_screen=False),
        Text(" ; ".join(ids[:MOST_ROWS]), "small", given=True, on_paper=False),
    ]
    sheet = words.SHEET_OF.format(sheet=words.SHEETS["exclusions"])
    for most, where, paper in ((_IDS, sheet, True), (MOST_ROWS, "workbook.xlsx", False)):
        if len(ids) > most:
            text = words.TRUNCATED.format(shown=most, total=len(ids), file=where)
            out.append(Text(text, "small", on_paper=paper, on_screen=not paper))
    return [Titled(counted, tuple(out))]
