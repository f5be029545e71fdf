"""Figures of the pairs as they are: counts and ranges, bias, agreement, decision levels."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from reconcile.base.model.figures import StratumStatistics
from reconcile.base.model.stratum import LevelBias
from reconcile.figures.definition import Definition, Group, Kind, Number, Place, Side
from reconcile.reporting import words
from reconcile.statistics import agreement, bias
from reconcile.statistics.agreement import LimitsOfAgreement
from reconcile.statistics.result import Estimate

COUNTED = "counted"
BLAND = "Bland & Altman 1986, 1999; Carkeet 2015"
LIN = "Lin 1989, 2000"
CLOPPER = "Clopper & Pearson 1934"
SCHUIRMANN = "Schuirmann 1987"

Stratum = Definition[StratumStatistics]


def left(at: int) -> tuple[Place, ...]:
    """The left table of the page."""
    return (Place(Side.LEFT, at),)


def right(at: int) -> tuple[Place, ...]:
    """The right table of the page."""
    return (Place(Side.RIGHT, at),)


def _count(code: str, of: Callable[[StratumStatistics], int]) -> Stratum:
    return Stratum(code, "count", lambda s: Number(float(of(s)), n=int(s.n_pairs)), source=COUNTED)


def _end(code: str, of: Callable[[StratumStatistics], float]) -> Stratum:
    return Stratum(code, "mass", lambda s: Number(float(of(s)), n=int(s.n_used)), source=COUNTED)


def _minus_one(found: Estimate) -> Number:
    """A ratio as a relative difference: 1.12 becomes 12 %."""
    number = Number.of(found)
    return replace(number, value=number.value - 1, low=number.low - 1, high=number.high - 1)


def _equivalence_kind(s: StratumStatistics) -> Kind:
    return "ratio" if s.bias.equivalence.scale == "ratio" else "mass"


def _equivalence_bias(s: StratumStatistics) -> Number:
    e = s.bias.equivalence
    return Number(
        float(e.estimate.value), float(e.low), float(e.high), n=int(e.n),
        level=1 - 2 * float(e.alpha), reason=e.reason,
    )  # fmt: skip


def _equivalence_p(s: StratumStatistics) -> Number:
    e = s.bias.equivalence
    return Number(float(e.p_value), n=int(e.n), reason=e.reason)


_BIAS: tuple[Stratum, ...] = (
    Stratum(
        "geometric_mean_ratio", "ratio", lambda s: s.bias.geometric_mean_ratio,
        places=left(10), source="t interval of the logarithms",
    ),
    Stratum(
        "ratio_as_difference", "percent", lambda s: _minus_one(s.bias.geometric_mean_ratio),
        places=left(20), source="t interval of the logarithms", signed=True,
    ),
    Stratum(
        "mean_relative_difference", "percent",
        compute=lambda x: bias.mean_relative_difference(x.lab, x.field, x.level),
        places=left(40), source="t interval", signed=True,
    ),
    Stratum(
        "mean_difference", "mass", lambda s: s.bias.mean_difference,
        places=left(50), source="t interval", signed=True,
    ),
    Stratum(
        "hodges_lehmann", "mass",
        compute=lambda x: bias.hodges_lehmann(x.lab, x.field, x.level),
        places=left(60), source="Hodges & Lehmann 1963; Hollander & Wolfe 1999", signed=True,
    ),
    Stratum(
        "censored_ratio", "ratio", lambda s: s.bias.censored_ratio,
        places=left(30), source="Lyles, Williams & Chuachoowong 2001",
    ),
    Stratum(
        "censored_ratio_as_difference", "percent",
        lambda s: None if s.bias.censored_ratio is None else _minus_one(s.bias.censored_ratio),
        source="Lyles, Williams & Chuachoowong 2001", signed=True,
    ),
    Stratum(
        "equivalence_bias", _equivalence_kind, _equivalence_bias, places=left(70),
        source=SCHUIRMANN,
    ),
    Stratum(
        "equivalence_margin",
        lambda s: "percent" if s.bias.equivalence.scale == "ratio" else "mass",
        lambda s: Number(float(s.bias.equivalence.margin)), source="the settings",
    ),
    Stratum("equivalence_p", "p", _equivalence_p, places=right(50), source=SCHUIRMANN),
    Stratum(
        "difference_p_adjusted", "p",
        lambda s: Number(float(s.bias.p_value_adjusted), n=int(s.n_used)),
        places=right(60), source="Benjamini & Hochberg 1995",
    ),
)  # fmt: skip


def _limits(
    scale: str, kind: Kind, at: int, leads: Callable[[StratumStatistics], tuple[bool, bool]]
) -> Iterator[Stratum]:
    """Bias, limits and tolerance interval on one scale; ``leads``: limits, tolerance shown."""
    code = f"limits_{scale}"

    def of(s: StratumStatistics) -> LimitsOfAgreement:
        return getattr(s.agreement, code)  # type: ignore[no-any-return]

    def number(part: str) -> Callable[[StratumStatistics], Number]:
        return lambda s: Number(float(getattr(of(s), part)), n=int(of(s).n), reason=of(s).reason)

    def shown(which: int, rank: int) -> Callable[[StratumStatistics], Sequence[Place]]:
        return lambda s: left(at + rank) if leads(s)[which] else ()

    def one(
        end: str,
        read: Callable[[StratumStatistics], Number | Estimate],
        label: str = "",
        kind: Kind = kind,
        places: Callable[[StratumStatistics], Sequence[Place]] = lambda _: (),
    ) -> Stratum:
        return Stratum(
            f"{code}_{end}", kind, read, f"limits_{label or end}",
            lambda _: {"scale": words.SCALES[scale]}, places, BLAND,
        )  # fmt: skip

    yield one("bias", lambda s: of(s).bias)
    yield one("lower", lambda s: of(s).lower, places=shown(0, 0))
    yield one("upper", lambda s: of(s).upper, places=shown(0, 1))
    ratio = kind == "ratio"
    yield one("sd", number("sd"), "sd_ratio" if ratio else "sd", "number" if ratio else kind)
    yield one("tolerance_low", number("tolerance_low"), places=shown(1, 2))
    yield one("tolerance_high", number("tolerance_high"))


def _by_ratio(s: StratumStatistics) -> bool:
    return s.difference_scale == "log ratio"


_LIMITS: tuple[Stratum, ...] = (
    *_limits("log_ratio", "ratio", 100, lambda s: (_by_ratio(s), _by_ratio(s))),
    *_limits("absolute", "mass", 110, lambda s: (True, not _by_ratio(s))),
    *_limits("relative", "percent", 120, lambda s: (not _by_ratio(s), False)),
    Stratum(
        "share_within", "percent",
        compute=lambda x: agreement.share_within(x.lab, x.field, x.share_margin, x.level),
        places=left(130), source=CLOPPER,
    ),
    Stratum(
        "share_margin", "percent", lambda s: Number(float(s.agreement.share_margin)),
        source="the settings",
    ),
)  # fmt: skip

#: Counts, ranges, bias and limits: the head of every stratum's figures.
PAIRS: Group[StratumStatistics] = Group(
    lambda s: (s,),
    (
        _count("pairs", lambda s: s.n_pairs),
        _count("pairs_used", lambda s: s.n_used),
        _count("pairs_excluded", lambda s: s.n_excluded),
        _count("field_censored", lambda s: s.censored.field),
        _count("lab_censored", lambda s: s.censored.lab),
        _count("both_censored", lambda s: s.censored.both),
        _end("lab_lowest", lambda s: s.lab_range[0]),
        _end("lab_highest", lambda s: s.lab_range[1]),
        _end("field_lowest", lambda s: s.field_range[0]),
        _end("field_highest", lambda s: s.field_range[1]),
        *_BIAS,
        *_LIMITS,
    ),
)


def _concordance(part: str, places: Sequence[Place] = (), decimals: int | None = None) -> Stratum:
    def read(s: StratumStatistics) -> Number:
        found = s.agreement.concordance
        return Number(float(getattr(found, part)), n=int(found.ccc.n))

    code = {"r": "precision", "c_b": "accuracy"}.get(part, part)
    return Stratum(
        f"concordance_{code}", "number", read, places=places, source=LIN, decimals=decimals
    )


def _correlation(code: str) -> Callable[[StratumStatistics], Number]:
    def read(s: StratumStatistics) -> Number:
        found = s.agreement.correlation
        return Number(float(getattr(found, code)), n=int(found.n))

    return read


#: How well one side follows the other.
FOLLOWING: Group[StratumStatistics] = Group(
    lambda s: (s,),
    (
        Stratum(
            "concordance", "number", lambda s: s.agreement.concordance.ccc,
            places=right(70), source=LIN, decimals=3,
        ),
        _concordance("r", decimals=3),
        _concordance("c_b", decimals=3),
        _concordance("location_shift"),
        _concordance("scale_shift"),
        Stratum(
            "correlation", "number", lambda s: s.agreement.correlation.r,
            places=right(80), source="product moment, jackknife", decimals=3,
        ),
        Stratum(
            "r_squared", "number", _correlation("r_squared"), source="product moment", decimals=3
        ),
        Stratum(
            "spearman", "number", _correlation("spearman"), places=right(90),
            source="Spearman 1904", decimals=3,
        ),
    ),
)  # fmt: skip

Numbered = tuple[int, LevelBias]


def _level(item: Numbered) -> dict[str, str]:
    n, level = item
    return {"level": level.name or words.UNNAMED_LEVEL.format(n=n)}


def _at_level(
    part: str,
    kind: Kind,
    read: Callable[[LevelBias], Number | Estimate],
    source: str,
    shown: bool = False,
) -> Definition[Numbered]:
    return Definition(
        f"level_{{n}}_{part}", kind, lambda item: read(item[1]), f"level_{part}", _level,
        right(100) if shown else (), source, signed=part == "bias",
    )  # fmt: skip


#: Bias and wrong calls at each decision level.
LEVELS: Group[Numbered] = Group(
    lambda s: tuple(enumerate(s.levels, start=1)),
    (
        _at_level("value", "mass", lambda x: Number(float(x.level)), "the settings"),
        _at_level("bias", "mass", lambda x: x.bias, "the line at the level", True),
        _at_level(
            "lab_above", "count", lambda x: Number(float(x.lab_above), n=int(x.bias.n)), COUNTED
        ),
        _at_level(
            "field_above", "count", lambda x: Number(float(x.field_above), n=int(x.bias.n)), COUNTED
        ),
        _at_level("false_negative", "percent", lambda x: x.false_negative, CLOPPER, True),
        _at_level("false_positive", "percent", lambda x: x.false_positive, CLOPPER, True),
    ),
)
