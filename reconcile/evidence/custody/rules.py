"""The rules that show a break in one sample's chain, each named in plain words.

Custody stands while the sample is in someone's possession, in view after possession,
locked up or sealed by the holder, or in a secured place (US EPA custody definition, from
memory). A seal that arrives unbroken and unchanged therefore turns a missing or late
handover from a break into a deviation.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.custody.events import Event
from reconcile.samples.identity import comparison_form

NOTE, WARNING, SERIOUS = "note", "warning", "serious"
TIME_OUT_OF_ORDER = "time out of order"

ASK_HOLDERS = (
    "Ask the persons named for their signed forms; keep the event as it stands and record the "
    "correction as a new event. Until then custody is not demonstrated."
)
CHECK_SEAL = (
    "Compare the seal log and photographs; if the seal can't be explained treat the contents as "
    "open to change and consider sampling again."
)
CHECK_MASS = "Weigh or count again and compare the dispatch form; look for a lost or mixed bag."
CHECK_TIME = (
    "Compare the clocks and time zones of both forms; record the correction as a new event."
)


@dataclass(frozen=True, slots=True)
class Break:
    """One rule that one sample's record does not meet."""

    sample: str  # comparison form of the sample id; '' where it concerns no single sample
    rule: str
    severity: str  # serious: chain broken; warning: deviation; note: for information
    text: str
    evidence: str = ""
    advice: str = ""


def same_person(a: str, b: str) -> bool:
    """Whether two names are the same but for case and blanks; an empty name is anyone's."""
    return not a or not b or comparison_form(a) == comparison_form(b)


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


@dataclass(slots=True)
class _Walk:
    """What is known of the sample while its events are read one after another."""

    sample: str
    thresholds: Thresholds
    breaks: list[Break] = field(default_factory=list)
    holder: str = ""
    collected: Event | None = None
    released: Event | None = None  # a release that no receipt has answered yet
    receipts: int = 0
    sealed: bool = False
    seal: str = ""
    sealing: Event | None = None
    seal_seen: bool = True  # whether a receipt after sealing recorded the seal
    opened: Event | None = None
    last: Event | None = None
    containers: dict[frozenset[str], tuple[float, Event]] = field(default_factory=dict)
    mass: dict[frozenset[str], tuple[float, Event]] = field(default_factory=dict)

    def found(self, rule: str, severity: str, text: str, evidence: str, advice: str) -> None:
        self.breaks.append(Break(self.sample, rule, severity, text, evidence, advice))


def _walk(sample: str, events: Sequence[Event], thresholds: Thresholds) -> list[Break]:
    walk = _Walk(sample, thresholds)
    acts: dict[str, Callable[[_Walk, Event], None]] = {
        "collected": _collected,
        "relinquished": _relinquished,
        "received": _received,
        "sealed": _sealed,
        "opened": _opened,
        "missing": _missing,
        "damaged": _damaged,
        "found": _found,
    }
    for event in events:
        _timing(walk, event)
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
        acts.get(event.event, _handled)(walk, event)
        _contents(walk, event)
        walk.last = event
    _end(walk)
    return walk.breaks


def _timing(walk: _Walk, event: Event) -> None:
    if event.at is None and event.of_register:
        return  # what the register leaves out is told in words of its own
    if event.at is None:
        walk.found(
            "event without time",
            WARNING,
            "An event carries no readable time.",
            event.where,
            CHECK_TIME,
        )
        return
    before = walk.last
    if before is not None and before.at is not None and event.at < before.at:
        walk.found(
            TIME_OUT_OF_ORDER,
            SERIOUS,
            f"'{event.event}' is dated before '{before.event}', which it follows in the record.",
            f"{before.where}; then {event.where}",
            CHECK_TIME,
        )


def _collected(walk: _Walk, event: Event) -> None:
    if walk.collected is not None:
        walk.found(
            "collected twice",
            SERIOUS,
            "The sample is recorded as collected twice: one id may stand for two samples.",
            f"{walk.collected.where}; again {event.where}",
            "Find out whether the id was used for two samples; re-number one of them.",
        )
    walk.collected = walk.collected or event
    walk.holder = event.receiver
    walk.released = None
    if event.seal:
        _apply_seal(walk, event)


def _relinquished(walk: _Walk, event: Event) -> None:
    if not event.by:
        _nameless(walk, event)
    if walk.released is not None:
        _never_received(walk, event)
    elif not same_person(event.by, walk.holder):
        walk.found(
            "released by another than the holder",
            SERIOUS,
            f"'{event.by}' released the sample while '{walk.holder}' held it by the record.",
            event.where,
            ASK_HOLDERS,
        )
    if event.seal and not walk.sealed:
        _apply_seal(walk, event)
    elif event.seal:
        _compare_seal(walk, event)
    elif walk.opened is not None and not walk.sealed and walk.sealing is not None:
        walk.found(
            "no new seal after opening",
            SERIOUS,
            "A sample that had been sealed was opened and then released without a new seal.",
            f"{walk.opened.where}; then {event.where}",
            CHECK_SEAL,
        )
    if event.seal_intact is False:
        _torn(walk, event)
    walk.released = event


