"""One status per sample, from its chain, the certificates and the field readings."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

import pandas as pd

from reconcile.custody.events import (
    BROKEN,
    COMPLETE,
    DEVIATION,
    NOT_RECORDED,
    Event,
    Record,
    Span,
    column,
    read_events,
    span_of,
    text_of,
)
from reconcile.custody.rules import (
    ASK_HOLDERS,
    CHECK_SEAL,
    CHECK_TIME,
    NOTE,
    SERIOUS,
    WARNING,
    Break,
    chain_breaks,
)
from reconcile.identity import comparison_form, look_alike_forms, normalise_id
from reconcile.model import Finding
from reconcile.settings import Thresholds


@dataclass(frozen=True, slots=True)
class CustodyJudgement:
    """The status of every sample met in any table, and what led to it.

    ``status`` maps every spelling of a sample id that the tables hold to one of
    'complete', 'deviation', 'broken', 'not recorded'.
    """

    status: Mapping[str, str]
    findings: tuple[Finding, ...]
    breaks: tuple[Break, ...]

    def of(self, sample_id: str) -> str:
        """The status of one sample; 'not recorded' for one that was never met."""
        return self.status.get(sample_id, NOT_RECORDED)

    def sentence(self) -> str:
        """How many samples stand where."""
        forms: dict[str, str] = {comparison_form(s): word for s, word in self.status.items()}
        counts = [
            f"{sum(word == state for word in forms.values())} {state}"
            for state in (COMPLETE, DEVIATION, BROKEN, NOT_RECORDED)
        ]
        return f"Custody of {len(forms)} samples: {', '.join(counts)}."


def judge(
    events: pd.DataFrame,
    samples: pd.DataFrame,
    lab: pd.DataFrame,
    field: pd.DataFrame,
    thresholds: Thresholds,
    *,
    zone: str = "UTC",
) -> CustodyJudgement:
    """Hold every sample's record against the custody rules.

    Tables: ``events`` CUSTODY_FACTS in the order of the record; ``samples`` register
    facts; ``lab`` sample_id, certificate, received_at, analysed_at, reported_at; ``field``
    sample_id, measured_at. Missing columns and cells are allowed. Times are UTC where they
    carry no zone; midnight sharp in ``zone`` counts as a date without a time of day. A
    serious break makes a chain 'broken', a warning makes it a 'deviation', a note neither.
    """
    spellings: dict[str, dict[str, None]] = defaultdict(dict)
    sides: dict[str, set[str]] = {}
    for name, frame in (("lab", lab), ("field", field), ("register", samples)):
        sides[name] = set()
        for cell in column(frame, "sample_id"):
            if form := comparison_form(cell):
                spellings[form][str(cell)] = None
                sides[name].add(form)
    record = read_events(events, samples, spellings)
    for cell in column(events, "sample_id"):
        for part in text_of(cell).split(";"):
            if (form := comparison_form(part)) in record.of_sample:
                spellings[form].setdefault(normalise_id(part))
    for form in record.of_sample:
        if form not in spellings:
            spellings[form][form] = None
    breaks = _all_breaks(record, samples, lab, field, sides, spellings, thresholds, ZoneInfo(zone))
    worst: dict[str, str] = {}
    for item in breaks:
        if item.severity == SERIOUS:
            worst[item.sample] = BROKEN
        elif item.severity == WARNING:
            worst.setdefault(item.sample, DEVIATION)
    status = {
        spelling: worst.get(form, COMPLETE) if form in record.of_sample else NOT_RECORDED
        for form in sorted(spellings)
        for spelling in spellings[form]
    }
    names = {form: next(iter(written)) for form, written in spellings.items()}
    return CustodyJudgement(status, _findings(breaks, names, bool(record.events)), tuple(breaks))


def _all_breaks(
    record: Record,
    samples: pd.DataFrame,
    lab: pd.DataFrame,
    field: pd.DataFrame,
    sides: Mapping[str, set[str]],
    spellings: Mapping[str, Iterable[str]],
    thresholds: Thresholds,
    zone: ZoneInfo,
) -> list[Break]:
    breaks: list[Break] = []
    for sample, events in record.of_sample.items():
        breaks += chain_breaks(sample, events, thresholds)
    breaks += _dates(record, samples, lab, field, thresholds, zone)
    breaks += _orphans(record, sides)
    breaks += _record_faults(record, sides)
    breaks += _seals_used_twice(record.events)
    breaks += _id_faults(samples, spellings)
    rank = {SERIOUS: 0, WARNING: 1, NOTE: 2}
    return sorted(breaks, key=lambda b: (rank[b.severity], b.rule, b.sample, b.evidence, b.text))


# ---- dates --------------------------------------------------------------------------


def _dates(
    record: Record,
    samples: pd.DataFrame,
    lab: pd.DataFrame,
    field: pd.DataFrame,
    thresholds: Thresholds,
    zone: ZoneInfo,
) -> list[Break]:
    collected: dict[str, Span] = {}
    for sample, cell in zip(
        column(samples, "sample_id"), column(samples, "collected_at"), strict=True
    ):
        at = span_of(cell, zone)
        if at is not None:
            collected.setdefault(comparison_form(sample), at)
    released: dict[str, Span] = {}
    for form, events in record.of_sample.items():
        for act, first in (("collected", collected), ("relinquished", released)):
            spans = [s for e in events if e.event == act and (s := span_of(e.at, zone))]
            if spans:
                first[form] = min(spans, key=lambda span: span.start)
    breaks: list[Break] = []
    rows = zip(
        *(
            column(lab, name)
            for name in ("sample_id", "certificate", "received_at", "analysed_at", "reported_at")
        ),
        strict=True,
    )
    for sample, certificate, *cells in rows:
        form = comparison_form(sample)
        if form in record.of_sample:
            spans = [span_of(cell, zone) for cell in cells]
            breaks += _certificate(
                form, text_of(certificate), spans, collected.get(form), released.get(form),
                thresholds,
            )  # fmt: skip
    for sample, cell in zip(
        column(field, "sample_id"), column(field, "measured_at"), strict=True
    ):
        form, at = comparison_form(sample), span_of(cell, zone)
        start = collected.get(form)
        if form in record.of_sample and at and start and at.before(start):
            breaks.append(
                Break(
                    form, "field reading before collection", NOTE,
                    "A field reading is dated before the collection of the sample.",
                    f"collected {_when(start)}, measured {_when(at)}",
                    "In order where the reading was taken in place; else check the clock of the "
                    "instrument and the id.",
                )
            )  # fmt: skip
    return list(dict.fromkeys(breaks))


def _certificate(
    form: str,
    certificate: str,
    spans: Sequence[Span | None],
    collected: Span | None,
    released: Span | None,
    thresholds: Thresholds,
) -> list[Break]:
    received, analysed, reported = spans
    name = f"certificate {certificate}: " if certificate else ""
    breaks: list[Break] = []

    def order(rule: str, early: Span | None, late: Span | None, words: str) -> None:
        if early is not None and late is not None and late.before(early):
            breaks.append(
                Break(
                    form, rule, SERIOUS, words,
                    f"{name}{_when(late)}, expected not before {_when(early)}",
                    "Ask the laboratory which date is right, and whether the result belongs to "
                    "this sample.",
                )
            )  # fmt: skip

    order("received before release", released, received,
          "The laboratory's receipt is dated before the first release of the sample.")  # fmt: skip
    order("received before collection", collected, received,
          "The laboratory's receipt is dated before the collection of the sample.")  # fmt: skip
    order("analysed before receipt", received, analysed,
          "The analysis is dated before the laboratory's receipt.")  # fmt: skip
    order("reported before analysis", analysed, reported,
          "The report is dated before the analysis.")  # fmt: skip
    if analysed is None:
        order("reported before receipt", received, reported,
              "The report is dated before the laboratory's receipt.")  # fmt: skip
    if received is None:
        order("analysed before collection", collected, analysed,
              "The analysis is dated before the collection of the sample.")  # fmt: skip
    if collected is not None and analysed is not None:
        held = analysed.start - collected.end
        if held > timedelta(days=thresholds.holding_days):
            breaks.append(
                Break(
                    form, "holding time exceeded", WARNING,
                    f"{held.days} days lie between collection and analysis "
                    f"(limit {thresholds.holding_days}).",
                    f"{name}collected {_when(collected)}, analysed {_when(analysed)}",
                    "State it beside the result; repeat on a fresh sample where it decides.",
                )
            )  # fmt: skip
    return breaks


def _when(span: Span) -> str:
    if span.end > span.start:
        return f"on {span.start:%Y-%m-%d %H:%M} UTC or within the day after"
    return f"{span.start:%Y-%m-%d %H:%M} UTC"


# ---- orphans ------------------------------------------------------------------------


def _orphans(record: Record, sides: Mapping[str, set[str]]) -> list[Break]:
    breaks: list[Break] = []
    if not record.events:
        return breaks
    for form in sorted(sides["lab"] - set(record.of_sample)):
        breaks.append(
            Break(
                form, "result without custody record", WARNING,
                "The laboratory reports a sample that no custody event names.", "",
                "Find its forms; or enter an alias if it stands there under another id.",
            )
        )  # fmt: skip
    for form, events in record.of_sample.items():
        acts = [e.event for e in events]
        if form in sides["lab"]:
            breaks += _handover_to_lab(form, events, acts)
        elif not {"stored", "disposed", "reported"} & set(acts):
            breaks.append(
                Break(
                    form, "custody record without result", NOTE,
                    "The sample has a custody record, and neither a result nor a resting place.",
                    events[-1].where,
                    "Ask for the result, or record where the sample is stored or that it was "
                    "disposed of.",
                )
            )  # fmt: skip
    return breaks


def _handover_to_lab(form: str, events: Sequence[Event], acts: Sequence[str]) -> list[Break]:
    if "received" not in acts and not {"analysed", "reported"} & set(acts):
        if "relinquished" in acts:
            return [
                Break(
                    form, "released and never received", SERIOUS,
                    "The sample was released and analysed, and no receipt is recorded.",
                    next(e for e in reversed(events) if e.event == "relinquished").where,
                    ASK_HOLDERS,
                )
            ]  # fmt: skip
        return [
            Break(
                form, "no handover to the laboratory", SERIOUS,
                "The laboratory reports the sample, and no handover is recorded.",
                events[-1].where, ASK_HOLDERS,
            )
        ]  # fmt: skip
    last = [e for e in events if e.event in ("relinquished", "received")]
    if last and last[-1].event == "relinquished" and "received" in acts:
        after = events[[e.place for e in events].index(last[-1].place) + 1 :]
        if not after and not _is_return(events, last[-1]):
            return [
                Break(
                    form, "released and never received", SERIOUS,
                    f"'{last[-1].by}' released the sample and no receipt is recorded, though the "
                    "laboratory reports it.",
                    last[-1].where, ASK_HOLDERS,
                )
            ]  # fmt: skip
    return []


def _is_return(events: Sequence[Event], release: Event) -> bool:
    """A release after the laboratory's work: the sample goes back or away."""
    return any(
        e.event in ("analysed", "reported", "opened", "subsampled", "prepared")
        and e.place < release.place
        for e in events
    )


