"""The cover: the reader's questions answered; the verdict table; the account."""

from __future__ import annotations

import math
from collections.abc import Sequence

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Paragraph, Table

from reconcile.model import DECISIONS, Reconciliation, StratumResult
from reconcile.reporting import numbers, plots, words
from reconcile.reporting.book import Heading, Pages
from reconcile.reporting.figures import by_key
from reconcile.reporting.styles import (
    boxed,
    facts,
    foreign,
    gap,
    grid,
    link,
    own,
    style,
)
from reconcile.reporting.text import markup, minus

_NAMED = 8  # strata named per verdict on the cover
_CHANGES, _STEPS, _FINDINGS = 5, 6, 3


def kind_of(result: StratumResult) -> int:
    """Place of the verdict in DECISIONS; the last for an unknown one."""
    decision = result.verdict.decision
    return DECISIONS.index(decision) if decision in DECISIONS else len(DECISIONS) - 1


def cover(r: Reconciliation, width: float, anchors: dict[str, str], pages: Pages) -> list[Flowable]:
    """The first page."""
    revision = words.REVISION.format(period=r.period, revision=r.revision)
    rows: list[tuple[str, object]] = [
        (words.FACTS["prepared_for"], r.prepared_for or words.NOT_STATED),
        (words.FACTS["prepared_by"], r.prepared_by or words.NOT_STATED),
        (words.FACTS["purpose"], r.purpose or words.NOT_STATED),
        (words.FACTS["data_until"], r.data_until or words.NOT_STATED),
        (words.FACTS["supersedes"], r.supersedes or words.NOTHING_SUPERSEDED),
    ]
    return [
        Heading(r.title, "cover", name="title"),
        Paragraph(f"{markup(revision)} &nbsp; {markup(r.release_id)}", style("subtitle")),
        facts(rows, width, 52 * mm),
        own(words.Q_MAY_I, "h2"),
        own(_may_i(r)),
        _counts_of_verdicts(r, width, anchors),
        own(words.Q_HOW_WRONG, "h2"),
        *[own(line) for line in _how_wrong(r)],
        own(words.Q_LEFT_OUT, "h2"),
        _short_account(r, width),
        gap(3),
        own(_left_out(r)),
        own(words.Q_CHANGED, "h2"),
        *_changed(r),
        own(words.Q_NEXT, "h2"),
        *_next(r),
        gap(4),
        boxed([own(words.COVER_CAUTION, "small")], width),
        gap(4),
        _contents(pages),
    ]


def _contents(pages: Pages) -> Paragraph:
    """Sections with their pages; known from the second pass on."""
    entries = [
        f'<a href="#{anchor}">{title} {pages.of[anchor]}</a>'
        for anchor, title in words.SECTIONS.items()
        if anchor in pages.of
    ]
    return Paragraph(
        f'<font name="ReportBold">{words.CONTENTS}:</font> {" · ".join(entries)}', style("small")
    )


def _may_i(r: Reconciliation) -> str:
    """How many strata may be used for the stated purpose."""
    usable = sum(kind_of(x) < 2 for x in r.results)
    purpose = r.purpose.strip() or words.NOT_STATED
    return words.MAY_I.format(
        usable=numbers.count(usable, "stratum", "strata").capitalize(),
        total=numbers.plain(float(len(r.results)), 0),
        purpose=purpose[:200],
    )


def _names(results: Sequence[StratumResult], anchors: dict[str, str]) -> Paragraph:
    shown = []
    for r in results[:_NAMED]:
        where = words.range_of(r.verdict, r.unit, r.per_mg_kg)
        tail = f" ({where})" if where != numbers.NONE else ""
        name = markup(r.stratum.label, 60)
        shown.append(f'<a href="#{anchors[r.stratum.key]}">{name}</a>{tail}')
    if len(results) > _NAMED:
        shown.append(f'<a href="#verdicts">and {len(results) - _NAMED} more</a>')
    return Paragraph("; ".join(shown) or "–", style("cell"))


