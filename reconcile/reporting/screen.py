"""report.html: the report as one file for the screen, with nothing from outside it.

Everything that comes from a file is escaped; the page's own rules (Content-Security-Policy)
let nothing run or load but the style and script below, named by their digests.
"""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Iterable, Sequence
from importlib import resources

import pandas as pd

from reconcile.model import QUARANTINE_COLUMNS, Reconciliation, StratumResult
from reconcile.reporting import cover, numbers, sections, statements, stratum_page, words
from reconcile.reporting.details import sentences_of
from reconcile.reporting.figures import by_key
from reconcile.reporting.manner import styled, written_for
from reconcile.reporting.sentences import line_name, range_of
from reconcile.reporting.stratum_plots import (
    chance_plots_of,
    difference_plot_of,
    method_plot_of,
    trend_plot_of,
)
from reconcile.reporting.svg import chance_svg, difference_svg, escaped, method_svg, trend_svg
from reconcile.reporting.tables import lost_of, read_by

#: Rows of a table beyond this are left to the data files.
MOST_ROWS = 2_000
_FILTERED = 8  # rows from which a table can be filtered
#: A cell: text, or the text and the number to sort by.
Cell = str | tuple[str, float]


def page(r: Reconciliation) -> bytes:
    """The whole report as HTML; equal values give equal bytes."""
    with written_for(r):
        return _page(r)


