"""Who held the sample: collection, release, receipt, absence."""

from __future__ import annotations

from datetime import timedelta

from reconcile.evidence.custody.containers import apply_seal, compare_seal, torn
from reconcile.evidence.custody.events import Event
from reconcile.evidence.custody.walk import (
    ASK_HOLDERS,
    CHECK_SEAL,
    CHECK_TIME,
    NOTE,
    SERIOUS,
    TIME_OUT_OF_ORDER,
    WARNING,
    Walk,
    nameless,
    never_received,
    same_person,
    stranger,
)
from reconcile.samples.identity import comparison_form


def timing(walk: Walk, event: Event) -> None:
    """Whether an event stands in order of time."""
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


def collected(walk: Walk, event: Event) -> None:
    """The first act: who took the sample."""
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
        apply_seal(walk, event)


def relinquished(walk: Walk, event: Event) -> None:
    """Release by who holds the sample."""
    if not event.by:
        nameless(walk, event)
    if walk.released is not None:
        never_received(walk, event)
    elif not same_person(event.by, walk.holder):
        walk.found(
            "released by another than the holder",
            SERIOUS,
            f"'{event.by}' released the sample while '{walk.holder}' held it by the record.",
            event.where,
            ASK_HOLDERS,
        )
    if event.seal and not walk.sealed:
        apply_seal(walk, event)
    elif event.seal:
        compare_seal(walk, event)
    elif walk.opened is not None and not walk.sealed and walk.sealing is not None:
        walk.found(
            "no new seal after opening",
            SERIOUS,
            "A sample that had been sealed was opened and then released without a new seal.",
            f"{walk.opened.where}; then {event.where}",
            CHECK_SEAL,
        )
    if event.seal_intact is False:
        torn(walk, event)
    walk.released = event


def received(walk: Walk, event: Event) -> None:
    """Receipt, and whether a release answers it."""
    if not event.receiver:
        nameless(walk, event)
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
        compare_seal(walk, event)
        walk.seal_seen = True
    if event.seal_intact is False:
        torn(walk, event)
    walk.released = None
    walk.receipts += 1
    walk.holder = event.receiver


def missing(walk: Walk, event: Event) -> None:
    """A sample that is recorded as missing."""
    walk.found(
        "missing on receipt",
        SERIOUS,
        f"The sample did not arrive with the others of its dispatch ('{event.by}').",
        event.where,
        "Ask sender and carrier; sample again if it stays lost. A result of it is of another "
        "sample.",
    )
    walk.released, walk.holder = None, ""


def damaged(walk: Walk, event: Event) -> None:
    """A sample that is recorded as damaged."""
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


def found(walk: Walk, event: Event) -> None:
    """A sample that was missing and came again."""
    walk.found(
        "received and not listed",
        WARNING,
        f"The sample arrived with a dispatch whose list does not name it ('{event.by}').",
        event.where,
        "Find out to which dispatch it belongs; correct its id, or enter it in the register.",
    )
    walk.released, walk.holder = None, event.receiver
    walk.receipts += 1


def handled(walk: Walk, event: Event) -> None:
    """Any other act on the sample."""
    if walk.released is not None:
        never_received(walk, event)
    if event.seal:
        compare_seal(walk, event)
    if event.seal_intact is False:
        torn(walk, event)
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
        stranger(walk, event)
