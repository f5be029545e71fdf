"""What the command line prints: tables and plain words, text from files shown safely."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Sequence
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING

from reconcile.base.shown import open_console, safe
from reconcile.base.writing import write_whole
from reconcile.commands.bias_shown import bias_cells, released_bias
from reconcile.commands.printing import MOST_ROWS, short_path, show_choice, show_findings
from reconcile.commands.printing import row as _row
from reconcile.commands.printing import table as _table
from reconcile.commands.shows import Show
from reconcile.evidence import finding_words
from reconcile.reporting import answers, numbers, sentences, words
from reconcile.reporting.manner import styled, written_for
from reconcile.statistics.selftest import SelfTestRow

if TYPE_CHECKING:
    from rich.console import Console

    from reconcile.base.grades import ConformityRecord, SpecimenConformity
    from reconcile.base.model import Finding, Reconciliation
    from reconcile.commands.applying import CorrectedTable
    from reconcile.commands.conforming import Conformed
    from reconcile.commands.planning import Plan
    from reconcile.commands.storytelling import Story
    from reconcile.commands.verifying import VerifyReport
    from reconcile.judgement.factor_life import Life
    from reconcile.run.drawing import Drawn
    from reconcile.run.pipeline import RunOutcome

_FIRST_FINDINGS, _FIRST_STEPS, _LONGEST = 3, 3, 240  # what a run says to do


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
    console.rule(safe(f"{r.title}: {r.period}, release {r.release_id}"), align="left")
    if outcome.differing:  # what was computed is not what stands
        _show_released_verdicts(console, outcome)
        show_findings(console, outcome.told)
        return
    console.print(safe(styled(answers.answer(r))))
    console.print(safe(f"Verdicts: {answers.in_brief(r)}."))
    for line in answers.moved(r):
        console.print(safe(styled(line)))
    show_choice(console, r.findings)
    if Show.VERDICTS in show:
        _show_verdicts(console, r)
    if Show.ACCOUNT in show:
        _show_account(console, r)
    findings = (*outcome.told, *r.findings)
    if Show.FINDINGS in show:
        show_findings(console, findings)
    if Show.CHANGES in show:
        _show_changes(console, r)
    _show_to_do(console, r, findings, Show.FINDINGS in show)
    if len(r.quarantine):
        console.print(
            safe(f"{sentences.refused(r.quarantine)}: see quarantine.csv beside the report.")
        )
    if not any(step.balance for step in r.waterfall):
        console.print("Every row and result is accounted for: --show account.")
    if not outcome.new_release:
        console.print(
            safe("Nothing changed since this release was made; no new revision was written.")
        )
    elif r.changes and Show.CHANGES not in show:
        count = numbers.count(len(r.changes), "thing", "things")
        console.print(safe(f"{count} changed since {r.supersedes}: --show changes."))
    _show_head(console, outcome.record_lines, outcome.record_head)


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
            text = " ".join(p for p in (finding.text, finding_words.settled(finding)) if p)
            lines.append(f"{finding_words.subject(finding)}: {text}")
        if len(urgent) > _FIRST_FINDINGS:
            more = numbers.count(len(urgent) - _FIRST_FINDINGS, "finding", "findings")
            lines.append(f"{more} more: --show findings.")
    if waiting := answers.approvals(r):
        lines.append(waiting)
    lines += [f"{step} ({named})" for step, named in answers.steps(r)[:_FIRST_STEPS]]
    if not lines:
        return
    console.print("To do now:")
    for line in lines:
        shown = line if len(line) <= _LONGEST else f"{line[: _LONGEST - 1]}…"
        console.print(safe(f"- {styled(shown)}"))


def _show_verdicts(console: Console, r: Reconciliation) -> None:
    levels = {x.statistics.bias.geometric_mean_ratio.level for x in r.results}
    level = numbers.percent(max(levels, default=0.95))
    table = _table(
        "What may be done with field-only results",
        "element", "field method", "material", "pairs", "field/lab, else difference",
        f"{level} interval", "verdict", "why", right=(3, 4, 5),
    )  # fmt: skip
    for result in r.results:
        bias, interval = bias_cells(result)
        _row(
            table,
            result.stratum.element,
            " ".join(p for p in (result.stratum.technique, result.stratum.mark) if p),
            result.stratum.matrix,
            f"{result.statistics.n_used} of {result.statistics.n_pairs}",
            bias,
            interval,
            result.verdict.decision + (words.FLIP_MARK if result.verdict.flips else ""),
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
    console = open_console()
    table = _table("Results", "period", "revision", "report", "workbook", right=(1,))
    for outcome in outcomes:
        folder = outcome.release_folder
        _row(
            table,
            outcome.reconciliation.period,
            outcome.reconciliation.revision,
            short_path(folder / "report.pdf"),
            short_path(folder / "workbook.xlsx"),
        )
    console.print(table)
    console.print(
        safe(
            "A verdict supports and does not replace the judgement of a competent, qualified or "
            "licensed person; local codes come first."
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
    _show_head(console, report.lines, report.head)
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


def _show_head(console: Console, lines: int, head: str) -> None:
    """The head of the record, to be kept by another."""
    console.print(safe(f"Head of the record, {numbers.count(lines, 'line', 'lines')}: {head}"))
    console.print(safe("Keep it in another's hands; 'reconcile verify --head' looks for it later."))


def show_act(folder: Path) -> None:
    """After a person's act: what it rests on, and the new head of the record."""
    from reconcile.intake.workspace import load_workspace
    from reconcile.releases import anchors, persons

    workspace = load_workspace(folder)
    console = open_console()
    reading = anchors.whole_record(workspace)
    if "signature" in reading.entries[-1].content:
        return _show_head(console, len(reading.entries), reading.head)
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
    return _show_head(console, len(reading.entries), reading.head)


