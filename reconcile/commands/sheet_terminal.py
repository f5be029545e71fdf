"""What the terminal shows of result sheets."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

from reconcile.base.shown import open_console, safe
from reconcile.commands import field_only_example as example
from reconcile.commands import record_shown
from reconcile.commands.issuing import Done, Issued
from reconcile.commands.printing import row as _row
from reconcile.commands.printing import table as _table
from reconcile.commands.release_signing import Done as Signed
from reconcile.intake import workspace as ws
from reconcile.judgement import recall, sheet_life, sheet_scores
from reconcile.judgement.sheet_content import ResultSheet, from_bytes
from reconcile.judgement.sheet_counts import ORDER, by_sample, for_laboratory, level_counts
from reconcile.releases import anchors
from reconcile.reporting import numbers, words
from reconcile.reporting.document import result_sheet
from reconcile.reporting.render import sheet_files

_MOST_ROWS = 40


def open_samples(sheet: ResultSheet) -> tuple[str, ...]:
    """Samples that must go to the laboratory."""
    return tuple(sorted(for_laboratory(sheet.results)))


def show_issued(made: Issued) -> None:
    """What was found, level by level; the files; what is left to do."""
    console, sheet = open_console(), made.sheet
    samples = len({r.mean.sample_id for r in sheet.results})
    what = words.SHEET_ISSUED if made.new else words.SHEET_THIS_ALREADY
    console.print(
        safe(
            words.SHEET_RESULT_SHEET_READ.format(
                what=what, name=sheet.name, count=numbers.count(samples, "sample", "samples")
            )
        )
    )
    shown = _table("", *words.SHEET_COUNT_HEADINGS, right=(2, 3, 4, 5, 6, 7))
    for c in level_counts(sheet.results):
        matrix = next(r.mean.matrix for r in sheet.results if r.mean.element == c.element)
        unit, per = sheet.unit_of(c.element, matrix)
        _row(
            shown, c.element, f"{c.name}, {numbers.exact(c.level * per, unit)}", c.below, c.above,
            c.too_close, c.undecided, numbers.percent(c.rate_above), numbers.percent(c.rate_below),
        )  # fmt: skip
    console.print(shown)
    for note in sheet.notes[:_MOST_ROWS]:
        console.print(safe(words.SHOWN_LOOK_AT.format(note=note)))
    if waiting := open_samples(sheet):
        named = ", ".join(waiting[:8]) + (
            words.CHECK_TAIL_MORE.format(more=len(waiting) - 8) if waiting[8:] else ""
        )
        console.print(safe(words.SHEET_LABORATORY.format(named=named)))
    for name in (result_sheet.PDF, sheet_files.BOOK, sheet_files.CSV, sheet_files.JSON):
        console.print(
            safe(words.WROTE.format(path=made.folder / name) if made.new else made.folder / name)
        )
    console.print(safe(words.SHEET_NEXT_ANOTHER_PERSON.format(number=sheet.number)))  # fmt: skip


def show_done(folder: Path, done: Done) -> None:
    """What became of a sheet, and where the PDF with all acts lies."""
    console = open_console()
    last = done.life.acts[-1]
    console.print(
        safe(
            words.SHEET_SHEET.format(
                name=done.life.name, state=done.life.state, by=last.by, at=last.at, text=last.text
            )
        )
    )
    console.print(safe(words.WROTE.format(path=done.path)))
    record_shown.show_act(folder)


def show_signed(folder: Path, done: Signed) -> None:
    """What became of a release, and where the report with all acts lies."""
    console, last = open_console(), done.acts[-1]
    console.print(
        safe(
            words.SHEET_RELEASE.format(
                release_id=done.release_id, act=last.act, by=last.by, at=last.at, text=last.text
            )
        )
    )
    console.print(safe(words.WROTE.format(path=done.path)))
    record_shown.show_act(folder)


def show_touched(folder: Path, factor_id: str = "", most: int = _MOST_ROWS) -> bool:
    """Each sheet and sample that comes out otherwise now; of one factor's where it is named."""
    workspace = ws.load_workspace(folder)
    touches = recall.of_workspace(workspace, anchors.whole_record(workspace), None, factor_id)
    if not touches:
        return False
    console = open_console()
    shown = _table(
        words.SHEET_SAMPLES_RESULT_SHEETS, "sheet", "state", "sample",
        "element", "value", "now", "level", "call", "now",
    )  # fmt: skip
    for t in touches[:most]:
        before, now = (
            numbers.show(x * t.per_mg_kg, t.unit) if math.isfinite(x) else numbers.NONE
            for x in (t.value_before, t.value_now)
        )
        calls = (words.CALL_WORDS[c] if t.level else "" for c in (t.call_before, t.call_now))
        _row(shown, t.sheet, t.state, t.sample_id, t.element, before, now, t.level, *calls)
    console.print(shown)
    if (left := len(touches) - most) > 0:
        console.print(safe(words.SHEET_LEFT_OUT.format(more=left)))
    for cause, what in dict.fromkeys(each for t in touches for each in t.causes):
        console.print(safe(f"Since: {cause}, {what}."))
    names = ", ".join(dict.fromkeys(t.sheet for t in touches))
    console.print(safe(words.SHEET_TELL_EVERYBODY_WHO.format(names=names)))
    return True


