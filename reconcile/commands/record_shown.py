"""What is printed of the record: its digests, the acts of persons, factors and their life."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from reconcile.base.shown import open_console, safe
from reconcile.commands.printing import row as _row
from reconcile.commands.printing import show_findings, show_head
from reconcile.commands.printing import table as _table
from reconcile.reporting import numbers, words

if TYPE_CHECKING:
    from reconcile.commands.verifying import VerifyReport
    from reconcile.judgement.factor_life import Life


def show_verify(report: VerifyReport) -> None:
    """What was compared, what did not fit, and what this proves."""
    from reconcile.commands.verifying import PROVES

    console = open_console()
    console.print(
        safe(
            words.RECORD_COMPARED_READ_AGAIN.format(
                count=numbers.count(report.events, "custody event", "custody events"),
                count_2=numbers.count(report.inputs, "archived input", "archived inputs"),
                read_again=report.read_again,
                count_3=numbers.count(report.readings, "reading", "readings"),
                count_4=numbers.count(report.releases, "release", "releases"),
                count_5=numbers.count(report.files, "file", "files"),
                count_6=numbers.count(report.sheets, "result sheet", "result sheets"),
                count_7=numbers.count(report.sheet_files, "file", "files"),
            )
        )
    )
    show_findings(console, report.findings)
    for finding in report.findings:
        if finding.severity == "note":
            console.print(safe(f"{finding.subject}: {finding.text}"))
    if all(finding.severity == "note" for finding in report.findings):
        console.print(safe(words.RECORD_NOTHING_WAS_FOUND))
    for held in report.held:
        if held.lines is not None:
            added = numbers.count(held.since, words.RECORD_EVENT_WAS, words.RECORD_EVENTS_WERE)
            console.print(
                safe(
                    words.RECORD_HEAD_STANDS_RECORD.format(
                        head=held.head,
                        count=numbers.count(held.lines, "line", "lines"),
                        added=added,
                    )
                )
            )
    show_head(console, report.lines, report.head)
    kept = (
        numbers.count(
            report.signed_heads, words.RECORD_SIGNATURE_HOLDS, words.RECORD_SIGNATURES_HOLD
        ),
        numbers.count(report.tokens, words.RECORD_TIME_STAMP_TOKEN, words.RECORD_TIME_STAMP_TOKENS),
    )
    console.print(safe(words.RECORD_HEAD_KEPT.format(holding=kept[0], verb=kept[1])))
    if report.acts:
        unsigned = report.acts - report.acts_signed
        console.print(
            safe(
                words.RECORD_PERSONS_SIGNED_WITH.format(
                    count=numbers.count(report.acts, "decision", "decisions"),
                    acts_signed=report.acts_signed,
                    unsigned=unsigned,
                )
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
            words.RECORD_NAME_STANDS_REGISTER.format(path=register.path)
            if register.there
            else words.RECORD_THERE_NO_REGISTER.format(path=register.path)
        )
    )
    return show_head(console, len(reading.entries), reading.head)


def show_factors(lives: Sequence[Life], head: str, every: bool = False) -> None:
    """Every factor with its state; those that have ended only where asked for."""
    console = open_console()
    shown = [x for x in lives if every or x.state in ("proposed", "approved")]
    table = _table(
        words.RECORD_CORRECTION_FACTORS,
        "factor",
        "state",
        words.RECORD_FIELD_METHOD,
        "material",
        "form",
        words.RECORD_FIELD_VALUES_MG,
        "valid",
        "pairs",
        words.RECORD_ERROR_BEFORE,
        "after",
        "by",
        right=(7, 8, 9),
    )
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
            words.RECORD_VALID.format(
                start=f.valid_from or "no date", end=f.valid_until or "no date"
            ),
            f.n,
            _error(f.error_before, relative),
            _error(f.error_after, relative),
            words.RECORD_WHO.format(
                author=life.author or "nobody named", approver=life.approver or "not yet"
            ),
        )
    console.print(table)
    if hidden := len(lives) - len(shown):
        have = numbers.count(hidden, words.RECORD_FACTOR_HAS, words.RECORD_FACTORS_HAVE)
        console.print(safe(words.RECORD_ENDED_ALL_SHOWS.format(have=have)))
    console.print(safe(words.RECORD_ERRORS_ROOT_MEAN.format(head=head)))


def _error(value: float, relative: bool) -> str:
    return (
        numbers.percent(value)
        if relative
        else words.RECORD_SHARE_OF_MEAN.format(share=numbers.plain_sig(value))
    )


def show_factor_change(life: Life) -> None:
    """What became of one factor."""
    f = life.factor
    console = open_console()
    console.print(
        safe(
            words.RECORD_FACTOR_FORM_REASON.format(
                factor_id=f.factor_id,
                label=f.stratum.label,
                form=f.form,
                state=life.state,
                reason=life.reason,
            )
        )
    )
    if life.state == "approved":
        console.print(
            safe(
                words.RECORD_IT_MAY_CORRECT.format(
                    interval_of_numbers=numbers.interval_of_numbers(f.low, f.high, "mg/kg"),
                    value=f.valid_from or "(no date)",
                    value_2=f.valid_until or "(no date)",
                    basis=f.basis,
                )
            )
        )
