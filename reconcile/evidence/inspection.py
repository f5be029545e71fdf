"""Readings and controls of a run held against the rules on how they were made.

Asks the store for every field reading, the instruments' days and the controls over time;
judging is the quality room's work. Everything here rests on the files that a release lists
as its inputs.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from reconcile.base.model.account import Finding
from reconcile.base.model.controls import ControlRecord
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence import control_results, quality
from reconcile.evidence.quality.bracketing import ONE_CHECK
from reconcile.pairs.sides import Key
from reconcile.store.database import Store
from reconcile.store.statements import sql


@dataclass(frozen=True, slots=True)
class Inspection:
    """What was found, and what the report shows of it."""

    findings: tuple[Finding, ...]
    record: ControlRecord


def inspect(
    store: Store,
    keys: Mapping[str, Sequence[Key]],
    controls: Mapping[str, pd.DataFrame],
    duplicates: pd.DataFrame,
    reference: pd.DataFrame,
    thresholds: Thresholds,
    finish: datetime | None,
    zone: str = "UTC",
    limits_of: quality.LimitsOf | None = None,
    instrument_checks: pd.DataFrame | None = None,
) -> Inspection:
    """Judge readings, checks of the instruments, charts over time, stages and rates.

    ``keys`` and ``controls`` by side; ``instrument_checks``: the run's; ``finish`` ends
    the period (None: no end); days are those of the calendar of ``zone``. The temporary tables
    of a run (``field_row``, ``lab_row``, ``register_row``) must stand.
    """
    facts = store.frame(sql("reading_facts"))
    facts["method"] = _methods(facts)
    readings = quality.judge_readings(facts, _columns(store, keys["field"], facts), thresholds)
    timeline = store.frame(sql("instrument_days"))
    timeline["method"] = _methods(timeline)
    timeline["day"] = control_results.days_of(pd.to_datetime(timeline["at"], utc=True), zone)
    brackets = quality.judge_bracketing(
        timeline, controls["field"], reference, thresholds, limits_of
    )
    daily = quality.judge_daily(timeline, _checks(instrument_checks, zone), thresholds)
    history = pd.concat(
        [
            control_results.control_history(store, side, keys[side], _naive(finish), zone)
            for side in keys
        ]
    )
    charts = quality.control_charts(history)
    rates = quality.against_plan(_rates(store, timeline), thresholds, _solid(store))
    stages = quality.duplicate_stages(duplicates, thresholds.confidence)
    return Inspection(
        (
            *readings,
            *brackets,
            *daily,
            *quality.rate_findings(rates),
            *quality.chart_findings(charts),
        ),
        ControlRecord(charts, stages, rates),
    )


def _checks(found: pd.DataFrame | None, zone: str) -> pd.DataFrame:
    """The checks of instruments without a sample, each with its day."""
    if found is None or found.empty:
        return pd.DataFrame({name: [] for name in ("instrument", "check", "outcome", "at", "day")})
    at = pd.to_datetime(found["at"], utc=True)
    return found.assign(at=at, day=control_results.days_of(at, zone))


def _naive(finish: datetime | None) -> datetime | None:
    return None if finish is None else finish.astimezone(UTC).replace(tzinfo=None)


def _methods(frame: pd.DataFrame) -> pd.Series:
    named = [
        control_results.set_up(*parts)
        for parts in zip(
            *(frame[name].fillna("") for name in ("technique", "instrument", "calibration")),
            strict=True,
        )
    ]
    return pd.Series(named, index=frame.index, dtype="str")  # text, even where there is no row


def _columns(store: Store, keys: Sequence[Key], facts: pd.DataFrame) -> Iterator[quality.Column]:
    """The results of each element, aligned with ``facts``."""
    source = facts["source"].to_numpy(dtype=np.int64)
    order = np.argsort(source, kind="stable")
    cells = store.cells("field")
    for key in keys:
        cell = cells.of(key.key)
        found = store.frame(
            sql("inspection.results", code=cell.code, value=cell.value, error=cell.error)
        )
        taken = found.set_index("source").reindex(source[order])
        value_of, error_of = np.full((2, len(source)), np.nan)
        value_of[order] = taken["value"].to_numpy("float64", na_value=np.nan)
        error_of[order] = taken["error"].to_numpy("float64", na_value=np.nan)
        yield quality.Column(key.element, value_of, error_of)


def _solid(store: Store) -> frozenset[str]:
    """Certificates on results that needed no digestion ('none …')."""
    return frozenset(row[0] for row in store.rows(sql("inspection.solid")))


def _rates(store: Store, timeline: pd.DataFrame) -> pd.DataFrame:
    """Insertion rates: a laboratory's control is a line of its certificate, a field control one
    check of the instrument.
    """
    lab = store.frame(sql("lab_insertions"))
    field = timeline.assign(
        side="field", batch=timeline["day"].replace("", "undated") + " " + timeline["method"]
    )
    order = field.sort_values(["method", "sample_id", "at"], kind="stable")
    same = order["method"].eq(order["method"].shift()) & order["sample_id"].eq(
        order["sample_id"].shift()
    )
    close = order["at"].diff().le(pd.Timedelta(ONE_CHECK))
    order["check"] = (~(same & close)).cumsum()
    ordinary = order["sample_kind"].eq("sample")
    order.loc[~ordinary, "sample_id"] += " " + order.loc[~ordinary, "check"].astype("str")
    both = pd.concat([lab, order])[["side", "batch", "sample_kind", "sample_id"]]
    samples = both.loc[both["sample_kind"].eq("sample")]
    return quality.insertion_rates(both.loc[both["sample_kind"].ne("sample")], samples)
