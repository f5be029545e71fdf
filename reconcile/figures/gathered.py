"""The evidence of a stratum: this month's pairs and those of earlier months, nothing twice."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from reconcile.base.model import (
    PAIR_COLUMNS,
    Beginning,
    Begun,
    Evidence,
    EvidenceMonth,
    Stratum,
)
from reconcile.base.reasons import CENSORED
from reconcile.base.settings import EvidenceEvent, EvidenceSettings, Settings
from reconcile.figures.evaluation import Array, Evaluated, LabError, evaluate, levels_of
from reconcile.intake.workspace import is_month
from reconcile.pairs.earlier import LABORATORY, NUMBERS, TIMES, EarlierMonth, nearest
from reconcile.statistics.months import AssumedSpread, MonthsModel, months_model
from reconcile.statistics.result import Estimate, not_estimable

MONTH = "month"  # column of a gathered table: the period of each pair


@dataclass(frozen=True, slots=True)
class Gathered:
    """One stratum's evidence: all its pairs with the column MONTH, and what they say together."""

    evaluated: Evaluated
    months: tuple[tuple[str, str], ...]  # period and release id, oldest first; the own one last
    begun: Begun
    again: int  # pairs that another month counts

    @property
    def month_of_used(self) -> list[str]:
        """The period of each used pair."""
        used = self.evaluated.used
        return (
            used[MONTH].astype("str").tolist()
            if MONTH in used
            else [self.months[-1][0]] * len(used)
        )


def gather(
    stratum: Stratum,
    own: Evaluated,
    period: str,
    earlier: Sequence[EarlierMonth],
    lab_error: LabError | None,
    settings: Settings,
) -> Gathered:
    """The evidence of a stratum, evaluated as a whole where it is more than the month's own."""
    if not (settings.evidence.gather and is_month(period)):
        return Gathered(own, ((period, ""),), Begun(Beginning.ALONE), 0)
    counted, begun = _counted(stratum, period, earlier, settings.evidence)
    parts = [
        (m, rows) for m in counted if len(rows := m.pairs.loc[m.pairs["stratum"].eq(stratum.key)])
    ]
    frames = [_plain(rows).assign(**{MONTH: m.period}) for m, rows in parts]
    everything = pd.concat(
        [*frames, _plain(own.pairs).assign(**{MONTH: period})], ignore_index=True
    )
    kept = _each_sample_once(everything)
    present = set(kept[MONTH])
    if not parts or present == {period}:
        why = begun if begun.why is not Beginning.ALL else _first(stratum, earlier)
        mine = replace(own, pairs=own.pairs.assign(**{MONTH: period}))
        return Gathered(mine, ((period, ""),), why, len(everything) - len(kept))
    months = (*((m.period, m.release_id) for m, _ in parts), (period, ""))
    return Gathered(
        evaluate(stratum, kept, lab_error, settings, shown=False),
        tuple(m for m in months if m[0] in present or not m[1]),
        begun,
        len(everything) - len(kept),
    )


def _counted(
    stratum: Stratum, period: str, earlier: Sequence[EarlierMonth], settings: EvidenceSettings
) -> tuple[list[EarlierMonth], Begun]:
    """The earlier months that may count, and what ends them on the early side."""
    events = sorted(
        (e for e in settings.begins if _concerns(e, stratum) and e.on.strftime("%Y-%m") <= period),
        key=lambda e: (e.on, e.what),
    )
    if events:
        last = events[-1]
        first = last.on.strftime("%Y-%m")
        if settings.not_before is None or last.on >= settings.not_before:
            counted = [m for m in earlier if m.period >= first]
            return counted, Begun(Beginning.EVENT, f"{last.what}, {last.on.isoformat()}")
    if settings.not_before is not None:
        return list(earlier), Begun(Beginning.NOT_BEFORE, settings.not_before.isoformat())
    if len({m.period for m in earlier}) >= settings.months_back:
        return list(earlier), Begun(Beginning.WINDOW, str(settings.months_back))
    return list(earlier), Begun(Beginning.ALL)


def _concerns(event: EvidenceEvent, stratum: Stratum) -> bool:
    named = (
        (event.technique, stratum.technique), (event.instrument, stratum.read_by.instrument),
        (event.element, stratum.element),
    )  # fmt: skip
    return all(not asked or asked == found for asked, found in named)


def _first(stratum: Stratum, earlier: Sequence[EarlierMonth]) -> Begun:
    last, differing = nearest(stratum, earlier)
    if not last or not differing:
        return Begun(Beginning.FIRST)
    if differing == (LABORATORY,) and not any(
        facts[LABORATORY] for m in earlier if m.period == last for facts in m.strata
    ):
        return Begun(Beginning.UNNAMED, last=last)
    return Begun(Beginning.OTHER_KEY, last=last, differing=differing)


def _plain(pairs: pd.DataFrame) -> pd.DataFrame:
    """PAIR_COLUMNS as plain kinds of columns, the same whether read now or from a release."""
    made: dict[str, Any] = {}
    for name in PAIR_COLUMNS:
        values = pairs[name]
        if name in NUMBERS:
            made[name] = values.to_numpy("float64", na_value=math.nan)
        elif name in TIMES:
            made[name] = pd.to_datetime(values, utc=True)
        elif name == "used":
            made[name] = values.to_numpy(bool)
        elif name == "certificate":
            made[name] = values.astype(object)
        else:
            made[name] = values.astype("str").astype(object)
    return pd.DataFrame(made)