# ---- the record itself --------------------------------------------------------------


def _record_faults(record: Record, sides: Mapping[str, set[str]]) -> list[Break]:
    breaks: list[Break] = []
    known = sides["register"] | sides["lab"] | sides["field"]
    named: dict[str, list[Event]] = defaultdict(list)
    for event in record.events:
        if event.event_id:
            named[comparison_form(event.event_id)].append(event)
        if not event.covers:
            breaks.append(
                Break(
                    "", "event names no sample", WARNING,
                    "A custody event names neither a known sample nor a known dispatch.",
                    event.where, "Write the sample ids, or the dispatch that the register names.",
                )
            )  # fmt: skip
    if known:
        for form, events in record.of_sample.items():
            if form not in known:
                breaks.append(
                    Break(
                        form, "event for unknown sample", WARNING,
                        "Custody events name a sample that no other table knows.",
                        events[0].where, "Correct the id, or enter the sample in the register.",
                    )
                )  # fmt: skip
    for events in named.values():
        contents = {(e.event, e.at, e.by, e.to, e.covers) for e in events}
        if len(contents) > 1:
            for form in sorted(frozenset().union(*(e.covers for e in events))):
                breaks.append(
                    Break(
                        form, "event id used twice", WARNING,
                        f"The event id '{events[0].event_id}' stands for {len(contents)} "
                        "different events.",
                        "; ".join(e.where for e in events[:4]),
                        "Give each event its own id; an edit after signing is a new event.",
                    )
                )  # fmt: skip
    return breaks


