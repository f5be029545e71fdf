"""The sections after the strata: controls, findings, what was left out, settings, sign-off."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

import pandas as pd
from reportlab.lib.colors import black
from reportlab.lib.units import mm
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    KeepTogether,
    Paragraph,
    Table,
    TableStyle,
)

from reconcile.base.model import Finding, QualityCheck, Reconciliation
from reconcile.evidence import finding_words
from reconcile.reporting import numbers, words
from reconcile.reporting.details import sentences_of
from reconcile.reporting.document import statements, stratum_page
from reconcile.reporting.document.stratum_page import Small, small_row
from reconcile.reporting.manner import styled
from reconcile.reporting.plots.drawn import Strip, StripPlot, strip_plot
from reconcile.reporting.render.book import Heading
from reconcile.reporting.render.styles import RULE, facts, foreign, gap, grid, own, style, worded
from reconcile.reporting.render.tables import lost_of, read_by
from reconcile.reporting.text import markup, printable

_CONTROLS, _FINDINGS, _ROWS, _IDS = 45, 80, 50, 120
_STRIPS = 20  # elements side by side in one plot
_SEVERITIES = ("serious", "warning", "note")


def start() -> list[Flowable]:
    """Room before a section, or a new page where little of it would fit."""
    return [CondPageBreak(65 * mm), gap(8)]


def truncated(shown: int, total: int, file: str) -> list[Flowable]:
    """A line that says how much of a list is shown, and where the rest is."""
    if shown >= total:
        return []
    return [gap(3), own(words.TRUNCATED.format(shown=shown, total=total, file=file), "small")]


def more_plots(left: Sequence[tuple[str, Small]], width: float) -> list[Flowable]:
    """Small plots for which the strata's pages had no room, three to a row."""
    if not left:
        return []
    named = [(f"{printable(label)[:60]}\n{title}", draw) for label, (title, draw) in left]
    rows = [
        KeepTogether(small_row(named[first : first + 3], width))
        for first in range(0, len(named), 3)
    ]
    head = Heading(words.MORE_PLOTS, "more-plots")
    return [*start(), head, own(words.MORE_PLOTS_INTRO, "small"), *rows]


def count_rows(r: Reconciliation) -> list[list[str]]:
    """Checks by side and kind with their outcomes, in the order of words.RATES_HEADINGS."""
    counts: dict[tuple[str, str], Counter[bool | None]] = {}
    for check in r.quality:
        counts.setdefault((check.side, check.kind), Counter())[check.passed] += 1
    return [
        [side, kind, *(str(n) for n in (sum(c.values()), c[True], c[False], c[None]))]
        for (side, kind), c in sorted(counts.items())
    ]


def rules_of(r: Reconciliation) -> list[str]:
    """Each rule by which controls were judged, said once."""
    # What a check found follows its rule after a colon.
    rules = sorted({(c.kind, c.rule.partition(": ")[0]) for c in r.quality if c.rule})
    return [f"{kind}: {rule}" for kind, rule in rules]


def quality(r: Reconciliation, width: float) -> list[Flowable]:
    """Controls: counts, each check (failed ones first), and the rules."""
    out: list[Flowable] = [*start(), Heading(words.QUALITY, "quality")]
    if not r.quality:
        return [*out, own(words.QUALITY_NONE)]
    rows: list[list[Flowable | str]] = [
        [foreign(side), foreign(kind), *counted] for side, kind, *counted in count_rows(r)
    ]
    rates = (0.14, 0.34, 0.13, 0.13, 0.13, 0.13)
    out += [
        grid(words.RATES_HEADINGS, rows, [width * s for s in rates], right=(2, 3, 4, 5)),
        gap(6),
        *_recoveries(r, width),
    ]
    order = {False: 0, None: 1, True: 2}
    checks = sorted(r.quality, key=lambda c: order[c.passed])
    shown = checks[:_CONTROLS]
    shares = (0.05, 0.14, 0.115, 0.07, 0.11, 0.035, 0.105, 0.145, 0.08, 0.055, 0.095)
    out += [
        grid(
            words.QUALITY_HEADINGS,
            [_check(c) for c in shown],
            [width * s for s in shares],
            right=(5, 6, 7, 8, 9),
        ),
        *truncated(len(shown), len(checks), words.SHEET_OF.format(sheet=words.SHEETS["quality"])),
        own(words.QUALITY_RULES, "h3"),
    ]
    out += [worded(f"· {rule}", "small", 300) for rule in rules_of(r)[:20]]
    return out


