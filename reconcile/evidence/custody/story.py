"""One sample's whole story as dated lines."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pandas as pd

from reconcile.evidence.custody.events import column, number_of, read_events, text_of, time_of
from reconcile.samples.identity import comparison_form


@dataclass(frozen=True, slots=True)
class StoryLine:
    """One line: when (ISO 8601 UTC, '' where unknown), what, who, and where it is written."""

    at: str
    what: str
    who: str
    evidence: str


def story(
    sample_id: str,
    events: pd.DataFrame,
    samples: pd.DataFrame | None = None,
    field: pd.DataFrame | None = None,
    lab: pd.DataFrame | None = None,
    exclusions: pd.DataFrame | None = None,
    releases: pd.DataFrame | None = None,
) -> tuple[StoryLine, ...]:
    """All that is known of one sample, in order of time; undated lines come last.

    ``events`` CUSTODY_FACTS; ``samples`` register facts; ``field`` and ``lab`` their facts
    (one line per field method and time, per certificate and date); ``exclusions``
    EXCLUSION_COLUMNS; ``releases`` with release_id, issued_at and, where given,
    sample_id. Columns that are missing are left out of the line.
    """
    form = comparison_form(sample_id)
    register = samples if samples is not None else pd.DataFrame()
    lines: list[tuple[datetime | None, str, str, str]] = []
    record = read_events(events, register, {form})
    for event in record.of_sample.get(form, ()):
        details = [f"to {event.to}" if event.to else "", f"seal {event.seal}" if event.seal else ""]
        if event.seal_answer:
            details.append(f"seal intact: {event.seal_answer}")
        if event.containers == event.containers:
            details.append(f"{event.containers:g} container(s)")
        if event.mass_g == event.mass_g:
            details.append(f"{event.mass_g:g} g")
        shared = len(event.covers)
        details.append(f"with {shared - 1} other sample(s)" if shared > 1 else "")
        lines.append((event.at, _with(event.event or "event", details), event.by, event.where))
    for row in _rows(register, form):
        at = time_of(row.get("collected_at"))
        details = _facts(row, "matrix", "place", "group", "dispatch")
        lines.append((at, _with("entered in the register", details), "", _line(row)))
    for row in _rows(field, form):
        what = _with("field reading", _facts(row, "technique", "instrument", "calibration"))
        lines.append(
            (time_of(row.get("measured_at")), what, text_of(row.get("operator")), _line(row))
        )
    for row in _rows(lab, form):
        details = _facts(row, "technique", "lab_method", "digestion")
        house, paper = text_of(row.get("laboratory")), text_of(row.get("certificate"))
        for fact, what in (
            ("received_at", "received by the laboratory"),
            ("analysed_at", "analysed"),
            ("reported_at", "reported"),
        ):
            at = time_of(row.get(fact))
            if at is not None:
                lines.append((at, _with(what, details), house, f"certificate {paper or '-'}"))
        if not any(time_of(row.get(f)) for f in ("received_at", "analysed_at", "reported_at")):
            lines.append(
                (None, _with("determination", details), house, f"certificate {paper or '-'}")
            )
    for row in _rows(exclusions, form):
        about = " ".join(t for t in (text_of(row.get("element")), text_of(row.get("kind"))) if t)
        why = text_of(row.get("reason"))
        lines.append(
            (None, f"left out ({about or 'row'}): {why}", "", text_of(row.get("evidence")))
        )
    for row in _rows(releases, form, every=True):
        lines.append(
            (time_of(row.get("issued_at")), "part of a release", "", text_of(row.get("release_id")))
        )
    ordered = sorted(
        enumerate(dict.fromkeys(lines)),
        key=lambda pair: (
            pair[1][0] is None,
            pair[1][0].timestamp() if pair[1][0] else 0.0,
            pair[0],
        ),
    )
    return tuple(
        StoryLine(_iso(at), what, who, evidence) for _, (at, what, who, evidence) in ordered
    )


def _rows(
    frame: pd.DataFrame | None, form: str, *, every: bool = False
) -> Iterable[Mapping[Any, Any]]:
    if frame is None or frame.empty:
        return []
    ids = column(frame, "sample_id")
    whole = every and "sample_id" not in frame.columns
    keep = [whole or comparison_form(cell) == form for cell in ids]
    return frame.loc[keep].to_dict("records")


def _facts(row: Mapping[Any, Any], *names: str) -> list[str]:
    return [text_of(row.get(name)) for name in names]


def _line(row: Mapping[Any, Any]) -> str:
    number = number_of(row.get("row"))
    return f"row {number:.0f}" if number == number else ""


def _with(what: str, details: Iterable[str]) -> str:
    told = ", ".join(d for d in details if d)
    return f"{what}: {told}" if told else what


def _iso(at: datetime | None) -> str:
    return "" if at is None else at.replace(tzinfo=None).isoformat(timespec="seconds") + "Z"
