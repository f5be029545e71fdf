"""How numbers and dates are written for the reader: decimal mark, minus sign, order of a date.

The program's own texts hold numbers with a point and dates as year-month-day; here they
take the form that the settings ask for, at the moment of printing. Data files, ids,
quotations from files and settings stay as they are.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reconcile.reporting import words

if TYPE_CHECKING:
    from reconcile.base.model.release import Reconciliation


@dataclass(frozen=True, slots=True)
class Manner:
    """The reader's way of writing; see ``settings.ReportSettings``."""

    decimal_mark: str = "."
    date_style: str = "year-month-day"


_CURRENT: ContextVar[Manner] = ContextVar("manner", default=Manner())  # noqa: B039 - frozen
_MINUS = re.compile(r"(?<![\w.-])-(?=\d|∞)")
# A number that stands for itself: no part of an id, a version, a file name or a quotation.
_DECIMAL = re.compile(
    r"""(?:(?<![\w.,/'"“‘§-])|(?<=(?<![\w.])-))(\d[\d\N{NO-BREAK SPACE}]*)\.(\d+)"""
    r"""(?![\w/'"”’-]|\.\d)"""
)
# The sign of a percentage, which our own texts put right behind its number.
_PERCENT = re.compile(
    r"""(?:(?<![\w.,/'"“‘§-])|(?<=(?<![\w.])[-+±−]))"""
    r"""(\d(?:[\d\N{NO-BREAK SPACE}]*\d)?(?:[.,]\d+)?(?:e[+-]\d+)?)"""
    r"""[ \N{NO-BREAK SPACE}]?%(?![\w/'"”’-]|\.\w)"""
)
_POWER = re.compile(r"(?<![\w.,])(\d)\.(\d+)(?=e[+-]\d)")
_DATE = re.compile(
    r"(?<![\w./-])(\d{4})-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])"
    r"(?:T(\d\d:\d\d)(?::\d\d(?:\.\d+)?)?(?:Z|\+00:00))?(?![\w/-])"
)


@contextmanager
def written_for(r: Reconciliation) -> Iterator[None]:
    """Within it, texts are written as the settings of ``r`` ask for."""
    with written_as(Manner(r.decimal_mark, r.date_style)):
        yield


@contextmanager
def written_as(manner: Manner) -> Iterator[None]:
    """Within it, texts are written in this manner."""
    token = _CURRENT.set(manner)
    try:
        yield
    finally:
        _CURRENT.reset(token)


def marked(text: str) -> str:
    """One number of our own making with the reader's decimal mark."""
    mark = _CURRENT.get().decimal_mark
    return text if mark == "." else text.replace(".", mark)


def styled(text: str) -> str:
    """A text of our own: a true minus, a space before %, the reader's decimal mark and dates."""
    current = _CURRENT.get()
    text = _MINUS.sub("−", text)
    if "%" in text:
        text = _PERCENT.sub("\\1\N{NO-BREAK SPACE}%", text)
    if current.date_style != "year-month-day":
        text = _DATE.sub(lambda found: _date(found, current.date_style), text)
    if current.decimal_mark != ".":
        text = _DECIMAL.sub(rf"\1{current.decimal_mark}\2", text)
        text = _POWER.sub(rf"\1{current.decimal_mark}\2", text)
    return text


def _date(found: re.Match[str], style: str) -> str:
    year, month, day, time = found.groups()
    shown = words.DATE_STYLES[style].format(
        year=year, month=month, day=day, plain_day=int(day), name=words.MONTHS[int(month) - 1]
    )
    return words.DATE_WITH_TIME.format(date=shown, time=time) if time else shown
