"""The custody form of one dispatch, to be printed, signed and kept with the samples.

The form goes to the laboratory with the samples: what is a blank, a duplicate or a
reference material is not on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reportlab.lib.colors import black
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, Table, TableStyle

from reconcile.reporting import words
from reconcile.reporting.render import book, codes
from reconcile.reporting.render.book import Meta
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import (
    RULE,
    SHADE,
    beside,
    columns,
    facts,
    foreign,
    gap,
    grid,
    own,
    style,
)
from reconcile.reporting.text import markup, printable

#: Longest id that is printed whole; a longer one is cut, and the form says how long it is.
ID_LIMIT = 1800
_BAR_ROOM, _SQUARE_ROOM, _SQUARE_CELL = 72 * mm, 12.5 * mm, 14 * mm
_HANDOVERS = 3
_BOX = "\N{BALLOT BOX}"


@dataclass(frozen=True, slots=True)
class SampleLine:
    """One sample of the dispatch."""

    sample_id: str
    mass: str  # with its unit; "" where not known


@dataclass(frozen=True, slots=True)
class EventLine:
    """One custody event that the record already holds."""

    at: str
    event: str
    by: str
    to: str
    seal: str
    containers: str
    mass: str


@dataclass(frozen=True, slots=True)
class CustodyForm:
    """All that is printed; every text may come from a file."""

    dispatch: str
    project: str
    zone: str
    facts: tuple[tuple[str, str], ...]
    events: tuple[EventLine, ...]
    samples: tuple[SampleLine, ...]
    notes: tuple[str, ...]
    sources: tuple[str, ...]
    paper: str = "A4"


def custody_form(form: CustodyForm) -> bytes:
    """The form as PDF; equal values give equal bytes."""
    name = printable(form.dispatch)[:60]
    meta = Meta(
        title=printable(form.project)[:200],
        author="",
        subject=words.FORM_SUBJECT.format(dispatch=name),
        release_id="",
        status="",
        running=words.FORM_RUNNING.format(dispatch=name),
        paper=form.paper,
        footer=words.PAGE_OF,
    )
    width = book.body_size(form.paper)[0]
    return book.make(meta, lambda: [*_first_part(form, width), *_sample_table(form, width)])


def _first_part(form: CustodyForm, width: float) -> list[Flowable]:
    code_room = 62 * mm
    bars = codes.bar_code(form.dispatch, code_room - 16 * mm, 9 * mm)
    square = codes.square_code(form.dispatch, 14 * mm)
    right = [x for x in (bars, square) if not isinstance(x, str) and x.width <= code_room]
    head = columns(
        [
            [own(words.FORM_TITLE, "title"), foreign(form.project, "subtitle", 160)],
            [_row(right)] if right else [],
        ],
        [width - code_room, code_room],
    )
    number = Paragraph(words.FORM_DISPATCH.format(dispatch=markup(form.dispatch, 120)), style("h1"))
    half = (len(form.facts) + 1) // 2
    room = (width - 5 * mm) / 2
    known = [[facts(part, room, 36 * mm)] if part else [] for part in
             (form.facts[:half], form.facts[half:])]  # fmt: skip
    story: list[Flowable] = [head, number, beside(known[0], known[1], width)]
    story += [foreign(note, "small", 400) for note in form.notes]
    if form.events:
        story += [own(words.FORM_RECORDED, "h2"), _events(form, width)]
    story += [own(words.FORM_SENDER, "h2"), _sender(width)]
    story += [own(words.FORM_HANDOVER, "h2"), _handovers(form, width)]
    story += [own(words.FORM_RECEIPT, "h2"), _receipt(width), own(words.FORM_CAUTION, "small")]
    return story


def _row(flowables: Sequence[Flowable]) -> Table:
    return Table(
        [list(flowables)],
        colWidths=[f.width for f in flowables],
        hAlign="RIGHT",
        style=TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 0),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
            ]
        ),
    )


def _events(form: CustodyForm, width: float) -> Table:
    shares = (0.2, 0.12, 0.19, 0.19, 0.12, 0.09, 0.09)
    return grid(
        [text.format(zone=form.zone) for text in words.FORM_EVENT_HEADINGS],
        [
            [foreign(c) for c in (e.at, e.event, e.by, e.to, e.seal)]
            + [foreign(e.containers, "cell-right"), foreign(e.mass, "cell-right")]
            for e in form.events
        ],
        [width * share for share in shares],
        right=(5, 6),
        compact=True,
    )


def _blank(rows: list[list[Any]], widths: list[float], heights: list[float]) -> Table:
    """Cells to be written in by hand: ruled, the label small at the top left."""
    return Table(
        rows,
        colWidths=widths,
        rowHeights=heights,
        hAlign="LEFT",
        style=TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 3),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
                ("GRID", (0, 0), (-1, -1), 0.4, RULE),
                ("BOX", (0, 0), (-1, -1), 0.8, black),
            ]
        ),
    )


def _labels(*texts: str) -> list[Flowable]:
    return [own(text, "cell") for text in texts]


def _sender(width: float) -> Table:
    third = width / 3
    return _blank(
        [_labels(*texts) for texts in words.FORM_SENDER_FIELDS],
        [third] * 3,
        [10 * mm, 10 * mm],
    )


def _handovers(form: CustodyForm, width: float) -> Table:
    one = [width * share for share in (0.2, 0.14, 0.16)]
    head = [own(text, "head") for text in words.FORM_HANDOVER_HEADINGS]
    table = _blank(
        [head, *([[""] * 6 for _ in range(_HANDOVERS)])],
        one * 2,
        [6.5 * mm] + [12 * mm] * _HANDOVERS,
    )
    table.setStyle(
        TableStyle(
            [
                ("BACKGROUND", (0, 0), (-1, 0), SHADE),
                ("LINEAFTER", (2, 0), (2, -1), 0.8, black),
            ]
        )
    )
    return table


def _receipt(width: float) -> Table:
    quarter = width / 4
    yes_no = words.FORM_YES_NO.format(box=_BOX)
    table = _blank(
        [
            [
                *_labels(words.FORM_SEALS_FOUND),
                _labels(words.FORM_SEALS_INTACT, yes_no),
                *_labels(words.FORM_CONTAINERS),
                _labels(words.FORM_COUNT_AGREES, yes_no),
            ],
            [
                own(words.FORM_CONDITION.format(box=_BOX), "cell"),
                "",
                own(words.FORM_MASS_FOUND, "cell"),
                own(words.FORM_STORED_AT, "cell"),
            ],
            [own(words.FORM_MISSING, "cell"), "", own(words.FORM_EXTRA, "cell"), ""],
            [own(words.FORM_DEVIATIONS, "cell"), "", "", ""],
        ],
        [quarter] * 4,
        [10 * mm, 10 * mm, 10 * mm, 12 * mm],
    )
    spans = [("SPAN", (0, 1), (1, 1)), ("SPAN", (0, 2), (1, 2)), ("SPAN", (2, 2), (3, 2))]
    table.setStyle(TableStyle([*spans, ("SPAN", (0, 3), (-1, 3))]))
    return table


def _sample_table(form: CustodyForm, width: float) -> list[Flowable]:
    fixed = (9 * mm, _BAR_ROOM + 2 * mm, _SQUARE_CELL + 1 * mm, 14 * mm, 11 * mm, 18 * mm)
    rows: list[list[Flowable | str]] = []
    for number, sample in enumerate(form.samples, start=1):
        bar, square = _codes(sample.sample_id)
        rows.append(
            [
                str(number),
                _id(sample.sample_id),
                bar,
                square,
                foreign(sample.mass, "cell-right"),
                own(_BOX, "verdict"),
                own(words.FORM_TWO_BOXES.format(box=_BOX), "verdict"),
            ]
        )
    widths = [fixed[0], width - sum(fixed), *fixed[1:]]
    table = grid(
        words.FORM_SAMPLE_HEADINGS,
        rows, widths, right=(0, 4),
    )  # fmt: skip
    table.setStyle(
        TableStyle([("VALIGN", (0, 1), (-1, -1), "MIDDLE"), ("LEFTPADDING", (5, 0), (5, -1), 8)])
    )
    sources = words.FORM_SOURCES.format(files="; ".join(form.sources))
    return [
        CondPageBreak(35 * mm),
        own(words.FORM_SAMPLES.format(n=len(form.samples)), "h2"),
        table,
        gap(4),
        own(words.FORM_END, "small"),
        foreign(sources, "small", 1200),
    ]


def _id(text: str) -> Flowable:
    """The id whole; small where it would be taller than a page."""
    small = len(printable(text)) > 600
    return foreign(text, "mono" if small else "cell-bold", ID_LIMIT)


def _codes(text: str) -> tuple[Flowable | list[Flowable], Flowable]:
    """What stands in the two code cells; a large QR code takes the bar code's place."""
    bar = codes.bar_code(text, _BAR_ROOM, 8 * mm)
    square = codes.square_code(text, _SQUARE_ROOM)
    if isinstance(square, str):
        return own(square, "cell"), own("", "cell")
    if not isinstance(bar, str):
        return bar, square
    if square.width > _SQUARE_CELL:
        return [square, own(bar, "cell")], own("", "cell")
    return own(bar, "cell"), square
