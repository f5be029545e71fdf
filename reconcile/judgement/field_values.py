"""One field mean with its key, and its correction by an approved factor of that key.

A value is corrected only by an approved factor of its own key, inside the factor's range
and dates. Whatever is not corrected says why in flags.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from reconcile.base.grades import Place
from reconcile.base.methods import FieldMethod, alike
from reconcile.base.model.stratum import Stratum
from reconcile.base.model.verdict import APPROVED
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence import eligibility
from reconcile.judgement import factor_proposal
from reconcile.judgement.factor_life import PROPOSED, Life
from reconcile.pairs import pair_strata, sides
from reconcile.pairs.averaging import Means
from reconcile.statistics.equality import equal_with_nan
from reconcile.store.database import Store
from reconcile.store.statements import sql


@equal_with_nan
@dataclass(frozen=True, slots=True)
class FieldMean:
    """One sample's field mean of one element, with its key; mg/kg."""

    sample_id: str
    element: str
    read_by: FieldMethod
    matrix: str
    specimen_form: str
    moisture_basis: str
    first_day: str  # ISO date of the first reading, in the workspace's zone; "" where unknown
    last_day: str  # of the last reading; "" where any reading has no time
    spots: int  # spots, or readings where there is one spot
    qualifier: str  # "" quantified, "<", ">", "~" some readings below their limit
    low: float  # bounds of the mean, equal where quantified
    high: float
    interference: str = ""  # what overlaps, with its evidence
    se: float = math.nan  # of the mean, by its own spots; NaN where one, or not quantified
    place: Place | None = None  # of a part; None: the whole sample
    ordered: str = ""  # the grade that the place should be
    lot: str = ""  # hole, batch, heat or area, as the table has it
    operators: tuple[str, ...] = ()  # who read
    one_spot: bool = False  # ``spots`` are then shots or readings of one spot

    @property
    def field_method(self) -> str:
        """The method as shown."""
        return self.read_by.text


class FlagKind(StrEnum):
    """Why a value stays as it is."""

    CENSORED = "censored"
    NO_VALUE = "no value"
    INTERFERENCE = "interference"
    NO_TIME = "no time of measurement"
    OUTSIDE = "outside the range"
    NOT_ESTIMABLE = "not estimable"
    NO_FACTOR = "no factor"
    NOT_APPROVED = "not approved"
    SUPERSEDED = "superseded"
    EXPIRED = "expired"
    WITHDRAWN = "withdrawn"
    SEVERAL = "more than one factor fits"
    NO_DATES = "the factor has no dates"
    TOO_EARLY = "before the factor"
    TECHNIQUE = "other technique"
    INSTRUMENT = "other instrument"
    CALIBRATION = "other calibration"
    FIELD_METHOD = "other field method"
    MATRIX = "other matrix"
    SPECIMEN_FORM = "other specimen form"
    MOISTURE = "other moisture basis"


@dataclass(frozen=True, slots=True)
class Flag:
    """Why a value stays as it is, and of what that speaks."""

    kind: FlagKind
    what: str = ""

    @property
    def text(self) -> str:
        """The flag as shown."""
        return f"{self.kind}: {self.what}" if self.what else str(self.kind)


@equal_with_nan
@dataclass(frozen=True, slots=True)
class Corrected:
    """What became of one field mean; mg/kg. ``corrected`` is NaN where a flag stands."""

    raw: FieldMean
    corrected: float = math.nan
    expanded_uncertainty: float = math.nan  # k = 2
    low: float = math.nan  # interval in which the laboratory's result is expected, about 95 %
    high: float = math.nan
    factor_id: str = ""
    basis: str = ""
    form: str = ""
    flags: tuple[Flag, ...] = ()


# ---- one value ------------------------------------------------------------------------


