"""What the sample register says of custody, where the record of events is silent.

The collection that the register enters counts as the chain's first event, and the dispatch
that it names as the release that a receipt of this dispatch answers. Nothing is put in the
place of an event that is recorded, and what the register does not say is told as missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from reconcile.evidence.custody.events import Event, Record, column, span_of, text_of
from reconcile.evidence.custody.walk import WARNING, Break
from reconcile.samples.identity import comparison_form

_FACTS = (
    "sample_id", "collected_at", "collected_by", "dispatch", "dispatched_at", "dispatched_by",
    "seal",
)  # fmt: skip
#: Places of the register's events: before all of the record.
_COLLECTION, _RELEASE = -2, -1


@dataclass(frozen=True, slots=True)
class _Entry:
    """The register's cells of one sample that bear on custody."""

    collected_at: Any
    collected_by: str
    dispatch: str
    dispatched_at: Any
    dispatched_by: str
    seal: str


def completed(
    record: Record, samples: pd.DataFrame, zone: ZoneInfo
) -> tuple[Record, tuple[Break, ...]]:
    """The record with the register's events of the samples it knows, and what these lack.

    Of a sample that the register holds twice the first entry counts. Midnight sharp in
    ``zone`` is a date without a time of day.
    """
    entries: dict[str, _Entry] = {}
    for sample, *cells in zip(*(column(samples, name) for name in _FACTS), strict=True):
        collected_at, collected_by, dispatch, dispatched_at, dispatched_by, seal = cells
        entries.setdefault(
            comparison_form(sample),
            _Entry(
                collected_at, text_of(collected_by), text_of(dispatch), dispatched_at,
                text_of(dispatched_by), text_of(seal),
            ),
        )  # fmt: skip
    of_sample: dict[str, tuple[Event, ...]] = {}
    breaks: list[Break] = []
    for form, events in record.of_sample.items():
        if (entry := entries.get(form)) is not None:
            events, lacking = _with_collection(form, events, entry, zone)
            breaks += lacking
            events, lacking = _with_release(form, events, entry, zone)
            breaks += lacking
        of_sample[form] = events
    return Record(record.events, of_sample, record.dispatches), tuple(breaks)


def _with_collection(
    form: str, events: tuple[Event, ...], entry: _Entry, zone: ZoneInfo
) -> tuple[tuple[Event, ...], list[Break]]:
    span = span_of(entry.collected_at, zone)
    if span is None or any(e.event == "collected" for e in events):
        return events, []
    where = f"sample register, collected {_when(span.start, span.end)}"
    first = _event(_COLLECTION, "collected", span.start, entry.collected_by, "", form, where)
    if entry.collected_by:
        return (first, *events), []
    return (first, *events), [
        Break(
            form, "collector not named", WARNING,
            "The register says when the sample was collected, and not by whom.", where,
            "Enter the collector in the register's column 'Collected by'.",
        )
    ]  # fmt: skip


def _with_release(
    form: str, events: tuple[Event, ...], entry: _Entry, zone: ZoneInfo
) -> tuple[tuple[Event, ...], list[Break]]:
    dispatch = comparison_form(entry.dispatch)
    place = _unanswered_receipt(events, dispatch)
    if place is None:
        return events, []
    receipt = events[place]
    holder = next((e.receiver for e in events if e.event == "collected"), "")
    if any(e.event in ("received", "relinquished") for e in events[:place]):
        holder = ""  # who had it then, the register does not say
    where = f"sample register, dispatch {entry.dispatch}"
    span = span_of(entry.dispatched_at, zone)
    at = None if span is None else span.start
    breaks = []
    if span is None:
        breaks.append(
            Break(
                form, "time of dispatch not recorded", WARNING,
                "The register names the dispatch, and nobody recorded when it left.", where,
                "Enter the time in the register's column 'Dispatched', or record the release as a "
                "custody event.",
            )
        )  # fmt: skip
    else:
        where += f", left {_when(span.start, span.end)}"
        if span.end > span.start and receipt.at is not None and receipt.at > span.start:
            # a day alone: as late as the day and the receipt allow, which claims the least
            at = min(span.end - timedelta(seconds=1), receipt.at)
    release = _event(
        _RELEASE, "relinquished", at, entry.dispatched_by or holder, entry.seal, form, where
    )
    return (*events[:place], release, *events[place:]), breaks


def _unanswered_receipt(events: Sequence[Event], dispatch: str) -> int | None:
    """Where a receipt of the dispatch stands whose release no event records; None else.

    A line that names both who gave and who took records the release as well.
    """
    acts = [e.event for e in events]
    if not dispatch or acts.count("relinquished") >= acts.count("received"):
        return None
    if any(e.event == "relinquished" and dispatch in e.dispatches for e in events):
        return None
    return next(
        (
            place
            for place, e in enumerate(events)
            if e.event == "received" and dispatch in e.dispatches and not (e.by and e.to)
        ),
        None,
    )


def _event(
    place: int, act: str, at: datetime | None, by: str, seal: str, form: str, where: str
) -> Event:
    return Event(
        place=place, event_id="", event=act, known=True, at=at, by=by, to="", seal=seal,
        seal_intact=None, seal_answer="", containers=float("nan"), mass_g=float("nan"),
        covers=frozenset({form}), where=where, of_register=True,
    )  # fmt: skip


def _when(start: datetime, end: datetime) -> str:
    if end > start:
        return f"on {end - timedelta(seconds=1):%Y-%m-%d}"
    return f"{start:%Y-%m-%d %H:%M} UTC"