def show_selftest(rows: Sequence[SelfTestRow], studies: int, seed: int) -> None:
    """Coverage and bias of every estimator on invented studies."""
    console = open_console()
    table = _table(
        f"Self-test: {studies} simulated studies per scenario, seed {seed}",
        "area", "estimator", "scenario", "pairs", "truth", "mean found", "bias",
        "intervals that hold the truth", "promised", "kept", right=(3, 4, 5, 6),
    )  # fmt: skip
    for row in rows:
        _row(
            table, row.area, row.estimator, row.scenario, row.pairs, f"{row.truth:.4g}",
            f"{row.mean:.4g}", f"{row.bias:+.2g}",
            f"{row.coverage:.1%} ({row.coverage_low:.1%} to {row.coverage_high:.1%})",
            row.promise, "yes" if row.kept else "NO",
        )  # fmt: skip
    console.print(table)
    broken = sum(not row.kept for row in rows)
    console.print(
        safe(
            f"{numbers.count(len(rows), 'estimator', 'estimators')} tried; "
            + (
                "every promise was kept."
                if not broken
                else f"{numbers.count(broken, 'promise was', 'promises were')} not kept: do not "
                "rely on these intervals; report it with this table."
            )
        )
    )
    console.print(
        safe(
            "Studies are invented, with normal or log-normal errors; real data may break what the "
            "estimators assume."
        )
    )


