"""One status per sample, from its chain, the certificates and the field readings."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import pandas as pd

from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.custody.dates import Holding, date_breaks
from reconcile.evidence.custody.events import (
    BROKEN,
    COMPLETE,
    DEVIATION,
    NOT_RECORDED,
    Record,
    column,
    read_events,
    text_of,
)
from reconcile.evidence.custody.record import id_faults, orphans, record_faults, seals_used_twice
from reconcile.evidence.custody.register import completed
from reconcile.evidence.custody.rules import chain_breaks
from reconcile.evidence.custody.walk import NOTE, SERIOUS, WARNING, Break
from reconcile.samples.identity import comparison_form, normalise_id


@dataclass(frozen=True, slots=True)
class CustodyJudgement:
    """The status of every sample met in any table, and what led to it.

    ``status`` maps every spelling of a sample id that the tables hold to one of
    'complete', 'deviation', 'broken', 'not recorded'.
    """

    status: Mapping[str, str]
    findings: tuple[Finding, ...]
    breaks: tuple[Break, ...]

    def broken_by(self) -> dict[str, str]:
        """The rules that break each broken chain, by every spelling of the sample's id."""
        rules: dict[str, dict[str, None]] = defaultdict(dict)
        for item in self.breaks:
            if item.severity == SERIOUS:
                rules[item.sample][item.rule] = None
        return {
            spelling: ", ".join(rules[comparison_form(spelling)])
            for spelling, state in self.status.items()
            if state == BROKEN
        }

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
    holding: Holding | None = None,
) -> CustodyJudgement:
    """Hold every sample's record against the custody rules.

    Tables: ``events`` CUSTODY_FACTS in the order of the record; ``samples`` register
    facts; ``lab`` sample_id, certificate, received_at, analysed_at, reported_at; ``field``
    sample_id, measured_at. Missing columns and cells are allowed. Times are UTC where they
    carry no zone; midnight sharp in ``zone`` counts as a date without a time of day. Where no
    event records them, the register's collection is the first event and its dispatch the
    release that the receipt answers.
    ``holding``: elements of a certificate with a holding time of their own.
    A serious break makes a chain 'broken', a warning makes it a 'deviation', a note neither.
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
    record, lacking = completed(record, samples, ZoneInfo(zone))
    breaks = _all_breaks(
        record, samples, lab, field, sides, spellings, thresholds, ZoneInfo(zone), holding
    )
    breaks = _in_order([*breaks, *lacking])
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
    holding: Holding | None,
) -> list[Break]:
    breaks: list[Break] = []
    for sample, events in record.of_sample.items():
        breaks += chain_breaks(sample, events, thresholds)
    breaks += date_breaks(record, samples, lab, field, thresholds, zone, holding)
    breaks += orphans(record, sides)
    breaks += record_faults(record, sides)
    breaks += seals_used_twice(record.events)
    breaks += id_faults(samples, spellings)
    return breaks


def _in_order(breaks: Iterable[Break]) -> list[Break]:
    rank = {SERIOUS: 0, WARNING: 1, NOTE: 2}
    return sorted(breaks, key=lambda b: (rank[b.severity], b.rule, b.sample, b.evidence, b.text))


# ---- findings -----------------------------------------------------------------------

_SHOWN = 6


def _findings(
    breaks: Sequence[Break], names: Mapping[str, str], recorded: bool
) -> tuple[Finding, ...]:
    """One finding per break; a break shared by samples (a dispatch) is told once."""
    if not recorded:
        return (
            Finding(
                "custody",
                NOTE,
                "custody record",
                "No custody event was given; custody of the samples is not demonstrated.",
                advice="Give the custody forms as a table, or state that none were kept.",
                code=FindingCode.NO_CUSTODY_RECORD,
            ),
        )
    groups: dict[Break, list[str]] = defaultdict(list)
    for item in breaks:
        shared = Break("", item.rule, item.severity, item.text, item.evidence, item.advice)
        groups[shared].append(names.get(item.sample, item.sample))
    return tuple(
        Finding(
            "custody",
            b.severity,
            _subject(members),
            f"{_capital(b.rule)}: {b.text}",
            b.evidence,
            b.advice,
            code=b.rule,
        )
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
