"""Native scatter charts of the workbook: field against laboratory, one per stratum."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from openpyxl.chart import Reference, ScatterChart, Series
from openpyxl.chart.axis import NumericAxis
from openpyxl.chart.legend import Legend
from openpyxl.chart.text import RichText, Text
from openpyxl.chart.title import Title
from openpyxl.drawing.text import (
    CharacterProperties,
    Paragraph,
    ParagraphProperties,
    RegularTextRun,
)
from openpyxl.worksheet.pagebreak import Break
from openpyxl.worksheet.worksheet import Worksheet

from reconcile.base.model import StratumResult
from reconcile.reporting import numbers, words
from reconcile.reporting.plots import axes
from reconcile.reporting.render import sheets
from reconcile.reporting.render.sheets import Column
from reconcile.reporting.text import cell_text

#: Charts beyond this are left to the PDF.
MOST_CHARTS = 60
_ROWS, _WIDTH, _HEIGHT = 23, 15, 11  # rows per chart; centimetres
_LAB, _USED, _LEFT_OUT = 3, 4, 5  # columns of the pair sheet


def add(
    sheet: Worksheet,
    pairs: Worksheet,
    results: Sequence[StratumResult],
    spans: dict[str, tuple[int, int]],
) -> None:
    """Charts from the pair sheet's rows, with the ends of the 1:1 line beside each."""
    columns = [
        Column(words.COLUMNS["stratum"], width=34),
        Column(words.COLUMNS["unit"], width=9),
        Column(words.COLUMNS["field_lab_from_in_unit"], "number", 14),
        Column(words.COLUMNS["field_lab_to_in_unit"], "number", 14),
    ]
    sheets.head(sheet, columns, 1)
    sheet.freeze_panes = "A2"
    drawable = [(x, ends) for x in results if (ends := _ends(x)) and x.stratum.key in spans]
    row = 2
    for x, (low, high) in drawable[:MOST_CHARTS]:
        unit = numbers.unit_name(x.unit)
        for offset, value in enumerate((low, high)):
            sheets.put_text(sheets.at(sheet, row + offset, 1), x.stratum.label)
            sheets.put_text(sheets.at(sheet, row + offset, 2), unit)
            sheets.put(sheets.at(sheet, row + offset, 3), value, "number")
            sheets.put(sheets.at(sheet, row + offset, 4), value, "number")
        sheet.add_chart(_chart(sheet, pairs, x, spans[x.stratum.key], row), f"F{row}")
        row += _ROWS
        if (row - 2) % (2 * _ROWS) == 0:
            sheet.row_breaks.append(Break(id=row - 1))
    if len(drawable) > MOST_CHARTS:
        text = words.CHART_LIMIT.format(shown=MOST_CHARTS, total=len(drawable))
        sheets.put_text(sheets.at(sheet, row, 1), text)


def _quantified(x: StratumResult) -> np.ndarray:
    frame = x.pairs
    both = np.column_stack(
        [pd.to_numeric(frame[c], errors="coerce") for c in ("lab_mean", "field_mean")]
    ).astype("float64")
    kept: np.ndarray = both[np.isfinite(both).all(axis=1)] * x.per_mg_kg
    return kept


def _ends(x: StratumResult) -> tuple[float, float] | None:
    values = _quantified(x)
    return (float(values.min()), float(values.max())) if len(values) else None


def _title(text: str, size: int) -> Title:
    """A title in a small bold face; ``size`` in hundredths of a point."""
    look = CharacterProperties(sz=size, b=True)
    run = RegularTextRun(rPr=look, t=text)
    paragraph = Paragraph(pPr=ParagraphProperties(defRPr=look), r=[run])
    return Title(tx=Text(rich=RichText(p=[paragraph])), overlay=False)


def _chart(
    sheet: Worksheet, pairs: Worksheet, x: StratumResult, span: tuple[int, int], row: int
) -> ScatterChart:
    chart = ScatterChart()
    chart.style = 2
    chart.scatterStyle = "lineMarker"
    chart.width, chart.height = _WIDTH, _HEIGHT
    chart.title = _title(cell_text(x.stratum.label)[:60], 1100)
    unit = numbers.unit_name(x.unit)
    chart.x_axis.title = _title(words.AXIS_LAB.format(unit=unit), 900)
    chart.y_axis.title = _title(words.AXIS_FIELD.format(unit=unit), 900)
    values = _quantified(x)
    log = axes.wants_log(values.ravel())
    linear = axes.linear(float(values.min()), float(values.max()))
    for axis in (chart.x_axis, chart.y_axis):
        assert isinstance(axis, NumericAxis)
        axis.delete = False
        axis.number_format = "General"
        axis.majorGridlines = None
        if log:
            axis.scaling.logBase = 10.0
            axis.scaling.min = 10.0 ** np.floor(np.log10(values.min()))
            axis.scaling.max = 10.0 ** np.ceil(np.log10(values.max()))
        else:
            axis.scaling.min, axis.scaling.max = linear.low, linear.high
            axis.majorUnit = linear.ticks[1] - linear.ticks[0]
        axis.crosses = "min"
    first, last = span
    lab = Reference(pairs, min_col=_LAB, min_row=first, max_row=last)
    for column, symbol, name in (
        (_USED, "circle", words.LEGEND["used"]),
        (_LEFT_OUT, "x", words.LEGEND["excluded"]),
    ):
        field = Reference(pairs, min_col=column, min_row=first, max_row=last)
        series = Series(field, lab, title=name)
        series.marker.symbol = symbol
        series.marker.size = 6
        series.marker.graphicalProperties.line.solidFill = "0D4D73" if symbol == "x" else "FFFFFF"
        if symbol == "circle":
            series.marker.graphicalProperties.solidFill = "0D4D73"
        series.graphicalProperties.line.noFill = True
        chart.series.append(series)
    line = Series(
        Reference(sheet, min_col=4, min_row=row, max_row=row + 1),
        Reference(sheet, min_col=3, min_row=row, max_row=row + 1),
        title=words.LEGEND["one"],
    )
    line.marker.symbol = "none"
    line.graphicalProperties.line.solidFill = "000000"
    line.graphicalProperties.line.width = 9525
    line.graphicalProperties.line.dashStyle = "dash"
    line.smooth = False
    chart.series.append(line)
    chart.legend = Legend(legendPos="b")
    return chart