def _received(walk: _Walk, event: Event) -> None:
    if not event.receiver:
        _nameless(walk, event)
    covered = (
        walk.sealed
        and bool(event.seal)
        and event.seal_intact is True
        and (not walk.seal or comparison_form(event.seal) == comparison_form(walk.seal))
    )
    severity = WARNING if covered else SERIOUS
    shelter = " The seal arrived unbroken, which limits the doubt." if covered else ""
    release = walk.released
    if release is None:
        # One line may record both sides of a handover: by the holder, to the receiver.
        whole = bool(event.to) and bool(event.by) and same_person(event.by, walk.holder)
        if walk.last is not None and not whole and not same_person(event.receiver, walk.holder):
            walk.found(
                "received without release",
                severity,
                f"'{event.receiver}' received the sample; no release by '{walk.holder}' is "
                f"recorded.{shelter}",
                event.where,
                ASK_HOLDERS,
            )
    else:
        if not same_person(release.to, event.receiver):
            walk.found(
                "received by another than named",
                severity,
                f"The sample was released to '{release.to}' and received by "
                f"'{event.receiver}'.{shelter}",
                f"{release.where}; then {event.where}",
                ASK_HOLDERS,
            )
        limit = timedelta(hours=walk.thresholds.handover_hours)
        if release.at is not None and event.at is not None and event.at - release.at > limit:
            hours = (event.at - release.at) / timedelta(hours=1)
            walk.found(
                "gap without custodian",
                severity,
                f"Between release and receipt nobody answered for the sample for {hours:.1f} h "
                f"(limit {walk.thresholds.handover_hours:g} h).{shelter}",
                f"{release.where}; then {event.where}",
                "Get the carrier's record for that time, or record where it was locked up.",
            )
    if event.seal:
        _compare_seal(walk, event)
        walk.seal_seen = True
    if event.seal_intact is False:
        _torn(walk, event)
    walk.released = None
    walk.receipts += 1
    walk.holder = event.receiver


def _missing(walk: _Walk, event: Event) -> None:
    walk.found(
        "missing on receipt",
        SERIOUS,
        f"The sample did not arrive with the others of its dispatch ('{event.by}').",
        event.where,
        "Ask sender and carrier; sample again if it stays lost. A result of it is of another "
        "sample.",
    )
    walk.released, walk.holder = None, ""


def _damaged(walk: _Walk, event: Event) -> None:
    walk.found(
        "damaged on receipt",
        SERIOUS,
        f"The sample was found damaged ('{event.by}'): its contents are open to loss and change.",
        event.where,
        "Look at the bag and weigh it; sample again if its content is in doubt.",
    )
    if walk.released is not None:
        walk.released, walk.holder = None, event.receiver
        walk.receipts += 1


def _found(walk: _Walk, event: Event) -> None:
    walk.found(
        "received and not listed",
        WARNING,
        f"The sample arrived with a dispatch whose list does not name it ('{event.by}').",
        event.where,
        "Find out to which dispatch it belongs; correct its id, or enter it in the register.",
    )
    walk.released, walk.holder = None, event.receiver
    walk.receipts += 1


def _nameless(walk: _Walk, event: Event) -> None:
    walk.found(
        "handover without name",
        WARNING,
        "A handover does not say who acted.",
        event.where,
        ASK_HOLDERS,
    )


def _never_received(walk: _Walk, event: Event) -> None:
    assert walk.released is not None
    walk.found(
        "released and never received",
        SERIOUS,
        f"'{walk.released.by}' released the sample and no receipt is recorded before "
        f"'{event.event}'.",
        f"{walk.released.where}; then {event.where}",
        ASK_HOLDERS,
    )
    walk.holder = walk.released.to or event.by
    walk.released = None


def _apply_seal(walk: _Walk, event: Event) -> None:
    walk.sealed, walk.seal, walk.sealing = True, event.seal, event
    walk.seal_seen, walk.opened = False, None


def _compare_seal(walk: _Walk, event: Event) -> None:
    if not walk.sealed:
        if walk.sealing is not None or walk.opened is not None:
            walk.found(
                "seal differs",
                SERIOUS,
                f"Seal '{event.seal}' is recorded; no event applied it.",
                event.where,
                CHECK_SEAL,
            )
        _apply_seal(walk, event)
    elif walk.seal and comparison_form(event.seal) != comparison_form(walk.seal):
        assert walk.sealing is not None
        walk.found(
            "seal differs",
            SERIOUS,
            f"Seal '{walk.seal}' was applied; '{event.seal}' was found.",
            f"{walk.sealing.where}; then {event.where}",
            CHECK_SEAL,
        )
        walk.seal = event.seal


