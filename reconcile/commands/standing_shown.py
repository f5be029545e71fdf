"""What is printed of a month in which nothing changed, and the lines that end every run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from reconcile.base.shown import open_console, safe
from reconcile.commands.printing import short_path
from reconcile.reporting import answers, numbers
from reconcile.reporting.manner import Manner, written_as

if TYPE_CHECKING:
    from rich.console import Console

    from reconcile.run.standing import Standing


def show(folder: Path, standing: Standing) -> None:
    """The whole answer: the release in ``folder`` stands."""
    console = open_console()
    with written_as(Manner(standing.decimal_mark, standing.date_style)):
        console.print(head(standing.title, standing.period, standing.release_id))
        show_unchanged(console, standing.verdicts)
        show_waiting(console, standing.urgent, standing.refused)
    show_paths(console, [(standing.period, standing.revision, folder)])


def head(title: str, period: str, release_id: str) -> Any:
    """The first line of what is printed of a month."""
    return safe(f"{title}: {period}, release {release_id}", style="bold")


def show_unchanged(console: Console, verdicts: tuple[int, ...]) -> None:
    """That nothing changed, and the verdicts that stand."""
    console.print(safe("Nothing changed since this release was made; no new revision was written."))
    console.print(safe(f"Verdicts: {answers.in_counts(verdicts)}."))


def show_waiting(console: Console, urgent: int, refused: tuple[int, int, int]) -> None:
    """How much needs a person, which is what the exit code says."""
    if urgent:
        count = numbers.count(urgent, "finding needs", "findings need")
        console.print(safe(f"{count} a person: --show findings."))
    if any(refused):
        console.print(safe(f"{answers.refused(*refused)}: see quarantine.csv beside the report."))


def show_paths(console: Console, releases: list[tuple[str, int, Path]]) -> None:
    """Where the results are: of each its period, revision and folder."""
    for period, revision, folder in releases:
        console.print(safe(f"{period}, revision {revision}:"))
        for name in ("report.pdf", "workbook.xlsx"):  # each path whole, in a line of its own
            console.print(safe(short_path(folder / name)))
    console.print(
        safe(
            "A verdict supports and does not replace the judgement of a competent, qualified or "
            "licensed person; local codes come first."
        )
    )
