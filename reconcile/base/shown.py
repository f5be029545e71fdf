"""The one way to the terminal: text of files and settings is made safe here, and nowhere else.

Escape sequences, reversed and invisible characters in an id or a title would reach the terminal
as commands; they are shown as ⟨U+…⟩ (``characters.visible``). What prints goes through ``safe``
or ``say`` (tests/test_house.py).
"""

from __future__ import annotations

import os
import re
import sys
import textwrap
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from reconcile.base.characters import visible

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text


_UNSEEN_WIDTH = 150  # of what is no terminal, where COLUMNS says nothing: whole tables fit
_MARK = re.compile(r"(- |\d+\. |   )")  # of an item of a list, or of a line below one


def open_console(errors: bool = False) -> Console:
    """Where tables and lines are printed: a terminal, or a file wide enough for whole tables."""
    found = _lines_console()(stderr=errors, highlight=False)
    if found.is_terminal:
        return found
    told = os.environ.get("COLUMNS", "")
    found.width = int(told) if told.isdecimal() and int(told) else _UNSEEN_WIDTH
    return found


@lru_cache(maxsize=1)
def _lines_console() -> type[Console]:
    """A console that breaks a line of text between words alone, as ``wrapped`` does."""
    from rich.console import Console
    from rich.text import Text

    class LinesConsole(Console):
        def print(self, *objects: Any, **options: Any) -> None:
            first: Any = objects[0] if len(objects) == 1 and not options else None
            if isinstance(first, Text):
                lines, style = [line.plain for line in first.split(allow_blank=True)], first.style
            elif hasattr(first, "lines_for"):
                lines, style = first.lines_for(self.width) or [], ""
            else:
                lines = []
            if not lines:
                return super().print(*objects, **options)
            for line in lines:
                for part in wrapped(line, self.width):
                    super().print(Text(part, style=style), soft_wrap=True)
            return None

    return LinesConsole


def wrapped(text: str, width: int) -> list[str]:
    """Lines of ``width`` characters at most, broken between words alone.

    No number is broken at its thousands space, and no path; a longer word is a longer line.
    What continues an item of a list stands under its text.
    """
    found = _MARK.match(text)
    mark = found.group() if found else ""
    lines = textwrap.wrap(
        text[len(mark) :], max(width - len(mark), 1), break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
    return [(mark if n == 0 else " " * len(mark)) + line for n, line in enumerate(lines or [""])]


def safe(text: object, style: str = "", lines: bool = False) -> Text:
    """Text that a terminal only shows, without markup; ``lines`` keeps its own line breaks."""
    from rich.text import Text

    return Text(visible(text, keep_newlines=lines), style=style)


def say(text: str, errors: bool = False) -> None:
    """One line as it is, however long."""
    stream = sys.stderr if errors else sys.stdout
    stream.write(visible(text, keep_newlines=True) + "\n")
