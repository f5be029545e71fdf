"""The document: page furniture, bookmarks, and numbers of pages, written when all are known."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from reportlab import rl_config
from reportlab.lib.colors import black
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
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

rl_config.useA85 = 0  # pages as they are packed, without a coat of letters: smaller and sooner


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
    label: str = ""  # stands before the numbers of the pages


@dataclass(slots=True)
class Pages:
    """Page numbers by bookmark, once the pages are made."""

    total: int = 0
    of: dict[str, int] = field(default_factory=dict)

    def text(self, anchor: str) -> str:
        """The page of a bookmark; nothing where the document has none of that name."""
        return str(self.of.get(anchor, ""))


#: Where on its page a line ends, how large it is, and what gives it.
_Waiting = tuple[float, float, float, Callable[[Pages], str]]


class Numbered(Canvas):  # type: ignore[misc]
    """A canvas on which a line of text may wait for the numbers of pages."""

    def __init__(self, *given: Any, pages: Pages, **named: Any) -> None:
        super().__init__(*given, **named)
        self._known = pages
        self._waiting: list[_Waiting] = []
        self._left: list[tuple[Any, list[_Waiting]]] = []  # pages with what waits on them

    def later(self, x: float, y: float, size: float, say: Callable[[Pages], str]) -> None:
        """Write what ``say`` gives at the end, ending at ``x``, ``y`` of the current axes."""
        self._waiting.append((*self.absolutePosition(x, y), size, say))

    def showPage(self) -> None:
        """Close the page; what waits on it is kept with it."""
        waiting, self._waiting = self._waiting, []
        super().showPage()
        if waiting:
            self._left.append((self._doc.Pages.pages[-1], waiting))

    def save(self) -> None:
        """Write what waited, then the file."""
        if self._code:
            self.showPage()
        for page, waiting in self._left:
            for x, y, size, say in waiting:
                self.setFillColor(black)
                self.setFont(fonts.REGULAR, size)
                self.drawRightString(x, y, say(self._known))
            page.stream += "\n".join(self._code) + "\n"
            self._code.clear()
        super().save()


class PageOf(Flowable):  # type: ignore[misc]
    """The number of a bookmark's page, at the right of its room, as a link."""

    def __init__(self, anchor: str, name: str = "cell") -> None:
        super().__init__()
        self._anchor, self._style = anchor, style(name)

    def wrap(self, width: float, _: float) -> tuple[float, float]:
        """One line."""
        self.width, self.height = width, self._style.leading
        return self.width, self.height

    def draw(self) -> None:
        """The link now, the number when it is known."""
        size = self._style.fontSize
        up = self.height - pdfmetrics.getAscent(fonts.REGULAR, size)
        self.canv.later(self.width, up, size, lambda pages: pages.text(self._anchor))
        self.canv.linkRect(
            "", self._anchor, (0, 0, self.width, self.height), relative=1, thickness=0
        )


#: A number of pages as wide as any.
_WIDEST = 888


class Book(BaseDocTemplate):  # type: ignore[misc]
    """One pass over the story."""

    def __init__(self, target: io.BytesIO, meta: Meta) -> None:
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
        self.meta = meta
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

    def _furniture(self, canvas: Numbered, _: BaseDocTemplate) -> None:
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
        page, label = self.page, self.meta.label

        def line(total: int) -> str:
            return self.meta.footer.format(
                release=self.meta.release_id, page=f"{label}{page}", total=f"{label}{total}"
            )

        left = width - 2 * MARGIN_X - fonts.width(line(_WIDEST), 7.5) - 12
        canvas.drawString(MARGIN_X, bottom - 10, fonts.fitting(self.meta.title, 7.5, left))
        canvas.later(width - MARGIN_X, bottom - 10, 7.5, lambda pages: line(pages.total))
        if label and page == 1:
            canvas.addPageLabel(0, style="ARABIC", start=1, prefix=label)
        canvas.restoreState()


def body_size(paper: str) -> tuple[float, float]:
    """Width and height of the body of a page, in points."""
    width, height = PAPERS.get(paper, PAPERS["A4"])
    return width - 2 * MARGIN_X, height - MARGIN_TOP - MARGIN_BOTTOM


def make(meta: Meta, story: Callable[[], list[Flowable]]) -> bytes:
    """The finished PDF, in one pass: numbers of pages are written when the last page is made."""
    fonts.register()
    paragraphs.forget()  # what a document that failed may have left
    target = io.BytesIO()
    book = Book(target, meta)
    book.build(story(), canvasmaker=partial(Numbered, pages=book.found))
    paragraphs.forget()
    return target.getvalue()
