"""The operating characteristics as one picture: wrong acceptances left, right ones right."""

from __future__ import annotations

import html
from collections.abc import Sequence

from reconcile.statistics.result import Estimate
from reconcile.trials.trial import ALLOWED, Characteristic

_INK, _GREY, _LIGHT, _RIGHT, _WRONG = "#1a1a1a", "#666666", "#dddddd", "#0d4d73", "#b3261e"
_NAMES, _PANEL, _GAP, _LINE, _HEAD = 330.0, 200.0, 34.0, 13.0, 96.0
_WIDTH = _NAMES + 2 * _PANEL + _GAP + 60
_MOST = 0.20  # right end of the axis of wrong acceptances; beyond it the bar is cut and numbered


def draw(rows: Sequence[Characteristic]) -> str:
    """An SVG with one group of bars per truth and one bar per number of samples.

    Whiskers are the exact 95 % intervals of the shares; the thin line stands at the 5 % that are
    allowed.
    """
    truths = list(dict.fromkeys(row.truth for row in rows))
    parts: list[str] = []
    top = _HEAD
    wrong, right = _NAMES, _NAMES + _PANEL + _GAP
    for truth in truths:
        own = [row for row in rows if row.truth == truth]
        middle = top + len(own) * _LINE / 2 + 4
        parts.append(_text(_NAMES - 40, middle, truth, anchor="end"))
        for row in own:
            y = top + _LINE / 2
            parts.append(_text(_NAMES - 6, y + 4, str(row.n), size=9, colour=_GREY, anchor="end"))
            parts += _bar(wrong, y, row.wrong_rate, _MOST, _WRONG)
            parts += _bar(right, y, row.right_rate, 1.0, _RIGHT)
            top += _LINE
        top += 7
    height = top + 34
    studies = sorted({row.studies for row in rows})
    many = f"{studies[0]}" if len(studies) == 1 else f"{studies[0]} to {studies[-1]}"
    frame = [
        _text(12, 22, "How often is a field method accepted wrongly, and how often rightly?", 15),
        _text(12, 40, f"{many} invented studies in each row, judged by the program's own rules, "
              "as read. Whiskers: exact 95 % intervals.", 10.5, _GREY),
        _text(12, 54, "Wrong: beyond what was agreed anywhere in the accepted range, known "
              "from the truth and not from data.", 10.5, _GREY),
        _text(_NAMES - 40, _HEAD - 10, "truth", 10.5, _GREY, "end"),
        _text(_NAMES - 6, _HEAD - 10, "samples", 9, _GREY, "end"),
        _text(wrong, _HEAD - 24, "accepted wrongly", 11.5, _WRONG),
        _text(right, _HEAD - 24, "accepted rightly", 11.5, _RIGHT),
        *_scale(wrong, top, _MOST, (0, 0.05, 0.10, 0.15, 0.20)),
        *_scale(right, top, 1.0, (0, 0.25, 0.5, 0.75, 1.0)),
        _line(wrong + ALLOWED / _MOST * _PANEL, _HEAD - 4, top, _WRONG, 1.0),
    ]  # fmt: skip
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:.0f} {height:.0f}" '
        f'width="{_WIDTH:.0f}" height="{height:.0f}" role="img" '
        'font-family="Helvetica, Arial, sans-serif">\n'
        "<title>Wrong and right acceptances by truth and number of samples</title>\n"
        f'<rect width="100%" height="100%" fill="#ffffff"/>\n'
        + "\n".join([*frame, *parts])
        + "\n</svg>\n"
    )


def _bar(left: float, y: float, rate: Estimate, most: float, colour: str) -> list[str]:
    def at(share: float) -> float:
        return left + min(share, most) / most * _PANEL

    number = f"{rate.value:.0%}" if rate.value >= 0.0995 else f"{rate.value:.1%}"
    return [
        f'<rect x="{left:.1f}" y="{y - 4:.1f}" width="{at(rate.value) - left:.1f}" height="8" '
        f'fill="{colour}"/>',
        f'<line x1="{at(rate.low):.1f}" y1="{y:.1f}" x2="{at(rate.high):.1f}" y2="{y:.1f}" '
        f'stroke="{_INK}" stroke-width="0.8"/>',
        _text(at(max(rate.value, rate.high)) + 4, y + 3, number, 8, _GREY),
    ]


def _scale(left: float, bottom: float, most: float, ticks: Sequence[float]) -> list[str]:
    out = []
    for tick in ticks:
        x = left + tick / most * _PANEL
        out.append(_line(x, _HEAD - 4, bottom, _LIGHT, 0.6))
        out.append(_text(x, _HEAD - 9, f"{tick:.0%}", 8, _GREY, "middle"))
    return out


def _line(x: float, top: float, bottom: float, colour: str, width: float) -> str:
    return (
        f'<line x1="{x:.1f}" y1="{top:.1f}" x2="{x:.1f}" y2="{bottom:.1f}" stroke="{colour}" '
        f'stroke-width="{width}"/>'
    )


def _text(
    x: float, y: float, text: str, size: float = 10.5, colour: str = _INK, anchor: str = "start"
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" fill="{colour}" '
        f'text-anchor="{anchor}">{html.escape(text)}</text>'
    )
