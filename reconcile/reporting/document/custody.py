"""What a person should look at, serious first; the heads of the custody chain and the record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from reconcile.base.model.account import Finding
from reconcile.base.model.release import Reconciliation
from reconcile.evidence import finding_words
from reconcile.reporting import words
from reconcile.reporting.document import statements
from reconcile.reporting.document.blocks import Block, Cell, Column, Section, Table, Text

_FINDINGS = 80  # rows on paper
_SEVERITIES = ("serious", "warning", "note")


def section(r: Reconciliation) -> list[Section]:
    """Heads, then findings."""
    head = r.custody_head
    text = words.CUSTODY_HEAD.format(head=head) if head else f"{words.NO_CUSTODY}.".capitalize()
    blocks: list[Block] = [Text(text, "small"), Text(statements.record_head(r), "small")]
    labels = finding_words.labels_of(r)
    blocks.append(table(r.findings, labels) if r.findings else Text(words.FINDINGS_NONE))
    return [Section("custody", words.CUSTODY, tuple(blocks))]


def _rank(f: Finding) -> int:
    return _SEVERITIES.index(f.severity) if f.severity in _SEVERITIES else len(_SEVERITIES)


def table(found: Iterable[Finding], labels: Mapping[str, str]) -> Table:
    """Findings, serious first; ``labels`` are the names of strata by their keys."""
    severity, area, subject, told, advice = words.FINDING_HEADINGS
    return Table(
        (
            Column(severity, 0.09, given=True),
            Column(area, 0.09, given=True),
            Column(subject, 0.17, given=True),
            Column(told, 0.40, limit=700),
            Column(advice, 0.25),
        ),
        [
            (
                Cell(f.severity, bold=f.severity == "serious"), f.area,
                finding_words.subject(f, labels), finding_words.told(f), f.advice,
            )
            for f in sorted(found, key=_rank)
        ],
        most=_FINDINGS, rest=words.SHEET_OF.format(sheet=words.SHEETS["findings"]),
    )  # fmt: skip