def _torn(walk: _Walk, event: Event) -> None:
    walk.found(
        "seal not intact",
        SERIOUS,
        f"The seal was found not intact ('{event.seal_answer}').",
        event.where,
        CHECK_SEAL,
    )


def _sealed(walk: _Walk, event: Event) -> None:
    if walk.released is not None:
        _never_received(walk, event)
    changed = walk.seal and event.seal and comparison_form(event.seal) != comparison_form(walk.seal)
    if walk.sealed and changed:
        walk.found(
            "seal replaced without opening",
            WARNING,
            f"Seal '{event.seal}' was put in the place of '{walk.seal}'; no opening is recorded.",
            event.where,
            CHECK_SEAL,
        )
    _stranger(walk, event)
    _apply_seal(walk, event)


def _opened(walk: _Walk, event: Event) -> None:
    if walk.released is not None:
        _never_received(walk, event)
    if walk.sealed:
        if event.seal:
            _compare_seal(walk, event)
            walk.seal_seen = True
        if event.seal_intact is False:
            _torn(walk, event)
        if not walk.seal_seen and walk.receipts:
            _unseen(walk, event)
    _stranger(walk, event)
    walk.sealed, walk.seal, walk.opened, walk.seal_seen = False, "", event, True


def _unseen(walk: _Walk, event: Event) -> None:
    walk.found(
        "seal not checked",
        WARNING,
        f"Seal '{walk.seal or 'without number'}' was applied, and nobody recorded it on receipt.",
        event.where,
        CHECK_SEAL,
    )
    walk.seal_seen = True


def _handled(walk: _Walk, event: Event) -> None:
    if walk.released is not None:
        _never_received(walk, event)
    if event.seal:
        _compare_seal(walk, event)
    if event.seal_intact is False:
        _torn(walk, event)
    if walk.sealed and event.event in ("subsampled", "dried", "prepared", "analysed"):
        walk.found(
            "opening not recorded",
            NOTE,
            f"The sample was sealed when it was {event.event}; no opening is recorded.",
            event.where,
            "Record openings as events of their own.",
        )
        walk.sealed = False
    if event.event == "subsampled":
        _stranger(walk, event)


def _stranger(walk: _Walk, event: Event) -> None:
    """Before the first receipt only the holder may touch it; within a receiver's house others
    may, which is for information.
    """
    if not same_person(event.by, walk.holder):
        walk.found(
            "handled by another than the holder",
            NOTE if walk.receipts else WARNING,
            f"'{event.by}' handled the sample ({event.event}) while '{walk.holder}' held it by "
            "the record.",
            event.where,
            ASK_HOLDERS,
        )


def _contents(walk: _Walk, event: Event) -> None:
    """Count and mass, compared only between events that cover the same samples."""
    if event.event in ("opened", "subsampled", "prepared", "collected"):
        walk.containers.pop(event.covers, None)
    before = walk.containers.get(event.covers)
    if math.isfinite(event.containers):
        if before is not None and event.containers != before[0]:
            word = "missing" if event.containers < before[0] else "too many"
            walk.found(
                "containers do not agree",
                SERIOUS,
                f"{before[0]:g} container(s) were recorded, then {event.containers:g}: "
                f"{abs(event.containers - before[0]):g} {word}.",
                f"{before[1].where}; then {event.where}",
                CHECK_MASS,
            )
        walk.containers[event.covers] = (event.containers, event)
    if math.isfinite(event.mass_g) and event.mass_g > 0 and event.event != "analysed":
        _weigh(walk, event)
    elif event.event in ("subsampled", "prepared", "dried"):
        walk.mass.pop(event.covers, None)


def _weigh(walk: _Walk, event: Event) -> None:
    before = walk.mass.get(event.covers)
    walk.mass[event.covers] = (event.mass_g, event)
    if before is None or event.event == "collected":
        return
    wet, earlier = before
    change = (event.mass_g - wet) / wet
    tolerance = walk.thresholds.mass_tolerance
    evidence = f"{earlier.where}; then {event.where}"
    if event.event == "dried":
        if event.mass_g > wet:
            walk.found(
                "dried mass above wet mass",
                SERIOUS,
                f"{wet:g} g before drying, {event.mass_g:g} g after it.",
                evidence,
                CHECK_MASS,
            )
    elif change > tolerance or (
        change < -tolerance and event.event not in ("subsampled", "prepared")
    ):
        walk.found(
            "mass not conserved",
            SERIOUS,
            f"{wet:g} g were recorded, then {event.mass_g:g} g ({change:+.1%}; tolerance "
            f"{tolerance:.0%}).",
            evidence,
            CHECK_MASS,
        )


def _end(walk: _Walk) -> None:
    if walk.sealed and not walk.seal_seen and walk.receipts and walk.last is not None:
        _unseen(walk, walk.last)
