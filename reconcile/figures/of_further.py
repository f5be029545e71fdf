"""Figures of the further results: errors and scatter, limits by level, censored pairs, tests."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

from reconcile.base.model.figures import StratumStatistics
from reconcile.base.model.further import KAPLAN_MEIER, ORDER_STATISTICS, Further, Key
from reconcile.base.model.singles import PartlyPooled, Pooling, Scatter, WithoutPair
from reconcile.figures.definition import (
    At,
    Definition,
    Group,
    Kind,
    Number,
    Part,
    Place,
    Several,
    Side,
)
from reconcile.figures.of_lines import of_line
from reconcile.figures.of_pairs import CLOPPER, LIN, Stratum
from reconcile.reporting import words
from reconcile.statistics.agreement import Concordance, LevelLimits
from reconcile.statistics.censoring import CensoredLine, DetectTable, KaplanMeier, OrderStatistics
from reconcile.statistics.clusters import Clustered
from reconcile.statistics.components import ThreeMethods
from reconcile.statistics.decisions import DataQualityLevel
from reconcile.statistics.error_model import ErrorModel
from reconcile.statistics.lines import ErrorStructure, Line
from reconcile.statistics.result import Estimate

SHOWN_ALPHA = 0.05  # below this p a change with the level is tabled
#: Times the present number of spots for which the standard error of a mean is shown.
_TIMES = (1, 2, 4)
_LEFT = (Place(Side.FURTHER_LEFT),)
_RIGHT = (Place(Side.FURTHER_RIGHT),)

T = TypeVar("T")


def _of(key: Key[T]) -> Callable[[StratumStatistics], Sequence[T]]:
    """The further result of a key, where a stratum has it."""

    def find(s: StratumStatistics) -> Sequence[T]:
        found = s.further.get(key)
        return () if found is None else (found,)

    return find


def _with(key: Key[T]) -> Callable[[StratumStatistics], Sequence[tuple[StratumStatistics, T]]]:
    """The same beside its stratum's statistics."""
    return lambda s: tuple((s, found) for found in _of(key)(s))


def _p(p: float, n: int) -> Number:
    return Number(float(p), n=int(n))


def _as_sd(variance: Estimate) -> Number:
    """A variance as its SD; below zero it is not told apart from zero."""

    def root(value: float) -> float:
        return math.sqrt(max(value, 0.0)) if not math.isnan(value) else math.nan

    found = Number.of(variance)
    reason = words.NOT_RESOLVED if variance.value <= 0 else found.reason
    return replace(
        found, value=root(found.value), low=root(found.low), high=root(found.high), se=math.nan,
        reason=reason,
    )  # fmt: skip


DIFFERENCE: Group[StratumStatistics] = Group(
    lambda s: (s,),
    (
        Stratum(
            "difference_p", "p", lambda s: _p(s.bias.p_value, s.n_used), places=_LEFT,
            source="t test",
        ),
    ),
)  # fmt: skip


def _errors_kind(found: ErrorModel) -> Kind:
    return "percent" if found.shape == "proportional" else "mass"


def _error(code: str, of: Callable[[ErrorModel], Estimate]) -> Definition[ErrorModel]:
    def read(found: ErrorModel) -> Number | None:
        item = of(found)
        return _as_sd(item) if item.estimable else None

    return Definition(code, _errors_kind, read, places=_RIGHT, source="Fuller 1987, section 1.2")


ERRORS = Group(
    _of(Further.ERROR_MODEL),
    (
        _error("pair_lab_sd", lambda x: x.lab),
        _error("pair_replicate_sd", lambda x: x.replicates),
        _error("pair_heterogeneity_sd", lambda x: x.heterogeneity),
    ),
)

_ROCKE = "Rocke & Lorenzato 1995"
STRUCTURE: Group[ErrorStructure] = Group(
    _of(Further.STRUCTURE),
    (
        Definition("error_constant", "mass", lambda x: x.s0, places=_LEFT, source=_ROCKE),
        Definition("error_proportional", "percent", lambda x: x.theta, places=_LEFT, source=_ROCKE),
        Definition(
            "error_p_constant_sd", "p", lambda x: _p(x.p_constant_sd, x.n), places=_LEFT,
            source="Self & Liang 1987",
        ),
        Definition(
            "error_p_constant_cv", "p", lambda x: _p(x.p_constant_cv, x.n), places=_LEFT,
            source="Self & Liang 1987",
        ),
    ),
)  # fmt: skip


def _same(line: Line) -> Line:
    return line


