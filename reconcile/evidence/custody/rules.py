"""The chain of custody of one sample: its events in order, and where the chain breaks."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime

from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.custody.containers import contents, opened, sealed, unseen
from reconcile.evidence.custody.events import Event
from reconcile.evidence.custody.handovers import (
    collected,
    damaged,
    found,
    handled,
    missing,
    received,
    relinquished,
    timing,
)
from reconcile.evidence.custody.walk import (
    ASK_HOLDERS,
    NOTE,
    SERIOUS,
    TIME_OUT_OF_ORDER,
    WARNING,
    Break,
    Walk,
)


def chain_breaks(sample: str, events: Sequence[Event], thresholds: Thresholds) -> list[Break]:
    """All breaks of one sample's events.

    The record's own order and the order of time are both tried; the one with fewer breaks
    stands, so that a table that is merely unsorted is no break, while a receipt dated
    before its release is named as such.
    """
    once, repeated = _without_repeats(sample, events)
    recorded = _walk(sample, once, thresholds)
    if not any(b.rule == TIME_OUT_OF_ORDER for b in recorded):
        return repeated + recorded
    timed = _walk(sample, _by_time(once), thresholds)
    return repeated + (timed if len(timed) < len(recorded) else recorded)


def _without_repeats(sample: str, events: Sequence[Event]) -> tuple[list[Event], list[Break]]:
    kept: dict[object, Event] = {}
    breaks: list[Break] = []
    for event in events:
        key = (
            event.event,
            event.at,
            event.by,
            event.to,
            event.seal,
            event.seal_answer,
            repr(event.containers),
            repr(event.mass_g),
            event.covers,
        )
        if key in kept:
            breaks.append(
                Break(
                    sample,
                    "event recorded twice",
                    NOTE,
                    "The same event stands twice in the record.",
                    event.where,
                    "Nothing to do if it is a double entry; it is counted once.",
                )
            )
        else:
            kept[key] = event
    return list(kept.values()), breaks


def _by_time(events: Iterable[Event]) -> list[Event]:
    """In order of time; an event without time keeps its place after the one before it."""
    keyed: list[tuple[datetime | None, Event]] = []
    last: datetime | None = None
    for event in events:
        last = event.at or last
        keyed.append((last, event))
    first = min((at for at, _ in keyed if at is not None), default=None)
    if first is None:
        return [event for _, event in keyed]
    return [event for at, event in sorted(keyed, key=lambda pair: pair[0] or first)]


def _walk(sample: str, events: Sequence[Event], thresholds: Thresholds) -> list[Break]:
    walk = Walk(sample, thresholds)
    acts: dict[str, Callable[[Walk, Event], None]] = {
        "collected": collected,
        "relinquished": relinquished,
        "received": received,
        "sealed": sealed,
        "opened": opened,
        "missing": missing,
        "damaged": damaged,
        "found": found,
    }
    for event in events:
        timing(walk, event)
        if not event.known:
            walk.found(
                "unknown event",
                WARNING,
                "The record holds an act that the rules do not know; it may hide a handover.",
                event.where,
                "Write the act in one of the known words.",
            )
            continue
        if walk.last is None and event.event != "collected":
            later = any(e.event == "collected" for e in events)
            walk.found(
                "first event is not collection",
                SERIOUS if later else WARNING,  # a contradiction, or a gap in what is recorded
                "The chain does not begin with the collection of the sample"
                + (", which stands later in the record." if later else "."),
                event.where,
                ASK_HOLDERS
                if later
                else "Enter the time in the register's column 'Collected' and the collector in "
                "'Collected by', or record the collection as a custody event.",
            )
            walk.holder = event.by if event.event not in ("received", "found") else ""
        acts.get(event.event, handled)(walk, event)
        contents(walk, event)
        walk.last = event
    _end(walk)
    return walk.breaks


def _end(walk: Walk) -> None:
    if walk.sealed and not walk.seal_seen and walk.receipts and walk.last is not None:
        unseen(walk, walk.last)
