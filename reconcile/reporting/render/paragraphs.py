"""Paragraphs that are parsed, and broken into lines, once for each text, style and width."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reportlab import platypus
from reportlab.lib.styles import ParagraphStyle

#: What was parsed, and what was broken into lines of certain widths; ``forget`` empties both.
_PARSED: dict[tuple[str, str], Any] = {}
_BROKEN: dict[tuple[str, str, tuple[float, ...]], Any] = {}


def forget() -> None:
    """Give the memory back; a document that is finished needs none of it."""
    _PARSED.clear()
    _BROKEN.clear()


class Paragraph(platypus.Paragraph):  # type: ignore[misc]
    """A paragraph of marked-up text in a named style; reportlab only reads what is shared here.

    A part of a paragraph that was split over pages has no text and shares nothing.
    """

    def __init__(
        self,
        text: str | None,
        style: ParagraphStyle,
        bulletText: str | None = None,
        frags: Any = None,
    ) -> None:
        self._known = None if text is None or frags is not None else (text, style.name)
        if self._known is not None:
            frags = _PARSED.get(self._known)
        super().__init__(text, style, bulletText, frags)
        if self._known is not None:
            _PARSED[self._known] = self.frags

    def breakLines(self, width: Sequence[float]) -> Any:
        """The lines, as reportlab breaks them."""
        if self._known is None:
            return super().breakLines(width)
        key = (*self._known, tuple(width))
        found = _BROKEN.get(key)
        if found is None:
            # reportlab keeps the words as it broke them; another width begins with the text.
            self.frags = _PARSED[self._known]
            lines = super().breakLines(width)
            found = _BROKEN[key] = lines, self.frags
        lines, self.frags = found
        return lines