def recoveries(r: Reconciliation) -> list[StripPlot]:
    """Recovery by element, field beside laboratory, as many elements to a plot as stay legible."""
    found = [
        c
        for c in r.quality
        if c.kind == "reference material" and math.isfinite(c.recovery) and c.recovery > 0
    ]
    names = sorted({c.element for c in found})
    out = []
    for first in range(0, len(names), _STRIPS):
        part = names[first : first + _STRIPS]
        marks = tuple(
            Strip(
                part.index(c.element),
                c.recovery,
                "failed" if c.passed is False else c.side,
                c.side == "lab",
                " · ".join([c.code, c.element, _batch(c)]),
                c.n,
            )
            for c in found
            if c.element in part
        )
        labels = tuple(printable(name)[:8] for name in part)
        out.append(StripPlot(labels, marks, words.RECOVERY_AXIS, words.RECOVERY_SIDES))
    return out


def _recoveries(r: Reconciliation, width: float) -> list[Flowable]:
    """One strip of marks per element: field beside laboratory, failed ones crossed."""
    out: list[Flowable] = []
    for number, plot in enumerate(recoveries(r)):
        # wide enough for the legend beneath
        room = min(width, max(230, 60 + 55 * len(plot.categories)))
        drawing = strip_plot(plot, room, 48 * mm)
        title = [own(words.RECOVERY_TITLE, "h3")] if number == 0 else []
        out.append(KeepTogether([*title, drawing, gap(4)]))
    return out


def _batch(c: QualityCheck) -> str:
    # A field batch is named by its day.
    return styled(c.batch) if c.side == "field" else c.batch


def check_texts(c: QualityCheck) -> list[str]:
    """The cells of one control, in the order of words.QUALITY_HEADINGS."""
    if c.kind == "duplicate":
        found = (
            numbers.NONE if math.isnan(c.found) else words.CV.format(value=numbers.percent(c.found))
        )
        expected = _percent(c.expected)
    else:
        found = numbers.show(c.found, "mg/kg")
        expected = numbers.show(c.expected, "mg/kg", c.uncertainty)
        if math.isfinite(c.uncertainty) and c.uncertainty > 0 and expected != numbers.NONE:
            decimals = numbers.decimals_for(c.expected, c.uncertainty)
            value = numbers.plain(c.expected, decimals)
            expected = f"{value} ± {numbers.plain(c.uncertainty, decimals)}\N{NO-BREAK SPACE}mg/kg"
    score = "" if math.isnan(c.score) else numbers.plain(c.score, 1)
    return [
        c.side,
        c.kind,
        c.code,
        c.element,
        _batch(c),
        str(c.n),
        found,
        expected,
        "" if math.isnan(c.recovery) else _percent(c.recovery),
        score,
        words.PASSED[c.passed],
    ]


def _check(c: QualityCheck) -> list[Flowable | str]:
    texts = check_texts(c)
    return [*(foreign(t) for t in texts[:5]), *texts[5:]]


def _percent(value: float) -> str:
    return numbers.NONE if math.isnan(value) else numbers.percent(value)