YORK: Group[Line] = Group(
    _of(Further.YORK),
    tuple(
        of_line(
            "york", lambda: words.LINE_NAMES["york"], _same,
            "York, Evensen, Martínez & De Basabe 2004; Mandel & Paule 1970",
            places=(_RIGHT, _RIGHT, _RIGHT),
        )
    ),
)  # fmt: skip

LOG_CONCORDANCE: Group[Concordance] = Group(
    _of(Further.LOG_CONCORDANCE),
    (
        Definition(
            "concordance_log", "number", lambda x: x.ccc, source=LIN, decimals=3,
            places=(Place(Side.RIGHT, 75, if_known=True), *_RIGHT),
        ),
        Definition(
            "concordance_log_precision", "number", lambda x: Number(float(x.r), n=int(x.n)),
            places=_RIGHT, source=LIN, decimals=3,
        ),
        Definition(
            "concordance_log_accuracy", "number", lambda x: Number(float(x.c_b), n=int(x.n)),
            places=_RIGHT, source=LIN, decimals=3,
        ),
    ),
)  # fmt: skip


def level_places(found: LevelLimits) -> tuple[float, ...]:
    """Levels at which limits are tabled where the spread changes with them; else none."""
    if found.reason or not found.p_spread_changes < SHOWN_ALPHA:
        return ()
    return found.low, (found.low + found.high) / 2, found.high


_BY_LEVEL = "Bland & Altman 1999, section 3.2"
LEVEL_TESTS: Group[LevelLimits] = Group(
    _of(Further.LEVEL_LIMITS),
    (
        Definition(
            "bias_change_p", "p", lambda x: _p(x.p_bias_changes, x.n), places=_RIGHT,
            source=_BY_LEVEL,
        ),
        Definition(
            "spread_change_p", "p", lambda x: _p(x.p_spread_changes, x.n), places=_RIGHT,
            source=_BY_LEVEL,
        ),
    ),
)  # fmt: skip

AtLevel = tuple[int, float, LevelLimits]


def _levels(s: StratumStatistics) -> Sequence[AtLevel]:
    return tuple(
        (n, level, found)
        for found in _of(Further.LEVEL_LIMITS)(s)
        for n, level in enumerate(level_places(found), start=1)
    )


def _limit(end: str, which: int) -> Definition[AtLevel]:
    return Definition(
        f"limits_at_{{n}}_{end}", "mass", lambda x: x[2].at(x[1])[which], f"limits_at_{end}",
        lambda x: {"level": At(x[1], x[0])}, _RIGHT, _BY_LEVEL, signed=True,
    )  # fmt: skip


LEVEL_LIMITS: Group[AtLevel] = Group(
    _levels,
    (
        Definition(
            "limits_at_{n}", "mass", lambda x: Number(x[1]), "limits_at",
            lambda x: {"n": str(x[0])}, source=_BY_LEVEL,
        ),
        _limit("lower", 1),
        _limit("upper", 2),
    ),
)  # fmt: skip


def _one_pair(_: WithoutPair) -> Mapping[str, Part]:
    return {"sample": words.ONE_PAIR}


def _bias_without(found: WithoutPair) -> Mapping[str, Part]:
    name = words.BIAS_NAMES[found.relative]
    return {"bias": name[:1].upper() + name[1:], "sample": words.ONE_PAIR}


_CHOSEN = "the leading figures computed again"
WITHOUT: Group[WithoutPair] = Group(
    _of(Further.WITHOUT_PAIR),
    (
        Definition(
            "without_pair_bias", lambda x: "ratio" if x.relative else "mass", lambda x: x.bias,
            parts=_bias_without, places=_RIGHT, source=_CHOSEN,
        ),
        Definition(
            "without_pair_slope", "number", lambda x: x.slope, parts=_one_pair, places=_RIGHT,
            source=_CHOSEN,
        ),
        Definition(
            "without_pair_influence", "number",
            lambda x: Number(float(x.influence), n=int(x.slope.n) + 1), parts=_one_pair,
            places=_RIGHT, source=_CHOSEN,
        ),
    ),
)  # fmt: skip

_EPA = "US EPA SW-846 Method 6200 (2007)"
QUALITY: Group[tuple[StratumStatistics, DataQualityLevel]] = Group(
    _with(Further.QUALITY_LEVEL),
    (
        Definition(
            "replicate_rsd", "percent", lambda x: Number(float(x[1].rsd), n=x[0].n_used),
            places=_LEFT, source=_EPA,
        ),
        Definition(
            "level_r_squared", "number", lambda x: Number(float(x[1].r_squared), n=x[0].n_used),
            places=_RIGHT, source=_EPA, decimals=3,
        ),
    ),
)  # fmt: skip

