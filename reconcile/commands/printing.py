"""Tables and findings on the terminal."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rich import box
from rich.table import Table

from reconcile.base.settings.workspace import ELEMENTS_SETTING
from reconcile.base.shown import safe, wrapped
from reconcile.evidence import finding_words
from reconcile.reporting import numbers, words
from reconcile.reporting.manner import styled

if TYPE_CHECKING:
    from rich.console import Console

    from reconcile.base.model.account import Finding

MOST_ROWS = 25
_LONG = 32  # characters; a longer cell of a row that is no line of a table has a line
_TALLEST, _MEAN = 12, 3  # lines of a row of a table, of one and of all in the mean


class FittingTable(Table):
    """A table where it fits without breaking words; else a few lines for each row.

    ``lead`` cells name a row; of the others each stands with its heading.
    """

    lead: int = 1

    def lines_for(self, width: int) -> list[str] | None:
        """Lines in place of a table; None where it fits, with the widths of its columns set."""
        cells = [[str(cell) for cell in column._cells] for column in self.columns]
        headings = [str(column.header) for column in self.columns]
        widths = _widths(headings, cells, width)
        if widths is None:
            return [*([str(self.title)] if str(self.title or "") else []),
                    *self._as_lines(headings, cells)]  # fmt: skip
        for column, texts, of_column in zip(self.columns, cells, widths, strict=True):
            column.width = of_column
            column._cells = [
                safe("\n".join(wrapped(text, of_column)), lines=True) for text in texts
            ]
        return None

    def _as_lines(self, headings: Sequence[str], cells: Sequence[Sequence[str]]) -> Iterator[str]:
        for of_row in zip(*cells, strict=True):
            yield f"- {' · '.join(cell for cell in of_row[: self.lead] if cell)}"
            short: list[str] = []
            long: list[str] = []
            for heading, cell in zip(headings[self.lead :], of_row[self.lead :], strict=True):
                if cell:
                    (long if len(cell) > _LONG else short).append(f"{heading}: {cell}")
            yield from (f"   {x}" for x in ("; ".join(short), *long) if x)


def _widths(headings: Sequence[str], cells: Sequence[Sequence[str]], most: int) -> list[int] | None:
    """A width for each column, in which no word breaks and no row is tall; else None."""
    columns = [[heading, *texts] for heading, texts in zip(headings, cells, strict=True)]
    natural = [max(map(len, texts)) for texts in columns]
    least = [max(_longest_word(text) for text in texts) for texts in columns]
    room = most - 3 * len(columns)
    if sum(natural) <= room:
        return natural
    if sum(least) > room:
        return None
    cap = max(natural)
    while sum(widths := [max(w, min(n, cap)) for w, n in zip(least, natural, strict=True)]) > room:
        cap -= 1  # of the longest columns: short ones keep their line
    heights = [
        max(len(wrapped(text, width)) for text, width in zip(texts, widths, strict=True))
        for texts in zip(*cells, strict=True)
    ]
    tall = max(heights, default=1) > _TALLEST or sum(heights) > _MEAN * len(heights)
    return None if tall else widths


def _longest_word(text: str) -> int:
    return max(map(len, wrapped(text, 1)))


def table(title: str, *headings: str, right: Sequence[int] = (), lead: int = 1) -> FittingTable:
    """An empty table; columns numbered in ``right`` are set to the right."""
    made = FittingTable(
        title=safe(title), title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False
    )
    made.lead = lead
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
    made = table(
        words.CHECK_FOR_PERSON_LOOK,
        "area",
        "about",
        words.PRINTED_WHAT_WAS_FOUND,
        words.CHECK_WHAT_DO,
        lead=2,
    )
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
        console.print(safe(words.RUN_MORE_ALL_REPORT.format(value=len(urgent) - most)))


def show_head(console: Console, lines: int, head: str) -> None:
    """The head of the record, to be kept by another."""
    console.print(
        safe(
            words.PRINTED_HEAD_RECORD.format(count=numbers.count(lines, "line", "lines"), head=head)
        )
    )
    console.print(safe(words.PRINTED_KEEP_IT_ANOTHER))
