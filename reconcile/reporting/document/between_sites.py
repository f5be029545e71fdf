"""The files of a portfolio release: report, page and workbook of few pages, and the tables."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from reconcile.base.between import BetweenSites, Compared, SiteBias
from reconcile.base.spreadsheet import to_csv
from reconcile.reporting import numbers, words
from reconcile.reporting.document.blocks import (
    Block,
    Caution,
    Cell,
    Column,
    Items,
    Plot,
    Plots,
    Section,
    Table,
    Text,
)
from reconcile.reporting.manner import Manner, written_as
from reconcile.reporting.plots.between import height_of
from reconcile.reporting.plots.kinds import SiteColumn, SitePlot, SiteSpot
from reconcile.reporting.plots.svg import escaped
from reconcile.reporting.render import book, html, paper, sheets, shell
from reconcile.reporting.render.book import Heading, Meta
from reconcile.reporting.render.elements import facts
from reconcile.reporting.render.grid import Book
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import style
from reconcile.reporting.render.tables import to_json
from reconcile.reporting.text import markup, printable
from reconcile.statistics.suspects import Contrast, Suspect

#: On paper and in the picture; the tables hold all.
_MOST_SITES, _MOST_COLUMNS, _MOST_LINES, _MOST_SUSPECTS = 48, 6, 60, 24

LINE_COLUMNS = (
    "site", "release_id", "comparison", "element", "instrument", "calibration", "laboratory",
    "lab_method", "pairs", "ratio", "low", "high", "ln_ratio", "ln_se", "from_peers", "from_low",
    "from_high", "p", "p_adjusted", "verdict",
)  # fmt: skip
EFFECT_COLUMNS = (
    "comparison", "sites", "ratio", "low", "high", "expected_low", "expected_high", "tau2_ln",
    "i2", "q", "q_p", "confidence",
)  # fmt: skip
SUSPECT_COLUMNS = (
    "kind", "name", "alike", "comparison", "ratio", "low", "high", "lines", "others", "p",
    "p_combined", "p_adjusted", "named",
)  # fmt: skip


def files(b: BetweenSites) -> dict[str, bytes]:
    """Every file of the release but its manifest; equal values give equal bytes."""
    with written_as(Manner()):
        return {
            "report.pdf": _pdf(b),
            "report.html": _page(b),
            "workbook.xlsx": _workbook(b),
            "sites.csv": to_csv(LINE_COLUMNS, _line_rows(b)),
            "elements.csv": to_csv(EFFECT_COLUMNS, _effect_rows(b)),
            "suspects.csv": to_csv(SUSPECT_COLUMNS, _suspect_rows(b)),
            "comparison.json": to_json(b),
        }


# ---- sections, written once for paper and screen ------------------------------------------


def _sections(b: BetweenSites) -> list[Section]:
    return [
        Section("answer", words.BETWEEN_ANSWER, tuple(_answer(b)), True),
        Section("picture", words.BETWEEN_PICTURE, tuple(_pictures(b))),
        Section("elements", words.BETWEEN_EFFECTS, tuple(_effects(b))),
        Section("suspects", words.BETWEEN_SUSPECTS, tuple(_suspects(b))),
        Section("sites", words.BETWEEN_LINES, tuple(_lines(b))),
        Section("inputs", words.BETWEEN_INPUTS, tuple(_inputs(b))),
    ]


def named(b: BetweenSites) -> list[Suspect]:
    """Who differs after the false discovery rule, operators last."""
    return [s for s in (*b.suspects, *b.operators) if s.named]


def sentence(s: Suspect, matters: float = 0.0) -> str:
    """One finding in words."""
    telling = [c for c in s.contrasts if c.p < 0.05] or list(s.contrasts)
    telling.sort(key=lambda c: (c.p, c.comparison))
    what = "; ".join(
        words.BETWEEN_CONTRAST.format(
            comparison=c.comparison, difference=_signed(c.difference),
            low=_signed(c.low), high=_signed(c.high),
            lines=c.lines, others=c.others,
        )
        for c in telling[:3]
    )  # fmt: skip
    text = words.BETWEEN_NAMED[s.kind].format(name=printable(s.name), what=what)
    if s.alike:
        names = ", ".join(words.BETWEEN_ALIKE_KIND[k].format(name=printable(n)) for k, n in s.alike)
        text += " " + words.BETWEEN_ALIKE.format(names=names)
    if max(abs(math.expm1(c.difference)) for c in s.contrasts) < matters:
        text += f" ({words.BETWEEN_SMALL})"
    return text


def _signed(log: float) -> str:
    percent = 100 * math.expm1(log) if log < 50 else math.inf
    return f"{percent:+.1f}"


def _answer(b: BetweenSites) -> Iterator[Block]:
    found = named(b)
    if found:
        yield Items(tuple(sentence(s, b.matters) for s in found), "body", 900)
    else:
        yield Text(words.BETWEEN_NONE)
    yield Text(words.BETWEEN_MATTERS.format(matters=f"{b.matters:.0%}"), "small")
    yield Caution(words.BETWEEN_ASK)


def _pictures(b: BetweenSites) -> Iterator[Block]:
    every = sorted({line.site for c in b.compared for line in c.lines})
    shown = every
    if len(every) > _MOST_SITES:
        least: dict[str, float] = {}
        for c in b.compared:
            for line in c.lines:
                p = line.apart.p if line.apart and not math.isnan(line.apart.p) else 1.0
                least[line.site] = min(p, least.get(line.site, 1.0))
        shown = sorted(sorted(every, key=lambda s: (least[s], s))[:_MOST_SITES])
        note = words.BETWEEN_SHORT.format(shown=len(shown), all=len(every))
        yield Text(note, "small")
    yield Text(words.BETWEEN_PICTURE_KEY.format(level=f"{b.level:.0%}"), "small")
    for first in range(0, len(b.compared), _MOST_COLUMNS):
        columns = tuple(_column(b, c) for c in b.compared[first : first + _MOST_COLUMNS])
        plot = SitePlot(tuple(shown), columns, words.BETWEEN_X)
        yield Plots((Plot(plot, (words.BETWEEN_PICTURE,)),), 1, height_of(plot) / mm)


def _column(b: BetweenSites, c: Compared) -> SiteColumn:
    e = c.effect
    spots = tuple(
        SiteSpot(
            line.site, math.exp(line.value), line.low, line.high,
            any(_made_with(line, s) for s in b.suspects if s.named),
            f"{line.site}: {_signed(line.value)} %, n {line.pairs}",
        )
        for line in c.lines
        if math.isfinite(line.value)
    )  # fmt: skip
    expected = (math.exp(e.predicted_low), math.exp(e.predicted_high))
    return SiteColumn((c.element, c.method), math.exp(e.mean), expected, spots)


def _made_with(line: SiteBias, s: Suspect) -> bool:
    """Whether a bias is one of those that a suspect stands for."""
    of = {"instrument": line.instrument, "laboratory": line.laboratory, "site": line.site}
    return of.get(s.kind) == s.name and any(c.comparison == line.comparison for c in s.contrasts)


def _percent(log: float) -> Cell:
    if math.isnan(log):
        return Cell("")
    return Cell(_signed(log), 100 * math.expm1(log) if log < 50 else math.inf)


def _table(
    headings: Sequence[str],
    shares: Sequence[float],
    numeric: Sequence[int],
    rows: list[list[Cell]],
    most: int | None = None,
    file: str = words.BETWEEN_FILES["lines"],
) -> Table:  # fmt: skip
    columns = tuple(
        Column(h, s, number=i in numeric, given=i not in numeric)
        for i, (h, s) in enumerate(zip(headings, shares, strict=True))
    )
    return Table(columns, rows, most, file, file, compact=True)


def _effects(b: BetweenSites) -> Iterator[Block]:
    yield Text(words.BETWEEN_EFFECTS_NOTE.format(level=f"{b.level:.0%}"), "small")
    rows = [
        [
            Cell(c.name), Cell(str(e.n), float(e.n)), _percent(e.mean), _percent(e.low),
            _percent(e.high), _percent(e.predicted_low), _percent(e.predicted_high),
            _percent(math.sqrt(e.tau2)), _number(100 * e.i2, 0), _number(e.q, 1),
            Cell("" if math.isnan(e.q_p) else numbers.p_text(e.q_p), e.q_p),
        ]
        for c in b.compared
        for e in (c.effect,)
    ]  # fmt: skip
    shares = (0.26, 0.06, 0.07, 0.07, 0.07, 0.09, 0.07, 0.09, 0.07, 0.07, 0.08)
    yield _table(words.BETWEEN_EFFECT_COLUMNS, shares, range(1, 11), rows)


def _number(value: float, decimals: int) -> Cell:
    return Cell("") if math.isnan(value) else Cell(f"{value:.{decimals}f}", value)


def _suspects(b: BetweenSites) -> Iterator[Block]:
    yield Text(words.BETWEEN_SUSPECTS_NOTE.format(rate=f"{b.rate:.0%}"), "small")
    rows = []
    for s in (*b.suspects, *b.operators):
        for c in s.contrasts:
            rows.append(
                [
                    Cell(words.BETWEEN_KINDS[s.kind]), Cell(s.name, bold=s.named),
                    Cell(c.comparison), _percent(c.difference), _percent(c.low),
                    _percent(c.high), Cell(str(c.lines), float(c.lines)),
                    Cell(str(c.others), float(c.others)), Cell(numbers.p_text(c.p), c.p),
                    Cell(numbers.p_text(s.p_adjusted), s.p_adjusted),
                    Cell(words.BETWEEN_YES if s.named else words.BETWEEN_NO),
                ]
            )  # fmt: skip
    shares = (0.10, 0.12, 0.20, 0.10, 0.07, 0.07, 0.05, 0.06, 0.07, 0.09, 0.07)
    yield _table(
        words.BETWEEN_SUSPECT_COLUMNS, shares, range(3, 10), rows, _MOST_SUSPECTS,
        words.BETWEEN_FILES["suspects"],
    )  # fmt: skip


def _lines(b: BetweenSites) -> Iterator[Block]:
    lines = [line for c in b.compared for line in c.lines]
    lines.sort(key=lambda x: (_p(x), x.site, x.comparison))
    rows = [
        [
            Cell(x.site), Cell(x.comparison), Cell(x.instrument), Cell(x.laboratory),
            Cell(str(x.pairs), float(x.pairs)), _percent(x.value), _ratio(x.low), _ratio(x.high),
            _percent(x.apart.difference if x.apart else math.nan),
            Cell("" if math.isinf(_p(x)) else numbers.p_text(_p(x)), _p(x)),
            Cell(words.DECISION_TITLE.get(x.verdict, x.verdict)),
        ]
        for x in lines
    ]  # fmt: skip
    shares = (0.11, 0.16, 0.10, 0.11, 0.05, 0.07, 0.06, 0.06, 0.08, 0.09, 0.11)
    yield _table(words.BETWEEN_LINE_COLUMNS, shares, range(4, 10), rows, _MOST_LINES)


def _p(line: SiteBias) -> float:
    p = line.apart.p_adjusted if line.apart else math.nan
    return math.inf if math.isnan(p) else p


def _ratio(ratio: float) -> Cell:
    return _percent(math.log(ratio) if ratio > 0 else math.nan)


def _inputs(b: BetweenSites) -> Iterator[Block]:
    rows = [[Cell(r.site), Cell(r.release_id), Cell(r.manifest_sha256)] for r in b.releases]
    yield _table(words.BETWEEN_INPUT_COLUMNS, (0.14, 0.26, 0.60), (), rows)
    if b.without:
        left = [[Cell(site), Cell(why)] for site, why in b.without]
        yield _table(words.BETWEEN_WITHOUT_COLUMNS, (0.2, 0.8), (), left)


# ---- media --------------------------------------------------------------------------------


def _running(b: BetweenSites) -> str:
    return words.BETWEEN_RUNNING.format(period=printable(b.period), revision=b.revision)


def _pdf(b: BetweenSites) -> bytes:
    meta = Meta(
        title=printable(b.title)[:200],
        author=words.NOT_STATED,
        subject=_running(b),
        release_id=printable(b.release_id)[:80],
        status="",
        running=_running(b),
        paper="A4",
    )
    width = book.body_size(meta.paper)[0]

    def story() -> list[Flowable]:
        title = f"{markup(_running(b))} &nbsp; {markup(b.release_id)}"
        return [
            Heading(b.title, "cover", name="title"),
            Paragraph(title, style("subtitle")),
            *paper.flowables(_sections(b), width),
        ]

    return book.make(meta, story)


def _page(b: BetweenSites) -> bytes:
    given = [(words.RELEASE, b.release_id), (words.FACTS["code_version"], b.code_version)]
    head = f"<h1>{escaped(b.title)}</h1><p>{escaped(_running(b))}</p>{facts(given)}"
    body = [
        f'<section id="{s.anchor}"><h2>{escaped(s.title)}</h2>{html.html(s.blocks)}</section>'
        for s in _sections(b)
    ]
    return shell.page(b.title, b.release_id, "en", "\n".join([head, *body]))


def _workbook(b: BetweenSites) -> bytes:
    made = Book()
    for key, columns, rows in (
        ("lines", LINE_COLUMNS, list(_line_rows(b))),
        ("effects", EFFECT_COLUMNS, list(_effect_rows(b))),
        ("suspects", SUSPECT_COLUMNS, list(_suspect_rows(b))),
        ("inputs", words.BETWEEN_INPUT_COLUMNS,
         [[r.site, r.release_id, r.manifest_sha256] for r in b.releases]
         + [[site, why, ""] for site, why in b.without]),
    ):  # fmt: skip
        sheet = made.sheet(words.BETWEEN_SHEETS[key])
        kinds = [
            "number" if _numeric(row[i] for row in rows) else "text" for i in range(len(columns))
        ]
        held = [
            sheets.Column(c, k, 22 if k == "text" else 12)  # type: ignore[arg-type]
            for c, k in zip(columns, kinds, strict=True)
        ]
        sheets.table(sheet, held, rows)
        sheets.set_up(sheet, "A4", b.release_id, sheets.printed_columns(held), sheets.PAGES)
    return made.saved(printable(b.title)[:200], "")


def _numeric(values: Iterable[object]) -> bool:
    every = list(values)
    return bool(every) and all(
        isinstance(v, (int, float)) and not isinstance(v, bool) for v in every
    )


# ---- tables -------------------------------------------------------------------------------


def _line_rows(b: BetweenSites) -> Iterator[list[object]]:
    ids = {r.site: r.release_id for r in b.releases}
    for c in b.compared:
        for x in c.lines:
            a = x.apart
            beside = (
                [a.difference, a.low, a.high, a.p, a.p_adjusted] if a else [math.nan] * 5
            )  # fmt: skip
            yield [
                x.site, ids[x.site], x.comparison, x.element, x.instrument, x.calibration,
                x.laboratory, x.lab_method, x.pairs, _exp(x.value), x.low, x.high, x.value, x.se,
                *map(_exp, beside[:3]), *beside[3:], x.verdict,
            ]  # fmt: skip


def _effect_rows(b: BetweenSites) -> Iterator[list[object]]:
    for c in b.compared:
        e = c.effect
        yield [
            c.name, e.n, *map(_exp, (e.mean, e.low, e.high, e.predicted_low, e.predicted_high)),
            e.tau2, e.i2, e.q, e.q_p, e.level,
        ]  # fmt: skip


def _suspect_rows(b: BetweenSites) -> Iterator[list[object]]:
    for s in (*b.suspects, *b.operators):
        alike = "; ".join(f"{kind} {name}" for kind, name in s.alike)
        for c in s.contrasts:
            yield [s.kind, s.name, alike, c.comparison, *_ratios(c), c.lines, c.others, c.p, s.p,
                   s.p_adjusted, s.named]  # fmt: skip


def _ratios(c: Contrast) -> Iterator[float]:
    for log in (c.difference, c.low, c.high):
        yield _exp(log)


def _exp(log: float) -> float:
    return math.exp(log) if log < 700 else math.nan
