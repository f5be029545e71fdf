"""What is printed of a run: the answer, what to do now, and tables where they are asked for."""

from __future__ import annotations

import csv
from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from reconcile.base.model.tables import refused_counts
from reconcile.base.shown import open_console, safe
from reconcile.commands import standing_shown
from reconcile.commands.bias_shown import bias_cells, released_bias
from reconcile.commands.printing import MOST_ROWS, short_path, show_choice, show_findings, show_head
from reconcile.commands.printing import row as _row
from reconcile.commands.printing import table as _table
from reconcile.commands.shows import Show
from reconcile.commands.standing_shown import head, show_unchanged, show_waiting
from reconcile.evidence import finding_words
from reconcile.reporting import answers, numbers, sentences, words
from reconcile.reporting.manner import styled, written_for

if TYPE_CHECKING:
    from rich.console import Console

    from reconcile.base.grades import ConformityRecord
    from reconcile.base.model.account import Finding
    from reconcile.base.model.release import Reconciliation
    from reconcile.run.drawing import Drawn
    from reconcile.run.pipeline import RunOutcome

_FIRST_FINDINGS, _FIRST_STEPS, _LONGEST = 3, 3, 160  # what a run says to do


def show_outcome(outcome: RunOutcome, show: Collection[Show] = ()) -> None:
    """One period: the answer and what a person must do now; tables where they are asked for."""
    with written_for(outcome.reconciliation):
        _show_outcome(outcome, frozenset(Show) if Show.ALL in show else frozenset(show))


def show_in_brief(outcome: RunOutcome) -> None:
    """One period in one line."""
    r = outcome.reconciliation
    with written_for(r):
        open_console().print(safe(f"{r.period}, release {r.release_id}: {answers.in_brief(r)}"))


def _show_outcome(outcome: RunOutcome, show: Collection[Show]) -> None:
    r = outcome.reconciliation
    console = open_console()
    console.print(head(r.title, r.period, r.release_id))
    if outcome.differing:  # what was computed is not what stands
        _show_released_verdicts(console, outcome)
        show_findings(console, outcome.told)
        return
    findings = (*outcome.told, *r.findings)
    if outcome.new_release:
        _show_answer(console, r)
    else:
        show_unchanged(console, answers.counted(r))
    if Show.VERDICTS in show:
        _show_verdicts(console, r)
    if Show.ACCOUNT in show:
        _show_account(console, r)
    if Show.FINDINGS in show:
        show_findings(console, findings)
    if Show.CHANGES in show:
        _show_changes(console, r)
    if outcome.new_release:
        _show_to_do(console, r, findings, Show.FINDINGS in show)
        _show_kept(console, outcome, Show.CHANGES in show)
    _show_waiting(console, outcome, findings)


def _show_answer(console: Console, r: Reconciliation) -> None:
    console.print(safe(styled(answers.answer(r))))
    console.print(safe(f"Verdicts: {answers.in_brief(r)}."))
    for line in answers.moved(r):
        console.print(safe(styled(line)))
    show_choice(console, r.findings)


def _show_kept(console: Console, outcome: RunOutcome, changes_listed: bool) -> None:
    """The account, what changed since the release before, and the head of the record."""
    r = outcome.reconciliation
    if not any(step.balance for step in r.waterfall):
        console.print(safe("Every row and result is accounted for: --show account."))
    if r.changes and not changes_listed:
        count = numbers.count(len(r.changes), "thing", "things")
        console.print(safe(f"{count} changed since {r.supersedes}: --show changes."))
    show_head(console, outcome.record_lines, outcome.record_head)


def _show_waiting(console: Console, outcome: RunOutcome, findings: Sequence[Finding]) -> None:
    refused = refused_counts(outcome.reconciliation.quarantine)
    urgent = sum(f.severity != "note" for f in findings)
    show_waiting(console, urgent, (refused.files, refused.rows, refused.cells))


def _show_to_do(
    console: Console, r: Reconciliation, findings: Sequence[Finding], listed: bool
) -> None:
    """What a person must do now, in a few lines: the serious first."""
    lines = []
    urgent = sorted(
        (f for f in findings if f.severity != "note"), key=lambda f: f.severity != "serious"
    )
    if not listed:
        for finding in urgent[:_FIRST_FINDINGS]:
            lines.append(_finding_line(finding))
    if waiting := answers.approvals(r):
        lines.append(waiting)
    lines += [f"{step} ({named})" for step, named in answers.steps(r)[:_FIRST_STEPS]]
    if not lines:
        return
    console.print("To do now:")
    for line in lines:
        console.print(safe(f"- {styled(line)}"))


