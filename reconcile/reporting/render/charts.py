"""Native scatter charts of the workbook: field against laboratory, with what was agreed.

Each carries the values that it shows, so that it is seen where nothing is computed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from openpyxl.chart import Reference, ScatterChart, Series
from openpyxl.chart.axis import NumericAxis
from openpyxl.chart.data_source import NumData, NumVal
from openpyxl.chart.legend import Legend, LegendEntry
from openpyxl.chart.marker import Marker
from openpyxl.chart.series import XYSeries
from openpyxl.chart.shapes import GraphicalProperties
from openpyxl.chart.text import RichText, Text
from openpyxl.chart.title import Title
from openpyxl.drawing.line import LineProperties
from openpyxl.drawing.text import (
    CharacterProperties,
    Paragraph,
    ParagraphProperties,
    RegularTextRun,
)

from reconcile.base.model.release import StratumResult
from reconcile.reporting import numbers, words
from reconcile.reporting.plots import axes
from reconcile.reporting.render.calculation import (
    LINES,
    PLACES,
    Block,
    lines_at,
    lines_of,
    ordered_of,
)
from reconcile.reporting.render.grid import Sheet

WIDTH, HEIGHT = 12.5, 7.2  # centimetres

Array = NDArray[np.float64]
Dash = Literal["dash", "sysDot"]


def _means(pairs: pd.DataFrame, per_mg_kg: float) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Laboratory and field means in the unit shown, NaN where one is missing; which are used."""
    lab, field = (
        pd.to_numeric(pairs[c], errors="coerce").to_numpy("float64") * per_mg_kg
        for c in ("lab_mean", "field_mean")
    )
    gone = ~(np.isfinite(lab) & np.isfinite(field))
    lab, field = np.where(gone, np.nan, lab), np.where(gone, np.nan, field)
    return lab, field, pairs["used"].fillna(False).astype(bool).to_numpy()


def drawable(x: StratumResult) -> bool:
    """True where some pair has two numbers."""
    return bool(np.isfinite(_means(x.pairs, x.per_mg_kg)[0]).any())


def chart(x: StratumResult, calculation: Sheet, block: Block) -> ScatterChart:
    """Field against laboratory of one stratum, over the rows of the calculation."""
    made = ScatterChart()
    made.style = 2
    made.scatterStyle = "lineMarker"
    made.width, made.height = WIDTH, HEIGHT  # type: ignore[assignment] # centimetres, any number
    unit = numbers.unit_name(x.unit)
    made.x_axis.title = _title(words.AXIS_LAB.format(unit=unit), 900)
    made.y_axis.title = _title(words.AXIS_FIELD.format(unit=unit), 900)
    lab, field, used = _means(ordered_of(x.pairs), x.per_mg_kg)
    values = np.concatenate([lab[np.isfinite(lab)], field[np.isfinite(field)]])
    low, high = float(values.min()), float(values.max())
    log = axes.wants_log(values)
    linear = axes.linear(low, high)
    for axis in (made.x_axis, made.y_axis):
        assert isinstance(axis, NumericAxis)
        axis.delete = False
        axis.number_format = "General"
        axis.majorGridlines = None
        if log:
            axis.scaling.logBase = 10.0
            axis.scaling.min = 10.0 ** np.floor(np.log10(low))
            axis.scaling.max = 10.0 ** np.ceil(np.log10(high))
        else:
            axis.scaling.min, axis.scaling.max = linear.low, linear.high
            axis.majorUnit = linear.ticks[1] - linear.ticks[0]
        axis.crosses = "min"
    for name, symbol, title, shown in (
        ("field_used", "circle", words.LEGEND["used"], np.where(used, field, np.nan)),
        ("field_left_out", "x", words.LEGEND["excluded"], np.where(used, np.nan, field)),
    ):
        if np.isfinite(shown).any():
            made.series.append(_points(calculation, block, name, title, symbol, lab, shown))
    ends = np.array(lines_of(x))
    lines: list[tuple[str, str, Dash]] = [("line_one", words.LEGEND["one"], "dash")]
    if low > 0 and x.statistics.bias.equivalence.margin > 0:
        lines += [
            ("line_upper", words.CHART_MARGIN, "sysDot"),
            ("line_lower", words.CHART_MARGIN, "sysDot"),
        ]
    rows = lines_at(block.number)
    for name, title, dash in lines:
        values = ends[:, LINES.index(name)]
        made.series.append(_line(calculation, rows, name, title, ends[:, 0], values, dash))
    made.legend = Legend(legendPos="b")
    if len(lines) == 3:
        made.legend.legendEntry = [_unnamed(len(made.series) - 1)]
    return made


def _unnamed(place: int) -> LegendEntry:
    return LegendEntry(idx=place, delete=True)


def _data(values: Sequence[float]) -> NumData:
    """Values as a chart keeps them; missing ones are left out."""
    kept = [NumVal(idx=i, v=repr(float(v))) for i, v in enumerate(values) if np.isfinite(v)]
    return NumData(formatCode="General", ptCount=len(values), pt=kept)


def _series(
    calculation: Sheet, rows: tuple[int, int], names: tuple[str, str], title: str, x: Array,
    y: Array,
) -> XYSeries:  # fmt: skip
    """Two columns of the calculation against each other, with their values."""

    def of(name: str) -> Reference:
        place = PLACES[name]
        return Reference(
            calculation.worksheet, min_col=place, max_col=place, min_row=rows[0], max_row=rows[1]
        )

    made: Any = Series(of(names[1]), of(names[0]), title=title)
    made.xVal.numRef.numCache = _data(x.tolist())
    made.yVal.numRef.numCache = _data(y.tolist())
    return cast(XYSeries, made)


def _points(
    calculation: Sheet, block: Block, name: str, title: str, symbol: str, lab: Array, field: Array
) -> XYSeries:
    names = "lab_shown", name
    made: Any = _series(calculation, (block.first, block.last), names, title, lab, field)
    made.marker.symbol = symbol
    made.marker.size = 6
    made.marker.graphicalProperties.line.solidFill = "0D4D73" if symbol == "x" else "FFFFFF"
    if symbol == "circle":
        made.marker.graphicalProperties.solidFill = "0D4D73"
    made.graphicalProperties.line.noFill = True
    return cast(XYSeries, made)


def _line(
    calculation: Sheet, rows: tuple[int, int], name: str, title: str, x: Array, y: Array,
    dash: Dash,
) -> XYSeries:  # fmt: skip
    made = _series(calculation, rows, ("line_lab", name), title, x, y)
    made.marker = Marker(symbol="none")
    made.graphicalProperties = GraphicalProperties(
        ln=LineProperties(w=9525, solidFill="000000", prstDash=dash)
    )
    made.smooth = False
    return made


def _title(text: str, size: int) -> Title:
    """A title in a small bold face; ``size`` in hundredths of a point."""
    look = CharacterProperties(sz=size, b=True)
    run = RegularTextRun(rPr=look, t=text)
    paragraph = Paragraph(pPr=ParagraphProperties(defRPr=look), r=[run])
    return Title(tx=Text(rich=RichText(p=[paragraph])), overlay=False)
