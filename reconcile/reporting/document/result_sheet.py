"""A result sheet as PDF: what was found and by which rule, then one page for each lot."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np
from PIL.Image import Image
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepInFrame, KeepTogether, PageBreak

from reconcile.judgement.results import AtLevel, Result
from reconcile.judgement.sheet_content import ResultSheet
from reconcile.judgement.sheet_counts import (
    ACT,
    CLOSE,
    NO_ACTION,
    NO_LEVEL,
    ORDER,
    UNDECIDED,
    Policy,
    SampleCall,
    acting_side,
    by_sample,
    level_counts,
    lot_means,
    policies,
)
from reconcile.judgement.sheet_life import Act
from reconcile.reporting import numbers, words
from reconcile.reporting.document import part_sheet
from reconcile.reporting.manner import Manner, styled, written_as
from reconcile.reporting.plots.costs import CostBar, cost_plot
from reconcile.reporting.plots.kinds import Points
from reconcile.reporting.plots.sheet_map import MapPlot, map_plot
from reconcile.reporting.render import book, sheet_files, sheet_geojson
from reconcile.reporting.render.book import Heading, Meta
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import boxed, facts, foreign, gap, grid, own, style, worded
from reconcile.reporting.text import markup, printable
from reconcile.statistics.level_calls import TOO_CLOSE

PDF = "result_sheet.pdf"
_MOST_NOTES = 40


def files(
    sheet: ResultSheet, acts: Sequence[Act], picture: Image | None = None
) -> dict[str, bytes]:
    """Every file of a sheet by its name; ``picture``: of its part, where it has a photo."""
    with written_as(Manner(sheet.decimal_mark, sheet.date_style)):
        positions = {sheet_geojson.NAME: sheet_geojson.geojson(sheet)} if sheet.positions else {}
        return {
            **sheet_files.data_files(sheet),
            **positions,
            **({part_sheet.PHOTO: part_sheet.kept(picture)} if picture is not None else {}),
            sheet_files.BOOK: sheet_files.workbook(sheet, head(sheet)),
            PDF: _pdf(sheet, acts, picture),
        }


def pdf(sheet: ResultSheet, acts: Sequence[Act], picture: Image | None = None) -> bytes:
    """The sheet with what was done with it; equal values give equal bytes."""
    with written_as(Manner(sheet.decimal_mark, sheet.date_style)):
        return _pdf(sheet, acts, picture)


def _pdf(sheet: ResultSheet, acts: Sequence[Act], picture: Image | None) -> bytes:
    meta = Meta(
        title=printable(words.SHEET_SUBTITLE.format(title=sheet.title, name=sheet.name))[:200],
        author=printable(sheet.issued_by)[:200],
        subject=words.SHEET_TITLE,
        release_id=sheet.name,
        status=words.SHEET_STATES[acts[-1].act],
        running=styled(words.SHEET_RUNNING.format(name=sheet.name, at=sheet.issued_at)),
        paper=sheet.paper,
        footer=words.SHEET_FOOTER,
    )
    width, height = book.body_size(sheet.paper)
    if sheet.of_one_part:
        return book.make(meta, lambda: _of_one_part(sheet, acts, picture, width, height))
    return book.make(meta, lambda: _story(sheet, acts, width))


_ON_ONE_PAGE = ("number", "issued", "prepared_by", "prepared_for", "method", "factors", "releases")


def _of_one_part(
    sheet: ResultSheet, acts: Sequence[Act], picture: Image | None, width: float, height: float
) -> list[Flowable]:
    """The sheet of one part: everything on one page."""
    sample = sheet.results[0].mean.sample_id
    known = dict(head(sheet))
    named = [(words.SHEET_FACTS[k], known[words.SHEET_FACTS[k]]) for k in _ON_ONE_PAGE]
    body: list[Flowable] = [
        facts(named, width, 48 * mm),
        *part_sheet.part(sheet, picture, width),
        own(words.SHEET_SUMMARY, "h3"), _lines(sheet, sheet.results, width),
        *_why(sheet, sheet.results, width), *_grades(sheet, {sample}, width),
        own(words.SHEET_RULE, "small"), *_acts(acts, width), gap(3),
        boxed([own(words.SHEET_CAUTION, "small")], width),
    ]  # fmt: skip
    title = Heading(words.SHEET_PART_TITLE.format(sample=sample), "sheet", name="title")
    under = foreign(words.SHEET_SUBTITLE.format(title=sheet.title, name=sheet.name), "subtitle")
    return [title, under, KeepInFrame(width, height - 62, body, mode="shrink")]


def head(sheet: ResultSheet) -> list[tuple[str, str]]:
    """What identifies the sheet: labels and values."""
    means = [r.mean for r in sheet.results]
    operators = sorted({name for m in means for name in m.operators})
    found = {
        "number": sheet.name,
        "issued": sheet.issued_at,
        "prepared_by": sheet.issued_by,
        "prepared_for": sheet.prepared_for or words.NOT_STATED,
        "purpose": sheet.purpose or words.NOT_STATED,
        "source": f"{sheet.source} (SHA-256 {sheet.source_sha256})",
        "samples": str(len({m.sample_id for m in means})),
        "operators": ", ".join(operators) or words.NOT_STATED,
        "method": "; ".join(sorted({m.field_method for m in means})),
        "basis": "; ".join(sorted({r.lab_method for r in sheet.results} - {""})) or numbers.NONE,
        "factors": ", ".join(sheet.factors) or numbers.NONE,
        "releases": "; ".join(name for name, _ in sheet.releases),
        "record": sheet.record_head if sheet.record_lines else words.NO_RECORD,
    }
    if sheet.supersedes:
        found["supersedes"] = sheet.supersedes
    return [(words.SHEET_FACTS[key], value) for key, value in found.items()]


def _story(sheet: ResultSheet, acts: Sequence[Act], width: float) -> list[Flowable]:
    story: list[Flowable] = [
        Heading(words.SHEET_TITLE, "sheet", name="title"),
        foreign(words.SHEET_SUBTITLE.format(title=sheet.title, name=sheet.name), "subtitle"),
        facts(head(sheet), width, 48 * mm),
        own(words.SHEET_SUMMARY, "h2"),
        *_counts(sheet, width),
        *_money(sheet, width),
        own(words.SHEET_RULE_TITLE, "h2"),
        own(words.SHEET_RULE, "small"),
        own(words.SHEET_UNCERTAINTY, "small"),
        own(words.SHEET_SPOTS.format(share=numbers.percent(sheet.spots_share)), "small"),
        *_acts(acts, width),
        gap(4),
        boxed([own(words.SHEET_CAUTION, "small")], width),
    ]
    lots: dict[str, list[Result]] = {}
    for r in sheet.results:
        lots.setdefault(r.mean.lot, []).append(r)
    for number, (lot, results) in enumerate(sorted(lots.items()), start=1):
        story += _lot(sheet, lot, number, results, width)
    return story


def _counts(sheet: ResultSheet, width: float) -> list[Flowable]:
    rows: list[list[Flowable | str]] = []
    for c in level_counts(sheet.results):
        matrices = sorted({r.mean.matrix for r in sheet.results if r.mean.element == c.element})
        unit, per = sheet.unit_of(c.element, matrices[0])
        rows.append(
            [
                c.element, foreign(f"{c.name}, {numbers.exact(c.level * per, unit)}"),
                *(str(n) for n in (c.below, c.above, c.too_close, c.undecided)),
                numbers.percent(c.rate_above), numbers.percent(c.rate_below),
            ]
        )  # fmt: skip
    shares = (0.09, 0.27, 0.09, 0.09, 0.13, 0.11, 0.11, 0.11)
    out: list[Flowable] = [
        grid(
            words.SHEET_COUNT_HEADINGS, rows, [width * x for x in shares], tuple(range(2, 8)),
            compact=True,
        )
    ]  # fmt: skip
    if sheet.answered:
        out.append(own(words.SHEET_ANSWERED.format(n=sheet.answered), "small"))
    without = sorted({r.mean.element for r in sheet.results if not r.levels})
    if without:
        text = words.SHEET_WITHOUT_LEVEL.format(elements=", ".join(without))
        out.append(own(text, "small"))
    out += [worded(note, "small", 400) for note in sheet.notes[:6]]
    return out


def _money(sheet: ResultSheet, width: float) -> list[Flowable]:
    found = policies(sheet.results, sheet.costs)
    every, by_sheet = found[0].assays, found[1].assays
    if not every:
        return []
    saved = words.SHEET_AVOIDED.format(n=every - by_sheet, all=every)
    if not math.isfinite(sheet.costs.assay):
        return [own(saved, "small")]
    rows: list[list[Flowable | str]] = [
        [
            own(words.SHEET_POLICIES[p.name], "cell"), str(p.assays),
            words.SHEET_COST_NONE if 0 < p.wrong_calls < 0.001
            else numbers.plain_sig(p.wrong_calls, 2),
            f"{numbers.plain_sig(p.cost, 3)} {printable(sheet.costs.currency)}"
            if math.isfinite(p.cost) else numbers.NONE,
        ]
        for p in found
    ]  # fmt: skip
    return [
        own(words.SHEET_COSTS, "h3"),
        own(saved, "small"),
        grid(
            words.SHEET_COST_HEADINGS, rows, [width * x for x in (0.45, 0.15, 0.2, 0.2)],
            (1, 2, 3), compact=True,
        ),
        *_costs_drawn(sheet, found, width),
    ]  # fmt: skip


def _costs_drawn(sheet: ResultSheet, found: Sequence[Policy], width: float) -> list[Flowable]:
    """Bars of the ways whose cost is known; nothing where fewer than two are."""
    known = [p for p in found if math.isfinite(p.cost)]
    if len(known) < 2 or not any(p.cost for p in known):
        return []
    bars = tuple(
        CostBar(
            words.SHEET_POLICIES[p.name], p.assay_cost, p.cost - p.assay_cost,
            numbers.plain_sig(p.cost, 3),
        )
        for p in known
    )  # fmt: skip
    currency = printable(sheet.costs.currency) or words.SHEET_COST_CURRENCY
    title = words.SHEET_COST_SCALE.format(currency=currency)
    return [
        gap(4),
        cost_plot(bars, title, (words.SHEET_COST_ASSAYS, words.SHEET_COST_WRONG), width),
    ]


def _acts(acts: Sequence[Act], width: float) -> list[Flowable]:
    rows: list[list[Flowable | str]] = [
        [
            own(words.SHEET_ACT_WORDS[a.act], "cell"), foreign(a.by), foreign(a.role),
            own(a.at, "cell"), foreign(a.text), "yes" if a.signed else "no",
        ]
        for a in acts
    ]  # fmt: skip
    widths = [width * x for x in (0.17, 0.18, 0.14, 0.2, 0.22, 0.09)]
    return [own(words.SHEET_ACTS, "h2"), grid(words.SHEET_ACT_HEADINGS, rows, widths, compact=True)]


# ---- one lot ----------------------------------------------------------------------------


def _lot(
    sheet: ResultSheet, lot: str, number: int, results: Sequence[Result], width: float
) -> list[Flowable]:
    calls = by_sample(results)
    of_sample = {r.mean.sample_id for r in results}
    title = words.SHEET_LOT.format(lot=lot) if lot else words.SHEET_NO_LOT
    story: list[Flowable] = [
        PageBreak(), Heading(title, f"lot-{number}"), _lines(sheet, results, width),
        *_mean(sheet, results, width), *_map(sheet, calls, width),
    ]  # fmt: skip
    return [*story, *_why(sheet, results, width), *_grades(sheet, of_sample, width)]


def _lines(sheet: ResultSheet, results: Sequence[Result], width: float) -> Flowable:
    """One line for each sample, the few that matter first."""
    calls = by_sample(results)
    of_sample: dict[str, list[Result]] = {}
    for r in results:
        of_sample.setdefault(r.mean.sample_id, []).append(r)
    order = sorted(of_sample, key=lambda s: (ORDER.index(calls[s]), s))
    rows: list[list[Flowable | str]] = []
    for sample in order:
        with_level = [r for r in of_sample[sample] if r.levels]
        said = "; ".join(_said(sheet, r) for r in with_level or of_sample[sample][:6])
        rows.append(
            [
                foreign(sample, "cell-bold"), own(of_sample[sample][0].mean.last_day, "cell"),
                Paragraph(said, style("cell")),
            ]
        )  # fmt: skip
    return grid(
        words.SHEET_LINE_HEADINGS, rows, [width * x for x in (0.2, 0.13, 0.67)], compact=True
    )


def _mean(sheet: ResultSheet, results: Sequence[Result], width: float) -> list[Flowable]:
    """The mean of the lot's samples, element by element, with its upper limit."""
    rows: list[list[Flowable | str]] = []
    for found in lot_means(results):
        unit, per = sheet.unit_of(found.element, found.matrix)
        m = found.mean
        around = (m.upper - m.mean) * per if math.isfinite(m.upper) else math.nan
        mean, upper = (numbers.show(x * per, unit, around) for x in (m.mean, m.upper))
        called = "; ".join(
            words.SHEET_OF_BOTH.format(n=acting, both=both) for _, acting, both in found.called
        )
        rows.append(
            [found.element, str(found.samples), str(found.without), called, mean, upper, m.method]
        )
    if not rows:
        return []
    widths = [width * x for x in (0.09, 0.1, 0.12, 0.24, 0.17, 0.17, 0.11)]
    table = grid(words.SHEET_LOT_HEADINGS, rows, widths, (1, 2, 3, 4, 5), compact=True)
    return [gap(4), table, own(words.SHEET_LOT_NOTE, "small")]


