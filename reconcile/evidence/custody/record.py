"""Faults of the record as a whole: orphans both ways, ids, seals, events that fit nowhere."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from itertools import pairwise

import pandas as pd

from reconcile.evidence.custody.events import Event, Record, column
from reconcile.evidence.custody.walk import ASK_HOLDERS, CHECK_SEAL, NOTE, SERIOUS, WARNING, Break
from reconcile.samples.identity import comparison_form, look_alike_forms


def orphans(record: Record, sides: Mapping[str, set[str]]) -> list[Break]:
    """Results without a chain, and chains without a result or a resting place."""
    breaks: list[Break] = []
    if not record.events:
        return breaks
    for form in sorted(sides["lab"] - set(record.of_sample)):
        breaks.append(
            Break(
                form,
                "result without custody record",
                WARNING,
                "The laboratory reports a sample that no custody event names.",
                "",
                "Find its forms; or enter an alias if it stands there under another id.",
            )
        )
    for form, events in record.of_sample.items():
        acts = [e.event for e in events]
        if form in sides["lab"]:
            breaks += _handover_to_lab(form, events, acts)
        elif not {"stored", "disposed", "reported", "missing"} & set(acts):
            breaks.append(
                Break(
                    form,
                    "custody record without result",
                    NOTE,
                    "The sample has a custody record, and neither a result nor a resting place.",
                    events[-1].where,
                    "Ask for the result, or record where the sample is stored or that it was "
                    "disposed of.",
                )
            )
    return breaks


def _handover_to_lab(form: str, events: Sequence[Event], acts: Sequence[str]) -> list[Break]:
    if "received" not in acts and not {"analysed", "reported"} & set(acts):
        if "relinquished" in acts:
            return [
                Break(
                    form,
                    "released and never received",
                    SERIOUS,
                    "The sample was released and analysed, and no receipt is recorded.",
                    next(e for e in reversed(events) if e.event == "relinquished").where,
                    ASK_HOLDERS,
                )
            ]
        return [
            Break(
                form,
                "no handover to the laboratory",
                SERIOUS,
                "The laboratory reports the sample, and no handover is recorded.",
                events[-1].where,
                ASK_HOLDERS,
            )
        ]
    last = [e for e in events if e.event in ("relinquished", "received")]
    if last and last[-1].event == "relinquished" and "received" in acts:
        after = events[[e.place for e in events].index(last[-1].place) + 1 :]
        if not after and not _is_return(events, last[-1]):
            return [
                Break(
                    form,
                    "released and never received",
                    SERIOUS,
                    f"'{last[-1].by}' released the sample and no receipt is recorded, though the "
                    "laboratory reports it.",
                    last[-1].where,
                    ASK_HOLDERS,
                )
            ]
    return []


def _is_return(events: Sequence[Event], release: Event) -> bool:
    """A release after the laboratory's work: the sample goes back or away."""
    return any(
        e.event in ("analysed", "reported", "opened", "subsampled", "prepared")
        and e.place < release.place
        for e in events
    )


def record_faults(record: Record, sides: Mapping[str, set[str]]) -> list[Break]:
    """Events that name no sample or an unknown one, and event ids used for different events."""
    breaks: list[Break] = []
    known = sides["register"] | sides["lab"] | sides["field"]
    named: dict[str, list[Event]] = defaultdict(list)
    for event in record.events:
        if event.event_id:
            named[comparison_form(event.event_id)].append(event)
        if not event.covers:
            breaks.append(
                Break(
                    "",
                    "event names no sample",
                    WARNING,
                    "A custody event names neither a known sample nor a known dispatch.",
                    event.where,
                    "Write the sample ids, or the dispatch that the register names.",
                )
            )
    if known:
        for form, events in record.of_sample.items():
            if form not in known:
                breaks.append(
                    Break(
                        form,
                        "event for unknown sample",
                        WARNING,
                        "Custody events name a sample that no other table knows.",
                        events[0].where,
                        "Correct the id, or enter the sample in the register.",
                    )
                )
    for same in named.values():
        contents = {(e.event, e.at, e.by, e.to, e.covers) for e in same}
        if len(contents) > 1:
            for form in sorted(frozenset().union(*(e.covers for e in same))):
                breaks.append(
                    Break(
                        form,
                        "event id used twice",
                        WARNING,
                        f"The event id '{same[0].event_id}' stands for {len(contents)} "
                        "different events.",
                        "; ".join(e.where for e in same[:4]),
                        "Give each event its own id; an edit after signing is a new event.",
                    )
                )
    return breaks


def seals_used_twice(events: Iterable[Event]) -> list[Break]:
    """One number on two days and disjoint samples; one bag sealed line by line is no fault."""
    by_seal: dict[str, list[Event]] = defaultdict(list)
    for event in events:
        if event.event == "sealed" and event.seal and event.at is not None:
            by_seal[comparison_form(event.seal)].append(event)
    breaks: list[Break] = []
    for same in by_seal.values():
        same.sort(key=lambda e: (e.at, e.place))
        for first, second in pairwise(same):
            assert first.at is not None
            assert second.at is not None
            apart = second.at - first.at > timedelta(days=1)
            if apart and not first.covers & second.covers:
                for form in sorted(first.covers | second.covers):
                    breaks.append(
                        Break(
                            form,
                            "seal number used twice",
                            WARNING,
                            f"Seal '{second.seal}' was applied to different samples on "
                            "different days.",
                            f"{first.where}; then {second.where}",
                            CHECK_SEAL,
                        )
                    )
    return breaks


def id_faults(samples: pd.DataFrame, spellings: Mapping[str, Iterable[str]]) -> list[Break]:
    """Ids registered more than once, and ids that look alike (for information)."""
    breaks: list[Break] = []
    counts: dict[str, int] = defaultdict(int)
    for cell in column(samples, "sample_id"):
        if form := comparison_form(cell):
            counts[form] += 1
    for form, count in sorted(counts.items()):
        if count > 1:
            breaks.append(
                Break(
                    form,
                    "id registered twice",
                    WARNING,
                    f"The register holds the id {count} times.",
                    "",
                    "Find out whether it is one sample or two; re-number one of them.",
                )
            )
    groups: dict[tuple[int, str], set[str]] = defaultdict(set)
    for form in spellings:
        for way, folded in enumerate(look_alike_forms(form)[:2]):
            groups[way, folded].add(form)
    alike = {tuple(sorted(g)) for g in groups.values() if len(g) > 1}
    for group in sorted(alike):
        for form in group:
            breaks.append(
                Break(
                    form,
                    "ids look alike",
                    NOTE,
                    "Ids differ only in characters that look alike, separators or leading zeros.",
                    ", ".join(next(iter(spellings[f])) for f in group),
                    "Read the bags; they are kept apart here.",
                )
            )
    return breaks
