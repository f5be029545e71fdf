"""The acceptance dossier of one client as PDF."""

from __future__ import annotations

import math
from functools import partial

import numpy as np
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, PageBreak

from reconcile.base.model.verdict import APPROVED, DECISIONS
from reconcile.judgement.dossier_content import Covered, Dossier
from reconcile.reporting import numbers, words
from reconcile.reporting.document import methods, signing
from reconcile.reporting.document.stratum_page import Small, small_row
from reconcile.reporting.manner import Manner, styled, written_as
from reconcile.reporting.plots import drawn, signs
from reconcile.reporting.plots.characteristics import characteristics
from reconcile.reporting.plots.kinds import DifferencePlot, Points
from reconcile.reporting.plots.stratum import AGREED, agreed, chance_plots, on_scale
from reconcile.reporting.render import book, paper
from reconcile.reporting.render.book import Heading, Meta
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import (
    boxed,
    facts,
    foreign,
    gap,
    grid,
    height_of,
    own,
    style,
    worded,
)  # fmt: skip
from reconcile.reporting.sentences import decision_marked, put_back_sentence, range_of
from reconcile.reporting.text import markup, printable
from reconcile.trials import counted
from reconcile.trials.trial import ALLOWED

_FEWEST, _NOTES = 8, 4
_FEWEST_OF_TRIALS = 20  # with fewer nothing is accepted


def pdf(d: Dossier) -> bytes:
    """The whole dossier; equal values give equal bytes."""
    manner = Manner(
        d.setting("report.decimal_mark") or ".",
        d.setting("report.date_style") or "year-month-day",
    )
    with written_as(manner):
        running = words.DOSSIER_RUNNING.format(
            period=printable(d.period)[:40], revision=d.manifest["revision"]
        )
        meta = Meta(
            title=words.DOSSIER_TITLE,
            author=printable(d.setting("report.prepared_by"))[:200] or words.NOT_STATED,
            subject=running,
            release_id=printable(d.release_id)[:80],
            status=words.RELEASE_STATES[d.acts[-1].act] if d.acts else words.DRAFT,
            running=running,
            paper=d.setting("report.paper") or "A4",
        )
        size = book.body_size(meta.paper)
        return book.make(meta, lambda: _story(d, size))


def _story(d: Dossier, size: tuple[float, float]) -> list[Flowable]:
    width = size[0]
    accepted = [s for s in d.strata if s.accepted]
    others = [s for s in d.strata if not s.accepted]
    story = [*_cover(d, accepted, width), *_others(others, width)]
    if accepted:
        story += [
            PageBreak(),
            Heading(words.DOSSIER_EVIDENCE, words.DOSSIER_SECTIONS["evidence"]),
            own(words.DOSSIER_EVIDENCE_INTRO, "small"),
        ]
        for number, s in enumerate(accepted, start=1):
            story += _stratum(s, f"accepted-{number}", width)
    signs = (
        signing.given(d.acts, d.release_id)
        if d.acts
        else signing.sign_off(d.setting("report.prepared_by"), d.client, d.release_id)
    )
    return [
        *story,
        *_rules(size),
        *_checks(d, width),
        *_limits(width),
        *paper.flowables([signs], width),
    ]


def _cover(d: Dossier, accepted: list[Covered], width: float) -> list[Flowable]:
    m = d.manifest
    used = numbers.plain(float(sum(s.n for s in d.strata)), 0)
    rows: list[tuple[str, object]] = [
        ("client", d.client or words.NOT_STATED),
        ("prepared_by", d.setting("report.prepared_by") or words.NOT_STATED),
        ("purpose", d.setting("report.purpose") or words.NOT_STATED),
        (
            "period",
            words.DOSSIER_PERIOD.format(
                period=d.period, revision=m["revision"], inputs=len(m["inputs"]), pairs=used
            ),
        ),
    ]
    title = words.DOSSIER_SUBTITLE.format(title=d.setting("workspace.title"), release=d.release_id)
    out: list[Flowable] = [
        Heading(words.DOSSIER_TITLE, "cover", name="title"),
        foreign(title, "subtitle"),
        own(_answer(accepted, len(d.strata))),
        *_since(d, width),
        gap(6),
        own(words.DOSSIER_ACCEPTED, "h2"),
    ]
    who = [gap(6), facts([(words.DOSSIER_FACTS[k], v) for k, v in rows], width, 52 * mm)]
    if not accepted:
        caution = boxed([own(words.COVER_CAUTION)], width)
        return [*out, own(words.DOSSIER_NONE), *who, gap(4), caution]
    lines: list[list[Flowable | str]] = [
        [
            signs.verdict_mark(DECISIONS.index(s.verdict.decision), 7.5),
            foreign(s.label),
            Paragraph(markup(decision_marked(s.verdict)), style("cell-bold")),
            range_of(s.verdict, s.unit, s.per_mg_kg),
            s.verdict.valid_until or words.NOT_STATED,
            str(s.n),
            foreign(s.factor.factor_id if s.corrected and s.factor else ""),
        ]
        for s in accepted
    ]
    shares = (0.03, 0.25, 0.16, 0.18, 0.11, 0.05, 0.22)
    table = grid(words.DOSSIER_HEADINGS, lines, [width * x for x in shares], (3, 5), compact=True)
    flips = [own(words.FLIP_NOTE, "small")] if any(s.verdict.flips for s in accepted) else []
    return [
        *out,
        own(words.DOSSIER_ACCEPTED_INTRO),
        table,
        *flips,
        *who,
        gap(4),
        boxed([own(words.COVER_CAUTION, "small")], width),
    ]


