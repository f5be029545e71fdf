"""The rows of the figures' tables on a stratum's page: what the registry places there."""

from __future__ import annotations

import math
from collections.abc import Callable

from reconcile.base.model.release import StratumResult
from reconcile.figures.definition import Side
from reconcile.reporting import further, numbers, words
from reconcile.reporting.figure import Figure
from reconcile.reporting.figures import FURTHER_TABLES, by_key, figures_of, in_table
from reconcile.reporting.figures import further as further_figures

LEVELS_SHOWN = 3
#: Name, value, interval, n as printed.
Row = tuple[str, str, str, str]


def _row(figure: Figure, result: StratumResult, label: str = "") -> Row:
    unit = figure.unit(result.unit)
    value, interval = figure.texts(result.per_mg_kg)
    name = label or figure.name(result.unit, result.per_mg_kg)
    if unit and figure.kind != "count":
        name = f"{name}, {unit}"
    return name, value, interval, "" if figure.n is None else numbers.plain(float(figure.n), 0)


def _equivalence(figure: Figure, result: StratumResult) -> Row:
    test = result.statistics.bias.equivalence
    answer = numbers.NONE
    if math.isfinite(test.p_value):
        answer = words.YES_NO[bool(test.equivalent)]
    margin = by_key(result.statistics)["equivalence_margin"]
    _, interval = figure.texts(result.per_mg_kg)
    within = numbers.exact(margin.value * margin.factor(result.per_mg_kg))
    unit = margin.unit(result.unit)
    name = words.EQUIVALENT.format(margin=within, unit=unit, level=numbers.percent(figure.level))
    return name, answer, interval, str(test.n)


def _limit(label: str) -> Callable[[Figure, StratumResult], Row]:
    """A limit of agreement, marked where its interval is known to fall short."""

    def row(figure: Figure, result: StratumResult) -> Row:
        ratio = figure.kind == "ratio"
        name = (words.AS_RATIO if ratio else "{label}").format(label=words.LIMIT_ROWS[label])
        first, *rest = _row(figure, result, name)
        short = ratio and label == "lower" and "limits" in further.short_of(result.statistics)
        return (first + words.SHORT_MARK if short else first, *rest)  # type: ignore[return-value]

    return row


def _tolerance(upper: str) -> Callable[[Figure, StratumResult], Row]:
    """Both ends of a tolerance interval in one row."""

    def row(low: Figure, result: StratumResult) -> Row:
        high, factor = by_key(result.statistics)[upper], low.factor(result.per_mg_kg)
        _, interval = numbers.estimate_texts(math.nan, low.value * factor, high.value * factor)
        unit = low.unit(result.unit)
        label = (words.WITH_UNIT if unit else words.AS_RATIO).format(
            label=words.TOLERANCE, unit=unit
        )
        return label, "", interval, "" if low.n is None else str(low.n)

    return row


def _named(name: Callable[[Figure, StratumResult], str]) -> Callable[[Figure, StratumResult], Row]:
    """A row with a shorter name than the figure has in the files."""
    return lambda figure, result: _row(figure, result, name(figure, result))


def _at_level(figure: Figure, result: StratumResult) -> str:
    level = figure.item[1]
    value = numbers.exact(level.level * result.per_mg_kg, result.unit)
    return words.BIAS_AT.format(level=_short(level.name), value=value)


def _marked(name: str, key: str, result: StratumResult) -> str:
    return name + (words.SHORT_MARK if key in further.short_of(result.statistics) else "")


def _share(_: Figure, result: StratumResult) -> str:
    margin = result.statistics.agreement.share_margin
    return words.PAIRS_WITHIN.format(share=numbers.percent(margin))


#: Rows that are more than a figure under its label, by the figure's code.
_ROWS: dict[str, Callable[[Figure, StratumResult], Row]] = {
    "ratio_as_difference": _named(lambda *_: words.AS_DIFFERENCE),
    "equivalence_bias": _equivalence,
    **{f"limits_{scale}_{end}": _limit(end) for scale in words.SCALES for end in words.LIMIT_ROWS},
    **{
        f"limits_{scale}_tolerance_low": _tolerance(f"limits_{scale}_tolerance_high")
        for scale in words.SCALES
    },
    "share_within": _named(_share),
    "headline_slope": _named(lambda *_: words.LINE_SLOPE),
    "headline_intercept": _named(lambda *_: words.LINE_INTERCEPT),
    "headline_residual_sd": _named(lambda *_: words.LINE_SD),
    "error_ratio": _named(lambda *_: words.ERROR_RATIO),
    "difference_p_adjusted": _named(lambda *_: words.NO_DIFFERENCE),
    "concordance": _named(lambda f, r: _marked(f.name("", 1.0), "concordance", r)),
    "correlation": _named(lambda _, r: _marked(words.CORRELATION, "correlation", r)),
    "spearman": _named(lambda *_: words.RANK_CORRELATION),
    "level_{n}_bias": _named(_at_level),
    "level_{n}_false_negative": _named(lambda *_: words.MISSED),
    "level_{n}_false_positive": _named(lambda *_: words.FALSE_ALARMS),
}


def _rows(result: StratumResult, side: Side) -> list[Row]:
    return [
        _ROWS.get(figure.definition.code, _row)(figure, result)
        for figure in in_table(result.statistics, side)
        if figure.order <= LEVELS_SHOWN
    ]


def left_rows(result: StratumResult) -> list[Row]:
    """Name, value, interval and n of what is said of differences."""
    return _rows(result, Side.LEFT)


def right_rows(result: StratumResult) -> list[Row]:
    """Name, value, interval and n of the line, the scatter and the decisions."""
    rows = _rows(result, Side.RIGHT)
    if (more := len(result.statistics.levels) - LEVELS_SHOWN) > 0:
        rows.append((words.MORE_LEVELS.format(n=more), "", "", ""))
    return rows


def _short(name: str, most: int = 40) -> str:
    return name if len(name) <= most else f"{name[:most]}…"


def further_rows(result: StratumResult) -> tuple[list[Row], list[Row]]:
    """Name, value, interval and n of the further figures, left and right table."""
    left, right = (further_figures(result.statistics, side) for side in FURTHER_TABLES)
    return [_row(f, result) for f in left], [_row(f, result) for f in right]


def other_rows(result: StratumResult) -> list[Row]:
    """The figures that stand in none of the tables above; the page for the screen has all."""
    statistics = result.statistics
    shown = {f.key for side in (Side.LEFT, Side.RIGHT) for f in in_table(statistics, side)}
    shown |= {f.key for side in FURTHER_TABLES for f in further_figures(statistics, side)}
    return [_row(f, result) for f in figures_of(statistics) if f.key not in shown]