_MARKS: dict[SampleCall, str] = {
    ACT: "used", CLOSE: "both_below", UNDECIDED: "excluded", NO_ACTION: "lab_below",
    NO_LEVEL: "partial",
}  # fmt: skip


def _map(sheet: ResultSheet, calls: Mapping[str, SampleCall], width: float) -> list[Flowable]:
    """Where the lot's samples were taken; nothing where fewer than two say so in one system."""
    of_lot = [p for p in sheet.positions if p.sample_id in calls]
    kinds = Counter((p.geographic, p.system, p.unit) for p in of_lot)
    if not kinds:
        return []
    (kind, many), *_ = kinds.most_common(1)
    if many < 2:
        return []
    geographic, system, unit = kind
    drawn = [p for p in of_lot if (p.geographic, p.system, p.unit) == kind]
    points = tuple(
        Points(
            _MARKS[call], words.SAMPLE_CALLS[call],
            np.array([p.x for p in of_call]), np.array([p.y for p in of_call]),
            names=tuple(printable(p.sample_id) for p in of_call),
        )
        for call in ORDER
        if (of_call := [p for p in drawn if calls[p.sample_id] == call])
    )  # fmt: skip
    said = words.SHEET_MAP_SYSTEM.format(system=printable(system) or words.SHEET_MAP_NO_SYSTEM)
    if drawn[0].taken:
        said = words.SHEET_MAP_SYSTEM.format(system=words.SHEET_MAP_TAKEN)
    wgs84 = drawn[0].is_wgs84
    said += words.SHEET_MAP_WGS84 if wgs84 else words.SHEET_MAP_OTHER
    if left := len(calls) - len(of_lot):
        said += words.SHEET_MAP_LEFT.format(n=left)
    if others := len(of_lot) - many:
        said += words.SHEET_MAP_SEVERAL.format(n=others)
    plot = MapPlot(
        points, geographic, unit, words.SHEET_MAP_X[geographic].format(unit=unit),
        words.SHEET_MAP_Y[geographic].format(unit=unit),
    )  # fmt: skip
    return [
        KeepTogether(
            [own(words.SHEET_MAP, "h3"), map_plot(plot, width, 78 * mm), own(said, "small")]
        )
    ]