def _each_sample_once(pairs: pd.DataFrame) -> pd.DataFrame:
    """Each sample once: where it is used, the latest month of these; else the latest month."""
    best = pairs.assign(_place=range(len(pairs)), _used=pairs["used"].astype(bool))
    best = best.sort_values(["_used", MONTH, "_place"], ascending=False, kind="stable")
    places = best.drop_duplicates("sample_id")["_place"].sort_values().to_numpy()
    return pairs.iloc[places].reset_index(drop=True)


# ---- bias over months ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Scaled:
    """The bias over months and the scale on which it was found."""

    model: MonthsModel
    logs: bool
    at: float  # mg/kg; NaN for ratios

    def fraction(self, e: Estimate) -> Estimate:
        """A bias of the working scale as a fraction."""
        if not e.estimable:
            return e
        value, low, high = (self.to_fraction(v) for v in (e.value, e.low, e.high))
        se = e.se * (1 + value) if self.logs else e.se / self.at
        return Estimate(value, se, low, high, e.n, e.level, e.method, e.reason)

    def to_fraction(self, value: float) -> float:
        """One bias of the working scale as a fraction."""
        if self.logs:
            return math.expm1(value) if value < 700 else math.inf
        return value / self.at

    def limits(self, margin: float) -> tuple[float, float]:
        """Lowest and highest bias of the working scale that a margin allows."""
        if self.logs:
            return -math.log1p(margin), math.log1p(margin)
        return self.at / (1 + margin) - self.at, self.at * margin

    def span(self, span: float) -> tuple[float, float]:
        """Lowest and highest error of a sample that limits of agreement within ``span`` allow."""
        most = math.log1p(span) if self.logs else self.at * span
        return -most, most

    def spread(self, e: Estimate) -> Estimate:
        """An SD of the working scale as a fraction."""
        if not e.estimable or self.logs:
            return e
        a = self.at
        return Estimate(e.value / a, e.se, e.low / a, e.high / a, e.n, e.level, e.method, e.reason)


def over_months(
    stratum: Stratum, evaluated: Evaluated, settings: Settings, field: Array | None = None
) -> Scaled:
    """The bias over months of the used pairs, which name theirs in the column MONTH.

    ``field``: other values of these pairs, as corrected.

    On the scale that the evidence leads with. A difference is judged at the decision level
    within the range that lies nearest the middle laboratory value, else at that value.
    """
    used, s = evaluated.used, settings.evidence
    lab = used["lab_mean"].to_numpy("float64")
    read = used["field_mean"].to_numpy("float64") if field is None else field
    logs = evaluated.statistics.difference_scale == "log ratio"
    at = math.nan
    margin = evaluated.margin
    if logs:
        with np.errstate(all="ignore"):
            bias, allowed = np.log(read / lab), math.log1p(margin)
    else:
        at = _content(lab, [value for _, value in levels_of(stratum, settings)])
        bias, allowed = read - lab, margin * at
    assumed = None
    if allowed > 0 and math.isfinite(allowed):
        assumed = AssumedSpread(s.assumed_spread * allowed, s.assumed_months)
    model = months_model(
        bias,
        used[MONTH].astype("str").tolist(),
        level=settings.thresholds.confidence,
        assumed=assumed,
    )
    return Scaled(model, logs, at)


def _content(lab: Array, levels: list[float]) -> float:
    if not lab.size:
        return math.nan
    middle = float(np.median(lab))
    inside = [v for v in levels if float(lab.min()) <= v <= float(lab.max())]
    return min(inside, key=lambda v: abs(v - middle), default=middle)


def evidence_of(stratum: Stratum, gathered: Gathered, settings: Settings) -> Evidence | None:
    """What the report says of the months behind a stratum; None where months mean nothing."""
    if MONTH not in gathered.evaluated.pairs:
        return None
    scaled = over_months(stratum, gathered.evaluated, settings)
    model = scaled.model
    periods = gathered.month_of_used
    order = list(dict.fromkeys(periods))
    found = dict(zip(order, model.by_month, strict=False)) if not model.reason else {}
    none = not_estimable(0, model.reason or "no pair that counts")
    months = []
    for period, release_id in gathered.months:
        one = found.get(period)
        raw, seen = (one.raw, one.seen) if one is not None else (none, none)
        months.append(
            EvidenceMonth(
                period, release_id, periods.count(period), scaled.fraction(raw),
                scaled.fraction(seen),
            )
        )  # fmt: skip
    pairs = gathered.evaluated.pairs
    sd = model.assumed.sd if model.assumed is not None else math.nan
    return Evidence(
        tuple(months), gathered.begun, "log ratio" if scaled.logs else "absolute", scaled.at,
        scaled.fraction(model.long_run), scaled.spread(model.between),
        scaled.fraction(model.coming), scaled.fraction(model.coming_sample),
        sd if scaled.logs else sd / scaled.at, settings.evidence.assumed_months, gathered.again,
        int(pairs["reason_code"].isin(CENSORED).sum()), model.reason,
    )  # fmt: skip
