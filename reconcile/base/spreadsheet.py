"""Text of a CSV file that a spreadsheet opens: nothing in it may run."""

from __future__ import annotations

import re

_FORMULA_START = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_ASCII_STARTS = frozenset("=+-@")
_PLAIN_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?")


def looks_like_formula(text: str) -> bool:
    """True where a spreadsheet that opens a CSV file would run ``text`` or change it."""
    return text.startswith(_FORMULA_START) and not _PLAIN_NUMBER.fullmatch(text)


def csv_text(text: object) -> str:
    """``text`` for a CSV cell: encodable, an apostrophe before what looks like a formula."""
    if type(text) is str and text.isascii() and text.isprintable():  # most cells
        return f"'{text}" if text[:1] in _ASCII_STARTS and looks_like_formula(text) else text
    shown = str(text).encode("utf-8", "backslashreplace").decode("utf-8").replace("\x00", "\\x00")
    return f"'{shown}" if looks_like_formula(shown) else shown
