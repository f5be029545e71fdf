"""Tables and findings on the terminal."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich import box
from rich.table import Table

from reconcile.base.settings.workspace import ELEMENTS_SETTING
from reconcile.base.shown import safe
from reconcile.evidence import finding_words
from reconcile.reporting import numbers
from reconcile.reporting.manner import styled

if TYPE_CHECKING:
    from rich.console import Console

    from reconcile.base.model.account import Finding

MOST_ROWS = 25


def table(title: str, *headings: str, right: Sequence[int] = ()) -> Table:
    """An empty table; columns numbered in ``right`` are set to the right."""
    made = Table(title=safe(title), title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for index, heading in enumerate(headings):
        made.add_column(
            safe(heading), justify="right" if index in right else "left", overflow="fold"
        )
    return made


def row(into: Table, *cells: object) -> None:
    """One more row; nothing in a cell is read as markup."""
    into.add_row(*(safe("" if cell is None else cell) for cell in cells))


def short_path(path: os.PathLike[str]) -> str:
    """The path as seen from here, where it lies below; else whole."""
    try:
        relative = os.path.relpath(path)
    except ValueError:  # another drive on Windows
        return str(path)
    return str(path) if relative.startswith("..") else relative


def show_choice(console: Console, findings: Sequence[Finding]) -> None:
    """What the choice of elements leaves out, in a line of its own."""
    for finding in findings:
        if finding.subject == ELEMENTS_SETTING:
            console.print(safe(f"Note: {styled(finding.text)}"))


def show_findings(
    console: Console, findings: Sequence[Finding], most: int | None = MOST_ROWS
) -> None:
    """Findings that need a person; ``most`` None shows every one."""
    urgent = [f for f in findings if f.severity != "note"]
    if not urgent:
        return
    made = table("For a person to look at", "area", "about", "what was found", "what to do")
    for finding in urgent[:most]:
        row(
            made,
            finding.area,
            finding_words.subject(finding),
            styled(" ".join(p for p in (finding.text, finding_words.settled(finding)) if p)),
            styled(finding.advice),
        )
    console.print(made)
    if most is not None and len(urgent) > most:
        console.print(safe(f"… and {len(urgent) - most} more, all in the report."))


def show_head(console: Console, lines: int, head: str) -> None:
    """The head of the record, to be kept by another."""
    console.print(safe(f"Head of the record, {numbers.count(lines, 'line', 'lines')}: {head}"))
    console.print(safe("Keep it in another's hands; 'reconcile verify --head' looks for it later."))
