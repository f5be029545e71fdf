"""The evidence of a stratum: this month's pairs and those of earlier months, nothing twice."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from reconcile.base.model.months import Beginning, Begun, Evidence, EvidenceMonth, Watched
from reconcile.base.model.stratum import Stratum
from reconcile.base.reasons import CENSORED
from reconcile.base.settings.pairs import EvidenceEvent, EvidenceSettings
from reconcile.base.settings.whole import Settings
from reconcile.figures.evaluation import Evaluated, evaluate
from reconcile.figures.laboratory_error import LabError
from reconcile.figures.over_months import MONTH, Between, over_months
from reconcile.figures.watching import begins, watched
from reconcile.intake.workspace import is_month
from reconcile.pairs import repeats
from reconcile.pairs.earlier import LABORATORY, EarlierMonth, nearest, plain
from reconcile.statistics.result import not_estimable


@dataclass(frozen=True, slots=True)
class Gathered:
    """One stratum's evidence: all its pairs with the column MONTH, and what they say together."""

    evaluated: Evaluated
    months: tuple[tuple[str, str], ...]  # period and release id, oldest first; the own one last
    begun: Begun
    again: int  # pairs that another month counts
    watched: Watched | None = None

    @property
    def month_of_used(self) -> list[str]:
        """The period of each used pair."""
        used = self.evaluated.used
        return (
            [str(month) for month in used[MONTH].tolist()]
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
    since, begun = _counted(stratum, period, earlier, settings.evidence)
    parts = [(m, rows) for m in since if (rows := m.of(stratum.key)) is not None]
    frames = [rows.assign(**{MONTH: m.period}) for m, rows in parts]
    mine = plain(own.pairs).assign(**{MONTH: period})
    everything = pd.concat([*frames, mine], ignore_index=True)
    once = _each_once(everything, settings)
    seen = watched(stratum, once, settings, lab_error)
    first = max(_oldest(period, settings.evidence.months_back), begins(seen))
    if begins(seen) == first:
        begun = Begun(Beginning.MOVED, first)
    counted = [(m, f) for (m, _), f in zip(parts, frames, strict=True) if m.period >= first]
    kept = once
    if len(counted) < len(parts):
        everything = pd.concat([*(f for _, f in counted), mine], ignore_index=True)
        kept = _each_once(everything, settings)
    present = set(kept[MONTH].tolist())
    again = len(everything) - len(kept)
    if not counted or present == {period}:
        within = [m for m in earlier if m.period >= first]
        why = begun if begun.why is not Beginning.ALL else _first(stratum, within)
        alone = replace(own, pairs=own.pairs.assign(**{MONTH: period}))
        return Gathered(alone, ((period, ""),), why, again, seen)
    months = (*((m.period, m.release_id) for m, _ in counted), (period, ""))
    return Gathered(
        evaluate(stratum, kept, lab_error, settings, shown=False),
        tuple(m for m in months if m[0] in present or not m[1]), begun, again, seen,
    )  # fmt: skip


def _oldest(period: str, back: int) -> str:
    """The month so many before ``period``."""
    whole = 12 * int(period[:4]) + int(period[5:]) - 1 - back
    return f"{whole // 12:04d}-{whole % 12 + 1:02d}"


def _counted(
    stratum: Stratum, period: str, earlier: Sequence[EarlierMonth], settings: EvidenceSettings
) -> tuple[list[EarlierMonth], Begun]:
    """The earlier months to be looked at, and what ends those that count on the early side."""
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
    oldest = _oldest(period, settings.months_back)
    if len({m.period for m in earlier if m.period >= oldest}) >= settings.months_back:
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


def _each_once(pairs: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Each sample once, and of pairs that repeat one."""
    return repeats.counted_once(_each_sample_once(pairs), settings.pairs, MONTH)


def _each_sample_once(pairs: pd.DataFrame) -> pd.DataFrame:
    """Each sample once: where it is used, the latest month of these; else the latest month."""
    best: dict[str, tuple[tuple[bool, str], int]] = {}
    ranks = zip(pairs["used"].tolist(), pairs[MONTH].tolist(), strict=True)
    for place, (sample, rank) in enumerate(zip(pairs["sample_id"].tolist(), ranks, strict=True)):
        if sample not in best or rank >= best[sample][0]:
            best[sample] = rank, place
    if len(best) == len(pairs):
        return pairs
    return pairs.take(sorted(place for _, place in best.values())).reset_index(drop=True)


def spread_before(
    stratum: Stratum, gathered: Gathered, settings: Settings
) -> tuple[Between, bool] | None:
    """Variance between the months before the one in hand, and whether it is of logarithms.

    What the month in hand adds would hide what it is to be judged by. None where months mean
    nothing or nothing is assumed.
    """
    e = gathered.evaluated
    if MONTH not in e.pairs:
        return None
    before = e.pairs.loc[e.pairs[MONTH].lt(gathered.months[-1][0])]
    scaled = over_months(stratum, replace(e, pairs=before), settings)
    between = scaled.between()
    return (between, scaled.logs) if between is not None else None


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
        int(pairs["reason_code"].isin(CENSORED).sum()), model.reason, scaled.limited,
        gathered.watched,
    )  # fmt: skip
