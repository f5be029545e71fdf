"""What the further figures of a stratum say, in sentences made of the same figures."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from reconcile import techniques
from reconcile.base.model.figures import StratumStatistics
from reconcile.base.model.further import KAPLAN_MEIER, ORDER_STATISTICS, Further, Key
from reconcile.base.model.release import StratumResult
from reconcile.base.model.singles import PartlyPooled, Pooling, Scatter, WithoutPair
from reconcile.figures.of_further import SHOWN_ALPHA, level_places
from reconcile.reporting import numbers, words
from reconcile.reporting.figure import several
from reconcile.reporting.figures import by_key
from reconcile.statistics.agreement import LevelLimits
from reconcile.statistics.censoring import CensoredLine, DetectTable, KaplanMeier
from reconcile.statistics.components import ThreeMethods
from reconcile.statistics.decisions import DataQualityLevel
from reconcile.statistics.error_model import NOT_RESOLVED, RESOLVED, ErrorModel
from reconcile.statistics.lines import Diagnostics, ErrorStructure

_FEW = 40  # pairs below which intervals that rest on few pairs fall short (tests of coverage)
_LONGEST_ID = 24


class _Say:
    """Figures of one stratum as text with unit, and with interval where there is one."""

    def __init__(self, result: StratumResult) -> None:
        self.result = result
        self.figures = by_key(result.statistics)

    def value(self, key: str) -> str:
        figure = self.figures[key]
        return _with_unit(figure.texts(self.result.per_mg_kg)[0], figure.unit(self.result.unit))

    def whole(self, key: str) -> str:
        figure = self.figures[key]
        value, interval = figure.texts(self.result.per_mg_kg)
        unit = figure.unit(self.result.unit)
        if interval == numbers.NONE:
            return _with_unit(value, unit)
        level = numbers.percent(figure.level)
        return words.WITH_INTERVAL.format(
            value=_with_unit(value, unit), level=level, interval=_with_unit(interval, unit)
        )

    def mass(self, mg_kg: float) -> str:
        return numbers.show(mg_kg * self.result.per_mg_kg, self.result.unit)


def _with_unit(text: str, unit: str) -> str:
    return f"{text}\N{NO-BREAK SPACE}{unit}" if unit and text != numbers.NONE else text


def _p_said(p: float) -> str:
    text = numbers.p_text(p)
    if text == numbers.NONE:
        return words.P_NOT_KNOWN
    return (words.P_BELOW if text.startswith("<") else words.P_IS).format(p=text)


def sentences(result: StratumResult) -> list[str]:
    """What the further figures say, in plain words."""
    say = _Say(result)
    s = result.statistics
    out = []
    if math.isfinite(s.bias.p_value):
        out.append(
            words.TESTS_SAID.format(
                p=_p_said(s.bias.p_value), adjusted=_p_said(s.bias.p_value_adjusted)
            )
        )
    for key, value in s.further:
        make = _SENTENCES.get(key)
        if make is not None:
            out += [text for text in make(say, value) if text]
    return [*out, *shortfalls(s)]


def short_of(s: StratumStatistics) -> list[str]:
    """Which printed intervals are known to hold the truth too seldom for such data."""
    out = []
    if s.difference_scale == "log ratio":
        if s.agreement.correlation.r.estimable and s.n_used < _FEW:
            out.append("correlation")
        if s.agreement.concordance.ccc.estimable and s.n_used < _FEW:
            out.append("concordance")
        if s.agreement.limits_log_ratio.lower.estimable:
            out.append("limits")
    found = s.further.get(Further.LEVEL_LIMITS)
    if found is not None and level_places(found) and s.n_used < _FEW:
        out.append("levels")
    return out


def shortfalls(s: StratumStatistics) -> list[str]:
    """The same in one sentence, with what is better."""
    short = short_of(s)
    if not short:
        return []
    return [
        words.SHORT_SAID.format(
            parts="; ".join(words.SHORT[key] for key in short),
            better="; ".join(dict.fromkeys(words.SHORT_BETTER[key] for key in short)),
        )
    ]


def _say_structure(say: _Say, found: ErrorStructure) -> list[str]:
    if not found.s0.estimable:
        return [words.STRUCTURE_NONE.format(reason=found.reason)]
    what = words.STRUCTURE[found.structure].format(
        s0=say.whole("error_constant"),
        theta=say.whole("error_proportional"),
        reason=found.reason,
    )
    return [
        words.STRUCTURE_SAID.format(
            what=what,
            samples=numbers.count(found.n, *words.SAMPLES),
            freedom=found.degrees_of_freedom,
            p_sd=_p_said(found.p_constant_sd),
            p_cv=_p_said(found.p_constant_cv),
        )
    ]


def _say_errors(say: _Say, found: ErrorModel) -> list[str]:
    if found.reason:
        return [words.ERRORS_NONE.format(reason=found.reason)]
    replicates = rest = ""
    if found.replicates.estimable:
        replicates = words.ERRORS_REPLICATES.format(sd=say.value("pair_replicate_sd"))
    if found.found == RESOLVED:
        rest = words.ERRORS_RESOLVED.format(sd=say.whole("pair_heterogeneity_sd"))
    elif found.found == NOT_RESOLVED:
        rest = words.ERRORS_NOT_RESOLVED
    return [
        words.ERRORS_SAID.format(
            lab=say.value("pair_lab_sd"),
            replicates=replicates,
            rest=rest,
            splits=words.ERRORS_SPLITS[found.split_known],
        )
    ]


def _say_scatter(say: _Say, found: Scatter) -> list[str]:
    one, many, _ = words.SCATTER_UNITS[found.by_spots]
    out = []
    if found.single.estimable:
        text = words.SCATTER_SAID.format(
            one=one,
            single=say.whole("single_sd"),
            now=several(found.count, one, many),
            double=several(2 * found.count, one, many),
            four=several(4 * found.count, one, many),
            se_now=say.value("mean_se_1"),
            se_double=say.value("mean_se_2"),
            se_four=say.value("mean_se_4"),
        )
        out.append(text + (words.SCATTER_RELATIVE if found.relative else ""))
    return out


def _say_three(say: _Say, found: ThreeMethods) -> list[str]:
    if found.reason:
        return [words.THREE_NONE.format(reason=found.reason)]
    parts = []
    for index, (name, ok) in enumerate(zip(found.names, found.resolved, strict=True), start=1):
        key = f"three_{index}"
        if ok:
            parts.append(f"{name} {say.whole(key)}")
            continue
        figure = say.figures[key]
        high = replace(figure, value=figure.high, low=math.nan, high=math.nan)
        most = _with_unit(high.texts(say.result.per_mg_kg)[0], high.unit(say.result.unit))
        parts.append(words.THREE_NOT_RESOLVED.format(name=name, most=most))
    text = words.THREE_SAID.format(
        samples=numbers.count(found.n, *words.SAMPLES), parts="; ".join(parts)
    )
    if math.isfinite(found.known_variance):
        sd = math.sqrt(max(found.known_variance, 0.0))
        shown_sd = numbers.percent(sd, 2) if found.scale == "log" else say.mass(sd)
        text += words.THREE_LAB.format(sd=shown_sd)
    return [text]


def _by_analogy(technique: str) -> str:
    written = [t.name for t in techniques.known() if t.quality_levels_written_for]
    if technique in written:
        return ""
    return words.LEVEL_BY_ANALOGY.format(written=", ".join(written), technique=technique)


def _say_level(say: _Say, found: DataQualityLevel) -> list[str]:
    if not (math.isfinite(found.rsd) and math.isfinite(found.r_squared)):
        return [words.LEVEL_NONE.format(binding=found.binding)]
    limits = found.limits
    method = say.result.statistics.further.get(Further.METHOD_CRITERIA)
    assert method is not None  # both are found together
    few = ""
    if method.enough_replicates is False and method.replicates is not None:
        few = words.LEVEL_FEW.format(n=limits.method_replicates, found=method.replicates)
    return [
        words.LEVEL_SAID.format(
            level=found.level,
            binding=found.binding or words.LEVEL_ALL_MET,
            rsd=say.value("replicate_rsd"),
            r_squared=say.value("level_r_squared"),
            rsd_method=numbers.percent(method.rsd_limit),
            precision=words.MET_WORDS[method.precision_met],
            screening=words.MET_WORDS[method.screening_met],
            definitive=words.MET_WORDS[method.definitive_met],
            few=few,
            methods=words.METHODS,
            analogy=_by_analogy(say.result.stratum.technique),
        )
    ]


def _say_level_limits(_: _Say, found: LevelLimits) -> list[str]:
    if found.reason:
        return []
    p = _p_said(found.p_spread_changes)
    changes = bool(level_places(found))
    return [(words.LEVEL_LIMITS_SAID if changes else words.LEVEL_LIMITS_CONSTANT).format(p=p)]


def _say_without(say: _Say, found: WithoutPair) -> list[str]:
    if not (found.slope.estimable and found.bias.estimable):
        return []
    return [
        words.WITHOUT_SAID.format(
            sample=sample_name(found.sample_id),
            influence=say.value("without_pair_influence"),
            slope=say.value("headline_slope"),
            slope_without=say.whole("without_pair_slope"),
            bias_name=words.BIAS_NAMES[found.relative],
            bias=say.value("geometric_mean_ratio" if found.relative else "mean_difference"),
            bias_without=say.whole("without_pair_bias"),
        )
    ]


def sample_name(sample_id: str) -> str:
    """A sample id that fits into a sentence."""
    return sample_id if len(sample_id) <= _LONGEST_ID else f"{sample_id[:_LONGEST_ID]}…"


def _say_censored(say: _Say, found: CensoredLine) -> list[str]:
    if found.reason or not math.isfinite(found.slope.low):
        return [words.CENSORED_NONE.format(reason=found.reason or found.slope.reason)]
    return [
        words.CENSORED_SAID.format(
            censored=found.n_censored,
            pairs=numbers.count(found.n, *words.PAIRS),
            slope=say.whole("censored_slope"),
            short=words.CENSORED_SHORT if say.result.statistics.censored.lab else "",
        )
    ]


def _say_median(side: str) -> Callable[[_Say, KaplanMeier], list[str]]:
    def make(say: _Say, found: KaplanMeier) -> list[str]:
        key, other = f"{side}_median_km", f"{side}_median_ros"
        order = say.figures[other]
        km = (
            say.whole(key)
            if found.median.estimable
            else words.MEDIAN_NONE.format(reason=found.reason or found.median.reason)
        )
        ros = (
            say.value(other)
            if math.isfinite(order.value)
            else words.MEDIAN_NONE.format(reason=order.reason)
        )
        return [
            words.MEDIAN_SAID.format(
                n=found.n, side=words.FURTHER_SIDES[side], below=found.n_nondetect, km=km, ros=ros
            )
        ]

    return make


def _say_detection(say: _Say, found: DetectTable) -> list[str]:
    if not found.n or found.both == found.n:
        return []
    test = words.DETECTION_TEST.format(p=_p_said(found.p_value))
    return [
        words.DETECTION_SAID.format(
            pairs=numbers.count(found.n, *words.PAIRS),
            both=found.both,
            lab_only=found.lab_only,
            field_only=found.field_only,
            neither=found.neither,
            test=test if math.isfinite(found.p_value) else "",
        )
    ]


def _say_pooling(_: _Say, found: Pooling) -> list[str]:
    facts = ", ".join(fact.replace("_", " ") for fact in found.facts)
    parts = numbers.count(len(found.parts), *words.POOLED_PARTS)
    test = found.test
    slopes, offsets = _p_said(test.slopes_p), _p_said(test.intercepts_p)
    alpha = numbers.plain_sig(found.alpha)
    if found.pooled:
        return [
            words.POOLED_YES.format(
                facts=facts, parts=parts, slopes=slopes, offsets=offsets, n=test.n, alpha=alpha
            )
        ]
    why = test.reason or (
        words.POOLED_SMALL
        if test.left_out
        else words.POOLED_WHY.format(slopes=slopes, offsets=offsets)
    )
    return [words.POOLED_NO.format(facts=facts, why=why, parts=parts, n=test.n, alpha=alpha)]


def _say_diagnostics(say: _Say, found: Diagnostics) -> list[str]:
    if found.reason:
        return []

    def slope(value: float) -> str:
        return numbers.plain_sig(value)

    out = []
    if math.isfinite(found.slope_without_top) and math.isfinite(found.with_top):
        out.append(
            words.TOP_SAID.format(
                top=say.mass(found.with_top),
                without=slope(found.slope_without_top),
                slope=slope(found.slope),
            )
        )
    if found.linearity is not None and found.linearity.p_value < SHOWN_ALPHA:
        out.append(words.RANKS_BEND_SAID.format(p=_p_said(found.linearity.p_value)))
    if found.curvature_p < SHOWN_ALPHA:
        out.append(words.BEND_SAID.format(p=_p_said(found.curvature_p)))
    elif math.isfinite(found.curvature_p):
        out.append(words.NO_BEND_SAID.format(p=_p_said(found.curvature_p)))
    if found.scatter_trend_p < SHOWN_ALPHA:
        way = words.TREND_WAYS[found.scatter_trend > 0]
        out.append(words.TREND_SAID.format(way=way, p=_p_said(found.scatter_trend_p)))
    if found.thirds:
        parts = []
        ranks = say.result.statistics.headline.method == "passing-bablok"
        for third in found.thirds:
            value, interval = numbers.of_estimate(third.slope)
            per = say.result.per_mg_kg
            where = numbers.interval_of_numbers(
                third.x_low * per, third.x_high * per, say.result.unit
            )
            within = f" ({interval})" if interval != numbers.NONE and not ranks else ""
            parts.append(
                words.THIRD_SAID.format(where=where, value=value, interval=within, n=third.n)
            )
        out.append(
            (words.THIRDS_RANKS if ranks else words.THIRDS_SAID).format(parts="; ".join(parts))
        )
    return out


def _say_beside(say: _Say, found: PartlyPooled) -> list[str]:
    gain, n = math.floor(found.gain + 1e-9) if math.isfinite(found.gain) else 0, found.own.n
    told = words.BESIDE_NO_GAIN
    if gain > n:
        told = words.BESIDE_GAIN.format(gain=gain, n=n, more=gain - n)
    return [
        words.BESIDE_SAID.format(
            strata=found.strata - 1, seen=say.whole("beside_like_bias"),
            own=say.whole("beside_like_own"), gain=told,
        )
    ]  # fmt: skip


_SENTENCES: dict[Key[Any], Callable[[_Say, Any], list[str]]] = {
    Further.ERROR_MODEL: _say_errors,
    Further.STRUCTURE: _say_structure,
    Further.SCATTER: _say_scatter,
    Further.THREE_METHODS: _say_three,
    Further.QUALITY_LEVEL: _say_level,
    Further.LEVEL_LIMITS: _say_level_limits,
    Further.WITHOUT_PAIR: _say_without,
    Further.CENSORED_LINE: _say_censored,
    KAPLAN_MEIER["lab"]: _say_median("lab"),
    KAPLAN_MEIER["field"]: _say_median("field"),
    Further.DETECTION: _say_detection,
    Further.POOLING: _say_pooling,
    Further.PARTLY_POOLED: _say_beside,
    Further.DIAGNOSTICS: _say_diagnostics,
}
#: Results that are told as figures, or as part of another's sentences.
_AS_FIGURES = frozenset(
    (
        Further.YORK,
        Further.LOG_CONCORDANCE,
        Further.CLUSTERS,
        *ORDER_STATISTICS.values(),
        Further.METHOD_CRITERIA,
    )
)
#: Results whose sentences stand here or need none of their own.
SPOKEN_FOR = frozenset((*_SENTENCES, *_AS_FIGURES))