def findings(r: Reconciliation, width: float) -> list[Flowable]:
    """What a person should look at, serious first; the head of the custody chain."""
    out: list[Flowable] = [*start(), Heading(words.CUSTODY, "custody")]
    head = r.custody_head
    text = words.CUSTODY_HEAD.format(head=head) if head else f"{words.NO_CUSTODY}.".capitalize()
    out.append(own(text, "small"))
    out.append(own(statements.record_head(r), "small"))
    if not r.findings:
        return [*out, own(words.FINDINGS_NONE)]

    def rank(f: Finding) -> int:
        return _SEVERITIES.index(f.severity) if f.severity in _SEVERITIES else len(_SEVERITIES)

    ordered = sorted(r.findings, key=rank)
    shown = ordered[:_FINDINGS]
    rows: list[list[Flowable | str]] = [
        [
            foreign(f.severity, "cell-bold" if f.severity == "serious" else "cell"),
            foreign(f.area),
            foreign(finding_words.subject(f)),
            worded(finding_words.told(f), limit=700),
            worded(f.advice),
        ]
        for f in shown
    ]
    shares = (0.09, 0.09, 0.17, 0.40, 0.25)
    out.append(grid(words.FINDING_HEADINGS, rows, [width * s for s in shares]))
    return out + truncated(
        len(shown), len(ordered), words.SHEET_OF.format(sheet=words.SHEETS["findings"])
    )


#: Columns of the tables of what was left out in which the program speaks.
_OUR_WORDS = frozenset({"reason", "evidence", "advice"})


def _frame_rows(frame: pd.DataFrame, columns: Sequence[str], most: int) -> list[list[Flowable]]:
    part = frame.head(most)
    said = [worded if name in _OUR_WORDS else foreign for name in columns]
    return [
        [show("" if pd.isna(value) else value) for show, value in zip(said, row, strict=True)]
        for row in part.reindex(columns=list(columns)).itertuples(index=False, name=None)
    ]


def left_out(r: Reconciliation, width: float) -> list[Flowable]:
    """Exclusions, quarantine and unmatched samples, long lists cut with a pointer."""
    out: list[Flowable] = [
        *start(),
        Heading(words.EXCLUSIONS, "exclusions"),
        own(words.EXCLUSIONS_INTRO, "small"),
    ]
    columns: tuple[str, ...] = ("kind", "sample_id", "element", "reason", "evidence", "advice")
    shares: tuple[float, ...] = (0.10, 0.17, 0.08, 0.25, 0.20, 0.20)
    out += _list(r.exclusions, columns, words.EXCLUSION_HEADINGS, shares, width, "exclusions.csv")
    out += [
        *start(),
        Heading(words.QUARANTINE, "quarantine"),
        own(words.QUARANTINE_INTRO, "small"),
    ]
    columns = ("file", "sheet", "row", "column", "found", "reason", "advice")
    shares = (0.18, 0.09, 0.06, 0.12, 0.14, 0.22, 0.19)
    out += _list(r.quarantine, columns, words.QUARANTINE_HEADINGS, shares, width, "quarantine.csv")
    if len(r.corrections):
        columns = (
            "file", "row", "column", "found", "corrected_value", "corrected_by",
            "corrected_because", "outcome",
        )  # fmt: skip
        shares = (0.16, 0.06, 0.12, 0.12, 0.12, 0.12, 0.16, 0.14)
        entries = _frame_rows(r.corrections, columns, _ROWS)
        out += [
            gap(4),
            own(words.CORRECTIONS, "h3"),
            own(words.CORRECTIONS_INTRO, "small"),
            grid(words.CORRECTION_HEADINGS, entries, [width * s for s in shares]),
            *truncated(len(entries), len(r.corrections), "corrections.csv"),
        ]
    out += [*start(), Heading(words.UNMATCHED, "unmatched"), own(words.UNMATCHED_INTRO, "small")]
    for title, ids in ((words.UNMATCHED_FIELD, r.field_only), (words.UNMATCHED_LAB, r.lab_only)):
        out.append(own(f"{title}: {numbers.count(len(ids), *words.SAMPLES)}", "h3"))
        if ids:
            shown = ids[:_IDS]
            out.append(foreign(" ;  ".join(shown), "small", 8000))
            out += truncated(
                len(shown), len(ids), words.SHEET_OF.format(sheet=words.SHEETS["exclusions"])
            )
    return out