def _seals_used_twice(events: Iterable[Event]) -> list[Break]:
    """One number on two days and disjoint samples; one bag sealed line by line is no fault."""
    by_seal: dict[str, list[Event]] = defaultdict(list)
    for event in events:
        if event.event == "sealed" and event.seal and event.at is not None:
            by_seal[comparison_form(event.seal)].append(event)
    breaks: list[Break] = []
    for same in by_seal.values():
        same.sort(key=lambda e: (e.at, e.place))
        for first, second in zip(same, same[1:], strict=False):
            assert first.at is not None and second.at is not None
            apart = second.at - first.at > timedelta(days=1)
            if apart and not first.covers & second.covers:
                for form in sorted(first.covers | second.covers):
                    breaks.append(
                        Break(
                            form, "seal number used twice", WARNING,
                            f"Seal '{second.seal}' was applied to different samples on "
                            "different days.",
                            f"{first.where}; then {second.where}", CHECK_SEAL,
                        )
                    )  # fmt: skip
    return breaks


def _id_faults(samples: pd.DataFrame, spellings: Mapping[str, Iterable[str]]) -> list[Break]:
    breaks: list[Break] = []
    counts: dict[str, int] = defaultdict(int)
    for cell in column(samples, "sample_id"):
        if form := comparison_form(cell):
            counts[form] += 1
    for form, count in sorted(counts.items()):
        if count > 1:
            breaks.append(
                Break(
                    form, "id registered twice", WARNING,
                    f"The register holds the id {count} times.", "",
                    "Find out whether it is one sample or two; re-number one of them.",
                )
            )  # fmt: skip
    groups: dict[tuple[int, str], set[str]] = defaultdict(set)
    for form in spellings:
        for way, folded in enumerate(look_alike_forms(form)[:2]):
            groups[way, folded].add(form)
    alike = {tuple(sorted(g)) for g in groups.values() if len(g) > 1}
    for group in sorted(alike):
        for form in group:
            breaks.append(
                Break(
                    form, "ids look alike", NOTE,
                    "Ids differ only in characters that look alike, separators or leading zeros.",
                    ", ".join(next(iter(spellings[f])) for f in group),
                    "Read the bags; they are kept apart here.",
                )
            )  # fmt: skip
    return breaks