def save_selftest(rows: Sequence[SelfTestRow], path: Path) -> None:
    """The table as CSV, for a validation file."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    names = [field.name for field in fields(SelfTestRow)]
    writer.writerow(names)
    writer.writerows([getattr(row, name) for name in names] for row in rows)
    write_whole(path, stream.getvalue().encode())


def show_story(story: Story) -> None:
    """One sample, from collection to release."""
    console = open_console()
    console.rule(safe(f"The story of sample {story.sample_id}"), align="left")
    table = _table("", "when (UTC)", "what", "who", "evidence")
    for line in story.lines:
        _row(table, line.at, line.what, line.who, line.evidence)
    console.print(table)
    console.print(safe(story.summary))
    show_findings(console, story.told)


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


def show_corrected(result: CorrectedTable) -> None:
    """How many values were corrected, and why others were not."""
    console = open_console()
    done = sum(not row.flags for row in result.rows)
    console.print(
        safe(
            f"Wrote {result.path}: {done} of {numbers.count(len(result.rows), 'value', 'values')} "
            f"on the laboratory's scale, read as table '{result.table}'. Expanded uncertainty "
            "U with k = 2, against one laboratory result."
        )
    )
    if result.flags:
        table = _table("Not corrected (a value may have several reasons)", "why", "values",
                       right=(1,))  # fmt: skip
        for flag, count in result.flags:
            _row(table, flag, count)
        console.print(table)
    for note in result.notes[:MOST_ROWS]:
        console.print(safe(f"Look at: {note}"))
    if len(result.notes) > MOST_ROWS:
        console.print(safe(f"and {len(result.notes) - MOST_ROWS} more such notes"))


def show_conformity(done: Conformed) -> None:
    """Which grades each specimen is consistent with, by which rule, and what this is not."""
    from reconcile.judgement import conformity
    from reconcile.reporting.document import conformity as conformity_pages

    console = open_console()
    record = done.record
    for text in conformity.rule_sentences(record.rule, record.guard_factor):
        console.print(safe(text))
    shown = conformity_pages.ordered(record)[: len(record.specimens) if done.samples else 40]
    table = _table(
        f"Specimens of {done.period} against specification limits", *words.CONFORMITY_HEADINGS
    )
    for s in shown:
        against, is_open, missing = conformity_pages.set_texts(s)
        _row(
            table, s.results.sample_id, s.results.method,
            conformity_pages.fitting(s), against, is_open, missing,
        )  # fmt: skip
    for s in shown:
        if call := s.ordered:
            outcome = words.PARTS_ORDERED_CALLS[call.call]
            console.print(safe(f"{s.results.sample_id}: ordered as {call.grade}: {outcome}."))
    console.print(table)
    if len(shown) < len(record.specimens):
        console.print(
            safe(f"The first {len(shown)} of {len(record.specimens)}; --to FILE writes them all.")
        )
    if done.samples:
        _show_elements(console, shown)
    for note in record.notes:
        console.print(safe(f"Look at: {note}"))
    show_findings(console, done.told)
    console.print(safe(words.CONFORMITY_CAUTION))
    if done.path is not None:
        console.print(safe(f"Wrote {done.path}"))


def _show_elements(console: Console, specimens: Sequence[SpecimenConformity]) -> None:
    """Each result of single specimens with its uncertainty, and each limit with its call."""
    from reconcile.reporting.document import conformity as conformity_pages

    results = _table(
        "Results, U expanded", "specimen", "results by", "element", "result", "U", "k", "U from",
        right=(3, 4, 5),
    )  # fmt: skip
    calls = _table(
        "Limit by limit", "specimen", "results by", "grade", "element", "limits",
        "accepted from", "to", "says", right=(5, 6),
    )  # fmt: skip
    for s in specimens:
        units = {name: e.limit for g in s.grades for e in g.elements for name in e.limit.needs}
        for m in s.results.values:
            limit = units[m.element]
            per = limit.per_mg_kg
            u = m.k * m.u * per
            _row(
                results, s.results.sample_id, s.results.method, m.element,
                numbers.show(m.value * per, limit.unit, u) if m.value == m.value else "no result",
                numbers.show(u, limit.unit, u), f"{m.k:.3g}" if u == u else "", m.source,
            )  # fmt: skip
        for grade in s.grades:
            for e in grade.elements:
                per = e.limit.per_mg_kg
                u = e.measured.k * e.measured.u * per if e.measured else float("nan")
                _row(
                    calls, s.results.sample_id, s.results.method, grade.grade, e.limit.name,
                    conformity_pages.limit_text(e.limit),
                    numbers.show(e.accept_low * per, "", u),
                    numbers.show(e.accept_high * per, "", u),
                    f"{e.call}{': ' + e.why if e.why else ''}"
                    f"{' (' + e.place.name + ')' if e.place and e.place.name else ''}",
                )  # fmt: skip
    console.print(results)
    console.print(calls)


def show_plan(plan: Plan) -> None:
    """What a verdict still needs, and which samples to send."""
    console = open_console()
    if plan.strata:
        table = _table(
            f"Pairs needed, from the pairs of {plan.figures_of} (planning figures)",
            "element", "field method", "material", "verdict", "for", "needed", "there", "missing",
            "under the model", right=(5, 6, 7),
        )  # fmt: skip
        for stratum in plan.strata:
            for need in stratum.needs:
                known = need.needed == need.needed
                _row(
                    table, stratum.stratum.element, stratum.stratum.technique,
                    stratum.stratum.matrix, stratum.verdict, styled(need.what),
                    numbers.plain(need.needed, 0) if known else "not known", need.there,
                    numbers.plain(need.missing, 0) if known else "not known", styled(need.model),
                )  # fmt: skip
        console.print(table)
        shares = _table(
            f"Optimum share for the laboratory where its result costs "
            f"{numbers.plain_sig(plan.cost_ratio)} field results; spots for a mean known to "
            f"{numbers.percent(plan.target)}",
            "element", "field method", "material", "share", "spots", right=(3, 4),
        )  # fmt: skip
        for stratum in plan.strata:
            share, spots = stratum.lab_share, stratum.spots
            _row(
                shares, stratum.stratum.element, stratum.stratum.technique, stratum.stratum.matrix,
                numbers.percent(share) if share == share else "not known",
                numbers.plain(spots, 0) if spots == spots else "not known",
            )  # fmt: skip
        console.print(shares)
    chosen = _table(
        f"For the laboratory: {len(plan.choices)} of {plan.candidates} samples of {plan.period} "
        "that have no laboratory result",
        "sample", "kind", "reason", "chance of being chosen", "field value, mg/kg", right=(3, 4),
    )  # fmt: skip
    for choice in plan.choices:
        known = choice.value == choice.value
        _row(
            chosen, choice.sample_id, choice.kind, choice.reason,
            numbers.plain(choice.probability, 3),
            f"{choice.element} {numbers.plain_sig(choice.value, 4)}" if known else "",
        )  # fmt: skip
    console.print(chosen)
    show_findings(console, plan.told)
    if plan.path is not None:
        console.print(safe(f"Wrote {plan.path}"))
