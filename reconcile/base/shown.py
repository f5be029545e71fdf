"""The one way to the terminal: text of files and settings is made safe here, and nowhere else.

Escape sequences, reversed and invisible characters in an id or a title would reach the terminal
as commands; they are shown as ⟨U+…⟩ (``characters.visible``). What prints goes through ``safe``
or ``say`` (tests/test_house.py).
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from reconcile.base.characters import visible

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text


def open_console(errors: bool = False) -> Console:
    """Where tables and lines are printed: a terminal, or a file wide enough for whole tables."""
    from rich.console import Console

    found = Console(stderr=errors, highlight=False)
    return found if found.is_terminal else Console(stderr=errors, highlight=False, width=150)


def safe(text: object, style: str = "", lines: bool = False) -> Text:
    """Text that a terminal only shows, without markup; ``lines`` keeps its own line breaks."""
    from rich.text import Text

    return Text(visible(text, keep_newlines=lines), style=style)


def say(text: str, errors: bool = False) -> None:
    """One line as it is, however long."""
    stream = sys.stderr if errors else sys.stdout
    stream.write(visible(text, keep_newlines=True) + "\n")
