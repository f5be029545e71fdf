"""Further figures of a stratum: everything beyond its page, in base units as in ``figures``."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from reconcile.base.model import (
    KAPLAN_MEIER,
    ORDER_STATISTICS,
    Further,
    Pooling,
    Scatter,
    StratumResult,
    StratumStatistics,
    WithoutPair,
)
from reconcile.reporting import numbers, words
from reconcile.reporting.figure import Figure, Kind, line_figures, of_estimate
from reconcile.statistics.agreement import Concordance, LevelLimits
from reconcile.statistics.censoring import CensoredLine, DetectTable, KaplanMeier, OrderStatistics
from reconcile.statistics.components import ThreeMethods
from reconcile.statistics.decisions import DataQualityLevel
from reconcile.statistics.error_model import ErrorModel
from reconcile.statistics.lines import ErrorStructure, Line
from reconcile.statistics.result import Estimate

SHOWN_ALPHA = 0.05  # below this p a change with the level is tabled


def figures(s: StratumStatistics) -> Iterator[Figure]:
    """Every further figure of one stratum, in a fixed order."""
    yield _p("difference_p", s.p_value, s.n_used)
    for name, value in s.details:
        make = FIGURES.get(name)
        if make is not None:
            yield from make(s, value)


def _label(key: str, **parts: str) -> str:
    return words.FURTHER[key].format(**parts)


def _p(key: str, value: float, n: int) -> Figure:
    return Figure(key, words.FURTHER[key], "p", float(value), n=int(n))


def _as_sd(key: str, label: str, kind: Kind, variance: Estimate) -> Figure:
    """A variance as its SD; below zero it is not told apart from zero."""

    def root(value: float) -> float:
        return math.sqrt(max(value, 0.0)) if not math.isnan(value) else math.nan

    figure = of_estimate(key, label, kind, variance)
    if variance.value <= 0:
        figure = replace(figure, reason=words.NOT_RESOLVED)
    return replace(
        figure,
        value=root(figure.value),
        low=root(figure.low),
        high=root(figure.high),
        se=math.nan,
    )


def _structure(_: StratumStatistics, found: ErrorStructure) -> Iterator[Figure]:
    yield of_estimate("error_constant", _label("error_constant"), "mass", found.s0)
    yield of_estimate("error_proportional", _label("error_proportional"), "percent", found.theta)
    yield _p("error_p_constant_sd", found.p_constant_sd, found.n)
    yield _p("error_p_constant_cv", found.p_constant_cv, found.n)


def _york(_: StratumStatistics, line: Line) -> Iterator[Figure]:
    yield from line_figures("york", words.LINE_NAMES["york"], line)


def _log_concordance(_: StratumStatistics, found: Concordance) -> Iterator[Figure]:
    yield of_estimate("concordance_log", _label("concordance_log"), "number", found.ccc)
    for key, value in (
        ("concordance_log_precision", found.r),
        ("concordance_log_accuracy", found.c_b),
    ):
        yield Figure(key, words.FURTHER[key], "number", float(value), n=int(found.n))


def level_places(found: LevelLimits) -> tuple[float, ...]:
    """Levels at which limits are tabled where the spread changes with them; else none."""
    if found.reason or not found.p_spread_changes < SHOWN_ALPHA:
        return ()
    return found.low, (found.low + found.high) / 2, found.high


def _level_limits(_: StratumStatistics, found: LevelLimits) -> Iterator[Figure]:
    yield _p("bias_change_p", found.p_bias_changes, found.n)
    yield _p("spread_change_p", found.p_spread_changes, found.n)
    for index, level in enumerate(level_places(found), start=1):
        yield Figure(f"limits_at_{index}", words.LEVEL_PLACE.format(n=index), "mass", level,
                     place=index)  # fmt: skip
        lower, upper = found.at(level)[1:]
        for end, item in (("lower", lower), ("upper", upper)):
            label = _label(f"limits_at_{end}", level=words.LEVEL_NUMBER.format(n=index))
            limit = of_estimate(f"limits_at_{index}_{end}", label, "mass", item)
            yield replace(limit, place=index, end=end)


def _without(_: StratumStatistics, found: WithoutPair) -> Iterator[Figure]:
    name = words.BIAS_NAMES[found.relative]
    label = _label("without_pair_bias", bias=name[:1].upper() + name[1:], sample=words.ONE_PAIR)
    yield of_estimate("without_pair_bias", label, "ratio" if found.relative else "mass", found.bias)
    label = _label("without_pair_slope", sample=words.ONE_PAIR)
    yield of_estimate("without_pair_slope", label, "number", found.slope)
    label = _label("without_pair_influence", sample=words.ONE_PAIR)
    n = int(found.slope.n) + 1
    yield Figure("without_pair_influence", label, "number", float(found.influence), n=n)


def _quality_level(s: StratumStatistics, found: DataQualityLevel) -> Iterator[Figure]:
    n = s.n_used
    yield Figure("replicate_rsd", _label("replicate_rsd"), "percent", float(found.rsd), n=n)
    r_squared = float(found.r_squared)
    yield Figure("level_r_squared", _label("level_r_squared"), "number", r_squared, n=n)


def _censored_line(_: StratumStatistics, found: CensoredLine) -> Iterator[Figure]:
    if not math.isfinite(found.slope.low):
        return  # without an interval the slope says nothing: the limits alone decide it
    yield of_estimate("censored_slope", _label("censored_slope"), "number", found.slope)
    n = int(found.n)
    yield Figure("censored_tau", _label("censored_tau"), "number", float(found.tau), n=n)
    yield _p("censored_p", found.p_value, n)


def _kaplan_meier(side: str) -> Callable[[StratumStatistics, KaplanMeier], Iterator[Figure]]:
    def make(_: StratumStatistics, found: KaplanMeier) -> Iterator[Figure]:
        label = _label("median_km", side=words.FURTHER_SIDES[side])
        yield of_estimate(f"{side}_median_km", label, "mass", found.median)

    return make


def _order(side: str) -> Callable[[StratumStatistics, OrderStatistics], Iterator[Figure]]:
    def make(_: StratumStatistics, found: OrderStatistics) -> Iterator[Figure]:
        label = _label("median_ros", side=words.FURTHER_SIDES[side])
        yield Figure(
            f"{side}_median_ros", label, "mass", float(found.median),
            n=int(found.n), reason=found.reason or words.NO_INTERVAL,
        )  # fmt: skip

    return make


def _detection(s: StratumStatistics, found: DetectTable) -> Iterator[Figure]:
    if not (s.n_field_censored or s.n_lab_censored):
        return
    for key, item in (
        ("lab_detected", found.lab_detected),
        ("field_detected", found.field_detected),
        ("detected_field_only", found.field_share_of_discordant),
    ):
        yield of_estimate(key, words.FURTHER[key], "percent", item)
    yield _p("mcnemar_p", found.p_value, found.n)


#: Times the present number of spots for which the standard error of a mean is shown.
_TIMES = (1, 2, 4)


def _scatter(_: StratumStatistics, found: Scatter) -> Iterator[Figure]:
    kind: Kind = "percent" if found.relative else "mass"
    one, many, shots = words.SCATTER_UNITS[found.by_spots]
    parts = found.components
    for key, item in (
        ("shot_sd", parts.shot),
        ("spot_sd", parts.spot),
        ("sample_sd", parts.sample),
    ):
        if key != "spot_sd" or found.by_spots:
            yield _as_sd(key, _label(key, shots=shots), kind, item)
    single = of_estimate("single_sd", _label("single_sd", one=one), kind, found.single)
    yield single
    for times in _TIMES:
        count = times * found.count
        label = _label("mean_se", count=several(count, one, many))
        root = math.sqrt(count)
        yield replace(
            single,
            key=f"mean_se_{times}",
            label=label,
            value=single.value / root,
            low=single.low / root,
            high=single.high / root,
            se=math.nan,
        )
    for end, item in (("lower", found.limits.lower), ("upper", found.limits.upper)):
        figure = of_estimate(f"single_{end}", _label(f"single_{end}", one=one), "mass", item)
        if found.relative:
            figure = replace(
                figure,
                kind="ratio",
                value=math.exp(figure.value),
                low=math.exp(figure.low),
                high=math.exp(figure.high),
                se=math.nan,
            )
        yield figure


def several(count: float, one: str, many: str) -> str:
    """ "3 spots"; "2.4 readings" where samples differ."""
    whole = round(count)
    if abs(count - whole) < 0.05:
        return numbers.count(whole, one, many)
    return f"{numbers.plain(count, 1)} {many}"


def _three(_: StratumStatistics, found: ThreeMethods) -> Iterator[Figure]:
    kind: Kind = "percent" if found.scale == "log" else "mass"
    for index, (name, item) in enumerate(zip(found.names, found.variances, strict=True), start=1):
        yield _as_sd(f"three_{index}", _label("three", name=name), kind, item)


def _errors(_: StratumStatistics, found: ErrorModel) -> Iterator[Figure]:
    kind: Kind = "percent" if found.shape == "proportional" else "mass"
    for key, item in (
        ("pair_lab_sd", found.lab),
        ("pair_replicate_sd", found.replicates),
        ("pair_heterogeneity_sd", found.heterogeneity),
    ):
        if item.estimable:
            yield _as_sd(key, _label(key), kind, item)


def _pooling(_: StratumStatistics, found: Pooling) -> Iterator[Figure]:
    yield _p("pooling_slopes_p", found.test.slopes_p, found.test.n)
    yield _p("pooling_offsets_p", found.test.intercepts_p, found.test.n)


#: What makes the figures of each further result.
FIGURES: dict[str, Callable[[StratumStatistics, Any], Iterator[Figure]]] = {
    Further.ERROR_MODEL: _errors,
    Further.STRUCTURE: _structure,
    Further.SCATTER: _scatter,
    Further.THREE_METHODS: _three,
    Further.QUALITY_LEVEL: _quality_level,
    Further.YORK: _york,
    Further.LOG_CONCORDANCE: _log_concordance,
    Further.LEVEL_LIMITS: _level_limits,
    Further.WITHOUT_PAIR: _without,
    Further.CENSORED_LINE: _censored_line,
    KAPLAN_MEIER["lab"]: _kaplan_meier("lab"),
    KAPLAN_MEIER["field"]: _kaplan_meier("field"),
    ORDER_STATISTICS["lab"]: _order("lab"),
    ORDER_STATISTICS["field"]: _order("field"),
    Further.DETECTION: _detection,
    Further.POOLING: _pooling,
}

#: Keys of the left table; all other further figures stand in the right one.
_LEFT = frozenset(
    {
        "error_constant", "error_proportional", "error_p_constant_sd", "error_p_constant_cv",
        "shot_sd", "spot_sd", "sample_sd", "single_sd", "replicate_rsd", "difference_p",
        "pooling_slopes_p", "pooling_offsets_p",
    }
    | {f"mean_se_{times}" for times in _TIMES}
)  # fmt: skip


def shown(result: StratumResult) -> tuple[list[Figure], list[Figure]]:
    """Left and right table of the further figures that are numbers, labels for the reader."""
    left: list[Figure] = []
    right: list[Figure] = []
    places: dict[int, str] = {}
    for figure in figures(result.statistics):
        if not math.isfinite(figure.value):
            continue
        if figure.place and not figure.end:
            places[figure.place] = numbers.show(figure.value * result.per_mg_kg, result.unit)
            continue
        if figure.place in places:
            level = places[figure.place]
            figure = replace(figure, label=_label(f"limits_at_{figure.end}", level=level))
        (left if figure.key in _LEFT else right).append(figure)
    return left, right
