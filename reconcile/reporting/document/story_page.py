"""One sample's story on one page: custody, readings, determinations, releases, evidence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from PIL.Image import Image as Picture
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.platypus import Flowable, Spacer, Table, TableStyle

from reconcile.reporting import words
from reconcile.reporting.render import book, codes
from reconcile.reporting.render.book import Meta
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import columns, foreign, gap, grid, height_of, own, style
from reconcile.reporting.text import markup, printable

_MOST_PICTURES = 4
_ROWS = (16, 12, 9, 7, 5, 4, 3, 2, 1)


@dataclass(frozen=True, slots=True)
class Act:
    """One custody event."""

    at: str
    what: str
    holder: str
    seal: str
    written_in: str


@dataclass(frozen=True, slots=True)
class Results:
    """Readings of one method, or one determination."""

    at: str
    method: str
    count: str
    values: str
    who: str
    written_in: str


@dataclass(frozen=True, slots=True)
class Use:
    """What a release did with the sample."""

    release: str
    what: str


@dataclass(frozen=True, slots=True)
class Shown:
    """One file that is evidence."""

    file: str
    at: str
    note: str
    sha256: str
    picture: Picture | None
    remark: str


@dataclass(frozen=True, slots=True)
class StoryPage:
    """All that the page may show; every text may come from a file."""

    sample_id: str
    project: str
    register: tuple[str, ...]
    custody: tuple[Act, ...]
    readings: tuple[Results, ...]
    determinations: tuple[Results, ...]
    uses: tuple[Use, ...]
    evidence: tuple[Shown, ...]
    summary: str
    paper: str = "A4"


def story_page(page: StoryPage) -> bytes:
    """The page as PDF; equal values give equal bytes.

    Where all would not fit, each table shows its first lines and says how many more there are.
    """
    name = printable(page.sample_id)[:60]
    meta = Meta(
        title=printable(page.project)[:200],
        author="",
        subject=words.STORY_OF.format(sample=name),
        release_id="",
        status="",
        running=words.STORY_OF.format(sample=name),
        paper=page.paper,
        footer=words.PAGE_OF,
    )
    width, height = book.body_size(page.paper)
    most, pictures = _ROWS[-1], 0
    for rows in _ROWS:
        tries = [n for n in (_MOST_PICTURES, 2, 0) if rows <= 7 or n]
        fitting = [n for n in tries if height_of(_content(page, width, rows, n), width) <= height]
        if fitting:
            most, pictures = rows, fitting[0]
            break
    return book.make(meta, lambda: _content(page, width, most, pictures))


def _content(page: StoryPage, width: float, most: int, pictures: int) -> list[Flowable]:
    story = [_head(page, width)]
    story += [foreign(text, "small", 300) for text in page.register[:2]]
    story += _table(
        words.STORY_CUSTODY, words.STORY_CUSTODY_HEADINGS,
        (0.14, 0.28, 0.17, 0.13, 0.28), width, most, page.custody,
        lambda a: (a.at, a.what, a.holder, a.seal, a.written_in),
        words.STORY_NO_CUSTODY,
    )  # fmt: skip
    for title, results, none in (
        (words.STORY_READINGS, page.readings, words.STORY_NO_READING),
        (words.STORY_DETERMINATIONS, page.determinations, words.STORY_NO_DETERMINATION),
    ):
        story += _table(
            title, words.STORY_RESULT_HEADINGS,
            (0.13, 0.17, 0.05, 0.3, 0.1, 0.25), width, most, results,
            lambda r: (r.at, r.method, r.count, r.values, r.who, r.written_in), none,
        )  # fmt: skip
    story += _table(
        words.STORY_USES, words.STORY_USE_HEADINGS, (0.22, 0.78), width, most,
        page.uses, lambda u: (u.release, u.what), words.STORY_NO_USE,
    )  # fmt: skip
    story += _evidence(page.evidence, width, most, pictures)
    return [*story, gap(3), foreign(page.summary, "small", 400)]


def _head(page: StoryPage, width: float) -> Table:
    room = 72 * mm
    found = (
        codes.bar_code(page.sample_id, room - 17 * mm, 9 * mm),
        codes.square_code(page.sample_id, 15 * mm),
    )
    shown = [c for c in found if not isinstance(c, str) and c.width <= room - 16 * mm]
    code = Table(
        [shown], colWidths=[c.width for c in shown], hAlign="RIGHT",
        style=TableStyle([("VALIGN", (0, 0), (-1, -1), "MIDDLE"), *_NO_PADDING]),
    ) if shown else Spacer(1, 1)  # fmt: skip
    title = [
        Paragraph(words.STORY_TITLE, style("subtitle")),
        Paragraph(markup(page.sample_id, 160), style("h1")),
        foreign(page.project, "small", 160),
    ]
    return columns([title, [code]], [width - room, room])


_NO_PADDING = [
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ("RIGHTPADDING", (0, 0), (-1, -1), 0),
    ("TOPPADDING", (0, 0), (-1, -1), 0),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
]


def _table(
    title: str,
    headings: tuple[str, ...],
    shares: tuple[float, ...],
    width: float,
    most: int,
    rows: tuple[Any, ...],
    cells: Callable[[Any], tuple[str, ...]],
    none: str,
) -> list[Flowable]:
    story: list[Flowable] = [own(title, "h2")]
    if not rows:
        return [*story, own(none, "small")]
    limits = [max(24, int(share * 520)) for share in shares]
    body = [
        [foreign(text, "cell", limit) for text, limit in zip(cells(row), limits, strict=True)]
        for row in rows[:most]
    ]
    story.append(grid(headings, body, [width * share for share in shares], compact=True))
    if len(rows) > most:
        story.append(own(words.STORY_MORE.format(n=len(rows) - most), "small"))
    return story


def _evidence(
    evidence: tuple[Shown, ...], width: float, most: int, pictures: int
) -> list[Flowable]:
    story: list[Flowable] = [own(words.STORY_EVIDENCE, "h2")]
    if not evidence:
        return [*story, own(words.STORY_NO_EVIDENCE, "small")]
    seen = [e for e in evidence if e.picture is not None][:pictures]
    rest = [e for e in evidence if not any(e is s for s in seen)]
    if seen:
        between = 4 * mm
        room = (width + between) / _MOST_PICTURES - between
        cells = [[Thumbnail(e.picture, room), *_caption(e)] for e in seen if e.picture]
        cells += [[] for _ in range(_MOST_PICTURES - len(cells))]
        spaced = [part for cell in cells for part in (cell, [])][:-1]
        widths = [w for _ in cells for w in (room, between)][:-1]
        story += [columns(spaced, widths), gap(3)]
    for item in rest[:most]:
        parts = [item.file, _utc(item.at), item.note, item.remark]
        parts.append(words.STORY_SHA.format(sha256=item.sha256) if item.sha256 else "")
        story.append(foreign(" · ".join(p for p in parts if p), "cell", 400))
    if len(rest) > most:
        story.append(own(words.STORY_MORE_FILES.format(n=len(rest) - most), "small"))
    return story


def _utc(at: str) -> str:
    return words.STORY_UTC.format(at=at) if at else words.STORY_NO_TIME


class Thumbnail(Flowable):  # type: ignore[misc]
    """A picture within ``room`` points of width and 34 mm of height."""

    def __init__(self, picture: Picture, room: float) -> None:
        super().__init__()
        self.picture = picture
        scale = min(room / picture.width, 34 * mm / picture.height)
        self.width, self.height = picture.width * scale, picture.height * scale

    def wrap(self, *_: float) -> tuple[float, float]:
        """Its own size."""
        return self.width, self.height

    def draw(self) -> None:
        """The picture's points only; no metadata goes into the file."""
        self.canv.drawImage(ImageReader(self.picture), 0, 0, self.width, self.height)


def _caption(item: Shown) -> list[Flowable]:
    lines = [foreign(item.file, "cell-bold", 60), foreign(_utc(item.at), "cell")]
    lines += [foreign(text, "cell", 90) for text in (item.note, item.remark) if text]
    return [*lines, foreign(words.STORY_SHA.format(sha256=item.sha256), "mono")]
