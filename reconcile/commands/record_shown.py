"""What is printed of the record: its digests, the acts of persons, factors and their life."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from reconcile.base.shown import open_console, safe
from reconcile.commands.printing import row as _row
from reconcile.commands.printing import show_findings, show_head
from reconcile.commands.printing import table as _table
from reconcile.reporting import numbers

if TYPE_CHECKING:
    from reconcile.commands.verifying import VerifyReport
    from reconcile.judgement.factor_life import Life


def show_verify(report: VerifyReport) -> None:
    """What was compared, what did not fit, and what this proves."""
    from reconcile.commands.verifying import PROVES

    console = open_console()
    console.print(
        safe(
            f"Compared {numbers.count(report.events, 'custody event', 'custody events')}, "
            f"{numbers.count(report.inputs, 'archived input', 'archived inputs')} "
            f"({report.read_again} read again), "
            f"{numbers.count(report.readings, 'reading', 'readings')} of the store, "
            f"{numbers.count(report.releases, 'release', 'releases')} with "
            f"{numbers.count(report.files, 'file', 'files')} and "
            f"{numbers.count(report.sheets, 'result sheet', 'result sheets')} with "
            f"{numbers.count(report.sheet_files, 'file', 'files')}."
        )
    )
    show_findings(console, report.findings)
    for finding in report.findings:
        if finding.severity == "note":
            console.print(safe(f"{finding.subject}: {finding.text}"))
    if all(finding.severity == "note" for finding in report.findings):
        console.print(safe("Nothing was found altered."))
    for held in report.held:
        if held.lines is not None:
            added = numbers.count(held.since, "event was", "events were")
            console.print(
                safe(
                    f"The head {held.head} stands in the record: everything up to it "
                    f"({numbers.count(held.lines, 'line', 'lines')}) is unchanged; {added} added "
                    "since."
                )
            )
    show_head(console, report.lines, report.head)
    kept = (
        numbers.count(report.signed_heads, "signature holds", "signatures hold"),
        numbers.count(report.tokens, "time-stamp token holds", "time-stamp tokens hold"),
    )
    console.print(safe(f"{kept[0]} and {kept[1]} a head of the record."))
    if report.acts:
        unsigned = report.acts - report.acts_signed
        console.print(
            safe(
                f"{numbers.count(report.acts, 'decision', 'decisions')} of persons: "
                f"{report.acts_signed} signed with a registered key; {unsigned} by a name that "
                "somebody typed, which rests on honesty."
            )
        )
    console.print(safe(PROVES))


def show_act(folder: Path) -> None:
    """After a person's act: what it rests on, and the new head of the record."""
    from reconcile.intake.workspace import load_workspace
    from reconcile.releases import anchors, persons

    workspace = load_workspace(folder)
    console = open_console()
    reading = anchors.whole_record(workspace)
    if "signature" in reading.entries[-1].content:
        return show_head(console, len(reading.entries), reading.head)
    register = persons.register_of(workspace)
    console.print(
        safe(
            f"The name stands in the register of people ({register.path}); that it was this "
            "person rests on honesty, for the act is not signed (--key)."
            if register.there
            else f"There is no register of people ({register.path}): name and person rest on "
            "honesty."
        )
    )
    return show_head(console, len(reading.entries), reading.head)


def show_factors(lives: Sequence[Life], head: str, every: bool = False) -> None:
    """Every factor with its state; those that have ended only where asked for."""
    console = open_console()
    shown = [x for x in lives if every or x.state in ("proposed", "approved")]
    table = _table(
        "Correction factors",
        "factor", "state", "field method", "material", "form", "field values, mg/kg",
        "valid", "pairs", "error before", "after", "by", right=(7, 8, 9),
    )  # fmt: skip
    for life in shown:
        f = life.factor
        relative = f.residual_relative
        _row(
            table,
            f.factor_id,
            life.state,
            f.stratum.field_method,
            ", ".join(p for p in (f.stratum.matrix, f.stratum.specimen_form) if p),
            f.form,
            numbers.interval_of_numbers(f.low, f.high),
            f"{f.valid_from or 'no date'} to {f.valid_until or 'no date'}",
            f.n,
            _error(f.error_before, relative),
            _error(f.error_after, relative),
            f"{life.author or 'nobody named'}; approved: {life.approver or 'not yet'}",
        )
    console.print(table)
    if hidden := len(lives) - len(shown):
        have = numbers.count(hidden, "factor has", "factors have")
        console.print(safe(f"{have} ended: --all shows them."))
    console.print(
        safe(
            "Errors are root mean squares on held-out groups. Every change is a line of the "
            f"record; keep its head in another's hands: {head}"
        )
    )


def _error(value: float, relative: bool) -> str:
    return numbers.percent(value) if relative else f"{numbers.plain_sig(value)} of the mean"


def show_factor_change(life: Life) -> None:
    """What became of one factor."""
    f = life.factor
    console = open_console()
    console.print(
        safe(
            f"Factor {f.factor_id} ({f.stratum.label}, form {f.form}) is {life.state}. "
            f"Reason kept: {life.reason}"
        )
    )
    if life.state == "approved":
        console.print(
            safe(
                "It may correct field values from "
                f"{numbers.interval_of_numbers(f.low, f.high, 'mg/kg')}, measured "
                f"{f.valid_from or '(no date)'} to {f.valid_until or '(no date)'}, {f.basis}. "
                "Results given out before stay as they are."
            )
        )
