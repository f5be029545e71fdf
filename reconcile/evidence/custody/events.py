"""Custody events as the rules need them: cleaned cells, and which samples each one covers."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from reconcile.samples.identity import comparison_form, normalise_id

COMPLETE, DEVIATION, BROKEN, NOT_RECORDED = "complete", "deviation", "broken", "not recorded"

#: The acts that the rules know, with other forms of the same word.
EVENT_WORDS: Mapping[str, str] = {
    "collected": "collected",
    "collection": "collected",
    "sealed": "sealed",
    "resealed": "sealed",
    "relinquished": "relinquished",
    "released": "relinquished",
    "handed over": "relinquished",
    "dispatched": "relinquished",
    "shipped": "relinquished",
    "returned": "relinquished",
    "received": "received",
    "receipt": "received",
    "opened": "opened",
    "subsampled": "subsampled",
    "split": "subsampled",
    "dried": "dried",
    "prepared": "prepared",
    "weighed": "weighed",
    "inspected": "inspected",
    "measured": "measured",
    "analysed": "analysed",
    "analyzed": "analysed",
    "reported": "reported",
    "stored": "stored",
    "disposed": "disposed",
    "missing": "missing",
    "not received": "missing",
    "damaged": "damaged",
    "found": "found",
    "received in addition": "found",
}

_YES = {"yes", "y", "true", "t", "1", "1.0", "intact", "ok"}
_NO = {"no", "n", "false", "f", "0", "0.0", "broken", "not intact", "damaged", "open", "torn"}


def text_of(cell: Any) -> str:
    """The cell as tidy text; '' where it is missing."""
    return normalise_id(cell)


def number_of(cell: Any) -> float:
    """The cell as a finite float; NaN where it is missing or no number."""
    try:
        value = float(cell)
    except (TypeError, ValueError):
        return math.nan
    return value if math.isfinite(value) else math.nan


def time_of(cell: Any) -> datetime | None:
    """The cell as a time in UTC; None where it is missing or no time. Naive times are UTC."""
    if isinstance(cell, datetime):
        stamp = cell
    elif cell is None:
        return None
    else:
        stamp = pd.to_datetime(cell, utc=True, errors="coerce")
    if not isinstance(stamp, datetime) or pd.isna(stamp):
        return None
    zoned = stamp.replace(tzinfo=UTC) if stamp.tzinfo is None else stamp.astimezone(UTC)
    if isinstance(zoned, pd.Timestamp):
        result: datetime = zoned.floor("us").to_pydatetime(warn=False)
        return result
    return zoned


def yes_or_no(cell: Any) -> bool | None:
    """Whether the cell says yes; None where it says neither."""
    word = text_of(cell).casefold()
    return True if word in _YES else False if word in _NO else None


@dataclass(frozen=True, slots=True)
class Span:
    """A time as far as it is known: a date alone is the whole day of its zone."""

    start: datetime
    end: datetime

    def before(self, other: Span) -> bool:
        """True where this certainly lies before the other."""
        return self.start < other.start if self.start == self.end else self.end <= other.start


def span_of(cell: Any, zone: ZoneInfo) -> Span | None:
    """The time; midnight sharp in ``zone`` is taken for a date without a time of day."""
    at = time_of(cell)
    if at is None:
        return None
    dated = at.astimezone(zone).time() == time(0)
    return Span(at, at + timedelta(days=1) if dated else at)


@dataclass(frozen=True, slots=True)
class Event:
    """One custody event with its cells cleaned; ``place`` is its position in the record."""

    place: int
    event_id: str
    event: str  # one of the values of EVENT_WORDS, or the word as written
    known: bool
    at: datetime | None
    by: str
    to: str
    seal: str
    seal_intact: bool | None
    seal_answer: str
    containers: float
    mass_g: float
    covers: frozenset[str]  # comparison forms of sample ids
    where: str  # words that name the event for a reader
    dispatches: frozenset[str] = frozenset()  # comparison forms of the dispatches it names
    of_register: bool = False  # entered in the sample register, and in no custody record

    @property
    def receiver(self) -> str:
        """Who holds the sample after a receipt: 'to' where given, else who acted."""
        return self.to or self.by


@dataclass(frozen=True, slots=True)
class Record:
    """All events, each sample's own, and what could not be placed."""

    events: tuple[Event, ...]
    of_sample: Mapping[str, tuple[Event, ...]]
    dispatches: Mapping[str, frozenset[str]]


def read_events(events: pd.DataFrame, samples: pd.DataFrame, known: Iterable[str] = ()) -> Record:
    """Clean the events and find the samples of each.

    ``sample_id`` may hold one id, several separated by ';', or a dispatch number; where
    it is empty the event covers the samples of its ``dispatch``. The samples of a
    dispatch are those that the register gives it and those that other events name with it.
    """
    rows = events.to_dict("records")
    forms = {comparison_form(s) for s in column(samples, "sample_id")} - {""}
    forms |= set(known)
    members: dict[str, set[str]] = defaultdict(set)
    for sample, dispatch in zip(
        column(samples, "sample_id"), column(samples, "dispatch"), strict=True
    ):
        if comparison_form(sample) and comparison_form(dispatch):
            members[comparison_form(dispatch)].add(comparison_form(sample))
    for row in rows:
        dispatch = comparison_form(row.get("dispatch"))
        named = [t for t in _tokens(row.get("sample_id")) if t != dispatch]
        if dispatch:
            members[dispatch].update(named)
    dispatches = {d: frozenset(s) for d, s in members.items()}
    read = tuple(_event(place, row, forms, dispatches) for place, row in enumerate(rows))
    of_sample: dict[str, list[Event]] = defaultdict(list)
    for event in read:
        for form in event.covers:
            of_sample[form].append(event)
    return Record(read, {s: tuple(e) for s, e in sorted(of_sample.items())}, dispatches)


def column(frame: pd.DataFrame, name: str) -> list[Any]:
    """The cells of a column, or as many None where the frame has none."""
    return list(frame[name]) if name in frame.columns else [None] * len(frame)


def _tokens(cell: Any) -> list[str]:
    return [t for t in (comparison_form(part) for part in text_of(cell).split(";")) if t]


def _event(
    place: int, row: Mapping[Any, Any], forms: set[str], dispatches: Mapping[str, frozenset[str]]
) -> Event:
    covers: set[str] = set()
    tokens = _tokens(row.get("sample_id"))
    for token in tokens:
        covers |= dispatches[token] if token not in forms and token in dispatches else {token}
    if not tokens:
        covers |= dispatches.get(comparison_form(row.get("dispatch")), frozenset())
    word = text_of(row.get("event")).casefold()
    at = time_of(row.get("at"))
    name = text_of(row.get("event_id"))
    words = [f"event {name}" if name else f"event {place + 1} of the record", word or "no act"]
    if at is not None:
        words.append(f"{at:%Y-%m-%d %H:%M} UTC")
    return Event(
        place=place,
        event_id=name,
        event=EVENT_WORDS.get(word, word),
        known=word in EVENT_WORDS,
        at=at,
        by=text_of(row.get("by")),
        to=text_of(row.get("to")),
        seal=text_of(row.get("seal")),
        seal_intact=yes_or_no(row.get("seal_intact")),
        seal_answer=text_of(row.get("seal_intact")),
        containers=number_of(row.get("containers")),
        mass_g=number_of(row.get("mass_g")),
        covers=frozenset(covers),
        where=", ".join(words),
        dispatches=frozenset({comparison_form(row.get("dispatch")), *tokens} & set(dispatches)),
    )