def _page(r: Reconciliation) -> bytes:
    style, script = _own_file("page.css"), _own_file("page.js")
    anchors = {x.stratum.key: f"stratum-{i}" for i, x in enumerate(r.results, start=1)}
    parts = [
        (None, "", _head(r)),
        ("verdicts", words.VERDICTS, _verdicts(r, anchors)),
        ("account", words.ACCOUNT, _account(r)),
        *(
            (anchors[x.stratum.key], x.stratum.label, _stratum(r, x))
            for x in r.results
        ),
        ("quality", words.QUALITY, _quality(r)),
        ("custody", words.CUSTODY, _findings(r)),
        ("exclusions", words.EXCLUSIONS, _exclusions(r)),
        ("quarantine", words.QUARANTINE, _quarantine(r) + _corrections(r)),
        ("unmatched", words.UNMATCHED, _unmatched(r)),
        ("changes", words.CHANGES, _changes(r)),
        ("methods", words.METHODS, _texts(words.METHODS_TEXT)),
        ("statement", words.STATEMENT, _statement(r)),
        ("test-report", words.TEST_REPORT, _test_report()),
        ("settings", words.SETTINGS, _settings(r)),
        ("inputs", words.INPUTS, _inputs(r)),
        ("cautions", words.CAUTIONS, _texts(words.CAUTION_TEXT)),
        ("sign-off", words.SIGN_OFF, _sign_off(r)),
    ]  # fmt: skip
    strata = set(anchors.values())
    body = []
    for anchor, title, content in parts:
        if anchor is None:
            body.append(content)
            continue
        kind = ' class="stratum"' if anchor in strata else ""
        body.append(f'<section id="{anchor}"{kind}><h2>{escaped(title)}</h2>{content}</section>')
    links = "".join(
        f'<li><a href="#{anchor}">{escaped(title)}</a></li>' for anchor, title, _ in parts if anchor
    )
    body.insert(1, f"<nav><h3>{words.CONTENTS}</h3><ul>{links}</ul></nav>")
    policy = (
        f"default-src 'none'; style-src '{_digest(style)}'; script-src '{_digest(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )
    text = (
        f'<!DOCTYPE html>\n<html lang="{escaped(r.language)}">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{escaped(r.title)} · {escaped(r.release_id)}</title>\n"
        f"<style>{style}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(body)
        + f"\n</main>\n<footer><p><strong>{words.END} {escaped(r.release_id)}</strong></p></footer>"
        f"\n<script>{script}</script>\n</body>\n</html>\n"
    )
    return text.encode("utf-8", "backslashreplace")


def _own_file(name: str) -> str:
    return resources.files("reconcile.reporting").joinpath(name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


# ---- building blocks -----------------------------------------------------------------


def said(text: object) -> str:
    """Our own words with numbers, a true minus before them; escaped all the same."""
    return styled(escaped(text))


def _p(text: object, kind: str = "") -> str:
    return f"<p{f' class={chr(34)}{kind}{chr(34)}' if kind else ''}>{said(text)}</p>"


def _cell(value: Cell | int, numeric: bool, ours: bool = False) -> str:
    kind = ' class="n"' if numeric else ""
    if isinstance(value, tuple):
        text, number = value
        sort = f' data-v="{number!r}"' if math.isfinite(number) else ' data-v=""'
        return f"<td{kind}{sort}>{said(text)}</td>"
    if isinstance(value, int):
        return f'<td{kind} data-v="{value}">{numbers.plain(float(value), 0)}</td>'
    return f"<td{kind}>{said(value) if numeric or ours else escaped(value)}</td>"


def table(
    headings: Sequence[str],
    rows: Iterable[Sequence[Cell | int]],
    numeric: Sequence[int] = (),
    sortable: bool = True,
    links: Sequence[str] = (),
    ours: Sequence[int] = (),
) -> str:
    """A table; ``links`` gives for each row the bookmark that its first cell leads to.

    Columns in ``ours`` hold the program's words, others text as it was given.
    """
    head = "".join(
        f'<th scope="col"{" class=" + chr(34) + "n" + chr(34) if i in numeric else ""}>'
        f"{escaped(text)}</th>"
        for i, text in enumerate(headings)
    )
    body = []
    for number, row in enumerate(rows):
        cells = [_cell(value, i in numeric, i in ours) for i, value in enumerate(row)]
        if links:
            cells[0] = f'<td><a href="#{links[number]}">{escaped(row[0])}</a></td>'
        body.append(f"<tr>{''.join(cells)}</tr>")
    box = ""
    if sortable and len(body) >= _FILTERED:
        box = (
            f'<p class="filter" hidden><label>{words.FILTER} <input type="search"></label> '
            "<output></output></p>"
        )
    mark = " data-sort" if sortable and len(body) > 1 else ""
    return (
        f'{box}<div class="wide"><table{mark}><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(body)}</tbody></table></div>"
    )


def _facts(rows: Sequence[tuple[str, object]]) -> str:
    items = "".join(f"<dt>{escaped(a)}</dt><dd>{escaped(b)}</dd>" for a, b in rows)
    return f"<dl>{items}</dl>"


def _texts(texts: Sequence[tuple[str, str]]) -> str:
    return "".join(
        f"<h3>{escaped(title)}</h3>{''.join(_p(line) for line in text.splitlines())}"
        for title, text in texts
    )


def _cut(total: int, file: str) -> str:
    if total <= MOST_ROWS:
        return ""
    return _p(words.TRUNCATED.format(shown=MOST_ROWS, total=total, file=file), "small")


# ---- sections ------------------------------------------------------------------------


def _head(r: Reconciliation) -> str:
    revision = words.REVISION.format(period=r.period, revision=r.revision)
    draft = f' <span class="draft">{words.DRAFT}</span>' if r.status == "draft" else ""
    facts = [
        (words.FACTS["prepared_for"], r.prepared_for or words.NOT_STATED),
        (words.FACTS["prepared_by"], r.prepared_by or words.NOT_STATED),
        (words.FACTS["purpose"], r.purpose or words.NOT_STATED),
        (words.FACTS["data_until"], styled(r.data_until) or words.NOT_STATED),
        (words.FACTS["supersedes"], r.supersedes or words.NOTHING_SUPERSEDED),
    ]
    return (
        f"<header><h1>{escaped(r.title)}</h1>"
        f"<p>{escaped(revision)} · {escaped(r.release_id)}{draft}</p>{_facts(facts)}"
        f"<h3>{words.Q_MAY_I}</h3>{_p(cover.may_i(r))}"
        f"<h3>{words.Q_HOW_WRONG}</h3>{''.join(_p(line) for line in cover.how_wrong(r))}"
        f"<h3>{words.Q_LEFT_OUT}</h3>{_p(cover.left_out(r))}"
        f'<p class="caution">{escaped(words.COVER_CAUTION)}</p></header>'
    )


def _verdicts(r: Reconciliation, anchors: dict[str, str]) -> str:
    rows: list[list[Cell | int]] = []
    for x in r.results:
        f = by_key(x.statistics)
        ratio = f["geometric_mean_ratio"]
        text, interval = ratio.texts(1)
        key = "absolute" if x.statistics.difference_scale == "absolute" else "log_ratio"
        low, high = f[f"limits_{key}_lower"], f[f"limits_{key}_upper"]
        unit = low.unit(x.unit)
        known = math.isfinite(low.value) and math.isfinite(high.value)
        ends = words.TO.format(low=low.texts(x.per_mg_kg)[0], high=high.texts(x.per_mg_kg)[0])
        limits = f"{ends} {unit}".strip()
        rows.append(
            [
                x.stratum.label,
                words.DECISION_TITLE.get(x.verdict.decision, x.verdict.decision),
                x.statistics.n_used,
                (text if interval == numbers.NONE else f"{text} ({interval})", ratio.value),
                limits if known else numbers.NONE,
                range_of(x.verdict, x.unit, x.per_mg_kg),
                x.verdict.valid_until,
                x.verdict.reason,
                x.verdict.next_step,
                x.stratum.field_method,
                x.stratum.lab_method,
            ]
        )
    return _p(words.ONE_STRATUM, "small") + table(
        words.SCREEN_VERDICT_HEADINGS, rows, (2, 3), links=list(anchors.values()), ours=range(4, 9)
    )


def _account(r: Reconciliation) -> str:
    rows: list[list[Cell | int]] = []
    for step in r.waterfall:
        lost = "; ".join(f"{reason} ({count})" for reason, count in step.lost)
        total = sum(count for _, count in step.lost)
        rows.append([step.name, step.unit, step.entered, step.kept, total, lost, step.balance])
    return _p(words.ACCOUNT_INTRO, "small") + table(
        words.ACCOUNT_HEADINGS, rows, (2, 3, 4, 6), sortable=False, ours=(5,)
    )


def _stratum(r: Reconciliation, x: StratumResult) -> str:
    s, figures = x.stratum, by_key(x.statistics)
    verdict = x.verdict
    extra = []
    where = range_of(verdict, x.unit, x.per_mg_kg)
    if where != numbers.NONE:
        extra.append(f"{words.VALID_RANGE}: {where}")
    if verdict.valid_until:
        extra.append(f"{words.VALID_UNTIL}: {verdict.valid_until}")
    box = (
        f"<strong>{escaped(words.DECISION_TITLE.get(verdict.decision, verdict.decision))}</strong> "
        f"{said(' · '.join(extra))}"
        + "".join(
            f"<br><strong>{escaped(label)}:</strong> {said(text)}"
            for label, text in stratum_page.unsaid(x)
        )
    )
    facts = [
        (label, getattr(s, key)) for key, label in words.DETAIL_FACTS.items() if getattr(s, key)
    ]
    method = line_name(x.statistics.headline.method)
    level = numbers.percent(x.statistics.mean_difference.level)
    headings = [h.format(level=level) for h in words.FIGURE_HEADINGS]
    criteria = [[c.name, c.asked, c.found, words.MET[c.met]] for c in verdict.criteria]
    more = [
        words.RULE.format(rule=x.statistics.headline.rule_text),
        *sentences_of(x),
    ]
    notes = "".join(f"<li>{said(note)}</li>" for note in x.notes)
    return (
        f'<div class="verdict">{box}</div>{_facts(facts)}'
        + "".join(_p(sentence) for sentence in x.sentences)
        + _p(stratum_page.counts_text(figures, x), "small")
        + _plots(x)
        + _small_plots(r, x)
        + f'<div class="two"><div><h3>{words.FIGURES_LEFT}</h3>'
        + table(headings, stratum_page.left_rows(figures, x), (1, 2, 3), False, ours=(0,))
        + f"</div><div><h3>{escaped(words.FIGURES_RIGHT.format(method=method))}</h3>"
        + table(headings, stratum_page.right_rows(figures, x), (1, 2, 3), False, ours=(0,))
        + f"</div></div><h3>{words.CRITERIA}</h3>"
        + table(words.CRITERIA_HEADINGS, criteria, sortable=False, ours=(0, 1, 2, 3))
        + f"<h3>{words.FACTOR}</h3>{_p(stratum_page.factor_text(x))}"
        + (f"<h3>{words.NOTES}</h3><ul>{notes}</ul>" if notes else "")
        + f"<details><summary>{words.DETAILS}</summary>{''.join(_p(t, 'small') for t in more)}"
        + "</details>"
    )


def _plots(x: StratumResult) -> str:
    plot, difference = method_plot_of(x), difference_plot_of(x)
    if not any(len(p.x) for p in plot.points):
        return _p(words.NOTHING_TO_PLOT, "small")
    keys = [f"{p.label} ({len(p.x)})" for p in plot.points]
    keys += [words.LEGEND["one"] + words.DASHED]
    if plot.fit is not None:
        keys.append(plot.fit.label + (f", {plot.fit.band_label}" if plot.fit.band_label else ""))
    keys += [plot.note] if plot.note else []
    out = (
        f'<div class="two"><figure><figcaption>{words.PLOT_METHODS}</figcaption>'
        f"{method_svg(plot, f'{words.PLOT_METHODS}: {x.stratum.label}')}"
        f'<p class="key">{said("; ".join(keys))}. {words.HOVER}</p></figure>'
    )
    if difference is not None:
        title = words.PLOT_RATIO if difference.ratio else words.PLOT_DIFFERENCE
        out += (
            f"<figure><figcaption>{title}</figcaption>"
            f"{difference_svg(difference, f'{title}: {x.stratum.label}')}"
            f'<p class="key">{said(difference.note)}</p></figure>'
        )
    return out + "</div>"


def _small_plots(r: Reconciliation, x: StratumResult) -> str:
    figures = []
    trend = trend_plot_of(r, x)
    if trend is not None:
        title = f"{words.PLOT_TREND}: {x.stratum.label}"
        figures.append((words.PLOT_TREND, trend_svg(trend, title)))
    for chance in chance_plots_of(x):
        title = f"{words.PLOT_CHANCE}: {chance.level.name}"
        figures.append((title, chance_svg(chance, f"{title}: {x.stratum.label}")))
    if not figures:
        return ""
    inner = "".join(
        f"<figure><figcaption>{escaped(title)}</figcaption>{drawing}</figure>"
        for title, drawing in figures
    )
    return f'<div class="two">{inner}</div>'


def _quality(r: Reconciliation) -> str:
    if not r.quality:
        return _p(words.QUALITY_NONE)
    rows: list[list[Cell]] = []
    for c in r.quality:
        texts = sections.check_texts(c)
        sort = (float(c.n), c.found, c.expected, c.recovery, c.score)
        rows.append([*texts[:5], *zip(texts[5:10], sort, strict=True), texts[10], c.rule])
    return table((*words.QUALITY_HEADINGS, words.RULE_HEADING), rows, (5, 6, 7, 8, 9), ours=(11,))


def _findings(r: Reconciliation) -> str:
    head = r.custody_head
    text = words.CUSTODY_HEAD.format(head=head) if head else f"{words.NO_CUSTODY}.".capitalize()
    if not r.findings:
        return _p(text, "small") + _p(words.FINDINGS_NONE)
    rows = [
        [f.severity, f.area, f.subject, f"{f.text} {f.evidence}".strip(), f.advice]
        for f in r.findings
    ]
    return _p(text, "small") + table(words.FINDING_HEADINGS, rows, ours=(3, 4))


def _frame(frame: pd.DataFrame, columns: Sequence[str]) -> list[list[str]]:
    part = frame.head(MOST_ROWS).reindex(columns=list(columns))
    return [
        ["" if pd.isna(v) else str(v) for v in row]
        for row in part.itertuples(index=False, name=None)
    ]


def _exclusions(r: Reconciliation) -> str:
    columns = ("kind", "sample_id", "element", "reason", "evidence", "advice")
    if r.exclusions.empty:
        return _p(words.NONE_LISTED)
    return (
        _p(words.EXCLUSIONS_INTRO, "small")
        + table(words.EXCLUSION_HEADINGS, _frame(r.exclusions, columns), ours=(3, 4, 5))
        + _cut(len(r.exclusions), "exclusions.csv")
    )


def _quarantine(r: Reconciliation) -> str:
    if r.quarantine.empty:
        return _p(words.NONE_LISTED)
    return (
        _p(words.QUARANTINE_INTRO, "small")
        + table(words.QUARANTINE_HEADINGS, _frame(r.quarantine, QUARANTINE_COLUMNS), ours=(5, 6))
        + _cut(len(r.quarantine), "quarantine.csv")
    )


def _corrections(r: Reconciliation) -> str:
    if r.corrections.empty:
        return ""
    columns = (
        "file", "row", "column", "found", "corrected_value", "corrected_by", "corrected_because",
        "outcome",
    )  # fmt: skip
    return (
        f"<h3>{escaped(words.CORRECTIONS)}</h3>"
        + _p(words.CORRECTIONS_INTRO, "small")
        + table(words.CORRECTION_HEADINGS, _frame(r.corrections, columns))
        + _cut(len(r.corrections), "corrections.csv")
    )


def _unmatched(r: Reconciliation) -> str:
    out = _p(words.UNMATCHED_INTRO, "small")
    for title, ids in ((words.UNMATCHED_FIELD, r.field_only), (words.UNMATCHED_LAB, r.lab_only)):
        out += f"<h3>{escaped(title)}: {numbers.count(len(ids), *words.SAMPLES)}</h3>"
        out += _p(" ; ".join(ids[:MOST_ROWS]), "small") if ids else ""
        out += _cut(len(ids), "workbook.xlsx")
    return out


def _changes(r: Reconciliation) -> str:
    if not r.supersedes:
        return _p(words.FIRST_RELEASE)
    if not r.changes:
        return _p(words.NO_CHANGE.format(release=r.supersedes))
    rows = [[c.what, c.before, c.after] for c in r.changes]
    return _p(f"{words.FACTS['supersedes']}: {r.supersedes}", "small") + table(
        words.CHANGE_HEADINGS, rows, ours=(0, 1, 2)
    )


def _statement(r: Reconciliation) -> str:
    return _p(words.STATEMENT_INTRO, "small") + _texts(statements.mineral_statement(r))


def _test_report() -> str:
    return _p(words.TEST_REPORT_INTRO, "small") + table(
        words.TEST_REPORT_HEADINGS, words.TEST_REPORT_ITEMS, sortable=False
    )


def _settings(r: Reconciliation) -> str:
    rows = [[s.name, s.value, s.meaning] for s in r.settings]
    return _p(words.SETTINGS_INTRO, "small") + table(words.SETTING_HEADINGS, rows, ours=(2,))


def _inputs(r: Reconciliation) -> str:
    rows: list[list[Cell | int]] = [
        [f.path, f.kind, f.rows, f.accepted, f.quarantined, f.size, f.sha256] for f in r.inputs
    ]
    names = ("inputs_hash", "settings_hash", "code_version")
    return (
        _facts([(words.FACTS[n], getattr(r, n) or words.NOT_STATED) for n in names])
        + table(words.INPUT_HEADINGS, rows, (2, 3, 4, 5))
        + _files(r)
    )


def _files(r: Reconciliation) -> str:
    rows: list[list[Cell | int]] = [
        [
            f"{f.path} {f.sheet}".strip(), read_by(f), f.read.entered, f.read.kept,
            "" if f.use is None else f.use.kept,
            "; ".join(text for step in f.steps if (text := lost_of(step))),
            sum(step.balance for step in f.steps),
        ]
        for f in r.account_of_files
    ]  # fmt: skip
    if not rows:
        return ""
    return (
        f"<h3>{escaped(words.FILES)}</h3>"
        + _p(words.FILES_INTRO, "small")
        + table(words.FILES_HEADINGS, rows, (2, 3, 4, 6))
    )


def _sign_off(r: Reconciliation) -> str:
    known = {words.SIGN_OFF_ROLES[0]: r.prepared_by, words.SIGN_OFF_ROLES[3]: r.prepared_for}
    rows = [[role, known.get(role, ""), "", ""] for role in words.SIGN_OFF_ROLES]
    return _p(words.SIGN_OFF_INTRO) + table(words.SIGN_OFF_HEADINGS, rows, sortable=False)
