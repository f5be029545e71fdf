"""The hash chain over custody events: it proves alteration, not truth.

Canonical form of an event: its facts (all of CUSTODY_FACTS but ``row``) as a JSON object
in the manner of RFC 8785: keys sorted, no blanks, numbers as ECMAScript writes them,
text in Unicode NFC, UTF-8; times are ISO 8601 UTC with microseconds; empty cells are null.
Link i is SHA-256(canonical bytes of event i, then the 32 bytes of link i-1), the first
one following 32 zero bytes. Events stand in the order of the record, so that a record
that only grows keeps its earlier links.

Whoever holds both the record and the chain can rebuild it. Its head is therefore printed
in every release: a copy in another's hands fixes the record at that time.
"""

from __future__ import annotations

import hashlib
import json
import math
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from reconcile.evidence.custody.events import number_of, time_of
from reconcile.intake.tables import CUSTODY_FACTS

_FACTS = tuple(fact for fact in CUSTODY_FACTS if fact != "row")
_NUMBERS = ("containers", "mass_g")
_START = "0" * 64


@dataclass(frozen=True, slots=True)
class ChainedEvent:
    """One link: the event's canonical form, its hash and the hash before it (hex)."""

    position: int  # from 1
    canonical: str
    previous: str
    hash: str


@dataclass(frozen=True, slots=True)
class Verification:
    """What a comparison with a chain kept earlier shows."""

    intact: bool
    first_altered: int | None  # position from 1; None where intact
    added: int  # events after the end of the kept chain
    text: str

    def sentence(self) -> str:
        """The finding, and what it can't show."""
        return (
            f"{self.text} A hash chain shows that the record was altered after it was chained; "
            "it does not show that what was recorded is true."
        )


def chain(events: pd.DataFrame) -> tuple[ChainedEvent, ...]:
    """The chain over the events in the order of the record."""
    links: list[ChainedEvent] = []
    previous = _START
    for position, row in enumerate(events.to_dict("records"), start=1):
        canonical = canonical_event(row)
        links.append(ChainedEvent(position, canonical, previous, _link(canonical, previous)))
        previous = links[-1].hash
    return tuple(links)


def head(events: pd.DataFrame | Sequence[ChainedEvent]) -> str:
    """The last link (64 hex digits), or 64 zeros where there is no event."""
    links = chain(events) if isinstance(events, pd.DataFrame) else events
    return links[-1].hash if links else _START


def verify_chain(events: pd.DataFrame, kept: Sequence[ChainedEvent | str]) -> Verification:
    """Compare the record with a chain (or its hashes) kept earlier; name the first difference.

    Events after the kept chain are additions, not alterations. A single kept head may be
    given as ``[head]`` only for a record of one event; for a longer record compare
    ``head(events)`` instead.
    """
    now = chain(events)
    for position, before in enumerate(kept, start=1):
        if isinstance(before, ChainedEvent) and (
            before.hash != _link(before.canonical, before.previous)
            or before.previous != (_hash(kept[position - 2]) if position > 1 else _START)
        ):
            return Verification(
                False, position, 0, f"The kept chain itself was altered at link {position}."
            )
        if position > len(now):
            gone = len(kept) - len(now)
            return Verification(
                False, position, 0, f"{gone} event(s) at the end of the record are gone."
            )
        if now[position - 1].hash != _hash(before):
            return Verification(False, position, 0, _difference(before, now[position - 1], kept))
    added = len(now) - len(kept)
    more = f"; {added} were added since" if added else ""
    return Verification(True, None, added, f"All {len(kept)} chained events are unaltered{more}.")


def _hash(link: ChainedEvent | str) -> str:
    return link.hash if isinstance(link, ChainedEvent) else link.strip().lower()


def _difference(
    before: ChainedEvent | str, now: ChainedEvent, kept: Sequence[ChainedEvent | str]
) -> str:
    facts: Mapping[str, Any] = json.loads(now.canonical)
    name = ", ".join(
        f"{label} {facts[key]}"
        for key, label in (("event_id", "id"), ("sample_id", "sample"), ("event", "act"))
        if facts[key]
    )
    start = f"Event {now.position} ({name or 'without id'}) is the first that differs"
    if not isinstance(before, ChainedEvent):
        return f"{start} from the chain kept earlier."
    later = {k.canonical for k in kept[now.position :] if isinstance(k, ChainedEvent)}
    if now.canonical in later:
        return f"{start}: an event that stood before it was removed or moved."
    old: Mapping[str, Any] = json.loads(before.canonical)
    changed = "; ".join(
        f"{key} was {_shown(old.get(key))}, is {_shown(facts[key])}"
        for key in sorted(facts)
        if old.get(key) != facts[key]
    )
    return f"{start}: {changed}."


def _shown(value: Any) -> str:
    return "empty" if value is None else f"'{value}'"


def _link(canonical: str, previous: str) -> str:
    return hashlib.sha256(canonical.encode() + bytes.fromhex(previous)).hexdigest()


def canonical_event(row: Mapping[Any, Any]) -> str:
    """The canonical JSON of one event."""
    values: dict[str, Any] = {}
    for fact in _FACTS:
        cell = row.get(fact)
        if fact == "at":
            at = time_of(cell)
            values[fact] = None if at is None else _utc(at)
        elif fact in _NUMBERS and _is_number(cell):
            values[fact] = number_of(cell)
        else:
            values[fact] = None if _is_missing(cell) or cell == "" else str(cell)
    return canonical_json(values)


def _utc(at: datetime) -> str:
    return at.replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def _is_missing(cell: Any) -> bool:
    return (
        cell is None
        or cell is pd.NA
        or cell is pd.NaT
        or (isinstance(cell, float) and cell != cell)
    )


def _is_number(cell: Any) -> bool:
    return isinstance(cell, int | float | np.integer | np.floating) and math.isfinite(cell)


def canonical_json(value: Any) -> str:
    """JSON in the manner of RFC 8785, with text in NFC; lone surrogates are written out."""
    if isinstance(value, Mapping):
        pairs = sorted(
            ((_tidy(str(k)), v) for k, v in value.items()), key=lambda kv: kv[0].encode("utf-16-be")
        )
        return "{" + ",".join(f"{_text(k)}:{canonical_json(v)}" for k, v in pairs) + "}"
    if isinstance(value, list | tuple):
        return "[" + ",".join(canonical_json(v) for v in value) + "]"
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, int | float):
        return _number(float(value))
    return _text(_tidy(str(value)))


def _tidy(text: str) -> str:
    visible = text.encode("utf-8", "backslashreplace").decode("utf-8")
    return unicodedata.normalize("NFC", visible)


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _number(value: float) -> str:
    """A finite float as ECMAScript writes it (RFC 8785 section 3.2.2.3)."""
    if not math.isfinite(value):
        raise ValueError("JSON has no number for infinity or NaN")
    if value == 0:
        return "0"
    sign, digits, exponent = Decimal(repr(value)).normalize().as_tuple()
    text = "".join(map(str, digits))
    assert isinstance(exponent, int)
    point = len(text) + exponent
    minus = "-" if sign else ""
    if 0 < point <= 21:
        whole = text[:point].ljust(point, "0")
        return minus + whole + (f".{text[point:]}" if point < len(text) else "")
    if -6 < point <= 0:
        return f"{minus}0.{'0' * -point}{text}"
    mantissa = text[0] + (f".{text[1:]}" if len(text) > 1 else "")
    return f"{minus}{mantissa}e{point - 1:+d}"
