"""The document: page furniture, bookmarks, page numbers of two passes."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    ActionFlowable,
    BaseDocTemplate,
    Flowable,
    Frame,
    PageBreak,
    PageTemplate,
    Spacer,
)

from reconcile.reporting import fonts, words
from reconcile.reporting.render import paragraphs
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.render.styles import (
    MARGIN_BOTTOM,
    MARGIN_TOP,
    MARGIN_X,
    PAPERS,
    RULE,
    style,
)
from reconcile.reporting.text import markup, printable


class Heading(Paragraph):
    """A heading that is also a bookmark and the running title of its pages."""

    def __init__(
        self, text: str, anchor: str, outline: int = 0, name: str = "h1", title: str = ""
    ) -> None:
        super().__init__(markup(text, 200), style(name))
        self.keepWithNext = 1
        self.entry = (printable(title or text)[:200], anchor, outline)


class Group(Flowable):  # type: ignore[misc]
    """A bookmark without a printed heading, over the headings that follow."""

    width = height = 0

    def __init__(self, text: str, anchor: str) -> None:
        super().__init__()
        self.entry = (text, anchor, 0)

    def wrap(self, *_: float) -> tuple[float, float]:
        """Takes no room."""
        return 0, 0

    def draw(self) -> None:
        """Shows nothing."""


@dataclass(frozen=True, slots=True)
class Meta:
    """What the furniture of every page and the file's properties say."""

    title: str
    author: str
    subject: str
    release_id: str
    status: str  # "" or a warning for the head of each page
    running: str
    paper: str
    footer: str = words.PAGE  # may name {release}, {page} and {total}


@dataclass(slots=True)
class Pages:
    """Page numbers by bookmark, from the pass before; empty in the first pass."""

    total: int = 0
    of: dict[str, int] = field(default_factory=dict)

    def text(self, anchor: str) -> str:
        """The page of a bookmark; a figure of the same width before it is known."""
        return str(self.of.get(anchor, 0))


class Book(BaseDocTemplate):  # type: ignore[misc]
    """One pass over the story."""

    def __init__(self, target: io.BytesIO, meta: Meta, pages: Pages) -> None:
        size = PAPERS.get(meta.paper, PAPERS["A4"])
        super().__init__(
            target,
            pagesize=size,
            leftMargin=MARGIN_X,
            rightMargin=MARGIN_X,
            topMargin=MARGIN_TOP,
            bottomMargin=MARGIN_BOTTOM,
            title=meta.title,
            author=meta.author,
            subject=meta.subject,
            creator=words.PROGRAM,
            invariant=1,
            pageCompression=1,
            lang="en",
            initialFontName=fonts.REGULAR,
        )
        self.meta, self.known = meta, pages
        self.found = Pages()
        self.section = self.head = ""
        self._top = True
        width, height = body_size(meta.paper)
        frame = Frame(
            MARGIN_X, MARGIN_BOTTOM, width, height,
            leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0,
        )  # fmt: skip
        self.addPageTemplates([PageTemplate("page", [frame], onPageEnd=self._furniture)])

    def afterFlowable(self, flowable: Any) -> None:
        """Note each heading as bookmark and running title."""
        entry = getattr(flowable, "entry", None)
        if entry is None:
            self._top = self._top and isinstance(flowable, (ActionFlowable, Spacer, PageBreak))
            return
        title, anchor, level = entry
        self.canv.bookmarkPage(anchor)
        self.canv.addOutlineEntry(title, anchor, level, closed=level > 0)
        self.found.of[anchor] = self.page
        if not isinstance(flowable, Group):
            self.section = title
            if self._top:
                self.head = title
            self._top = False

    def beforePage(self) -> None:
        """A page that starts without a heading continues the section before."""
        self.head, self._top = self.section, True

    def afterPage(self) -> None:
        """Count."""
        self.found.total = self.page

    def _furniture(self, canvas: Canvas, _: BaseDocTemplate) -> None:
        width, height = self.pagesize
        canvas.saveState()
        canvas.setStrokeColor(RULE)
        canvas.setLineWidth(0.4)
        top, bottom = height - MARGIN_TOP + 3 * mm, MARGIN_BOTTOM - 3 * mm
        canvas.line(MARGIN_X, top, width - MARGIN_X, top)
        canvas.line(MARGIN_X, bottom, width - MARGIN_X, bottom)
        room = width / 2 - MARGIN_X - fonts.width(self.meta.status, 7.5, bold=True) / 2 - 8
        canvas.setFont(fonts.REGULAR, 7.5)
        canvas.drawString(MARGIN_X, top + 4, fonts.fitting(self.meta.running, 7.5, room))
        canvas.drawRightString(
            width - MARGIN_X, top + 4, fonts.fitting(self.head if self.page > 1 else "", 7.5, room)
        )
        canvas.setFont(fonts.BOLD, 7.5)
        canvas.drawCentredString(width / 2, top + 4, self.meta.status)
        canvas.setFont(fonts.REGULAR, 7.5)
        line = self.meta.footer.format(
            release=self.meta.release_id, page=self.page, total=self.known.total or 0
        )
        left = width - 2 * MARGIN_X - fonts.width(line, 7.5) - 12
        canvas.drawString(MARGIN_X, bottom - 10, fonts.fitting(self.meta.title, 7.5, left))
        canvas.drawRightString(width - MARGIN_X, bottom - 10, line)
        canvas.restoreState()


def body_size(paper: str) -> tuple[float, float]:
    """Width and height of the body of a page, in points."""
    width, height = PAPERS.get(paper, PAPERS["A4"])
    return width - 2 * MARGIN_X, height - MARGIN_TOP - MARGIN_BOTTOM


def make(meta: Meta, story: Callable[[Pages], list[Flowable]]) -> bytes:
    """The finished PDF: passes are repeated until the page numbers they print are true."""
    fonts.register()
    paragraphs.forget()  # what a document that failed may have left
    pages = Pages()
    for _ in range(4):
        target = io.BytesIO()
        book = Book(target, meta, pages)
        book.build(story(pages))
        if (book.found.total, book.found.of) == (pages.total, pages.of):
            break
        pages = book.found
    paragraphs.forget()
    return target.getvalue()