# ---- findings -----------------------------------------------------------------------

_SHOWN = 6


def _findings(
    breaks: Sequence[Break], names: Mapping[str, str], recorded: bool
) -> tuple[Finding, ...]:
    """One finding per break; a break shared by samples (a dispatch) is told once."""
    if not recorded:
        return (
            Finding(
                "custody", NOTE, "custody record",
                "No custody event was given; custody of the samples is not demonstrated.",
                advice="Give the custody forms as a table, or state that none were kept.",
            ),
        )  # fmt: skip
    groups: dict[Break, list[str]] = defaultdict(list)
    for item in breaks:
        shared = Break("", item.rule, item.severity, item.text, item.evidence, item.advice)
        groups[shared].append(names.get(item.sample, item.sample))
    return tuple(
        Finding("custody", b.severity, _subject(members), f"{_capital(b.rule)}: {b.text}",
                b.evidence, b.advice)  # fmt: skip
        for b, members in groups.items()
    )


def _subject(members: Sequence[str]) -> str:
    listed = [m for m in dict.fromkeys(members) if m]
    if not listed:
        return "custody record"
    more = f" and {len(listed) - _SHOWN} more" if len(listed) > _SHOWN else ""
    return ", ".join(listed[:_SHOWN]) + more


def _capital(rule: str) -> str:
    return rule[:1].upper() + rule[1:]


__all__ = ["CHECK_TIME", "CustodyJudgement", "judge"]