def _answer(accepted: list[Covered], total: int) -> str:
    """What may be used alone as read or with a factor in force; what a factor still waits for."""
    counted_all = numbers.count(total, *words.COMBINATIONS)
    if not accepted:
        return words.ANSWER_NONE.format(total=counted_all)
    read = sum(not s.corrected for s in accepted)
    in_force = sum(s.corrected and s.factor is not None and s.factor.status == APPROVED
                   for s in accepted)  # fmt: skip
    said = words.DOSSIER_ANSWER.format(
        total=counted_all, read=read,
        corrected=words.ANSWER_CORRECTED.format(n=in_force) if in_force else "",
    )  # fmt: skip
    if pending := len(accepted) - read - in_force:
        said += " " + words.ANSWER_PENDING.format(n=f"{pending}{words.ANSWER_MORE}")
    rest = total - len(accepted)
    return said + (" " + words.ANSWER_REST.format(n=rest) if rest else "")


def _digests(d: Dossier, width: float) -> Flowable:
    """What the release and its records are known by."""
    m = d.manifest
    rows: list[tuple[str, object]] = [
        ("manifest", d.manifest_sha256),
        ("custody_head", m["custody_head"] or words.NO_CUSTODY),
        ("record_head", m["record_head"] if m.get("record_lines") else words.NO_RECORD),
        ("inputs", m["inputs_sha256"]),
        ("settings", m["settings_sha256"]),
    ]
    return facts([(words.DOSSIER_FACTS[k], v) for k, v in rows], width, 52 * mm)


def _since(d: Dossier, width: float) -> list[Flowable]:
    """Before anything is called accepted: what later releases and the record say otherwise."""
    if not d.since:
        return []
    rows: list[list[Flowable | str]] = [
        [
            foreign(x.label),
            own(words.DECISION_TITLE[x.here], "cell"),
            own(
                words.DECISION_TITLE[x.now]
                if x.now
                else words.DOSSIER_SINCE_FACTOR[x.factor_state],
                "cell-bold",
            ),
            foreign(x.source),
        ]
        for x in d.since
    ]
    widths = [width * x for x in (0.3, 0.2, 0.25, 0.25)]
    return [
        gap(6),
        own(words.DOSSIER_SINCE, "h2"),
        boxed([own(words.DOSSIER_SINCE_INTRO.format(period=d.period))], width),
        gap(2),
        grid(words.DOSSIER_SINCE_HEADINGS, rows, widths, compact=True),
    ]


def _others(others: list[Covered], width: float) -> list[Flowable]:
    if not others:
        return []
    rows: list[list[Flowable | str]] = [
        [
            foreign(s.label),
            Paragraph(markup(decision_marked(s.verdict)), style("cell-bold")),
            worded(s.verdict.reason, "cell", 300),
        ]
        for s in others
    ]
    widths = [width * x for x in (0.25, 0.2, 0.55)]
    return [
        *paper.start(),
        own(words.DOSSIER_OTHERS, "h2"),
        grid(words.DOSSIER_OTHER_HEADINGS, rows, widths, compact=True),
    ]


def _rules(size: tuple[float, float]) -> list[Flowable]:
    """How often the rules accept wrongly and rightly, drawn from the trials of this version."""
    rows = [row for row in counted.as_read() if row.n >= _FEWEST_OF_TRIALS]
    said = words.DOSSIER_RULES_INTRO.format(
        studies=rows[0].studies, truths=len({row.truth for row in rows}), allowed=f"{ALLOWED:.0%}"
    )
    width, height = size
    head: list[Flowable] = [
        Heading(words.DOSSIER_RULES, words.DOSSIER_SECTIONS["rules"]), own(said, "small"), gap(4),
    ]  # fmt: skip
    room = height - height_of(head, width) - 12  # the picture stands below its heading
    return [PageBreak(), *head, characteristics(rows, width, room)]


def curves_of(s: Covered) -> list[Small]:
    """One plot of chances for each decision level inside the pairs."""
    if len(s.lab) < _FEWEST:
        return []
    inside = [(n, at) for n, at in s.levels if s.lab.min() <= at <= s.lab.max()]
    ratio = s.ratio and bool(np.all(s.lab > 0) and np.all(s.field > 0))
    title = words.DOSSIER_CURVE_CORRECTED if s.corrected else words.DOSSIER_CURVE_READ
    return [
        ((title.format(level=plot.level.name),), partial(drawn.chance_plot, plot))
        for plot in chance_plots(s.lab, s.field, ratio, inside, s.unit, s.per_mg_kg, s.lab_variance)
    ]


