"""Dates of the certificates and field readings against the chain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import timedelta
from zoneinfo import ZoneInfo

import pandas as pd

from reconcile.base.settings.thresholds import Thresholds
from reconcile.evidence.custody.events import Record, Span, column, span_of, text_of
from reconcile.evidence.custody.walk import NOTE, SERIOUS, WARNING, Break
from reconcile.samples.identity import comparison_form

#: By sample and certificate: elements with a holding time of their own, and its days.
Holding = Mapping[tuple[str, str], Sequence[tuple[str, int]]]


def date_breaks(
    record: Record,
    samples: pd.DataFrame,
    lab: pd.DataFrame,
    field: pd.DataFrame,
    thresholds: Thresholds,
    zone: ZoneInfo,
    holding: Holding | None = None,
) -> list[Break]:
    """Dates of certificates and readings that contradict the chain, and the holding time."""
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
            spans = [span_of(e.at, zone) for e in events if e.event == act and e.at is not None]
            known = [span for span in spans if span is not None]
            if known:
                first[form] = min(known, key=lambda span: span.start)
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
                form,
                text_of(certificate),
                spans,
                collected.get(form),
                released.get(form),
                thresholds,
                (holding or {}).get((form, text_of(certificate)), ()),
            )
    for sample, cell in zip(column(field, "sample_id"), column(field, "measured_at"), strict=True):
        form, at = comparison_form(sample), span_of(cell, zone)
        start = collected.get(form)
        if form in record.of_sample and at and start and at.before(start):
            breaks.append(
                Break(
                    form,
                    "field reading before collection",
                    NOTE,
                    "A field reading is dated before the collection of the sample.",
                    f"collected {_when(start)}, measured {_when(at)}",
                    "In order where the reading was taken in place; else check the clock of the "
                    "instrument and the id.",
                )
            )
    return list(dict.fromkeys(breaks))


def _certificate(
    form: str,
    certificate: str,
    spans: Sequence[Span | None],
    collected: Span | None,
    released: Span | None,
    thresholds: Thresholds,
    own: Sequence[tuple[str, int]],
) -> list[Break]:
    received, analysed, reported = spans
    name = f"certificate {certificate}: " if certificate else ""
    breaks: list[Break] = []

    def order(rule: str, early: Span | None, late: Span | None, words: str) -> None:
        if early is not None and late is not None and late.before(early):
            breaks.append(
                Break(
                    form,
                    rule,
                    SERIOUS,
                    words,
                    f"{name}{_when(late)}, expected not before {_when(early)}",
                    "Ask the laboratory which date is right, and whether the result belongs to "
                    "this sample.",
                )
            )

    order(
        "received before release",
        released,
        received,
        "The laboratory's receipt is dated before the first release of the sample.",
    )
    order(
        "received before collection",
        collected,
        received,
        "The laboratory's receipt is dated before the collection of the sample.",
    )
    order(
        "analysed before receipt",
        received,
        analysed,
        "The analysis is dated before the laboratory's receipt.",
    )
    order(
        "reported before analysis", analysed, reported, "The report is dated before the analysis."
    )
    if analysed is None:
        order(
            "reported before receipt",
            received,
            reported,
            "The report is dated before the laboratory's receipt.",
        )
    if received is None:
        order(
            "analysed before collection",
            collected,
            analysed,
            "The analysis is dated before the collection of the sample.",
        )
    if collected is not None and analysed is not None:
        held = analysed.start - collected.end
        limits = [(element, days) for element, days in own if held > timedelta(days=days)]
        if held > timedelta(days=thresholds.holding_days):
            limits.insert(0, ("", thresholds.holding_days))
        for element, days in limits:
            of_element = f" of {element}" if element else ""
            breaks.append(
                Break(
                    form,
                    "holding time exceeded",
                    WARNING,
                    f"{held.days} days lie between collection and analysis{of_element} "
                    f"(limit {days}).",
                    f"{name}collected {_when(collected)}, analysed {_when(analysed)}",
                    "State it beside the result; repeat on a fresh sample where it decides.",
                )
            )
    return breaks


def _when(span: Span) -> str:
    if span.end > span.start:
        return f"on {span.start:%Y-%m-%d %H:%M} UTC or within the day after"
    return f"{span.start:%Y-%m-%d %H:%M} UTC"
