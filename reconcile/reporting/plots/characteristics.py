"""The operating characteristics as one picture: wrong acceptances left, right ones right."""

from __future__ import annotations

import math
from collections.abc import Sequence

from reportlab.graphics.shapes import Circle, Drawing, Group, Line, Polygon, Rect, Shape, String
from reportlab.lib.colors import black, white

from reconcile.reporting import fonts, words
from reconcile.reporting.plots.canvas import ACCENT, FAINT, INK, SHADE, SMALL, TEXT_SIZE
from reconcile.statistics.result import Estimate
from reconcile.trials.trial import ALLOWED, Characteristic

_LINE, _BETWEEN, _HEAD, _FOOT = 4.6, 2.2, 46.0, 4.0
_NAMES, _GAP, _END = 0.40, 0.06, 0.04  # of the width
MOST = 0.20  # right end of the axis of wrong acceptances; beyond it a number stands at the edge


def height_of(rows: Sequence[Characteristic]) -> float:
    """Height in points that :func:`characteristics` needs."""
    truths = {row.truth for row in rows}
    return _HEAD + len(rows) * _LINE + len(truths) * 2 * _BETWEEN + _FOOT


def characteristics(
    rows: Sequence[Characteristic], width: float, room: float = math.inf
) -> Drawing:
    """One line per truth; in it one mark per number of samples with its exact 95 % interval.

    The lines stand closer where ``room``, points, is less than they need.

    The thick line stands at the share of wrong acceptances that is allowed. Marks differ by
    shape, so that the picture reads without colours.
    """
    fonts.register()
    wanted = height_of(rows) - _HEAD - _FOOT
    closer = min(1.0, (room - _HEAD - _FOOT) / wanted) if wanted > 0 else 1.0
    height = _HEAD + wanted * closer + _FOOT
    each, between = _LINE * closer, _BETWEEN * closer
    drawing, body = Drawing(width, height), Group()
    sizes = sorted({row.n for row in rows})
    panel = width * (1 - _NAMES - _GAP - _END) / 2
    wrong, right = width * _NAMES, width * (_NAMES + _GAP) + panel
    top = height - _HEAD
    body.add(_text(0, height - 9, words.CHARACTERISTICS_TRUTH, TEXT_SIZE, bold=True))
    body.add(_text(wrong, height - 9, words.CHARACTERISTICS_WRONG, TEXT_SIZE, bold=True))
    body.add(_text(right, height - 9, words.CHARACTERISTICS_RIGHT, TEXT_SIZE, bold=True))
    x = wrong
    for i, n in enumerate(sizes):
        label = words.CHARACTERISTICS_SAMPLES.format(n=n)
        body.add(_mark(i, x + 3, height - 20.5))
        body.add(_text(x + 9, height - 23, label, SMALL))
        x += fonts.width(label, SMALL) + 22
    y = top
    for number, truth in enumerate(dict.fromkeys(row.truth for row in rows)):
        own = sorted((row for row in rows if row.truth == truth), key=lambda row: row.n)
        tall = len(own) * each + 2 * between
        if number % 2 == 0:
            body.add(Rect(0, y - tall, width, tall, fillColor=SHADE, strokeColor=None))
        name = fonts.fitting(truth, SMALL, wrong - 6)
        body.add(_text(0, y - tall / 2 - SMALL / 2 + 1, name, SMALL))
        for i, row in enumerate(own):
            middle = y - between - (i + 0.5) * each
            kind = sizes.index(row.n)
            body.add(_rate(wrong, panel, middle, row.wrong_rate, MOST, kind))
            body.add(_rate(right, panel, middle, row.right_rate, 1.0, kind))
        y -= tall
    for left, most, ticks in (
        (wrong, MOST, (0.0, 0.05, 0.10, 0.15, 0.20)),
        (right, 1.0, (0.0, 0.25, 0.5, 0.75, 1.0)),
    ):
        for tick in ticks:
            at = left + tick / most * panel
            drawing.add(Line(at, y, at, top + 3, strokeColor=FAINT, strokeWidth=0.5))
            body.add(_text(at, top + 6, f"{tick:.0%}", SMALL, "middle"))
    allowed = wrong + ALLOWED / MOST * panel
    body.add(Line(allowed, y, allowed, top + 3, strokeColor=INK, strokeWidth=1.2))
    drawing.add(body)
    return drawing


def _text(x: float, y: float, text: str, size: float, anchor: str = "start", bold: bool = False
) -> String:  # fmt: skip
    font = fonts.BOLD if bold else fonts.REGULAR
    return String(x, y, text, fontName=font, fontSize=size, textAnchor=anchor, fillColor=INK)


def _rate(left: float, panel: float, y: float, rate: Estimate, most: float, kind: int) -> Group:
    """The share with its interval; beyond the axis a mark at its edge."""

    def at(share: float) -> float:
        return left + min(share, most) / most * panel

    return Group(
        Line(at(rate.low), y, at(rate.high), y, strokeColor=INK, strokeWidth=0.6),
        _mark(kind, at(rate.value), y),
    )


def _mark(kind: int, x: float, y: float) -> Shape:
    """Open circle, filled square, filled diamond, open square: by number of samples."""
    r = 1.9
    look = {"strokeColor": black, "strokeWidth": 0.6}
    match kind % 4:
        case 0:
            return Circle(x, y, r, fillColor=white, **look)
        case 1:
            return Rect(x - r, y - r, 2 * r, 2 * r, fillColor=ACCENT, **look)
        case 2:
            points = [x - r - 0.4, y, x, y + r + 0.4, x + r + 0.4, y, x, y - r - 0.4]
            return Polygon(points, fillColor=black, **look)
        case _:
            return Rect(x - r, y - r, 2 * r, 2 * r, fillColor=white, **look)
