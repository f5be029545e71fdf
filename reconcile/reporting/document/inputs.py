"""Files with their digests, the digests of the whole, and the account of every table."""

from __future__ import annotations

from reconcile.base.model.account import FileAccount, WaterfallStep
from reconcile.base.model.release import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.document.blocks import (
    Block,
    Cell,
    Column,
    Facts,
    Gap,
    Section,
    Table,
    Text,
    Titled,
    counted,
)


def section(r: Reconciliation) -> list[Section]:
    """Digests, files, and what became of their rows."""
    names = ("inputs_hash", "settings_hash", "code_version")
    facts = Facts(tuple((words.FACTS[n], getattr(r, n) or words.NOT_STATED) for n in names))
    shares = (0.25, 0.11, 0.07, 0.08, 0.07, 0.07, 0.09, 0.26)
    columns = tuple(
        Column(heading, share, 2 <= i <= 6, i in (0, 1, 7), mono=i == 7)
        for i, (heading, share) in enumerate(zip(words.INPUT_HEADINGS, shares, strict=True))
    )
    rows: list[tuple[str | Cell, ...]] = [
        (
            f.path, f.kind,
            *map(counted, (f.rows, f.accepted, f.refused_rows, f.refused_cells, f.size)),
            f.sha256,
        )
        for f in r.inputs
    ]  # fmt: skip
    return [Section("inputs", words.INPUTS, (facts, Table(columns, rows), *_files(r)))]


def _files(r: Reconciliation) -> list[Block]:
    if not r.account_of_files:
        return []
    shares = (0.26, 0.13, 0.07, 0.09, 0.07, 0.29, 0.09)
    columns = tuple(
        Column(heading, share, i in (2, 3, 4, 6), i in (0, 1), limit=900 if i == 5 else 240)
        for i, (heading, share) in enumerate(zip(words.FILES_HEADINGS, shares, strict=True))
    )
    table = Table(columns, [_row(f) for f in r.account_of_files])
    intro = Text(words.FILES_INTRO, "small")
    return [Gap(6), Titled(words.FILES, (intro, table))]


def _row(f: FileAccount) -> tuple[str | Cell, ...]:
    lost = "; ".join(text for step in (f.read, f.use) if step and (text := lost_of(step)))
    return (
        f"{f.path} {f.sheet}".strip(), read_by(f), counted(f.read.entered),
        counted(f.read.kept), "" if f.use is None else counted(f.use.kept), lost,
        counted(sum(step.balance for step in f.steps)),
    )  # fmt: skip


def read_by(f: FileAccount) -> str:
    """Which table read the sheet, and whether another did before."""
    return words.READ_AGAIN.format(table=f.table) if f.again else f.table


def lost_of(step: WaterfallStep) -> str:
    """Counts and reasons of what a step lost, as one text."""
    return "; ".join(f"{reason} ({count})" for reason, count in step.lost)
