"""The embedded typeface: Unicode TrueType, subset by reportlab to the glyphs that are used."""

from __future__ import annotations

from functools import cache
from importlib import resources

from reportlab.lib.fonts import addMapping
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

REGULAR = "ReportRegular"
BOLD = "ReportBold"
#: Texts whose widths are remembered.
_MOST_WIDTHS = 200_000
#: The file of each face.
FILES = {REGULAR: "DejaVuSansCondensed.ttf", BOLD: "DejaVuSansCondensed-Bold.ttf"}


class Typeface(TTFont):  # type: ignore[misc]
    """A typeface that adds the widths of a text's characters up once."""

    def __init__(self, name: str, file: str) -> None:
        super().__init__(name, file)
        self._sums: dict[str, float] = {}

    def stringWidth(self, text: str | bytes, size: float, encoding: str = "utf8") -> float:
        """Width in points."""
        if isinstance(text, bytes):
            text = text.decode(encoding)
        total = self._sums.get(text)
        if total is None:
            if len(self._sums) >= _MOST_WIDTHS:
                self._sums.clear()
            known, otherwise = self.face.charWidths, self.face.defaultWidth
            total = sum([known.get(ord(c), otherwise) for c in text])
            self._sums[text] = total
        return float(0.001 * size * total)


@cache
def register() -> None:
    """Make the typeface known to reportlab; calling it again does nothing."""
    for name, file in FILES.items():
        with resources.as_file(resources.files("reconcile.reporting") / "typeface" / file) as path:
            pdfmetrics.registerFont(Typeface(name, str(path)))
    for bold in (0, 1):
        for italic in (0, 1):  # there is no slanted face: italics fall back to upright
            addMapping(REGULAR, bold, italic, BOLD if bold else REGULAR)


@cache
def covered() -> frozenset[int]:
    """Code points for which the typeface has a glyph."""
    register()
    return frozenset(pdfmetrics.getFont(REGULAR).face.charToGlyph)


def width(text: str, size: float, bold: bool = False) -> float:
    """Width of a line of text in points."""
    register()
    return float(pdfmetrics.stringWidth(text, BOLD if bold else REGULAR, size))


def fitting(text: str, size: float, room: float) -> str:
    """``text``, cut with an ellipsis where it is wider than ``room`` points."""
    text = text[:400]  # no line of a page holds more
    if width(text, size) <= room:
        return text
    while text and width(f"{text}…", size) > room:
        text = text[:-1]
    return f"{text}…"
