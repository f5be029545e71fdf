"""What is printed of single commands: a story, corrected values, grades, a plan, the self-test."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING

from reconcile.base.model.verdict import Ask
from reconcile.base.shown import open_console, safe
from reconcile.base.writing import write_whole
from reconcile.commands.printing import MOST_ROWS, show_findings
from reconcile.commands.printing import row as _row
from reconcile.commands.printing import table as _table
from reconcile.reporting import numbers, words
from reconcile.reporting.manner import styled
from reconcile.statistics.selftest import SelfTestRow

if TYPE_CHECKING:
    from rich.console import Console

    from reconcile.base.grades import SpecimenConformity
    from reconcile.commands.applying import CorrectedTable
    from reconcile.commands.conforming import Conformed
    from reconcile.commands.planning import Plan, StratumPlan
    from reconcile.commands.storytelling import Story


def show_story(story: Story) -> None:
    """One sample, from collection to release."""
    console = open_console()
    console.rule(safe(words.SHOWN_STORY_SAMPLE.format(sample_id=story.sample_id)), align="left")
    table = _table("", words.SHOWN_WHEN_UTC, "what", "who", "evidence")
    for line in story.lines:
        _row(table, line.at, line.what, line.who, line.evidence)
    console.print(table)
    console.print(safe(story.summary))
    show_findings(console, story.told)


def show_corrected(result: CorrectedTable) -> None:
    """How many values were corrected, and why others were not."""
    console = open_console()
    done = sum(not row.flags for row in result.rows)
    console.print(
        safe(
            words.SHOWN_WROTE_ON_LABORATORY.format(
                path=result.path,
                done=done,
                count=numbers.count(len(result.rows), "value", "values"),
                table=result.table,
            )
        )
    )
    if result.flags:
        table = _table(words.SHOWN_NOT_CORRECTED_VALUE, "why", "values",
                       right=(1,))  # fmt: skip
        for flag, count in result.flags:
            _row(table, flag, count)
        console.print(table)
    for note in result.notes[:MOST_ROWS]:
        console.print(safe(words.SHOWN_LOOK_AT.format(note=note)))
    if len(result.notes) > MOST_ROWS:
        console.print(safe(words.SHOWN_MORE_SUCH_NOTES.format(value=len(result.notes) - MOST_ROWS)))


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
        words.SHOWN_SPECIMENS_AGAINST_SPECIFICATION.format(period=done.period),
        *words.CONFORMITY_HEADINGS,
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
            console.print(
                safe(
                    words.SHOWN_ORDERED_AS.format(
                        sample_id=s.results.sample_id, grade=call.grade, outcome=outcome
                    )
                )
            )
    console.print(table)
    if len(shown) < len(record.specimens):
        console.print(
            safe(words.SHOWN_FIRST_OF_ALL.format(shown=len(shown), count=len(record.specimens)))
        )
    if done.samples:
        _show_elements(console, shown)
    for note in record.notes:
        console.print(safe(words.SHOWN_LOOK_AT.format(note=note)))
    show_findings(console, done.told)
    console.print(safe(words.CONFORMITY_CAUTION))
    if done.path is not None:
        console.print(safe(words.WROTE.format(path=done.path)))


def _show_elements(console: Console, specimens: Sequence[SpecimenConformity]) -> None:
    """Each result of single specimens with its uncertainty, and each limit with its call."""
    from reconcile.reporting.document import conformity as conformity_pages

    results = _table(
        words.SHOWN_RESULTS_EXPANDED,
        "specimen",
        words.SHOWN_RESULTS_BY,
        "element",
        "result",
        "U",
        "k",
        words.SHOWN_FROM,
        right=(3, 4, 5),
    )
    calls = _table(
        words.SHOWN_LIMIT_BY_LIMIT,
        "specimen",
        words.SHOWN_RESULTS_BY,
        "grade",
        "element",
        "limits",
        words.SHOWN_ACCEPTED_FROM,
        "to",
        "says",
        right=(5, 6),
    )
    for s in specimens:
        units = {name: e.limit for g in s.grades for e in g.elements for name in e.limit.needs}
        for m in s.results.values:
            limit = units[m.element]
            per = limit.per_mg_kg
            u = m.k * m.u * per
            _row(
                results,
                s.results.sample_id,
                s.results.method,
                m.element,
                numbers.show(m.value * per, limit.unit, u)
                if m.value == m.value
                else words.SHOWN_NO_RESULT,
                numbers.show(u, limit.unit, u),
                f"{m.k:.3g}" if u == u else "",
                m.source,
            )
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


def show_plan(plan: Plan, whole: bool = False) -> None:
    """Which samples to send; then what a verdict still needs, ``whole`` criterion by criterion."""
    console = open_console()
    _show_chosen(console, plan)
    if plan.strata:
        if whole:
            _show_needs(console, plan)
            _show_shares(console, plan)
        else:
            _show_most_needed(console, plan)
    show_findings(console, plan.told)
    if plan.path is not None:
        console.print(safe(words.WROTE.format(path=plan.path)))


def _show_chosen(console: Console, plan: Plan) -> None:
    chosen = _table(
        words.SHOWN_FOR_LABORATORY_SAMPLES.format(
            n=len(plan.choices), candidates=plan.candidates, period=plan.period
        ),
        "sample",
        "kind",
        "reason",
        words.SHOWN_CHANCE_BEING_CHOSEN,
        words.SHOWN_FIELD_VALUE_MG,
        right=(3, 4),
        lead=2,
    )
    for choice in plan.choices:
        known = choice.value == choice.value
        _row(
            chosen, choice.sample_id, choice.kind, choice.reason,
            numbers.plain(choice.probability, 3),
            f"{choice.element} {numbers.plain_sig(choice.value, 4)}" if known else "",
        )  # fmt: skip
    console.print(chosen)


def _show_most_needed(console: Console, plan: Plan) -> None:
    """A line for each stratum, the fewest missing first."""
    console.print(
        safe(
            words.SHOWN_WHAT_VERDICT_STILL.format(figures_of=plan.figures_of),
            style="bold",
        )
    )
    lines = sorted((_need_line(s) for s in plan.strata), key=lambda line: line[0])
    for _, line in lines:
        console.print(safe(f"- {line}"))


def _need_line(plan: StratumPlan) -> tuple[float, str]:
    """How many pairs are missing for everything (infinite: no number would do), and in words."""
    s = plan.stratum
    of = f"{s.element} · {s.technique} · {s.matrix}"
    hopeless = [n for n in plan.needs if n.missing != n.missing]
    if hopeless:
        return math.inf, words.SHOWN_NO_NUMBER_PAIRS.format(of=of, styled=styled(hopeless[0].what))
    most = max(plan.needs, key=lambda n: n.missing, default=None)
    if most is None or not most.missing:
        return 0.0, words.SHOWN_ENOUGH_PAIRS.format(of=of)
    pairs = numbers.count(int(most.missing), words.SHOWN_MORE_PAIR, words.SHOWN_MORE_PAIRS)
    why = "" if most.ask in (Ask.PAIRS, Ask.THIRDS) else f" ({styled(most.what)})"
    return most.missing, f"{of}: {pairs}{why}"


def _show_needs(console: Console, plan: Plan) -> None:
    table = _table(
        words.SHOWN_PAIRS_NEEDED_FROM.format(figures_of=plan.figures_of),
        "element",
        words.SHOWN_FIELD_METHOD,
        "material",
        "for",
        "verdict",
        "needed",
        "there",
        "missing",
        words.SHOWN_UNDER_MODEL,
        right=(5, 6, 7),
        lead=4,
    )
    for stratum in plan.strata:
        for need in stratum.needs:
            known = need.needed == need.needed
            _row(
                table,
                stratum.stratum.element,
                stratum.stratum.technique,
                stratum.stratum.matrix,
                styled(need.what),
                stratum.verdict,
                numbers.plain(need.needed, 0) if known else words.SHOWN_NOT_KNOWN,
                need.there,
                numbers.plain(need.missing, 0) if known else words.SHOWN_NOT_KNOWN,
                styled(need.model),
            )
    console.print(table)


def _show_shares(console: Console, plan: Plan) -> None:
    shares = _table(
        words.SHOWN_OPTIMUM_SHARE_FOR.format(
            plain_sig=numbers.plain_sig(plan.cost_ratio), percent=numbers.percent(plan.target)
        ),
        "element",
        words.SHOWN_FIELD_METHOD,
        "material",
        "share",
        "spots",
        right=(3, 4),
        lead=3,
    )
    for stratum in plan.strata:
        share, spots = stratum.lab_share, stratum.spots
        _row(
            shares,
            stratum.stratum.element,
            stratum.stratum.technique,
            stratum.stratum.matrix,
            numbers.percent(share) if share == share else words.SHOWN_NOT_KNOWN,
            numbers.plain(spots, 0) if spots == spots else words.SHOWN_NOT_KNOWN,
        )
    console.print(shares)


def show_selftest(rows: Sequence[SelfTestRow], studies: int, seed: int) -> None:
    """Coverage and bias of every estimator on invented studies."""
    console = open_console()
    table = _table(
        words.SHOWN_SELF_TEST_SIMULATED.format(studies=studies, seed=seed),
        "area", "estimator", "scenario", "pairs", "truth", words.SHOWN_MEAN_FOUND, "bias",
        words.SHOWN_INTERVALS_THAT_HOLD, "promised", "kept", right=(3, 4, 5, 6),
    )  # fmt: skip
    for row in rows:
        _row(
            table,
            row.area,
            row.estimator,
            row.scenario,
            row.pairs,
            f"{row.truth:.4g}",
            f"{row.mean:.4g}",
            f"{row.bias:+.2g}",
            words.SHOWN_SHARE_WITH_INTERVAL.format(
                value=row.coverage,
                low=row.coverage_low,
                high=row.coverage_high,
            ),
            row.promise,
            "yes" if row.kept else "NO",
        )
    console.print(table)
    broken = sum(not row.kept for row in rows)
    console.print(
        safe(
            words.SHOWN_TRIED.format(count=numbers.count(len(rows), "estimator", "estimators"))
            + (
                words.SHOWN_EVERY_PROMISE_WAS
                if not broken
                else words.SHOWN_NOT_KEPT_DO.format(
                    count=numbers.count(broken, "promise was", "promises were")
                )
            )
        )
    )
    console.print(safe(words.SHOWN_STUDIES_INVENTED_WITH))


def save_selftest(rows: Sequence[SelfTestRow], path: Path) -> None:
    """The table as CSV, for a validation file."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    names = [field.name for field in fields(SelfTestRow)]
    writer.writerow(names)
    writer.writerows([getattr(row, name) for name in names] for row in rows)
    write_whole(path, stream.getvalue().encode())
