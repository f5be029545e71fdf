"""Text from files made safe and visible: in PDF markup and in Excel (CSV: base.spreadsheet).

Ids and names come from files that anybody may have written. Nothing here drops a
character: what cannot be shown is written as its code.
"""

from __future__ import annotations

import re

from reconcile.base.characters import code, visible
from reconcile.reporting import words
from reconcile.reporting.fonts import covered

_XML_ESCAPE = re.compile(r"_(?=x[0-9A-Fa-f]{4}_)")
#: Excel's own limit of a cell.
CELL_LIMIT = 32_767


def printable(text: object) -> str:
    """``visible`` text in which characters that the typeface lacks are written as ⟨U+…⟩."""
    shown = visible(text)
    if shown.isascii():  # the typeface has all of them
        return shown
    known = covered()
    return "".join(c if ord(c) in known else code(c) for c in shown)


def markup(text: object, limit: int | None = None) -> str:
    """``text`` for a reportlab Paragraph: printable, escaped, cut at ``limit`` shown characters."""
    raw = str(text)
    shown = printable(raw if limit is None else raw[: limit + 1])
    if limit is not None and len(shown) > limit:
        shown = words.CUT_TEXT.format(text=shown[:limit], n=len(raw))
    shown = shown.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    # Runs of spaces are part of an id; a Paragraph would fold them into one.
    return re.sub(r"^ | (?= )| $", "\N{NO-BREAK SPACE}", shown)


def cell_text(text: object) -> str:
    """``text`` for an Excel cell of type text: verbatim, but for what XML can't hold."""
    shown = visible(text, keep_newlines=True)
    shown = _XML_ESCAPE.sub("_x005F_", shown)
    if len(shown) > CELL_LIMIT:
        room = CELL_LIMIT - len(words.CUT_TEXT.format(text="", n=len(shown)))
        shown = words.CUT_TEXT.format(text=shown[:room], n=len(shown))
    return shown
