"""Seals, opened bags, counted containers and weighed masses along a chain of custody."""

from __future__ import annotations

import math

from reconcile.evidence.custody.events import Event
from reconcile.evidence.custody.walk import (
    CHECK_MASS,
    CHECK_SEAL,
    SERIOUS,
    WARNING,
    Walk,
    never_received,
    stranger,
)
from reconcile.samples.identity import comparison_form


def apply_seal(walk: Walk, event: Event) -> None:
    """The seal and when it was put on."""
    walk.sealed, walk.seal, walk.sealing = True, event.seal, event
    walk.seal_seen, walk.opened = False, None


def compare_seal(walk: Walk, event: Event) -> None:
    """A seal that reads otherwise than the one put on."""
    if not walk.sealed:
        if walk.sealing is not None or walk.opened is not None:
            walk.found(
                "seal differs",
                SERIOUS,
                f"Seal '{event.seal}' is recorded; no event applied it.",
                event.where,
                CHECK_SEAL,
            )
        apply_seal(walk, event)
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


def torn(walk: Walk, event: Event) -> None:
    """A seal that is recorded as broken."""
    walk.found(
        "seal not intact",
        SERIOUS,
        f"The seal was found not intact ('{event.seal_answer}').",
        event.where,
        CHECK_SEAL,
    )


def sealed(walk: Walk, event: Event) -> None:
    """An act of sealing."""
    if walk.released is not None:
        never_received(walk, event)
    changed = walk.seal and event.seal and comparison_form(event.seal) != comparison_form(walk.seal)
    if walk.sealed and changed:
        walk.found(
            "seal replaced without opening",
            WARNING,
            f"Seal '{event.seal}' was put in the place of '{walk.seal}'; no opening is recorded.",
            event.where,
            CHECK_SEAL,
        )
    stranger(walk, event)
    apply_seal(walk, event)


def opened(walk: Walk, event: Event) -> None:
    """An act of opening: by whom, and whether it was sealed again."""
    if walk.released is not None:
        never_received(walk, event)
    if walk.sealed:
        if event.seal:
            compare_seal(walk, event)
            walk.seal_seen = True
        if event.seal_intact is False:
            torn(walk, event)
        if not walk.seal_seen and walk.receipts:
            unseen(walk, event)
    stranger(walk, event)
    walk.sealed, walk.seal, walk.opened, walk.seal_seen = False, "", event, True


def unseen(walk: Walk, event: Event) -> None:
    """A sealed bag that nobody says they saw sealed on receipt."""
    walk.found(
        "seal not checked",
        WARNING,
        f"Seal '{walk.seal or 'without number'}' was applied, and nobody recorded it on receipt.",
        event.where,
        CHECK_SEAL,
    )
    walk.seal_seen = True


def contents(walk: Walk, event: Event) -> None:
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
        weigh(walk, event)
    elif event.event in ("subsampled", "prepared", "dried"):
        walk.mass.pop(event.covers, None)


def weigh(walk: Walk, event: Event) -> None:
    """A mass that changed more than weighing explains."""
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
