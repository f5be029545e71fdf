"""What is known of a sample while its custody events are read one after another."""

from __future__ import annotations

from dataclasses import dataclass, field

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


@dataclass(slots=True)
class Walk:
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
        """One more break of the chain."""
        self.breaks.append(Break(self.sample, rule, severity, text, evidence, advice))


def nameless(walk: Walk, event: Event) -> None:
    """An act by nobody named."""
    walk.found(
        "handover without name",
        WARNING,
        "A handover does not say who acted.",
        event.where,
        ASK_HOLDERS,
    )


def never_received(walk: Walk, event: Event) -> None:
    """A release that no receipt answers."""
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


def stranger(walk: Walk, event: Event) -> None:
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