def data_of(s: Covered) -> list[Small]:
    """The used pairs as ratios or differences against their level, with what was agreed."""
    if not len(s.lab):
        return []
    ratio = s.ratio and bool(np.all(s.lab > 0) and np.all(s.field > 0))
    per, unit = s.per_mg_kg, numbers.unit_name(s.unit)
    level = np.sqrt(s.lab) * np.sqrt(s.field) if ratio else (s.lab + s.field) / 2
    off = s.field / s.lab if ratio else (s.field - s.lab) * per
    margin, span = (agreed(s.verdict, ask, name) for ask, name in AGREED)
    margin, span, _ = on_scale(margin, span, ratio)
    plot = DifferencePlot(
        (Points("used", words.LEGEND["used"], level * per, off),), (), 1.0 if ratio else 0.0,
        ratio, words.AXIS_LEVEL_SHORT.format(unit=unit),
        words.AXIS_RATIO if ratio else words.AXIS_DIFFERENCE_SHORT, "", margin, span,
    )  # fmt: skip
    titles = words.DOSSIER_RATIOS if ratio else words.DOSSIER_DIFFERENCES
    return [((titles[s.corrected],), partial(drawn.difference_plot, plot))]


def _stratum(s: Covered, anchor: str, width: float) -> list[Flowable]:
    curves = curves_of(s)
    said = [x for x in s.sentences if x != put_back_sentence(s.verdict, s.n)]
    head: list[Flowable] = [
        gap(6),
        Heading(s.label, anchor, outline=1, name="h2"),
        foreign(words.DOSSIER_METHODS.format(field=s.field_method, lab=s.lab_method), "small"),
        *[own(text, "small") for text in said],
    ]
    if sentence := put_back_sentence(s.verdict, s.n):
        head.append(own(sentence, "small"))
    if s.score is not None and s.score.get("shift") is not None and "relative" in s.score:
        head.append(own(_score(s), "small"))
    head += small_row([*data_of(s), *curves[:2]], width)
    if not curves:
        head.append(own(words.DOSSIER_NO_CURVE, "small"))
    if curves and s.corrected:
        head.append(own(words.DOSSIER_CORRECTED_NOTE, "small"))
    rows: list[list[Flowable | str]] = [
        [own(c.name, "cell"), own(c.asked, "cell"), worded(c.found, "cell", 200), c.outcome]
        for c in s.criteria
    ]
    widths = [width * x for x in (0.24, 0.31, 0.34, 0.11)]
    notes = [worded(f"· {note}", "small", 400) for note in s.notes[:_NOTES]]
    if left := len(s.notes) - len(notes):
        notes.append(own(words.DOSSIER_MORE.format(n=left), "small"))
    table = grid(words.CRITERIA_HEADINGS, rows, widths, compact=True)
    return [KeepTogether([*head, own(words.DOSSIER_AGREED, "h3"), table, gap(2), *notes])]


def _score(s: Covered) -> str:
    assert s.score is not None
    relative = s.score["relative"]
    scale = 100.0 if relative else s.per_mg_kg
    unit = "%" if relative else numbers.unit_name(s.unit)
    value, interval = numbers.estimate_texts(
        float(s.score["shift"]), _number(s.score["low"]), _number(s.score["high"]), scale, True
    )
    return words.DOSSIER_SCORE.format(
        n=s.score["n"],
        call=words.SCORE_CALLS.get(s.score["call"], s.score["call"]),
        shift=f"{value}\N{NO-BREAK SPACE}{unit}",
        interval=interval,
        coverage=numbers.percent(_number(s.score["coverage"])),
    )


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def _checks(d: Dossier, width: float) -> list[Flowable]:
    def share(name: str) -> str:
        return numbers.percent(float(d.setting(f"thresholds.{name}") or "nan"))

    given = {
        "pairs": d.setting("thresholds.minimum_pairs"),
        "alarm": share("factor_alarm_rate"),
        "margin": share("bias_margin"),
        "span": numbers.plain_sig(1 + float(d.setting("thresholds.agreement_span") or "nan")),
        "missed": share("false_negative_rate"),
        "low": share("recovery_low"),
        "high": share("recovery_high"),
        "zeta": d.setting("thresholds.lab_zeta"),
        "months": d.setting("thresholds.factor_valid_months"),
    }
    return [
        *paper.start(),
        Heading(words.DOSSIER_CHECKS, words.DOSSIER_SECTIONS["checks"]),
        *[
            Paragraph(f"{i}. {styled(markup(text.format(**given)))}", style("body"))
            for i, text in enumerate(words.DOSSIER_CHECKS_LIST, start=1)
        ],
        gap(6),
        _digests(d, width),
    ]


def _limits(width: float) -> list[Flowable]:
    return [
        *paper.start(),
        Heading(words.DOSSIER_LIMITS, words.DOSSIER_SECTIONS["limits"]),
        *paper.flowables(methods.texts(words.CAUTION_TEXT), width),
    ]
