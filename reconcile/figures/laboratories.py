"""Laboratory against laboratory; certificates of one, and operators, against each other."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable

import numpy as np
import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.laboratories import (
    CERTIFICATES,
    OPERATORS,
    BetweenLaboratories,
    GroupMean,
    GroupShifts,
)
from reconcile.base.model.account import Finding
from reconcile.base.model.stratum import Stratum
from reconcile.base.settings.thresholds import Thresholds
from reconcile.base.settings.whole import Settings
from reconcile.figures.evaluation import Evaluated
from reconcile.pairs.laboratories import Shared
from reconcile.statistics import agreement, bias
from reconcile.statistics.one_way import one_way, trend
from reconcile.statistics.result import Estimate, not_estimable

#: Fewest pairs of a certificate or an operator that is held against the others.
FEWEST = 3
_DAYS = 30.0
_SECONDS_OF_DAY = 86_400.0


def compare(shared: Iterable[Shared], settings: Settings) -> tuple[BetweenLaboratories, ...]:
    """Bias, limits of agreement and share of every two laboratories, element by element."""
    return tuple(_compared(each, settings) for each in shared)


def _compared(shared: Shared, settings: Settings) -> BetweenLaboratories:
    t = settings.thresholds
    level = t.confidence
    whole = shared.values.dropna()
    first, second = whole["first"].to_numpy("float64"), whole["second"].to_numpy("float64")
    element = settings.of(shared.element)
    margin = (element.margin if element else None) or t.bias_margin
    limits = agreement.limits_of_agreement(first, second, "log ratio", level)
    equal = bias.equivalence_ratio(first, second, margin, t.equivalence_alpha)
    stands = [name.casefold() for name in settings.lab.stands]
    return BetweenLaboratories(
        shared.element, shared.first, shared.second, shared.moisture_basis,
        shared.first.laboratory.casefold() in stands, len(whole),
        len(shared.values) - len(whole),
        bias.geometric_mean_ratio(first, second, level),
        bias.mean_difference(first, second, level), limits.lower, limits.upper,
        agreement.share_within(first, second, t.share_margin, level), t.share_margin, margin,
        bool(equal.equivalent), equal.low > 1 + margin or equal.high < 1 / (1 + margin),
    )  # fmt: skip


def findings_between(found: Iterable[BetweenLaboratories]) -> tuple[Finding, ...]:
    """One finding per element of which two laboratories are shown to differ too much."""
    return tuple(
        Finding(
            "quality", "serious", f"{x.element}, {x.first.laboratory} and {x.second.laboratory}",
            f"{x.second.text} reads {x.element} {x.ratio.value - 1:+.1%} against {x.first.text} "
            f"({x.ratio.level:.0%} interval {x.ratio.low - 1:+.1%} to {x.ratio.high - 1:+.1%}, "
            f"n {x.n}): beyond the agreed ±{x.margin:.0%}.",
            advice="One of the two laboratories is wrong here; ask both for their reference "
            "materials. A verdict rests on the laboratory of its stratum alone.",
            code=FindingCode.LABORATORIES_DIFFER,
        )
        for x in found
        if x.beyond
    )  # fmt: skip


# ---- certificates of one laboratory, operators of one instrument ---------------------------


def group_shifts(
    evaluated: Iterable[tuple[Stratum, Evaluated]], thresholds: Thresholds
) -> tuple[GroupShifts, ...]:
    """Of every stratum with two certificates, or two operators, whether these read differently."""
    found = (
        _shifts(kind, stratum, e, thresholds)
        for stratum, e in evaluated
        for kind in (CERTIFICATES, OPERATORS)
    )
    return tuple(each for each in found if each is not None)


#: By kind of group: column of the pairs, its settings of level and size.
_COLUMN = {CERTIFICATES: "certificate", OPERATORS: "operator"}


def _agreed(kind: str, t: Thresholds) -> tuple[float, float]:
    if kind == CERTIFICATES:
        return t.certificate_level, t.certificate_size
    return t.operator_level, t.operator_size


def _shifts(kind: str, stratum: Stratum, e: Evaluated, t: Thresholds) -> GroupShifts | None:
    if _COLUMN[kind] not in e.pairs:
        return None
    places, names = _single(e.used, _COLUMN[kind])
    if len({*names}) < 2:
        return None
    lab, field = (e.used[name].to_numpy("float64")[places] for name in ("lab_mean", "field_mean"))
    relative = e.statistics.difference_scale == "log ratio"
    with np.errstate(all="ignore"):
        moved = np.log(lab / field) if relative else lab - field
    moved = moved if kind == CERTIFICATES else -moved
    tested = one_way(moved, names, t.confidence)
    if tested.reason:
        return None
    days = np.full(len(places), math.nan)
    if kind == CERTIFICATES:
        days = _days(e.used["lab_time"].iloc[places])
    slope, p_slope = trend(moved, days, _DAYS, t.confidence)
    last: dict[str, float] = {}
    for name, day in zip(names, days.tolist(), strict=True):
        last[name] = day if math.isnan(last.get(name, math.nan)) else max(last[name], day)
    means = sorted(
        (
            GroupMean(g.name, _day(last[g.name]), g.n, _shown(g.shift, relative))
            for g in tested.groups
        ),
        key=lambda m: (m.day, m.name),
    )
    level, size = _agreed(kind, t)
    size *= 1.0 if relative else float(np.median(lab))
    clear = tested.p_value < level and any(abs(m.shift.value) >= size for m in means)
    return GroupShifts(
        kind, stratum.key, stratum.label,
        stratum.laboratory if kind == CERTIFICATES else stratum.read_by.instrument,
        relative, tuple(means), tested.p_value, _shown(slope, relative), p_slope,
        clear or (p_slope < level and abs(_shown(slope, relative).value) >= size),
    )  # fmt: skip


def _single(used: pd.DataFrame, column: str) -> tuple[list[int], list[str]]:
    """Places of pairs of one certificate or operator, of such with enough of them; their names."""
    each = [str(many[0]) if len(many) == 1 else None for many in used[column].tolist()]
    count = Counter(each)
    enough = [
        (place, name)
        for place, name in enumerate(each)
        if name is not None and count[name] >= FEWEST
    ]
    return [place for place, _ in enough], [name for _, name in enough]


def _days(times: pd.Series) -> np.ndarray:
    """Days since 1970; NaN where there is none."""
    moments = pd.to_datetime(times, utc=True)
    return np.array(
        [m.timestamp() / _SECONDS_OF_DAY if not pd.isna(m) else math.nan for m in moments]
    )


def _day(days: float) -> str:
    if not math.isfinite(days):
        return ""
    return pd.Timestamp(days * _SECONDS_OF_DAY, unit="s", tz="UTC").date().isoformat()


def _shown(e: Estimate, relative: bool) -> Estimate:
    """A shift of logarithms as a fraction."""
    if not (relative and e.estimable):
        return e
    if not max(abs(e.value), abs(e.low), abs(e.high)) < 700:
        return not_estimable(e.n, "the ratios differ too much", e.method, e.level)
    value = math.expm1(e.value)
    return Estimate(
        value, (1 + value) * e.se, math.expm1(e.low), math.expm1(e.high), e.n, e.level, e.method,
        e.reason,
    )  # fmt: skip


def findings_of_groups(found: Iterable[GroupShifts]) -> tuple[Finding, ...]:
    """One finding per stratum whose certificates, or operators, are told to differ."""
    return tuple(_finding(x) for x in found if x.told)


_ADVICE = {
    CERTIFICATES: "Look at the reference materials of these certificates and at the field's drift "
    "of those days: one of the two moved. Ask for check assays of the certificate that stands "
    "apart.",
    OPERATORS: "Let both read the same samples and the same control; look at window, pressure, "
    "time and place of reading. Operators that read different material differ for that alone.",
}
_CODE = {
    CERTIFICATES: FindingCode.CERTIFICATES_SHIFT,
    OPERATORS: FindingCode.OPERATORS_DIFFER,
}


def _finding(x: GroupShifts) -> Finding:
    far = max(x.means, key=lambda m: abs(m.shift.value))

    def said(value: float) -> str:
        return f"{value:+.1%}" if x.relative else f"{value:+.4g} mg/kg"

    date = ""
    if x.by_date.estimable:
        date = f"; by date {said(x.by_date.value)} in {_DAYS:g} days (p {x.p_by_date:.2g})"
    against = (
        f"the certificates of {x.of or 'the laboratory'} do not read alike against the field"
        if x.kind == CERTIFICATES
        else "the operators do not read alike against the laboratory"
    )
    return Finding(
        "quality", "warning", x.stratum,
        f"{x.label}: {against}: {far.name} {said(far.shift.value)} against the others "
        f"({far.shift.level:.0%} interval {said(far.shift.low)} to {said(far.shift.high)}, "
        f"n {far.n}); p of no difference {x.p_value:.2g}, {len(x.means)} {x.kind}{date}.",
        advice=_ADVICE[x.kind], code=_CODE[x.kind], strata=(x.stratum,),
    )  # fmt: skip
