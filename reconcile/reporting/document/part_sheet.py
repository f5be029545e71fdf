"""One part on its sheet: the photo with its spots, the line along which it was read, the places."""

from __future__ import annotations

import io
import math

import numpy as np
from PIL import Image
from reportlab.graphics.shapes import Circle, Drawing, Line
from reportlab.lib.colors import white
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.platypus import Flowable

from reconcile.judgement.sheet_content import PhotoOf, ResultSheet
from reconcile.reporting import fonts, numbers, words
from reconcile.reporting.plots import axes, canvas
from reconcile.reporting.plots.canvas import ACCENT, INK, SMALL
from reconcile.reporting.render.styles import foreign, gap, grid, own
from reconcile.reporting.text import printable

PHOTO = "photo.png"
_HEIGHT, _RADIUS = 62 * mm, 5.0
_MOST_PLACES, _MOST_ELEMENTS = 14, 8


def kept(picture: Image.Image) -> bytes:
    """The picture as a file of the sheet; equal pictures give equal bytes."""
    stream = io.BytesIO()
    picture.save(stream, format="PNG", optimize=False)
    return stream.getvalue()


def picture_of(content: bytes) -> Image.Image:
    """The picture of such a file."""
    with Image.open(io.BytesIO(content), formats=("PNG",)) as image:
        return image.convert("RGB")


def part(sheet: ResultSheet, picture: Image.Image | None, width: float) -> list[Flowable]:
    """Photo, line and places; what is not known takes no room."""
    out: list[Flowable] = []
    if sheet.photo is not None and picture is not None:
        out += [gap(3), Marked(picture, sheet.photo, width), _caption(sheet.photo)]
    else:
        out.append(own(words.SHEET_PART_NO_PHOTO, "small"))
    if not sheet.places:
        return out
    out.append(own(words.SHEET_PART_PLACES, "h3"))
    if (line := _line(sheet, width)) is not None:
        out.append(line)
    rows: list[list[Flowable | str]] = [
        [foreign(p.name, "cell"), str(p.spots), own(_read(sheet, p.values), "cell")]
        for p in sheet.places[:_MOST_PLACES]
    ]
    widths = [width * x for x in (0.34, 0.08, 0.58)]
    return [*out, grid(words.SHEET_PART_HEADINGS, rows, widths, (1,), compact=True)]


def _caption(photo: PhotoOf) -> Flowable:
    note = f": {photo.note}" if photo.note else ""
    marks = words.SHEET_PART_MARKS if photo.marks else words.SHEET_PART_NO_MARKS
    text = words.SHEET_PART_PHOTO.format(
        file=photo.file, note=note, marks=marks, sha256=photo.sha256
    )
    return foreign(text, "small", 400)


def _read(sheet: ResultSheet, values: tuple[tuple[str, float], ...]) -> str:
    matrix = sheet.results[0].mean.matrix
    found = []
    for element, value in values[:_MOST_ELEMENTS]:
        unit, per = sheet.unit_of(element, matrix)
        found.append(f"{element} {numbers.show(value * per, unit)}")
    return ", ".join(found)


class Marked(Flowable):  # type: ignore[misc]
    """A picture with numbered circles at its spots, dark on light so that grey shows them."""

    def __init__(self, picture: Image.Image, photo: PhotoOf, room: float) -> None:
        super().__init__()
        self.picture, self.photo = picture, photo
        scale = min(room / picture.width, _HEIGHT / picture.height)
        self.width, self.height = picture.width * scale, picture.height * scale

    def wrap(self, *_: float) -> tuple[float, float]:
        """Its own size."""
        return self.width, self.height

    def draw(self) -> None:
        """The picture's points only, then the marks."""
        self.canv.drawImage(ImageReader(self.picture), 0, 0, self.width, self.height)
        drawing = Drawing(self.width, self.height)
        for name, across, down in self.photo.marks:
            x, y = self.width * across / 100, self.height * (1 - down / 100)
            for radius, colour, weight in ((_RADIUS, white, 2.6), (_RADIUS, INK, 1.1)):
                drawing.add(
                    Circle(x, y, radius, fillColor=None, strokeColor=colour, strokeWidth=weight)
                )
            text = fonts.fitting(printable(name), SMALL, 60)
            wide = fonts.width(text, SMALL) + 3
            left = x - _RADIUS - 3 - wide if x + _RADIUS + wide > self.width else x + _RADIUS + 2
            self.canv.setFillColor(white)
            self.canv.rect(left, y - 3.4, wide, SMALL + 2, stroke=0, fill=1)
            canvas.text(drawing, left + 1.5, y - 1.6, text, size=SMALL)
        drawing.drawOn(self.canv, 0, 0)


def _line(sheet: ResultSheet, width: float) -> Drawing | None:
    """The positions along the line, with the names of their places; None where fewer than two."""
    at = [p for p in sheet.places if math.isfinite(p.position_mm)]
    if len({p.position_mm for p in at}) < 2:
        return None
    x = np.array([p.position_mm for p in at])
    axis = axes.linear(float(x.min()), float(x.max()), 7)
    height, left, base = 42.0, 40.0, 24.0
    frame = canvas.Frame(left, base, width - 2 * left, height - base, axis, axes.linear(0, 1, 2))
    drawing = Drawing(width, height)
    drawing.add(Line(left, base, frame.right, base, strokeColor=INK, strokeWidth=0.8))
    for tick, label in zip(axis.ticks, axis.labels, strict=True):
        px = float(frame.px(tick))
        drawing.add(Line(px, base, px, base - 3, strokeColor=INK, strokeWidth=0.6))
        canvas.text(drawing, px, base - 11, label, "middle", size=SMALL)
    canvas.text(drawing, width / 2, 3, words.SHEET_PART_LINE, "middle", size=SMALL)
    for p in at:
        px = float(frame.px(p.position_mm))
        drawing.add(Circle(px, base, 3, fillColor=ACCENT, strokeColor=white, strokeWidth=0.5))
        canvas.text(
            drawing, px, base + 6, fonts.fitting(printable(p.role or p.name), SMALL, 70), "middle",
            size=SMALL,
        )  # fmt: skip
    return drawing