Detected = tuple[StratumStatistics, DetectTable]


def _detected(s: StratumStatistics) -> Sequence[Detected]:
    """Nothing where every result is a number on both sides."""
    return _with(Further.DETECTION)(s) if s.censored.field or s.censored.lab else ()


DETECTION: Group[Detected] = Group(
    _detected,
    (
        Definition(
            "lab_detected", "percent", lambda x: x[1].lab_detected, places=_RIGHT, source=CLOPPER
        ),
        Definition(
            "field_detected", "percent", lambda x: x[1].field_detected, places=_RIGHT,
            source=CLOPPER,
        ),
        Definition(
            "detected_field_only", "percent", lambda x: x[1].field_share_of_discordant,
            places=_RIGHT, source=CLOPPER,
        ),
        Definition(
            "mcnemar_p", "p", lambda x: _p(x[1].p_value, x[1].n), places=_RIGHT,
            source="McNemar 1947",
        ),
    ),
)  # fmt: skip


def _with_slope(s: StratumStatistics) -> Sequence[CensoredLine]:
    """Without an interval the slope says nothing: the limits alone decide it."""
    return [x for x in _of(Further.CENSORED_LINE)(s) if math.isfinite(x.slope.low)]


_AKRITAS = "Akritas, Murphy & LaValley 1995"
CENSORED: Group[CensoredLine] = Group(
    _with_slope,
    (
        Definition(
            "censored_slope", "number", lambda x: x.slope, places=_RIGHT, source=_AKRITAS
        ),
        Definition(
            "censored_tau", "number", lambda x: Number(float(x.tau), n=int(x.n)), places=_RIGHT,
            source="Daniels 1944; Kendall & Gibbons 1990", decimals=3,
        ),
        Definition(
            "censored_p", "p", lambda x: _p(x.p_value, x.n), places=_RIGHT, source=_AKRITAS
        ),
    ),
)  # fmt: skip


def _side(side: str) -> Callable[[object], Mapping[str, Part]]:
    return lambda _: {"side": words.FURTHER_SIDES[side]}


def _median_km(side: str) -> Group[KaplanMeier]:
    return Group(
        _of(KAPLAN_MEIER[side]),
        (
            Definition(
                f"{side}_median_km", "mass", lambda x: x.median, "median_km", _side(side), _RIGHT,
                "Helsel 2012; Brookmeyer & Crowley 1982",
            ),
        ),
    )  # fmt: skip


def _median_ros(side: str) -> Group[OrderStatistics]:
    def read(found: OrderStatistics) -> Number:
        return Number(float(found.median), n=int(found.n), reason=found.reason or words.NO_INTERVAL)

    return Group(
        _of(ORDER_STATISTICS[side]),
        (
            Definition(
                f"{side}_median_ros", "mass", read, "median_ros", _side(side), _RIGHT,
                "Helsel & Cohn 1988",
            ),
        ),
    )  # fmt: skip


def _scatter_kind(found: Scatter) -> Kind:
    return "percent" if found.relative else "mass"


def _unit_words(found: Scatter) -> Mapping[str, Part]:
    one, _, shots = words.SCATTER_UNITS[found.by_spots]
    return {"one": one, "shots": shots}


_NESTED = "Searle, Casella & McCulloch 1992, section 3.6; Burdick & Graybill 1992"


def _component(
    code: str, read: Callable[[Scatter], Number | Estimate | None], places: Sequence[Place] = _LEFT
) -> Definition[Scatter]:
    return Definition(code, _scatter_kind, read, "", _unit_words, places, _NESTED)


def _mean_se(times: int) -> Definition[Scatter]:
    def read(found: Scatter) -> Number:
        single, root = Number.of(found.single), math.sqrt(times * found.count)
        return replace(
            single, value=single.value / root, low=single.low / root, high=single.high / root,
            se=math.nan,
        )  # fmt: skip

    return Definition(
        f"mean_se_{times}", _scatter_kind, read, "mean_se",
        lambda x: {"count": Several(times * x.count, x.by_spots)}, _LEFT, _NESTED,
    )  # fmt: skip


