"""Paragraph and table styles, and small builders that every page uses."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from reportlab.lib.colors import Color, black
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, LongTable, Spacer, Table, TableStyle

from reconcile.reporting import fonts
from reconcile.reporting.manner import styled
from reconcile.reporting.render.paragraphs import Paragraph
from reconcile.reporting.text import markup

PAPERS = {"A4": A4, "Letter": LETTER}
MARGIN_X = 17 * mm
MARGIN_TOP = 17 * mm
MARGIN_BOTTOM = 15 * mm
RULE = Color(0.55, 0.55, 0.55)
SHADE = Color(0.93, 0.93, 0.93)
ACCENT = Color(0.05, 0.30, 0.45)
#: Longest text of a file that is printed in a table cell; the data files hold the whole.
CELL = 240


@cache
def style(name: str) -> ParagraphStyle:
    """A named paragraph style."""
    fonts.register()
    sizes = {
        "title": (20, 24, 0, 3),
        "subtitle": (11, 14, 0, 6),
        "h1": (14, 17, 2, 4),
        "h2": (10, 12.5, 6, 2),
        "h3": (8.5, 10.5, 4, 1.5),
        "body": (9, 12, 0, 3),
        "small": (7.5, 9.6, 0, 2),
        "cell": (7.2, 8.8, 0, 0),
        "cell-bold": (7.2, 8.8, 0, 0),
        "cell-right": (7.2, 8.8, 0, 0),
        "head": (6.9, 8.4, 0, 0),
        "head-right": (6.9, 8.4, 0, 0),
        "mono": (6.6, 8.2, 0, 0),
        "verdict": (11, 13.5, 0, 1),
    }
    size, leading, before, after = sizes[name]
    bold = name in {"title", "h1", "h2", "h3", "cell-bold", "head", "head-right", "verdict"}
    return ParagraphStyle(
        name,
        fontName=fonts.BOLD if bold else fonts.REGULAR,
        fontSize=size,
        leading=leading,
        spaceBefore=before,
        spaceAfter=after,
        alignment=TA_RIGHT if name.endswith("right") else 0,
        textColor=ACCENT if name in {"title", "h1"} else black,
        splitLongWords=1,
        bulletFontName=fonts.REGULAR,
    )


def own(text: str, name: str = "body") -> Paragraph:
    """A paragraph of our own words and numbers; what comes from a file in it is escaped too."""
    return Paragraph(styled(markup(text)), style(name))


def foreign(text: object, name: str = "cell", limit: int = CELL) -> Paragraph:
    """A paragraph of text from a file: escaped, printable, cut at ``limit`` characters."""
    return Paragraph(markup(text, limit), style(name))


def worded(text: object, name: str = "cell", limit: int = CELL) -> Paragraph:
    """A paragraph of the program's words that may quote a file: as ``foreign``, but styled."""
    return Paragraph(styled(markup(text, limit)), style(name))


def link(text: str, target: str, name: str = "cell") -> Paragraph:
    """Our own text as a link to a bookmark of our own making."""
    return Paragraph(f'<a href="#{target}">{markup(text)}</a>', style(name))


def grid(
    headings: Sequence[str],
    rows: Sequence[Sequence[Flowable | str]],
    widths: Sequence[float],
    right: Sequence[int] = (),
    compact: bool = False,
) -> Table:
    """A ruled table that repeats its headings on each page.

    Strings are our own words; text from files comes as ``foreign`` paragraphs. Columns in
    ``right`` hold numbers.
    """
    head = [own(text, "head-right" if i in right else "head") for i, text in enumerate(headings)]
    body = [
        [
            own(cell, "cell-right" if i in right else "cell") if isinstance(cell, str) else cell
            for i, cell in enumerate(row)
        ]
        for row in rows
    ]
    space = 0.9 if compact else 1.8
    kind = LongTable if len(rows) > 60 else Table
    return kind(
        [head, *body],
        colWidths=list(widths),
        repeatRows=1,
        hAlign="LEFT",
        style=TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 2.5),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2.5),
                ("TOPPADDING", (0, 0), (-1, -1), space),
                ("BOTTOMPADDING", (0, 0), (-1, -1), space + 0.5),
                ("BACKGROUND", (0, 0), (-1, 0), SHADE),
                ("LINEABOVE", (0, 0), (-1, 0), 0.8, black),
                ("LINEBELOW", (0, 0), (-1, 0), 0.5, black),
                ("LINEBELOW", (0, 1), (-1, -1), 0.25, RULE),
                ("LINEBELOW", (0, -1), (-1, -1), 0.8, black),
            ]
        ),
    )


def facts(rows: Sequence[tuple[str, object]], width: float, label: float = 42 * mm) -> Table:
    """Label and value lines without rules; values are text from outside."""
    return Table(
        [[own(name, "cell-bold"), foreign(value)] for name, value in rows],
        colWidths=[label, width - label],
        hAlign="LEFT",
        style=TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 0.8),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0.8),
            ]
        ),
    )


def boxed(content: list[Flowable], width: float, fill: Color | None = None) -> Table:
    """Content in a thin frame."""
    commands = [
        ("BOX", (0, 0), (-1, -1), 0.8, black),
        ("LEFTPADDING", (0, 0), (-1, -1), 6),
        ("RIGHTPADDING", (0, 0), (-1, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 4),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
    ]
    if fill is not None:
        commands.append(("BACKGROUND", (0, 0), (-1, -1), fill))
    return Table([[content]], colWidths=[width], hAlign="LEFT", style=TableStyle(commands))


def columns(cells: list[list[Flowable]], widths: Sequence[float]) -> Table:
    """Columns without rules or padding, top aligned."""
    return Table(
        [cells],
        colWidths=list(widths),
        hAlign="LEFT",
        style=TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 0),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
            ]
        ),
    )


def beside(left: list[Flowable], right: list[Flowable], width: float, gap: float = 5 * mm) -> Table:
    """Two columns of equal width."""
    half = (width - gap) / 2
    return columns([left, [], right], [half, gap, half])


def gap(points: float) -> Spacer:
    """Vertical space."""
    return Spacer(1, points)


def height_of(content: Sequence[Flowable], width: float) -> float:
    """Height of flowables one below the other, as a page would set them."""
    total, after = 0.0, 0.0
    for flowable in content:
        _, height = flowable.wrap(width, 10_000)
        total += max(after, flowable.getSpaceBefore()) + height
        after = flowable.getSpaceAfter()
    return total + after