def _counts_of_verdicts(r: Reconciliation, width: float, anchors: dict[str, str]) -> Table:
    rows: list[list[Flowable | str]] = []
    for kind, decision in enumerate(DECISIONS):
        these = [x for x in r.results if kind_of(x) == kind]
        meaning = words.DECISION_MEANING[decision]
        rows.append(
            [
                plots.verdict_mark(kind, 9),
                Paragraph(
                    f'<font name="ReportBold">{words.DECISION_TITLE[decision]}</font>: {meaning}',
                    style("cell"),
                ),
                str(len(these)),
                _names(these, anchors),
            ]
        )
    shares = (0.03, 0.42, 0.07, 0.48)
    headings = ("", "Verdict", "Strata", "Which, with the valid range")
    return grid(headings, rows, [width * s for s in shares], right=(2,))


def _how_wrong(r: Reconciliation) -> list[str]:
    spans = []
    for result in r.results:
        limits = by_key(result.statistics)
        low, high = limits["limits_log_ratio_lower"], limits["limits_log_ratio_upper"]
        if math.isfinite(low.value) and math.isfinite(high.value) and low.value > 0:
            text = f"{low.texts(1)[0]} and {high.texts(1)[0]} times the laboratory's"
            spans.append((high.value / low.value, result.stratum.label, text, low.n))
    without = len(r.results) - len(spans)
    out = []
    if spans:
        spans.sort(key=lambda s: (s[0], s[1]))
        best, worst = spans[0], spans[-1]
        out.append(
            f"{words.coverage_words()} single field results lie between {best[2]} for {best[1]} "
            f"(n = {best[3]})"
            + (
                f", the narrowest, and between {worst[2]} for {worst[1]} (n = {worst[3]}), the "
                f"widest of {len(spans)} strata."
                if len(spans) > 1
                else "."
            )
            + " Each stratum's page gives the intervals of these limits."
        )
    if without:
        out.append(
            f"For {numbers.count(without, 'stratum', 'strata')} no limits can be given as ratios."
        )
    return out


def _short_account(r: Reconciliation, width: float) -> Table:
    rows = [
        [
            foreign(s.name, limit=90),
            foreign(s.unit, limit=30),
            numbers.plain(float(s.entered), 0),
            numbers.plain(float(s.kept), 0),
            numbers.plain(float(sum(c for _, c in s.lost)), 0),
            numbers.plain(float(s.balance), 0),
        ]
        for s in r.waterfall
    ]
    headings = ("Step", "Counted", "Entered", "Kept", "Lost", "Balance")
    shares = (0.40, 0.18, 0.11, 0.11, 0.10, 0.10)
    return grid(headings, rows, [width * s for s in shares], right=(2, 3, 4, 5), compact=True)


def _left_out(r: Reconciliation) -> str:
    return (
        f"{numbers.count(len(r.exclusions), 'excluded result').capitalize()}, "
        f"{numbers.count(len(r.quarantine), 'quarantined row')}, "
        f"{numbers.count(len(r.field_only), 'sample')} with a field reading only, "
        f"{numbers.count(len(r.lab_only), 'sample')} with a lab result only. Reasons follow in "
        "this report and, line by line, in the data files."
    )


def _changed(r: Reconciliation) -> list[Flowable]:
    if not r.supersedes:
        return [own(words.FIRST_RELEASE)]
    if not r.changes:
        return [own(words.NO_CHANGE.format(release=r.supersedes))]
    out = [
        foreign(f"· {c.what}: {c.before} → {c.after}", "body", 300) for c in r.changes[:_CHANGES]
    ]
    if len(r.changes) > _CHANGES:
        out.append(own(f"… and {len(r.changes) - _CHANGES} more in “{words.CHANGES}”."))
    return list(out)


