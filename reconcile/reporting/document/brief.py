"""What the client's report says of controls and of findings: a line, or a page where needed."""

from __future__ import annotations

from reconcile.base.model.release import Reconciliation
from reconcile.evidence import finding_words
from reconcile.reporting import numbers, words
from reconcile.reporting.document import custody, quality
from reconcile.reporting.document.blocks import Block, Column, Section, Table, Text

_FAILED = 30  # failed controls on paper


def controls(r: Reconciliation) -> list[Section]:
    """How many controls were judged, and those that failed."""
    if not r.quality:
        return [Section("quality", words.QUALITY, (Text(words.QUALITY_NO_CONTROLS),))]
    failed = [c for c in r.quality if c.passed is False]
    unjudged = sum(c.passed is None for c in r.quality)
    said = (words.QUALITY_FAILED if failed else words.QUALITY_FINE).format(
        checked=numbers.plain(float(len(r.quality) - unjudged), 0),
        failed=numbers.plain(float(len(failed)), 0),
        unjudged=numbers.plain(float(unjudged), 0),
        section=words.QUALITY,
    )
    blocks: list[Block] = [Text(said)]
    if failed:
        shares = (0.05, 0.14, 0.115, 0.07, 0.11, 0.035, 0.105, 0.145, 0.08, 0.055, 0.095)
        columns = tuple(
            Column(heading, share, 5 <= i < 10, i < 5, limit=120 if i < 5 else None)
            for i, (heading, share) in enumerate(zip(words.QUALITY_HEADINGS, shares, strict=True))
        )
        rows = [quality.check_texts(c) for c in failed]
        blocks.append(Table(columns, rows, most=_FAILED, rest=words.AUDIT))
    return [Section("quality", words.QUALITY, tuple(blocks))]


def findings(r: Reconciliation) -> list[Section]:
    """What a person should look at, serious first; notes are counted."""
    pressing = tuple(f for f in r.findings if f.severity != "note")
    notes = numbers.count(len(r.findings) - len(pressing), *words.NOTES_COUNTED)
    if not pressing:
        text = words.FINDINGS_FINE.format(notes=notes, section=words.CUSTODY)
        return [Section("custody", words.CUSTODY, (Text(text),))]
    labels = finding_words.labels_of(r)
    rest = Text(words.FINDINGS_REST.format(notes=notes, section=words.CUSTODY), "small")
    return [Section("custody", words.CUSTODY, (custody.table(pressing, labels), rest))]
