"""Controls on the page for the screen: what the printed report has of them."""

from __future__ import annotations

from reconcile.base.model import Reconciliation
from reconcile.reporting import words
from reconcile.reporting.document import quality_pages, sections
from reconcile.reporting.plots.svg import control_svg, escaped, strip_svg
from reconcile.reporting.render.elements import Cell, paragraph, said, table

_MOST_CHARTS = 120


def parts(r: Reconciliation) -> list[tuple[str, str, str]]:
    """Anchor, title and content of each section on controls."""
    return [
        ("quality", words.QUALITY, _quality(r)),
        ("control-charts", words.CONTROL_CHARTS, _over_time(r)),
    ]


def _quality(r: Reconciliation) -> str:
    if not r.quality:
        return paragraph(words.QUALITY_NONE)
    rows: list[list[Cell]] = []
    for c in r.quality:
        cells = sections.check_texts(c)
        sort = (float(c.n), c.found, c.expected, c.recovery, c.score)
        rows.append([*cells[:5], *zip(cells[5:10], sort, strict=True), cells[10], c.rule])
    headings = (*words.QUALITY_HEADINGS, words.RULE_HEADING)
    rules = "".join(f"<li>{said(rule)}</li>" for rule in sections.rules_of(r))
    return (
        table(words.RATES_HEADINGS, sections.count_rows(r), (2, 3, 4, 5))
        + _recoveries(r)
        + table(headings, rows, (5, 6, 7, 8, 9), ours=(11,))
        + (f"<h3>{words.QUALITY_RULES}</h3><ul>{rules}</ul>" if rules else "")
    )


def _recoveries(r: Reconciliation) -> str:
    plots = sections.recoveries(r)
    if not plots:
        return ""
    title = words.RECOVERY_TITLE
    drawn = "".join(f"<figure>{strip_svg(plot, title)}</figure>" for plot in plots)
    return f"<h3>{escaped(title)}</h3>{drawn}"


def _over_time(r: Reconciliation) -> str:
    charts = r.controls.charts
    if charts:
        out = paragraph(words.CHARTS_INTRO, "small")
        out += table(words.CHART_RULE_HEADINGS, quality_pages.rule_rows(charts), (1, 2, 3), False)
        out += paragraph(words.CHART_RULE_NOTE, "small") + _charts(r)
    else:
        out = paragraph(words.NO_CHARTS)
    if r.controls.rates:
        rates = table(words.PLAN_HEADINGS, quality_pages.rate_rows(r), (2, 3, 4, 5, 6), False)
        out += f'<h3 id="rates">{words.RATES}</h3>{rates}'
    if r.controls.stages:
        out += f'<h3 id="stages">{words.STAGES}</h3>' + paragraph(words.STAGES_NOTE, "small")
        out += table(words.STAGE_HEADINGS, quality_pages.stage_rows(r), (3, 4, 5, 6))
    out += f'<h3 id="put-back">{words.PUT_BACK}</h3>'
    rows = quality_pages.put_back_rows(r)
    if not rows:
        return out + paragraph(words.NO_PUT_BACK)
    note = paragraph(words.PUT_BACK_NOTE, "small")
    return out + note + table(words.PUT_BACK_HEADINGS, rows, (2, 3, 4), sortable=False)


def _charts(r: Reconciliation) -> str:
    drawn = quality_pages.kept(r.controls.charts, _MOST_CHARTS)
    out = ""
    for side, method in dict.fromkeys((c.side, c.method) for c in drawn):
        title = words.CHART_OF.format(side=side, method=method)
        charts = "".join(
            f"<figure>{control_svg(c)}</figure>"
            for c in drawn
            if (c.side, c.method) == (side, method)
        )
        out += f'<h4>{escaped(title)}</h4><div class="three">{charts}</div>'
    if len(drawn) < len(r.controls.charts):
        text = words.CHARTS_LEFT_OUT.format(shown=len(drawn), total=len(r.controls.charts))
        out += paragraph(text, "small")
    return out
