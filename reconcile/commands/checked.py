"""What ``check`` prints: what was read and how, what was refused and why, what to do now.

A page for a person: each kind of problem stands once, with its count, its first places and its
remedy. The lists behind it are shown where they are asked for, and stand in a file.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from reconcile.base.shown import open_console, safe
from reconcile.commands import problems
from reconcile.commands.checked_columns import show_columns, some
from reconcile.commands.printing import row as _row
from reconcile.commands.printing import short_path, show_choice, show_findings
from reconcile.commands.printing import table as _table
from reconcile.commands.shows import Look
from reconcile.reporting import numbers, register_words, words
from reconcile.reporting.manner import styled

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from reconcile.commands.checking import CheckReport
    from reconcile.commands.problems import Problem, Told

_FILES, _GROUPS = 6, 4  # lines of a table that nobody asked for
_NOTES, _ENTRIES = 4, 8
_PROBLEMS, _FINDINGS, _STEPS = 5, 4, 6
_PARTS_OF_READINGS = {
    "spot_no": words.CHECK_SPOT_NUMBER,
    "reading_no": words.CHECK_FILE_SHEET_READING,
    "measured_at": "time",
    "day": words.CHECK_DAY_EACH_READING,
    "operator": "operator",
    "group": "group",
    "row": words.CHECK_ROW_NO_NUMBER,
}


def show_check(report: CheckReport, show: Collection[Look] = ()) -> None:
    """How every file and column was understood, in a page; whole lists where they are asked for."""
    asked = frozenset(Look) if Look.ALL in show else frozenset(show)
    console = open_console()
    refused = problems.problems_of(report.quarantine)
    told = problems.told_of(report.findings)
    _show_sum(console, report)
    _show_problems(console, report, refused)
    _show_told(console, told)
    _show_to_do(console, refused, told)
    show_choice(console, report.findings)
    if Look.REFUSALS in asked:
        _show_refusals(console, report.quarantine)
    if Look.FINDINGS in asked:
        show_findings(console, report.findings, None)
    _show_files(console, report, Look.FILES in asked)
    show_columns(console, report.columns, Look.COLUMNS in asked)
    _show_readings(console, report, Look.FILES in asked)
    _show_laboratories(console, report)
    _show_registers(console, report, Look.NOTES in asked)
    _show_notes(console, report.notes, Look.NOTES in asked)


def _show_sum(console: Console, report: CheckReport) -> None:
    """What was read of the month, in a line; rows = accepted + refused + set aside."""
    files = report.files
    rows, accepted, refused, aside, cells = (
        int(files[name].fillna(0).sum())
        for name in ("rows", "accepted", "refused_rows", "set_aside", "refused_cells")
    )
    counted = numbers.count(len(files), "file", "files")
    console.print(
        safe(
            words.CHECK_ACCEPTED_REFUSED_SET.format(
                period=report.period,
                counted=counted,
                count=numbers.count(rows, "row", "rows"),
                accepted=accepted,
                refused=refused,
                aside=aside,
                count_2=numbers.count(cells, "cell", "cells"),
            ),
            style="bold",
        )
    )


def _show_files(console: Console, report: CheckReport, whole: bool) -> None:
    """The files of which something was refused; all where they are asked for."""
    files = report.files
    shown = files
    if not whole:
        lost = files["refused_rows"].fillna(0) + files["refused_cells"].fillna(0)
        lost = lost.mask(files["problem"].fillna("").ne(""), float("inf"))
        order = lost[lost > 0].sort_values(ascending=False, kind="stable").index
        shown = files.loc[order[:_FILES]]
    if len(shown):
        table = _table(
            words.CHECK_FILES.format(period=report.period)
            if whole
            else words.CHECK_FILES_WHICH_SOMETHING,
            "file",
            "kind",
            "rows",
            "accepted",
            words.CHECK_THESE_WITHOUT_RESULT,
            words.CHECK_ROWS_REFUSED,
            words.CHECK_SET_ASIDE,
            words.CHECK_CELLS_REFUSED,
            "problem",
            right=(2, 3, 4, 5, 6, 7),
        )
        for row in shown.itertuples(index=False):
            _row(
                table,
                row.path,
                row.kind,
                row.rows,
                row.accepted,
                row.without_result,
                row.refused_rows,
                row.set_aside,
                row.refused_cells,
                row.problem,
            )
        console.print(table)
    if not whole and len(files) > len(shown):
        more = numbers.count(len(files) - len(shown), "file", "files")
        said = (
            words.CHECK_AND_MORE.format(more=more)
            if len(shown)
            else words.CHECK_NONE_WITH_REFUSAL.format(more=more)
        )
        console.print(safe(words.CHECK_SHOW_FILES.format(said=said)))


def _show_readings(console: Console, report: CheckReport, whole: bool) -> None:
    if not report.readings:
        return
    shown = report.readings if whole else report.readings[:_GROUPS]
    table = _table(
        words.CHECK_HOW_READINGS_WERE,
        "file",
        words.CHECK_ROWS_SAMPLES,
        "samples",
        "readings",
        "by",
        right=(1, 2, 3),
    )
    for group in shown:
        by = ", ".join(_PARTS_OF_READINGS[part] for part in group.by)
        if group.restarted:
            by += words.CHECK_SOME_COME_AGAIN.format(
                count=numbers.count(group.numbers, "number", "numbers")
            )
        _row(table, group.path, group.rows, group.samples, group.readings, by)
    console.print(table)
    if more := len(report.readings) - len(shown):
        console.print(
            safe(
                words.CHECK_MORE_FILES.format(count=numbers.count(more, "more file", "more files"))
            )
        )


def _show_laboratories(console: Console, report: CheckReport) -> None:
    if not report.laboratories:
        return
    table = _table(
        words.CHECK_LABORATORIES,
        "laboratory",
        "certificates",
        "samples",
        words.CHECK_THESE_BY_ANOTHER,
        right=(1, 2, 3),
    )
    for each in report.laboratories:
        name = each.laboratory or words.CHECK_NOT_STATED
        _row(table, name, each.certificates, each.samples, each.shared)
    console.print(table)


def _show_registers(console: Console, report: CheckReport, whole: bool) -> None:
    """What registers and documents say of the instruments, laboratories and persons."""
    every = register_words.every(report.registers)
    shown = every if whole else every[:_ENTRIES]
    if not shown:
        return
    table = _table(words.REGISTERS, *words.REGISTER_HEADINGS)
    for said in shown:
        _row(table, words.REGISTER_KINDS[said.kind], said.name, register_words.facts(said))
    console.print(table)
    if more := len(every) - len(shown):
        console.print(
            safe(words.CHECK_MORE_READINGS.format(count=numbers.count(more, "more", "more")))
        )


def _show_notes(console: Console, notes: pd.DataFrame, whole: bool) -> None:
    """Each note once, with the files that it is of."""
    of_text: dict[str, list[str]] = {}
    for path, text in zip(notes["path"].tolist(), notes["text"].tolist(), strict=True):
        of_text.setdefault(text, []).append(path)
    listed = list(of_text.items())
    shown = listed if whole else listed[:_NOTES]
    for text, paths in shown:
        console.print(safe(f"Note, {some(paths, len(paths) if whole else 2)}: {text}"))
    if len(shown) < len(listed):
        more = numbers.count(
            len(listed) - len(shown), words.CHECK_MORE_NOTE, words.CHECK_MORE_NOTES
        )
        console.print(safe(words.CHECK_MORE_NOTES_SHOWN.format(more=more)))


def _show_refusals(console: Console, quarantine: pd.DataFrame) -> None:
    """Every refused file, row and cell."""
    table = _table(
        words.CHECK_REFUSED,
        "file",
        "sheet",
        "row",
        "column",
        "found",
        "why",
        words.CHECK_WHAT_DO,
        right=(2,),
    )
    for row in quarantine.itertuples(index=False):
        _row(table, row.file, row.sheet, row.row, row.column, row.found, row.reason, row.advice)
    console.print(table)


def _show_problems(console: Console, report: CheckReport, refused: Sequence[Problem]) -> None:
    if not refused:
        return
    kinds = numbers.count(len(refused), "kind", "kinds")
    console.print(safe(words.CHECK_PROBLEMS_MOST_ROWS.format(kinds=kinds), style="bold"))
    for number, problem in enumerate(refused[:_PROBLEMS], 1):
        columns = some((f"{name} ({n})" for name, n in problem.columns), 6)
        why = styled(problem.reason)
        if problem.others:
            stood = ", ".join(f"'{_cut(text, 20)}' ({n})" for text, n in problem.found)
            why += words.CHECK_MORE_KIND_MOST.format(others=problem.others, stood=stood)
        console.print(safe(f"{number}. {_counted(problem)}: {why}"))
        of_columns = (
            words.CHECK_OF_COLUMNS.format(columns=columns) if columns and not problem.files else ""
        )
        console.print(safe(f"   {of_columns}first: {'; '.join(problem.places)}"))
        if problem.advice:
            console.print(safe(f"   {styled(problem.advice)}"))
    if rest := refused[_PROBLEMS:]:
        kinds = numbers.count(len(rest), words.CHECK_MORE_KIND, words.CHECK_MORE_KINDS)
        console.print(
            safe(
                words.CHECK_WITH_REFUSALS_SHOW.format(
                    kinds=kinds, refusals_of=problems.refusals_of(rest)
                )
            )
        )
    if report.listed is not None:
        console.print(
            safe(
                words.CHECK_EVERY_REFUSAL_WITH.format(
                    refusals_of=problems.refusals_of(refused), short_path=short_path(report.listed)
                )
            )
        )


def _counted(problem: Problem) -> str:
    if problem.files:
        return numbers.count(problem.files, "file", "files")
    rows = numbers.count(problem.rows, "row", "rows")
    if problem.cells:
        return words.CHECK_CELLS_IN_ROWS.format(
            cells=numbers.count(problem.cells, "cell", "cells"), rows=rows
        )
    return rows


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _show_told(console: Console, told: Sequence[Told]) -> None:
    """Findings by kind; of each the first."""
    if not told:
        return
    console.print(safe(words.CHECK_FOR_PERSON_LOOK, style="bold"))
    for kind in told[:_FINDINGS]:
        about = (
            some(kind.subjects)
            if kind.count <= 3
            else (
                words.CHECK_NAMED_AND_MORE.format(
                    named=", ".join(kind.subjects), more=kind.count - len(kind.subjects)
                )
            )
        )
        console.print(safe(f"- {kind.severity}, {about}: {styled(kind.text)}"))
    if more := max(len(told) - _FINDINGS, 0):
        kinds = numbers.count(more, words.CHECK_MORE_KIND, words.CHECK_MORE_KINDS)
        console.print(safe(words.CHECK_SHOW_FINDINGS.format(kinds=kinds)))


def _show_to_do(console: Console, refused: Sequence[Problem], told: Sequence[Told]) -> None:
    """One step for each remedy, most rows gained first; then what changes the meaning."""
    steps = [
        (styled(p.advice), words.CHECK_GAINS.format(counted=_counted(p)))
        for p in refused
        if p.advice
    ]
    steps += [
        (styled(t.advice), f"{t.severity}, {numbers.count(t.count, 'finding', 'findings')}")
        for t in told
        if t.advice
    ]
    if not steps:
        return
    console.print(safe(words.CHECK_WHAT_DO_NOW, style="bold"))
    for number, (step, gain) in enumerate(steps[:_STEPS], 1):
        console.print(safe(f"{number}. {step} ({gain})"))
    if len(steps) > _STEPS:
        console.print(safe(words.CHECK_MORE_STEPS_SHOW.format(value=len(steps) - _STEPS)))