def _said(sheet: ResultSheet, r: Result) -> str:
    """Value and calls of one result as markup; what someone must act on is bold."""
    unit, per = sheet.unit_of(r.mean.element, r.mean.matrix)
    text = f"{r.mean.element} "
    if math.isfinite(r.value):
        decimals = numbers.decimals_for(r.value * per, r.expanded * per)
        value, around = (numbers.plain(x * per, decimals) for x in (r.value, r.expanded))
        text += f"{value} ± {around} {numbers.unit_name(unit)}"
    else:
        text += numbers.NONE
    parts = [styled(markup(text))]
    for at in r.levels:
        call = markup(f"{words.CALL_WORDS[at.call]} ({at.name})" if _several(r) else
                      words.CALL_WORDS[at.call])  # fmt: skip
        parts.append(f"<b>{call}</b>" if at.call in (TOO_CLOSE, acting_side(at)) else call)
    return ", ".join(parts)


def _several(r: Result) -> bool:
    return len(r.levels) > 1


def _why(sheet: ResultSheet, results: Sequence[Result], width: float) -> list[Flowable]:
    told: list[tuple[Result, AtLevel | None]] = []
    for r in results:
        if r.levels and r.reasons:
            told.append((r, None))
        told += [(r, at) for at in r.levels if at.reasons and not r.reasons]
    if not told:
        return []
    rows: list[list[Flowable | str]] = [
        [
            foreign(r.mean.sample_id), r.mean.element,
            foreign(at.name if at else words.SHEET_ALL_RESULTS),
            worded("; ".join(map(sheet_files.reason_text, sheet_files.reasons_of(r, at))), "cell"),
        ]
        for r, at in told[:_MOST_NOTES]
    ]  # fmt: skip
    widths = [width * x for x in (0.2, 0.09, 0.19, 0.52)]
    out: list[Flowable] = [
        own(words.SHEET_NOTES, "h3"), grid(words.SHEET_NOTE_HEADINGS, rows, widths, compact=True)
    ]  # fmt: skip
    if left := len(told) - len(rows):
        out.append(own(words.SHEET_MORE_NOTES.format(n=left), "small"))
    return out


def _grades(sheet: ResultSheet, samples: set[str], width: float) -> list[Flowable]:
    of_it = [g for g in sheet.grades if g.sample_id in samples]
    if not of_it:
        return []
    rows: list[list[Flowable | str]] = [
        [
            foreign(g.part), foreign(g.method), foreign(g.grade), own(g.call, "cell"),
            ", ".join(g.against), ", ".join(g.undecided),
        ]
        for g in of_it
    ]  # fmt: skip
    widths = [width * x for x in (0.18, 0.26, 0.14, 0.18, 0.12, 0.12)]
    rule = words.SHEET_GRADE_RULE.format(rule=sheet.grade_rule, release=of_it[0].release_id)
    return [
        own(words.SHEET_GRADES, "h3"), own(rule, "small"),
        grid(words.SHEET_GRADE_HEADINGS, rows, widths, compact=True),
    ]  # fmt: skip
