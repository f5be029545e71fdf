"""The words of a PDF, page by page and line by line, with where they stand in their line.

A certificate comes from outside: a damaged, locked or hostile file gives a code and never stops
anything. Words are taken as they are laid out, so that columns stay columns.
"""

from __future__ import annotations

import io
import logging
import re
from dataclasses import dataclass
from typing import Literal

from pypdf import PdfReader

#: Why a document gives no words; '' where it does.
Problem = Literal["", "no text", "locked", "unreadable", "too large"]
NO_TEXT: Problem = "no text"
LOCKED: Problem = "locked"
UNREADABLE: Problem = "unreadable"
TOO_LARGE: Problem = "too large"

MOST_PAGES = 400
MOST_WORDS = 200_000
_WORD = re.compile(r"\S+")
_LETTER = re.compile(r"[0-9A-Za-z]")


@dataclass(frozen=True, slots=True)
class Word:
    """One word of a line."""

    text: str
    start: int  # character of the line
    end: int

    @property
    def middle(self) -> float:
        """Where its middle lies."""
        return (self.start + self.end) / 2


@dataclass(frozen=True, slots=True)
class Page:
    """The lines of one page, from the top; a line is its words from the left."""

    number: int  # from 1
    lines: tuple[tuple[Word, ...], ...]


def pages_of(content: bytes) -> tuple[tuple[Page, ...], Problem]:
    """The pages of a PDF, or why there are none."""
    said = logging.getLogger("pypdf")
    before = said.level
    said.setLevel(logging.CRITICAL)  # what it finds odd is no message to an analyst
    try:
        return _pages(content)
    # a file from outside can fail in any way, and none may stop a run
    except Exception:
        return (), UNREADABLE
    finally:
        said.setLevel(before)


def _pages(content: bytes) -> tuple[tuple[Page, ...], Problem]:
    reader = PdfReader(io.BytesIO(content), strict=False)
    if reader.is_encrypted and not reader.decrypt(""):
        return (), LOCKED
    if len(reader.pages) > MOST_PAGES:
        return (), TOO_LARGE
    pages, words, letters = [], 0, False
    for number, page in enumerate(reader.pages, start=1):
        text = page.extract_text(extraction_mode="layout")
        lines = tuple(
            tuple(Word(m[0], m.start(), m.end()) for m in _WORD.finditer(line))
            for line in text.splitlines()
            if line.strip()
        )
        words += sum(map(len, lines))
        letters = letters or bool(_LETTER.search(text))
        if words > MOST_WORDS:
            return (), TOO_LARGE
        pages.append(Page(number, lines))
    return (tuple(pages), "") if letters else ((), NO_TEXT)
