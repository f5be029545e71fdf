"""The workbook's sheet of each stratum: its verdict in words, with its chart beside it."""

from __future__ import annotations

from collections.abc import Mapping

from openpyxl.worksheet.pagebreak import Break

from reconcile.base.model.release import Reconciliation, StratumResult
from reconcile.reporting import numbers, words
from reconcile.reporting.document.stratum_page import counts_text
from reconcile.reporting.document.verdicts import kind_of
from reconcile.reporting.figures import by_key
from reconcile.reporting.manner import styled
from reconcile.reporting.render import charts, sheets
from reconcile.reporting.render.calculation import Block
from reconcile.reporting.render.grid import Look, Sheet
from reconcile.reporting.sentences import decision_marked, range_of

#: Charts beyond this are left to the report and the page.
MOST_CHARTS = 60
_WIDTHS = (15.0, 96.0)
_CHART_AT = "C"
_CHART_HIGH = charts.HEIGHT / 2.54 * 72 + 8  # points
_SCALE = 62  # per cent, at which a page is as wide as the sheet
_PAGE = (595 - 97) / (_SCALE / 100)  # points that a landscape page is high
_LINE = 15.0


def sheet(sheet: Sheet, r: Reconciliation, calculation: Sheet, blocks: Mapping[str, Block]) -> None:
    """One block per stratum, none cut by the end of a page."""
    sheets.widths(sheet, [*_WIDTHS, *[9.0] * 8])
    sheets.title(sheet, 1, words.SHEETS["each"])
    sheets.freeze(sheet, 2, 1)
    row, charted, high = 3, 0, 2 * _LINE
    drawable = [x for x in r.results if x.stratum.key in blocks and charts.drawable(x)]
    for x in r.results:
        start = row
        row = _block(sheet, row, x)
        tall = sum(sheet.heights.get(i, _LINE) for i in range(start, row))
        if x in drawable and charted < MOST_CHARTS:
            chart = charts.chart(x, calculation, blocks[x.stratum.key])
            sheet.worksheet.add_chart(chart, f"{_CHART_AT}{start}")
            charted += 1
            while tall < _CHART_HIGH:
                sheet.heights[row] = _LINE
                row, tall = row + 1, tall + _LINE
        sheet.heights[row] = _LINE
        row, tall = row + 1, tall + _LINE
        if high + tall > _PAGE:
            sheet.worksheet.row_breaks.append(Break(id=start - 1))
            high = 0.0
        high += tall
    if len(drawable) > charted:
        text = words.CHART_LIMIT.format(shown=charted, total=len(drawable))
        sheet.text(row, 1, text)
    sheets.set_up(sheet, r.paper, r.release_id, scale=_SCALE, last_row=row)


def _block(sheet: Sheet, row: int, x: StratumResult) -> int:
    v = x.verdict
    sheet.text(row, 1, x.stratum.label, Look(bold=True, size=12))
    row += 1
    where = range_of(v, x.unit, x.per_mg_kg)
    texts = [
        (words.COLUMNS["verdict"], [f"{words.VERDICT_MARKS[kind_of(x)]} {decision_marked(v)}"]),
        (words.COLUMNS["binding_reason"], [v.reason]),
        (words.COLUMNS["next_step"], [v.next_step]),
        (words.VALID_RANGE, [] if where == numbers.NONE else [where]),
        (words.VALID_UNTIL, [v.valid_until]),
        (words.COLUMNS["in_words"], x.sentences),
        (words.COLUMNS["pairs_used"], [counts_text(by_key(x.statistics), x)]),
    ]
    for label, lines in texts:
        shown = [styled(line) for line in lines if line]
        if not shown:
            continue
        sheet.text(row, 1, label, Look(bold=True, wrap=True))
        sheet.text(row, 2, "\n".join(shown), sheets.WRAPPED)
        high = sum(sheets.high(line, _WIDTHS[1]) - 2 for line in shown) + 2
        sheet.heights[row] = max(_LINE, high)
        row += 1
    return row
