"""Bar codes and QR codes of ids, in sizes that an office printer prints and a reader reads.

Code 128 (ISO/IEC 15417) holds printable ASCII; its quiet zone is ten modules on either
side. A QR code (ISO/IEC 18004) holds any text, as UTF-8; its quiet zone is four modules.
Both facts of the standards from memory. Module widths are whole dots of a 600 dpi
printer, so that no bar is rounded; the narrowest are common practice, no source.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from reportlab.graphics.barcode import qrencoder
from reportlab.graphics.barcode.code128 import Code128
from reportlab.lib.units import inch
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

from reconcile.reporting import words

DOT = inch / 600
#: Widths of a module in dots, best first: 0.34 to 0.21 mm for bars, 0.68 to 0.34 mm for squares.
BAR_DOTS = (8, 7, 6, 5)
SQUARE_DOTS = (16, 14, 12, 10, 8)  # even: whole dots at 300 dpi too
BAR_QUIET, SQUARE_QUIET = 10, 4
#: Longest text of a QR code, in bytes of UTF-8: an id of 200 characters of any script.
MOST_BYTES = 800
_ALPHANUMERIC = re.compile(r"[-0-9A-Z $%*+./:]+")
_UTF8 = 26  # number of the encoding in the QR code's own list

NOT_PLAIN = words.CODE_NOT_PLAIN
TOO_LONG = words.CODE_TOO_LONG
NO_CODE = words.CODE_NONE


@dataclass(frozen=True, slots=True)
class Squares:
    """The dark modules of a QR code, row by row from the top."""

    rows: tuple[tuple[bool, ...], ...]

    @property
    def side(self) -> int:
        """Modules of one side, quiet zone included."""
        return len(self.rows) + 2 * SQUARE_QUIET


class BarCode(Flowable):  # type: ignore[misc]
    """A Code 128 bar code with its quiet zones."""

    def __init__(self, text: str, module: float, height: float) -> None:
        super().__init__()
        quiet = BAR_QUIET * module
        self.bars = Code128(
            text, barWidth=module, barHeight=height, quiet=1, lquiet=quiet, rquiet=quiet
        )
        self.width, self.height = self.bars.width, height

    def wrap(self, *_: float) -> tuple[float, float]:
        """Its own size."""
        return self.width, self.height

    def draw(self) -> None:
        """Bars only; the text stands beside it."""
        self.bars.canv = self.canv
        self.bars.draw()


class SquareCode(Flowable):  # type: ignore[misc]
    """A QR code with its quiet zone."""

    def __init__(self, squares: Squares, module: float) -> None:
        super().__init__()
        self.squares, self.module = squares, module
        self.width = self.height = squares.side * module

    def wrap(self, *_: float) -> tuple[float, float]:
        """Its own size."""
        return self.width, self.height

    def draw(self) -> None:
        """Dark modules as one path, so that no seam shows between them."""
        canvas: Canvas = self.canv
        path = canvas.beginPath()
        for number, row in enumerate(self.squares.rows):
            y = self.height - (SQUARE_QUIET + number + 1) * self.module
            start = 0
            while start < len(row):
                end = start
                while end < len(row) and row[end]:
                    end += 1
                if end > start:
                    x = (SQUARE_QUIET + start) * self.module
                    path.rect(x, y, (end - start) * self.module, self.module)
                start = end + 1
        canvas.drawPath(path, stroke=0, fill=1)


def bar_code(text: str, room: float, height: float) -> BarCode | str:
    """The widest bar code of ``text`` within ``room`` points, or why there is none."""
    # Beyond ASCII the encoder would take some letters for its control codes.
    if not text or not (text.isascii() and text.isprintable()):
        return NOT_PLAIN
    if len(text) > 80:
        return TOO_LONG
    for dots in BAR_DOTS:
        bars = BarCode(text, dots * DOT, height)
        if bars.width <= room:
            return bars
    return TOO_LONG


def square_code(text: str, room: float) -> SquareCode | str:
    """The QR code of ``text``: within ``room`` points where that reads, else larger; or why none.

    A code wider than ``room`` has the narrowest modules.
    """
    squares = _squares(text)
    if squares is None:
        return NO_CODE
    for dots in SQUARE_DOTS:
        if squares.side * dots * DOT <= room:
            return SquareCode(squares, dots * DOT)
    return SquareCode(squares, SQUARE_DOTS[-1] * DOT)


@lru_cache(maxsize=1 << 12)
def _squares(text: str) -> Squares | None:
    data = text.encode("utf-8", "backslashreplace")
    if not data or len(data) > MOST_BYTES:
        return None
    if _ALPHANUMERIC.fullmatch(text):
        parts = [qrencoder.QRAlphaNum(text)]
    elif text.isascii():
        parts = [qrencoder.QR8bitByte(data)]
    else:
        parts = [qrencoder.QRECI(_UTF8), qrencoder.QR8bitByte(data)]
    level = qrencoder.QRErrorCorrectLevel.M
    sizing = qrencoder.QRCode(None, level)
    for part in parts:
        sizing.addData(part)
    version = sizing.calculate_version()
    if len(parts) > 1:  # the library does not count the eight bits that name the encoding
        sizing.addData(qrencoder.QR8bitByte(b"x"))
        version = sizing.calculate_version()
    code = qrencoder.QRCode(version, level)
    for part in parts:
        code.addData(part)
    code.make()
    return Squares(tuple(tuple(bool(cell) for cell in row) for row in code.modules))