def _next(r: Reconciliation) -> list[Flowable]:
    steps: dict[str, list[str]] = {}
    for result in r.results:
        if result.verdict.next_step:
            steps.setdefault(result.verdict.next_step.strip(), []).append(result.stratum.label)
    out: list[Flowable] = []
    for text, labels in list(steps.items())[:_STEPS]:
        named = "; ".join(labels[:3]) + (f"; {len(labels) - 3} more" if len(labels) > 3 else "")
        out.append(
            Paragraph(
                f'· {minus(markup(text, 300))} <font color="#444444">({markup(named, 160)})</font>',
                style("body"),
            )
        )
    if len(steps) > _STEPS:
        out.append(own(f"… and {len(steps) - _STEPS} more on the pages of the strata."))
    serious = [f for f in r.findings if f.severity == "serious"]
    if serious:
        subjects = ", ".join(f.subject for f in serious[:_FINDINGS])
        more = f" and {len(serious) - _FINDINGS} more" if len(serious) > _FINDINGS else ""
        count = numbers.count(len(serious), "serious finding")
        out.append(
            foreign(
                f"· A person must look at {count} ({subjects}{more}): see “{words.CUSTODY}”.",
                "body",
                400,
            )
        )
    return out or [own(words.NOTHING_NEXT)]


def verdict_table(
    r: Reconciliation, width: float, anchors: dict[str, str], pages: Pages
) -> list[Flowable]:
    """One line per stratum with its verdict and the page where it is shown."""
    rows: list[list[Flowable | str]] = []
    for result in r.results:
        stratum, figures = result.stratum, by_key(result.statistics)
        anchor = anchors[stratum.key]
        ratio, ratio_interval = figures["geometric_mean_ratio"].texts(1)
        low, high = figures["limits_log_ratio_lower"], figures["limits_log_ratio_upper"]
        if result.statistics.difference_scale == "absolute":
            low, high = figures["limits_absolute_lower"], figures["limits_absolute_upper"]
        unit = low.unit(result.unit)
        limits = f"{low.texts(result.per_mg_kg)[0]} to {high.texts(result.per_mg_kg)[0]}"
        known = math.isfinite(low.value) and math.isfinite(high.value)
        decision = words.DECISION_TITLE.get(result.verdict.decision, result.verdict.decision)
        rows.append(
            [
                plots.verdict_mark(kind_of(result), 9),
                Paragraph(markup(decision, 40), style("cell-bold")),
                link(stratum.label[:80], anchor),
                foreign(f"{stratum.field_method} / {stratum.lab_method}", limit=120),
                str(result.statistics.n_used),
                ratio if ratio_interval == numbers.NONE else f"{ratio} ({ratio_interval})",
                f"{limits}{' ' + unit if unit else ''}" if known else numbers.NONE,
                words.range_of(result.verdict, result.unit, result.per_mg_kg),
                link(pages.text(anchor), anchor, "cell-right"),
            ]
        )
    shares = (0.03, 0.11, 0.14, 0.19, 0.055, 0.145, 0.15, 0.135, 0.045)
    return [
        Heading(words.VERDICTS, "verdicts"),
        own(words.ONE_STRATUM, "small"),
        grid(
            ("", *words.VERDICT_HEADINGS), rows, [width * s for s in shares], right=(4, 5, 6, 7, 8)
        ),
    ]


def account(r: Reconciliation, width: float) -> list[Flowable]:
    """The waterfall with every reason."""
    rows: list[list[Flowable | str]] = []
    for step in r.waterfall:
        entered, kept, balance = (
            numbers.plain(float(v), 0) for v in (step.entered, step.kept, step.balance)
        )
        lost = [(foreign(reason), numbers.plain(float(n), 0)) for reason, n in step.lost]
        first = lost[0] if lost else ("", "0")
        rows.append(
            [
                foreign(step.name), foreign(step.unit), entered, kept,
                first[1], first[0], balance,
            ]
        )  # fmt: skip
        rows += [["", "", "", "", number, reason, ""] for reason, number in lost[1:]]
    shares = (0.24, 0.13, 0.09, 0.09, 0.08, 0.28, 0.09)
    return [
        Heading(words.ACCOUNT, "account"),
        own(words.ACCOUNT_INTRO, "small"),
        grid(words.ACCOUNT_HEADINGS, rows, [width * s for s in shares], right=(2, 3, 4, 6)),
    ]