def _single_limit(end: str) -> Definition[Scatter]:
    def read(found: Scatter) -> Number:
        limit = Number.of(getattr(found.limits, end))
        if not found.relative:
            return limit
        return replace(
            limit, value=math.exp(limit.value), low=math.exp(limit.low), high=math.exp(limit.high),
            se=math.nan,
        )  # fmt: skip

    return Definition(
        f"single_{end}", lambda x: "ratio" if x.relative else "mass", read, "", _unit_words,
        _RIGHT, "Bland & Altman 1999, sections 5.1 and 5.2; Zou 2013", signed=True,
    )  # fmt: skip


SCATTER: Group[Scatter] = Group(
    _of(Further.SCATTER),
    (
        _component("shot_sd", lambda x: _as_sd(x.components.shot)),
        _component("spot_sd", lambda x: _as_sd(x.components.spot) if x.by_spots else None),
        _component("sample_sd", lambda x: _as_sd(x.components.sample)),
        _component("single_sd", lambda x: x.single),
        *(_mean_se(times) for times in _TIMES),
        _single_limit("lower"),
        _single_limit("upper"),
    ),
)

POOLING: Group[Pooling] = Group(
    _of(Further.POOLING),
    (
        Definition(
            "pooling_slopes_p", "p", lambda x: _p(x.test.slopes_p, x.test.n), places=_LEFT,
            source="analysis of covariance",
        ),
        Definition(
            "pooling_offsets_p", "p", lambda x: _p(x.test.intercepts_p, x.test.n), places=_LEFT,
            source="analysis of covariance",
        ),
    ),
)  # fmt: skip

OneOfThree = tuple[ThreeMethods, str, Estimate]


def _each_of_three(s: StratumStatistics) -> Sequence[OneOfThree]:
    return tuple(
        (found, name, variance)
        for found in _of(Further.THREE_METHODS)(s)
        for name, variance in zip(found.names, found.variances, strict=True)
    )


THREE: Group[OneOfThree] = Group(
    _each_of_three,
    (
        Definition(
            "three_{n}", lambda x: "percent" if x[0].scale == "log" else "mass",
            lambda x: _as_sd(x[2]), "three", lambda x: {"name": x[1]}, _RIGHT,
            "Grubbs 1948; Weerahandi 1993",
        ),
    ),
)  # fmt: skip

_CLUSTERED = "Searle, Casella & McCulloch 1992, section 3.6; Satterthwaite 1946"
CLUSTERS: Group[Clustered] = Group(
    _of(Further.CLUSTERS),
    (
        Definition(
            "clusters", "count", lambda x: Number(float(x.clusters), n=x.n), places=_LEFT,
            source="counted",
        ),
        Definition(
            "pairs_effective", "number", lambda x: Number(x.effective, n=x.n), places=_LEFT,
            source=_CLUSTERED, decimals=1,
        ),
        Definition(
            "intracluster_correlation", "number", lambda x: x.correlation, places=_LEFT,
            source=_CLUSTERED, decimals=2,
        ),
    ),
)  # fmt: skip

_POOLED_PARTLY = "Searle, Casella & McCulloch 1992, section 3.9; Iyer, Wang & Mathew 2004"
PARTLY_POOLED: Group[PartlyPooled] = Group(
    _of(Further.PARTLY_POOLED),
    (
        Definition(
            "beside_like_bias", "percent", lambda x: x.seen, places=_RIGHT,
            source=_POOLED_PARTLY, signed=True,
        ),
        Definition(
            "beside_like_own", "percent", lambda x: x.own, places=_RIGHT, source=_POOLED_PARTLY,
            signed=True,
        ),
        Definition(
            "beside_like_common", "percent", lambda x: x.common, places=_RIGHT,
            source=_POOLED_PARTLY, signed=True,
        ),
        Definition(
            "beside_like_spread", "percent", lambda x: x.between, places=_RIGHT,
            source=_POOLED_PARTLY,
        ),
        Definition(
            "beside_like_gain", "number", lambda x: Number(x.gain, n=x.pairs), places=_RIGHT,
            source=_POOLED_PARTLY, decimals=1,
        ),
    ),
)  # fmt: skip

#: All of them, in the order in which the files list them.
FURTHER = (
    DIFFERENCE, ERRORS, STRUCTURE, YORK, LOG_CONCORDANCE, LEVEL_TESTS, LEVEL_LIMITS, WITHOUT,
    QUALITY, DETECTION, CENSORED, _median_km("lab"), _median_ros("lab"), _median_km("field"),
    _median_ros("field"), SCATTER, POOLING, THREE, CLUSTERS,
    PARTLY_POOLED,
)  # fmt: skip
