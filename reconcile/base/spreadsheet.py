"""CSV files that a spreadsheet opens: nothing in them may run, and every byte follows from values.

Floats are written by ``repr``, which is exact and the same everywhere.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

_FORMULA_START = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_ASCII_STARTS = frozenset("=+-@'")
_PLAIN_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?")
_MARK = "'"


def looks_like_formula(text: str) -> bool:
    """True where a spreadsheet that opens a CSV file would run ``text`` or change it."""
    return text.startswith(_FORMULA_START) and not _PLAIN_NUMBER.fullmatch(text)


def csv_text(text: object) -> str:
    """``text`` for a CSV cell: encodable, an apostrophe before what looks like a formula.

    A text that has apostrophes before a formula gets one more, so that :func:`from_csv` can tell.
    """
    if type(text) is str and text.isascii() and text.isprintable():  # most cells
        return f"{_MARK}{text}" if text[:1] in _ASCII_STARTS and _needs_mark(text) else text
    shown = str(text).encode("utf-8", "backslashreplace").decode("utf-8").replace("\x00", "\\x00")
    return f"{_MARK}{shown}" if _needs_mark(shown) else shown


def from_csv(text: str) -> str:
    """The encodable text without NUL that ``csv_text`` wrote as ``text``."""
    return text[1:] if text.startswith(_MARK) and _needs_mark(text) else text


def _needs_mark(text: str) -> bool:
    return looks_like_formula(text.lstrip(_MARK))


def _cell(value: Any) -> str:
    if value is None or value is pd.NaT or value is pd.NA:
        return ""
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, (int, np.integer)):
        return str(int(value))
    if isinstance(value, (float, np.floating)):
        number = float(value)
        return "" if math.isnan(number) else repr(number)
    if isinstance(value, datetime):  # pandas timestamps too
        return value.isoformat()
    return csv_text(value)


class _Texts(dict[str, str]):
    """Texts of cells as a CSV file has them; most come again."""

    def __missing__(self, text: str) -> str:
        made = self[text] = csv_text(text)
        return made


def to_csv(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    """UTF-8 with \\n line ends; text that a spreadsheet would run gets an apostrophe."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([csv_text(column) for column in columns])
    texts = _Texts()
    writer.writerows(
        [
            texts[value]
            if type(value) is str
            else repr(value)
            if type(value) is float and value == value
            else _cell(value)
            for value in row
        ]
        for row in rows
    )
    return buffer.getvalue().encode("utf-8")