def correct_mean(value: FieldMean, lives: Iterable[Life], lab_method: str = "") -> Corrected:
    """Correct one field mean, or say in flags why it stays as it is.

    ``lab_method`` chooses among factors to several laboratory methods.
    """
    flags: list[Flag] = []
    if value.qualifier:
        flags.append(Flag(FlagKind.CENSORED, "the value is known between its limits only"))
    elif not (math.isfinite(value.low) and value.low == value.high):
        flags.append(Flag(FlagKind.NO_VALUE))
    if value.interference:
        flags.append(Flag(FlagKind.INTERFERENCE, value.interference))
    if not value.first_day or not value.last_day:
        flags.append(Flag(FlagKind.NO_TIME, "whether a factor is in force can't be judged"))
    life, why = _factor_for(value, lives, lab_method)
    flags += why
    if life is None:
        return Corrected(value, flags=tuple(flags))
    factor = life.factor
    if not value.qualifier and not factor.low <= value.low <= factor.high:
        flags.append(
            Flag(
                FlagKind.OUTSIDE,
                f"{factor.low:.6g} to {factor.high:.6g} mg/kg of {factor.factor_id}",
            )
        )
    if flags:
        return Corrected(value, flags=tuple(flags))
    field = np.array([value.low])
    corrected, inside = factor_proposal.correct(factor, field)
    spread = factor_proposal.standard_uncertainty(factor, field, np.array([float(value.spots)]))
    if not inside[0] or not np.isfinite(corrected[0]) or not np.isfinite(spread[0]):
        return Corrected(
            value, flags=(Flag(FlagKind.NOT_ESTIMABLE, "the factor gives no finite value"),)
        )
    low, high = factor_proposal.interval(factor, corrected, spread)
    return Corrected(
        value, float(corrected[0]), factor_proposal.COVERAGE * float(spread[0]),
        float(low[0]), float(high[0]), factor.factor_id, factor.basis, factor.form,
    )  # fmt: skip


def _factor_for(
    value: FieldMean, lives: Iterable[Life], lab_method: str
) -> tuple[Life | None, list[Flag]]:
    """The one factor that may correct the value, or the flags that say why there is none."""
    same = [
        life
        for life in lives
        if life.factor.stratum.element == value.element
        and lab_method in ("", *_names(life.factor.stratum))
    ]
    if not same:
        return None, [Flag(FlagKind.NO_FACTOR, "none of this element is in the record")]
    apart = [(differences(value, life.factor.stratum), life) for life in same]
    matching = [life for found, life in apart if not found]
    if not matching:
        fewest = min(len(found) for found, _ in apart)
        return None, list(next(found for found, _ in apart if len(found) == fewest))
    approved = [life for life in matching if life.state == APPROVED]
    if not approved:
        newest = max(matching, key=lambda x: (x.state == PROPOSED, x.period, x.revision))
        kind = FlagKind.NOT_APPROVED if newest.state == PROPOSED else FlagKind(newest.state)
        return None, [Flag(kind, newest.factor.factor_id)]
    inside = [life for life in approved if _out_of_date(value, life) is None]
    if not inside:
        dated = _out_of_date(value, max(approved, key=lambda x: (x.period, x.revision)))
        return None, [] if dated is None else [dated]
    if len(inside) > 1:
        names = ", ".join(sorted(life.factor.factor_id for life in inside))
        return None, [Flag(FlagKind.SEVERAL, names)]
    return inside[0], []


def _names(stratum: Stratum) -> tuple[str, str]:
    """How a person may name the laboratory's method: with the laboratory or without."""
    return stratum.lab_method, stratum.determined_by.anywhere.text


def _out_of_date(value: FieldMean, life: Life) -> Flag | None:
    factor = life.factor
    if not factor.valid_from or not factor.valid_until:
        return Flag(FlagKind.NO_DATES, factor.factor_id)
    if value.last_day and value.last_day > factor.valid_until:
        what = f"{factor.factor_id} stood until {factor.valid_until}"
        return Flag(FlagKind.EXPIRED, what)
    if value.first_day and value.first_day < factor.valid_from:
        what = f"{factor.factor_id} stands from {factor.valid_from}"
        return Flag(FlagKind.TOO_EARLY, what)
    return None