def _list(
    frame: pd.DataFrame,
    columns: Sequence[str],
    headings: Sequence[str],
    shares: Sequence[float],
    width: float,
    file: str,
) -> list[Flowable]:
    if frame.empty:
        return [own(words.NONE_LISTED)]
    out: list[Flowable] = []
    reasons = frame["reason"].astype(str).value_counts()
    ordered = sorted(reasons.items(), key=lambda item: (-int(item[1]), str(item[0])))
    summary = "; ".join(f"{reason} ({n})" for reason, n in ordered[:12])
    if len(ordered) > 12:
        summary = words.FURTHER_REASONS.format(named=summary, n=len(ordered) - 12)
    out.append(worded(words.BY_REASON.format(total=len(frame), reasons=summary), "small", 2000))
    rows = _frame_rows(frame, columns, _ROWS)
    out.append(grid(headings, rows, [width * s for s in shares]))
    return out + truncated(len(rows), len(frame), file)


def changes(r: Reconciliation, width: float) -> list[Flowable]:
    """Differences from the release before."""
    out: list[Flowable] = [*start(), Heading(words.CHANGES, "changes")]
    if not r.supersedes:
        return [*out, own(words.FIRST_RELEASE)]
    if not r.changes:
        return [*out, own(words.NO_CHANGE.format(release=r.supersedes))]
    out.append(own(f"{words.FACTS['supersedes']}: {r.supersedes}", "small"))
    rows = [[worded(c.what), worded(c.before), worded(c.after)] for c in r.changes]
    return [*out, grid(words.CHANGE_HEADINGS, rows, [width * s for s in (0.4, 0.3, 0.3)])]


def details(
    r: Reconciliation, notes_left: dict[str, tuple[str, ...]], anchors: dict[str, str], width: float
) -> list[Flowable]:
    """Further figures of each stratum, in tables and words, and notes without room on its page."""
    body: list[Flowable] = []
    for result in r.results:
        key = result.stratum.key
        lines = [*stratum_page.rule_lines(result), *sentences_of(result), *notes_left.get(key, ())]
        tables = stratum_page.further_tables(result, width)
        if not (lines or tables):
            continue
        label = result.stratum.label
        title = words.FURTHER_OF.format(label=label)
        anchor = f"further-{anchors[key]}"
        body += [
            CondPageBreak(40 * mm),
            Heading(title, anchor, outline=1, name="h3"),
            *tables,
        ]
        body += [
            Paragraph(styled(markup(f"{line.rstrip('. ')}.", 1500)), style("small"))
            for line in lines
        ]
        body.append(gap(6))
    if not body:
        return []
    return [
        *start(),
        Heading(words.DETAILS, "details"),
        own(words.DETAILS_INTRO, "small"),
        *body,
    ]


def methods(r: Reconciliation, width: float) -> list[Flowable]:
    """Methods in words, with sources, then every setting and its meaning."""
    out: list[Flowable] = [*start(), Heading(words.METHODS, "methods")]
    for title, text in words.METHODS_TEXT:
        out += [KeepTogether([own(title, "h3"), own(text, "small")])]
    out += [
        *start(),
        Heading(words.STATEMENT, "statement"),
        own(words.STATEMENT_INTRO, "small"),
    ]
    for title, text in statements.mineral_statement(r):
        first, *rest = [own(line, "small") for line in text.splitlines()]
        out += [KeepTogether([own(title, "h3"), first]), *rest]
    items: list[list[Flowable | str]] = [
        [own(item, "cell"), own(place, "cell")] for item, place in words.TEST_REPORT_ITEMS
    ]
    out += [
        *start(),
        Heading(words.TEST_REPORT, "test-report"),
        own(words.TEST_REPORT_INTRO, "small"),
        grid(words.TEST_REPORT_HEADINGS, items, [width * s for s in (0.5, 0.5)], compact=True),
    ]
    out += [*start(), Heading(words.SETTINGS, "settings"), own(words.SETTINGS_INTRO, "small")]
    rows = [[foreign(s.name), foreign(s.value), worded(s.meaning)] for s in r.settings]
    out.append(grid(words.SETTING_HEADINGS, rows, [width * s for s in (0.3, 0.25, 0.45)]))
    return out


