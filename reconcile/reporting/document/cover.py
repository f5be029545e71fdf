"""The cover: the reader's questions answered; the verdict table; the account."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, PageBreak, Table, TableStyle

from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.base.model.verdict import DECISIONS, Ask, Outcome
from reconcile.evidence import finding_words
from reconcile.reporting import answers, numbers, sentences, words
from reconcile.reporting.document import glance, signing
from reconcile.reporting.document.verdicts import kind_of
from reconcile.reporting.figures import by_key
from reconcile.reporting.manner import styled
from reconcile.reporting.plots import signs
from reconcile.reporting.render.book import Heading, PageOf
from reconcile.reporting.render.paper import Picture
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import (
    boxed,
    facts,
    foreign,
    gap,
    grid,
    height_of,
    link,
    own,
    style,
    worded,
)
from reconcile.reporting.sentences import coverage_words, range_of, results_of
from reconcile.reporting.text import markup

#: Lines of the picture and next steps on the first page: the first that fit.
_FITS = ((56, 6), (56, 4), (56, 2), (44, 3), (30, 3), (20, 3), (12, 2), (6, 1), (0, 1))
#: Strata named per verdict, changes and steps of the account on the page after it. Below nought,
#: so many methods and materials fewer are named per verdict.
_FITS_AFTER = ((8, 8, 12), (5, 5, 12), (4, 3, 12), (2, 2, 6), (0, 1, 4), (-6, 1, 2), (-10, 1, 1))
_FINDINGS = 3
_SPARE = 4.0  # points
_GROUPS = 14  # methods and materials named per verdict


def cover(
    r: Reconciliation,
    size: tuple[float, float],
    anchors: dict[str, str],
    entries: Sequence[tuple[str, str]],
) -> list[Flowable]:
    """Answer, picture, risk and next steps on the first page, more of the whole on the second.

    ``entries`` are the bookmarks and titles of the sections that follow.
    Lists are shortened until each is one page.
    """
    width, height = size

    def fitting(made: Iterator[list[Flowable]]) -> list[Flowable]:
        for content in made:
            if height_of(content, width) <= height - _SPARE:
                break
        return content

    return [
        *fitting(_first(r, width, anchors, *most) for most in _FITS),
        PageBreak(),
        *fitting(_second(r, width, anchors, entries, *most) for most in _FITS_AFTER),
    ]


def _first(
    r: Reconciliation,
    width: float,
    anchors: dict[str, str],
    lines: int,
    steps: int,
) -> list[Flowable]:
    """The first page, with the picture of so many lines and so many steps."""
    revision = words.REVISION.format(period=r.period, revision=r.revision)
    title = f"{markup(revision)} &nbsp; {markup(r.release_id)}"
    if r.supersedes:
        title = markup(words.SUPERSEDING.format(revision=r.release_id, release=r.supersedes))
    rows: list[tuple[str, object]] = [
        (words.FACTS["prepared_for"], r.prepared_for or words.NOT_STATED),
        (words.FACTS["prepared_by"], r.prepared_by or words.NOT_STATED),
        (words.FACTS["purpose"], r.purpose or words.NOT_STATED),
        *signing.on_cover(r),
    ]
    plot = glance.picture(r, anchors, lines) if lines else None
    return [
        Heading(r.title, "cover", name="title"),
        Paragraph(title, style("subtitle")),
        facts(rows, width, 52 * mm),
        own(words.Q_MAY_I, "h2"),
        own(answers.answer(r)),
        *([gap(4), Picture(plot, width)] if plot is not None else []),
        *([own(words.FLIP_NOTE, "small")] if any(x.verdict.flips for x in r.results) else []),
        own(words.Q_RISK, "h2"),
        *[worded(line, "body", 500) for line in open_risks(r)],
        own(words.Q_NEXT, "h2"),
        *_next(r, steps),
        gap(4),
        boxed([own(words.COVER_CAUTION, "small")], width),
    ]


def _second(
    r: Reconciliation,
    width: float,
    anchors: dict[str, str],
    entries: Sequence[tuple[str, str]],
    named: int,
    changes: int,
    account_rows: int,
) -> list[Flowable]:
    """The page after it, with at most so many names per verdict, changes and steps."""
    until = styled(r.data_until) or words.NOT_STATED
    return [
        Heading(words.WHOLE, "whole"),
        contents(entries, width),
        gap(4),
        facts([(words.FACTS["data_until"], until)], width, 52 * mm),
        own(words.Q_VERDICTS, "h2"),
        own(may_i(r)),
        gap(3),
        _counts_of_verdicts(r, width, anchors, named),
        own(words.Q_HOW_WRONG, "h2"),
        *[own(line) for line in how_wrong(r)],
        own(words.Q_LEFT_OUT, "h2"),
        _short_account(r, width, account_rows),
        gap(3),
        own(left_out(r)),
        own(words.Q_CHANGED, "h2"),
        *_changed(r, changes),
    ]


def contents(entries: Sequence[tuple[str, str]], width: float, across: int = 3) -> Table:
    """Titles with the pages of their bookmarks, so many side by side, read downwards."""
    rows = -(-len(entries) // across)
    cells: list[list[Flowable | str]] = [["", ""] * across for _ in range(rows)]
    for place, (anchor, title) in enumerate(entries):
        column, row = divmod(place, rows)
        cells[row][2 * column : 2 * column + 2] = [link(title, anchor), PageOf(anchor)]
    shares = (0.82, 0.18)
    return Table(
        cells,
        colWidths=[width / across * share for _ in range(across) for share in shares],
        hAlign="LEFT",
        style=TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 8),
                ("TOPPADDING", (0, 0), (-1, -1), 0.6),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0.6),
            ]
        ),
    )


def may_i(r: Reconciliation) -> str:
    """How many strata may be used for the stated purpose."""
    usable = [x for x in r.results if kind_of(x) < 2]
    purpose = r.purpose.strip() or words.NOT_STATED
    dates = sorted({x.verdict.valid_until for x in usable} - {""})
    until = words.UNTIL_SEVERAL if len(dates) > 1 else ""
    text = words.MAY_I.format(
        usable=numbers.plain(float(len(usable)), 0) if usable else words.USABLE_NONE,
        total=numbers.count(len(r.results), *words.STRATA_COUNTED),
        purpose=purpose[:200],
        until=words.UNTIL.format(date=dates[0]) if len(dates) == 1 else until,
    )
    together = sentences.many_sentence(r)
    return text + _flips(r) + (f" {together}" if together else "")


def open_risks(r: Reconciliation) -> list[str]:
    """What may still hurt who uses field results, the largest first; at least one sentence.

    By a fixed order: serious findings, strata in use without controls, then the decision
    level at which most may be missed.
    """
    usable = [x for x in r.results if kind_of(x) < 2]
    risks = []
    serious = [f for f in r.findings if f.severity == "serious"]
    if serious:
        subject = finding_words.labels_of(r).get(serious[0].subject, serious[0].subject)
        text = serious[0].text if len(serious[0].text) <= 240 else f"{serious[0].text[:239]}…"
        count = numbers.count(len(serious), *words.SERIOUS_FINDINGS)
        risks.append(words.RISK_FINDING.format(count=count, subject=subject[:60], text=text))
    bare = sum(
        any(c.ask is Ask.CONTROLS and c.outcome is not Outcome.SHOWN for c in x.verdict.criteria)
        for x in usable
    )
    if bare:
        count = numbers.count(bare, *words.STRATA_COUNTED)
        risks.append(words.RISK_UNCONTROLLED.format(count=count))
    missed = [
        (level.missed.high, x.stratum.label, level.name, level.acts, level.missed)
        for x in usable
        for level in x.statistics.levels
        if level.missed.estimable
    ]
    if missed:
        high, label, name, acts, e = max(missed, key=lambda m: m[:4])
        risks.append(
            words.RISK_MISSED.format(
                level=name[:60], acts=acts, stratum=label[:80], missed=round(e.value * e.n), n=e.n,
                confidence=numbers.percent(e.level), low=numbers.percent(e.low),
                high=numbers.percent(high),
            )
        )  # fmt: skip
    largest, *others = risks or [words.RISK_NONE]
    return [largest, *(words.RISK_AFTER.format(text=text) for text in others[:1])]


def _flips(r: Reconciliation) -> str:
    flipped = [
        words.BECOMES.format(
            stratum=x.stratum.label[:60],
            verdict=words.DECISION_TITLE.get(x.verdict.decision_put_back, ""),
        )
        for x in r.results
        if x.verdict.flips
    ]
    if not flipped:
        return ""
    named = ", ".join(flipped[:_FINDINGS])
    if len(flipped) > _FINDINGS:
        named = words.AND_MORE.format(named=named, n=len(flipped) - _FINDINGS)
    return words.FLIPS.format(
        strata=numbers.count(len(flipped), *words.STRATA_COUNTED),
        names=named,
        section=words.VERDICTS,
    )


def _range_after(x: StratumResult) -> str:
    where = range_of(x.verdict, x.unit, x.per_mg_kg)
    return f" ({where})" if where != numbers.NONE else ""


def label_with_range(x: StratumResult) -> str:
    """A stratum's name, with the range of its verdict where it has one."""
    return f"{x.stratum.label}{_range_after(x)}"