def differences(value: FieldMean, stratum: Stratum) -> tuple[Flag, ...]:
    """In what the key of a value differs from that of a factor; empty where in nothing.

    The pair type and the laboratory belong to the comparison, not to a field value. A
    factor over pooled instruments or forms fits no single one of them.
    """
    found: list[Flag] = []
    ours, theirs = value.read_by, stratum.read_by
    if not alike(ours, theirs):
        pairs = [
            (FlagKind.TECHNIQUE, ours.technique, theirs.technique),
            (FlagKind.INSTRUMENT, ours.instrument, theirs.instrument),
            (FlagKind.CALIBRATION, ours.calibration, theirs.calibration),
        ]
        parts = [Flag(kind, f"{a}, the factor's is {b}") for kind, a, b in pairs if a != b]
        stated = all(a and b for _, a, b in pairs) and ours.heading == theirs.heading
        found += (
            parts
            if stated
            else [Flag(FlagKind.FIELD_METHOD, f"{ours.text}, the factor's is {theirs.text or '-'}")]
        )
    for kind, ours_, theirs_ in (
        (FlagKind.MATRIX, value.matrix, stratum.matrix),
        (FlagKind.SPECIMEN_FORM, value.specimen_form, stratum.specimen_form),
    ):
        if ours_ != theirs_:
            found.append(Flag(kind, f"{ours_ or 'not stated'}, the factor's is {theirs_ or '-'}"))
    basis = value.moisture_basis
    if basis != stratum.moisture.field:
        found.append(
            Flag(
                FlagKind.MOISTURE,
                f"{basis or 'not stated'}, the factor's is {stratum.moisture_basis or '-'}",
            )
        )
    return tuple(found)


# ---- the means of a run -----------------------------------------------------------------


def field_means(
    store: Store, keys: Iterable[sides.Key], thresholds: Thresholds, zone: str
) -> list[FieldMean]:
    """Every field mean of the run's samples for these analytes; mg/kg.

    The run's rows must have their dispositions (``pairing.place_rows``).
    """
    side = sides.Side(store, "field")
    samples = store.frame(sql("field_values.samples")).to_dict("records")
    overlapped = overlaps(store, side, thresholds)
    return [
        value
        for key in keys
        for value in values_of(key, side.of(key), samples, overlapped, ZoneInfo(zone))
    ]


def overlaps(store: Store, side: sides.Side, thresholds: Thresholds) -> dict[str, str]:
    """By sample, what overlaps its arsenic, with the evidence."""
    overlap = eligibility.lead_on_arsenic(
        store, side, sides.keys_of(store, "field", ()), thresholds
    )
    return dict(zip(overlap["sample_id"], overlap["evidence"], strict=True))


def values_of(
    key: sides.Key,
    means: Means,
    samples: Sequence[Mapping[Any, Any]],
    overlapped: Mapping[str, str],
    zone: ZoneInfo,
) -> Iterable[FieldMean]:
    """The means of one analyte with the facts of their samples, in the same order."""
    for i, row in enumerate(samples):
        n, censored = int(means.n[i]), int(means.censored[i])
        if not n:
            continue
        low, high = float(means.low[i]), float(means.high[i])
        qualifier = (
            "" if not censored else ">" if math.isinf(high) else "<" if censored == n else "~"
        )
        parts = [_text(row[name]) for name in ("technique", "instrument", "calibration")]
        spots = int(means.spots[i])
        yield FieldMean(
            _text(row["sample_id"]),
            key.element,
            pair_strata.field_method(key, *parts),
            _text(row["matrix"]),
            _text(row["specimen_form"]),
            _text(row["moisture_basis"]),
            _day(row["field_time"], zone),
            "" if int(row["untimed"]) else _day(row["last_time"], zone),
            spots if spots >= 2 else n,
            qualifier,
            low,
            high,
            overlapped.get(_text(row["sample_id"]), "") if key.element == "As" else "",
            float(means.se[i]),
            row.get("at_place"),
            _text(row.get("ordered")),
            _text(row.get("group")),
            tuple(text for name in row.get("operator", ()) if (text := _text(name))),
            spots < 2,
        )


def _text(value: Any) -> str:
    return "" if value is None or value != value else str(value)


def _day(value: Any, zone: ZoneInfo) -> str:
    if value is None or pd.isna(value):
        return ""
    moment = pd.Timestamp(value).to_pydatetime()
    assert isinstance(moment, datetime)
    return moment.replace(tzinfo=UTC).astimezone(zone).date().isoformat()