def _finding_line(finding: Finding) -> str:
    """What to do about it, and of what; without an advice what was found."""
    text = " ".join(p for p in (finding.text, finding_words.settled(finding)) if p)
    found = f"{finding_words.subject(finding)}: {text}"
    return f"{finding.advice} ({_cut(found)})" if finding.advice else _cut(found)


def _cut(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"


def _show_verdicts(console: Console, r: Reconciliation) -> None:
    levels = {x.statistics.bias.geometric_mean_ratio.level for x in r.results}
    level = numbers.percent(max(levels, default=0.95))
    table = _table(
        "What may be done with field-only results",
        "element", "field method", "material", "verdict", "pairs", "field/lab, else difference",
        f"{level} interval", "why", right=(4, 5, 6), lead=4,
    )  # fmt: skip
    for result in r.results:
        bias, interval = bias_cells(result)
        _row(
            table,
            result.stratum.element,
            " ".join(p for p in (result.stratum.technique, result.stratum.mark) if p),
            result.stratum.matrix,
            result.verdict.decision + (words.FLIP_MARK if result.verdict.flips else ""),
            f"{result.statistics.n_used} of {result.statistics.n_pairs}",
            bias,
            interval,
            styled(result.verdict.reason),
        )
    console.print(table)
    if any(result.verdict.flips for result in r.results):
        console.print(safe(words.FLIP_NOTE))
    if together := sentences.many_sentence(r):
        console.print(safe(styled(together)))
    if r.conformity is not None:
        _show_conformity_counts(console, r.conformity)


def _show_account(console: Console, r: Reconciliation) -> None:
    account = _table(
        "The account (entered = kept + left out; every line balances to zero)",
        "step", "entered", "kept", "left out", "balance", right=(1, 2, 4),
    )  # fmt: skip
    for step in r.waterfall:
        lost = "; ".join(f"{count} {styled(reason)}" for reason, count in step.lost)
        _row(account, f"{step.name}", step.entered, step.kept, lost, step.balance)
    console.print(account)


def _show_changes(console: Console, r: Reconciliation) -> None:
    if r.changes:
        changed = _table(f"What changed since {r.supersedes}", "what", "before", "after")
        for change in r.changes[:MOST_ROWS]:
            _row(changed, *map(styled, (change.what, change.before, change.after)))
        console.print(changed)
        if len(r.changes) > MOST_ROWS:
            console.print(safe(f"… and {len(r.changes) - MOST_ROWS} more, all in the report."))


def _show_released_verdicts(console: Console, outcome: RunOutcome) -> None:
    """Verdicts and ratios from the files of the release itself."""
    table = _table(
        "What the release holds", "stratum", "pairs", "field/lab, else difference", "verdict",
        "why", right=(1, 2),
    )  # fmt: skip
    folder = outcome.release_folder
    biases = released_bias(folder)
    with (folder / "verdicts.csv").open(encoding="utf-8", newline="") as stream:
        for line in csv.DictReader(stream):
            bias = biases.get(line["stratum"], "not in the release")
            _row(table, line["stratum"], line["pairs_used"], bias, line["verdict"], line["reason"])
    console.print(table)


def _show_conformity_counts(console: Console, record: ConformityRecord) -> None:
    from reconcile.reporting.document import conformity as conformity_pages

    table = _table(
        f"Specimens against specification limits (composition only; rule: {record.rule}, guard "
        f"band {record.guard_factor:g} U)", *words.CONFORMITY_COUNT_HEADINGS, right=(2,),
    )  # fmt: skip
    for method, grades, n, total in conformity_pages.counts(record):
        _row(table, method, grades, f"{n} of {total}")
    console.print(table)


def show_paths(outcomes: Sequence[RunOutcome]) -> None:
    """Where the results are."""
    released = [(o.reconciliation, o.release_folder) for o in outcomes]
    standing_shown.show_paths(
        open_console(), [(r.period, r.revision, folder) for r, folder in released]
    )


def say_example_code(outcomes: Sequence[RunOutcome]) -> None:
    """Why ``demo`` ends with 0 where ``run`` of the same month ends with 1."""
    if any(outcome.needs_a_person for outcome in outcomes):
        open_console().print(
            safe(
                "The example's findings are invented and wait for nobody: exit code 0. 'reconcile "
                "run' of the same month ends with 1, new or unchanged."
            )
        )


def show_drawn(drawn: Drawn) -> None:
    """Where a document that was drawn again lies, and whether the release holds the same."""
    said = {
        True: " The same bytes stand in the release.",
        False: " The release holds other bytes: another version of the program or of a library "
        "made it.",
        None: "",
    }[drawn.same]
    line = f"Drawn from release {drawn.release_id}: {short_path(drawn.path)}.{said}"
    open_console().print(safe(line))