def _names(results: Sequence[StratumResult], anchors: dict[str, str], named: int) -> Paragraph:
    """All strata of one verdict: with their ranges where they are few, else by method."""
    if len(results) <= max(named, 0):
        shown = [
            f'<a href="#{anchors[x.stratum.key]}">{markup(x.stratum.label, 60)}</a>'
            f"{styled(markup(_range_after(x)))}"
            for x in results
        ]
        return Paragraph("; ".join(shown) or "–", style("cell"))
    groups = by_rest_of_label(results)
    most = _GROUPS + min(named, 0)
    shown = [f"<b>{markup(', '.join(found))}</b> {markup(rest, 60)}"
             for rest, found in list(groups.items())[:most]]  # fmt: skip
    if len(groups) > most:
        more = sum(len(found) for found in list(groups.values())[most:])
        shown.append(f'<a href="#strata">{words.ONLY_MORE.format(n=more)}</a>')
    ranged = any(_range_after(x) for x in results)
    return Paragraph("; ".join(shown) + (f". {words.RANGES_AT}" if ranged else ""), style("cell"))


def by_rest_of_label(results: Sequence[StratumResult]) -> dict[str, list[str]]:
    """Elements under the rest of their strata's names (method and material), in order."""
    groups: dict[str, list[str]] = {}
    for x in results:
        groups.setdefault(x.stratum.rest_of_label, []).append(x.stratum.element)
    return groups