def show_sheets(folder: Path) -> bool:
    """Every sheet by state, with what its samples come to."""
    workspace = ws.load_workspace(folder)
    console = open_console()
    found = sheet_life.of_workspace(workspace)
    if not found:
        console.print(safe(words.SHEET_NO_RESULT_SHEET))
        return False
    shown = _table(
        words.SHEET_RESULT_SHEETS,
        "sheet",
        "state",
        "issued",
        "by",
        *(words.SAMPLE_CALLS[c] for c in ORDER),
        right=(4, 5, 6, 7, 8),
    )
    for life in found.values():
        files = sheet_life.files_of(workspace, life, [sheet_files.JSON])
        sheet = from_bytes(files[sheet_files.JSON])
        calls = list(by_sample(sheet.results).values())
        _row(
            shown, life.name, life.state, life.acts[0].at, life.acts[0].by,
            *(calls.count(c) for c in ORDER),
        )  # fmt: skip
    console.print(shown)
    reading = anchors.whole_record(workspace)
    newest = recall.present(workspace, reading).newest
    known: dict[str, sheet_scores.Answers] = {}
    for life, sheet in recall.standing(workspace, reading):
        answers = sheet_scores.answers_of_months(sheet, newest, known)
        for s in sheet_scores.score(life, sheet, answers):
            console.print(safe(f"{s.sheet}: {sheet_scores.in_words(s)}."))
    return show_touched(folder)


def show_example(folder: Path) -> None:
    """The end of the example: a sheet of field-only samples, its score, and its recall."""
    console = open_console()
    if not example.may_act():
        console.print(
            safe(words.SHEET_EXAMPLE_SHEET_WAS)
        )  # fmt: skip
        return
    shutil.rmtree(folder, ignore_errors=True)
    console.print(safe(words.SHEET_SAMPLES_THAT_WERE.format(folder=folder)))
    example.walk(folder, lambda step: _example_step(folder, step))


def _example_step(folder: Path, step: str) -> None:
    console = open_console()
    if step == "withdrawn":
        console.print(safe(words.SHEET_WINDOW_WAS_CRACKED))
        show_touched(folder, most=8)
        return
    workspace = ws.load_workspace(folder)
    reading = anchors.whole_record(workspace)
    ((life, sheet),) = recall.standing(workspace, reading)
    if step == "issued":
        place = sheet_life.folder_of(workspace, life.number, life.revision)
        show_issued(Issued(sheet, place, True))
        return
    newest = recall.present(workspace, reading).newest
    answers = sheet_scores.answers_of_months(sheet, newest, {})
    for s in sheet_scores.score(life, sheet, answers):
        console.print(
            safe(words.SHEET_LABORATORY_HAS_ANSWERED.format(in_words=sheet_scores.in_words(s)))
        )