def inputs(r: Reconciliation, width: float) -> list[Flowable]:
    """Files with their digests, and the digests of the whole."""
    rows: list[list[Flowable | str]] = [
        [
            foreign(f.path),
            foreign(f.kind),
            numbers.plain(float(f.rows), 0),
            numbers.plain(float(f.accepted), 0),
            numbers.plain(float(f.refused_rows), 0),
            numbers.plain(float(f.refused_cells), 0),
            numbers.plain(float(f.size), 0),
            foreign(f.sha256, "mono"),
        ]
        for f in r.inputs
    ]
    shares = (0.25, 0.11, 0.07, 0.08, 0.07, 0.07, 0.09, 0.26)
    names = ("inputs_hash", "settings_hash", "code_version")
    return [
        *start(),
        Heading(words.INPUTS, "inputs"),
        facts([(words.FACTS[n], getattr(r, n) or words.NOT_STATED) for n in names], width),
        gap(4),
        grid(words.INPUT_HEADINGS, rows, [width * s for s in shares], right=(2, 3, 4, 5, 6)),
        *_files(r, width),
    ]


def _files(r: Reconciliation, width: float) -> list[Flowable]:
    rows: list[list[Flowable | str]] = []
    for f in r.account_of_files:
        lost = "; ".join(text for step in (f.read, f.use) if step and (text := lost_of(step)))
        rows.append(
            [
                foreign(f"{f.path} {f.sheet}".strip()),
                foreign(read_by(f)),
                numbers.plain(float(f.read.entered), 0),
                numbers.plain(float(f.read.kept), 0),
                "" if f.use is None else numbers.plain(float(f.use.kept), 0),
                foreign(lost, limit=900),
                numbers.plain(float(sum(step.balance for step in f.steps)), 0),
            ]
        )
    if not rows:
        return []
    shares = (0.26, 0.13, 0.07, 0.09, 0.07, 0.29, 0.09)
    return [
        gap(6),
        own(words.FILES, "h3"),
        own(words.FILES_INTRO, "small"),
        grid(words.FILES_HEADINGS, rows, [width * s for s in shares], right=(2, 3, 4, 6)),
    ]


def cautions() -> list[Flowable]:
    """What the results are not for, and the dangers of the work."""
    return [*start(), Heading(words.CAUTIONS, "cautions"), *caution_texts()]


def caution_texts() -> list[Flowable]:
    """Each caution under its title."""
    return [
        KeepTogether([own(title, "h3"), own(text, "small")]) for title, text in words.CAUTION_TEXT
    ]


def sign_off(prepared_by: str, prepared_for: str, release_id: str, width: float) -> list[Flowable]:
    """Empty lines for the persons who take responsibility."""
    table = sign_off_table(prepared_by, prepared_for, width)
    return [
        KeepTogether(
            [
                gap(8),
                Heading(words.SIGN_OFF, "sign-off"),
                own(words.SIGN_OFF_INTRO, "small"),
                table,
                gap(10),
                own(f"{words.END} {release_id}", "h3"),
            ]
        )
    ]


def sign_off_table(prepared_by: str, prepared_for: str, width: float) -> Table:
    """One line per role, to be signed by hand."""
    head = [own(text, "head") for text in words.SIGN_OFF_HEADINGS]
    known = {words.SIGN_OFF_ROLES[0]: prepared_by, words.SIGN_OFF_ROLES[3]: prepared_for}
    rows = [
        [own(role, "cell-bold"), foreign(known.get(role, ""), limit=80), "", ""]
        for role in words.SIGN_OFF_ROLES
    ]
    return Table(
        [head, *rows],
        colWidths=[width * s for s in (0.24, 0.30, 0.16, 0.30)],
        rowHeights=[None, *[15 * mm] * len(rows)],
        hAlign="LEFT",
        style=TableStyle(
            [
                ("GRID", (0, 0), (-1, -1), 0.4, RULE),
                ("BOX", (0, 0), (-1, -1), 0.8, black),
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
            ]
        ),
    )