def _counts_of_verdicts(
    r: Reconciliation, width: float, anchors: dict[str, str], named: int
) -> Table:
    rows: list[list[Flowable | str]] = []
    for kind, decision in enumerate(DECISIONS):
        these = [x for x in r.results if kind_of(x) == kind]
        meaning = words.DECISION_MEANING[decision]
        rows.append(
            [
                signs.verdict_mark(kind, 9),
                Paragraph(
                    f'<font name="ReportBold">{words.DECISION_TITLE[decision]}</font>: {meaning}',
                    style("cell"),
                ),
                str(len(these)),
                _names(these, anchors, named),
            ]
        )
    shares = (0.03, 0.38, 0.07, 0.52)
    return grid(words.COVER_VERDICT_HEADINGS, rows, [width * s for s in shares], right=(2,))


def how_wrong(r: Reconciliation) -> list[str]:
    """The narrowest and the widest limits among the strata accepted as read, else among all."""
    usable = [x for x in r.results if kind_of(x) == 0]
    spans = []
    for result in usable or r.results:
        limits = by_key(result.statistics)
        low, high = limits["limits_log_ratio_lower"], limits["limits_log_ratio_upper"]
        if math.isfinite(low.value) and math.isfinite(high.value) and low.value > 0:
            ends: dict[str, object] = {"low": low.texts(1)[0], "high": high.texts(1)[0]}
            label = result.stratum.label
            ends |= {"stratum": label, "n": low.n, "results": results_of(result.pairs)}
            spans.append((high.value / low.value, label, ends))
    among = words.AMONG_USABLE if usable else words.AMONG_ALL
    if not spans:
        return [words.NO_LIMITS.format(among=among)]
    spans.sort(key=lambda s: (s[0], s[1]))
    best, worst = spans[0], spans[-1]
    text = words.HOW_WRONG_ONE.format(most=coverage_words(), **best[2])
    if len(spans) > 1:
        text += words.HOW_WRONG_WIDEST.format(strata=len(spans), among=among, **worst[2])
    return [f"{text}. {words.LIMITS_AS_READ}"]


def _short_account(r: Reconciliation, width: float, most: int) -> Table:
    losing = [s for s in r.waterfall if s.lost or s.balance]
    rows = [
        [
            foreign(s.name, limit=90),
            foreign(s.unit, limit=30),
            *(numbers.plain(float(v), 0) for v in (s.entered, s.kept)),
            numbers.plain(float(sum(c for _, c in s.lost)), 0),
            numbers.plain(float(s.balance), 0),
        ]
        for s in losing[:most]
    ]
    others = len(r.waterfall) - len(losing)
    parts = [words.MORE_LOST.format(n=len(losing) - most)] if len(losing) > most else []
    if others:
        parts.append(words.NOTHING_LOST.format(n=numbers.count(others, *words.OTHER_STEPS)))
    if parts:
        rows.append([own("; ".join(parts), "cell"), *[""] * 5])
    shares = (0.44, 0.16, 0.11, 0.11, 0.09, 0.09)
    table = grid(
        words.COVER_ACCOUNT_HEADINGS,
        rows,
        [width * s for s in shares],
        right=(2, 3, 4, 5),
        compact=True,
    )
    if parts:
        table.setStyle([("SPAN", (0, -1), (-1, -1))])
    return table


def left_out(r: Reconciliation) -> str:
    """How much was left out, in one sentence."""
    return words.LEFT_OUT.format(
        excluded=numbers.count(len(r.exclusions), *words.EXCLUDED_RESULTS).capitalize(),
        quarantined=sentences.refused(r.quarantine),
        field_only=numbers.count(len(r.field_only), *words.SAMPLES),
        lab_only=numbers.count(len(r.lab_only), *words.SAMPLES),
        section=words.ACCOUNT,
    )


def unchanged(r: Reconciliation) -> str:
    """That there is nothing to compare, or that nothing changed; '' where something did."""
    if not r.supersedes:
        return words.FIRST_RELEASE
    return "" if r.changes else words.NO_CHANGE.format(release=r.supersedes)


def changed(r: Reconciliation, most: int) -> list[str]:
    """What changed since the release before, item by item; a pointer to the rest."""
    shown = [(c.what, c.before, c.after) for c in r.changes[:most]]
    out = [words.CHANGE.format(what=w, before=b, after=a) for w, b, a in shown]
    if len(r.changes) > most:
        noun = words.MORE_CHANGES if out else words.CHANGES_COUNTED
        count = numbers.count(len(r.changes) - len(out), *noun)
        out.append(words.MORE_AT.format(count=count, section=words.CHANGES))
    return out


def _changed(r: Reconciliation, most: int) -> list[Flowable]:
    lines = [text] if (text := unchanged(r)) else [f"· {item}" for item in changed(r, most)]
    return [worded(line, "body", 300) for line in lines]


def look_at(r: Reconciliation) -> str:
    """The serious findings in one sentence; empty where there is none."""
    serious = [f for f in r.findings if f.severity == "serious"]
    if not serious:
        return ""
    labels = finding_words.labels_of(r)
    subjects = ", ".join(labels.get(f.subject, f.subject) for f in serious[:_FINDINGS])
    if len(serious) > _FINDINGS:
        subjects = words.AND_MORE.format(named=subjects, n=len(serious) - _FINDINGS)
    count = numbers.count(len(serious), *words.SERIOUS_FINDINGS)
    return words.LOOK_AT.format(count=count, subjects=subjects, section=words.CUSTODY)


def _next(r: Reconciliation, most: int) -> list[Flowable]:
    out: list[Flowable] = []
    for text in (look_at(r), answers.approvals(r)):
        if text:
            out.append(worded(f"· {text}", "body", 400))
    found = answers.steps(r)
    for text, named in found[:most]:
        whose = f'<font color="#444444">({markup(named, 160)})</font>'
        out.append(Paragraph(f"· {styled(markup(text, 300))} {whose}", style("body")))
    if len(found) > most:
        out.append(own("· " + words.MORE_STEPS.format(n=len(found) - most)))
    return out or [own(words.NOTHING_NEXT)]
