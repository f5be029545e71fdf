"""What sections are made of; every medium shows each kind in its own way.

A text is the program's own, and its numbers and dates take the reader's form, unless it is
``given``: from a file, an id, a name or a setting, which stays as it stands there. Limits are
characters on paper; the screen and the data files hold the whole.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from reconcile.reporting import numbers
from reconcile.reporting.plots.kinds import Kind

#: Longest text of a table's cell on paper.
CELL = 240
#: Rows of a table that stand on the screen; the data files hold the rest.
MOST_ROWS = 2_000

Size = Literal["h3", "body", "small"]


@dataclass(frozen=True, slots=True)
class Text:
    """One paragraph."""

    text: str
    size: Size = "body"
    given: bool = False
    limit: int | None = None
    on_paper: bool = True
    on_screen: bool = True


@dataclass(frozen=True, slots=True)
class Items:
    """A list, one line each."""

    lines: tuple[str, ...]
    size: Size = "small"
    limit: int = 300
    most: int = 20  # lines on paper


@dataclass(frozen=True, slots=True)
class Caution:
    """A text in a frame."""

    text: str


@dataclass(frozen=True, slots=True)
class Facts:
    """Labels with values that come from outside."""

    rows: tuple[tuple[str, object], ...]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: ``share`` of the width on paper (0: not there), and what its cells hold."""

    heading: str
    share: float
    number: bool = False
    given: bool = False
    bold: bool = False
    mono: bool = False
    limit: int | None = CELL
    on_screen: bool = True


@dataclass(frozen=True, slots=True)
class Cell:
    """A text with more to it: what it sorts by, its weight, the parts of it that stand out."""

    text: str
    sort: float | None = None
    bold: bool = False
    strong: tuple[str, ...] = ()  # names in bold that stand before the text
    anchor: str = ""  # the bookmark that it leads to
    page_of: str = ""  # on paper, the page of this bookmark stands here
    verdict: int | None = None  # the sign of this place in DECISIONS stands here


@dataclass(frozen=True, slots=True)
class Across:
    """A row of a table that names the group beneath it, on paper over all columns.

    On the screen, where rows are sorted, columns of their own say what the group has in common.
    """

    text: str


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under headings; ``most`` rows stand on paper, ``rest`` names where all are."""

    columns: tuple[Column, ...]
    rows: Sequence[Sequence[str | Cell] | Across]
    most: int | None = None
    rest: str = ""  # where all rows are, told on paper
    file: str = ""  # the same, told on the screen
    compact: bool = False
    sortable: bool = True


@dataclass(frozen=True, slots=True)
class Form:
    """A ruled table to be filled in by hand; its first two columns are known."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, str], ...]
    shares: tuple[float, ...]
    height_mm: float = 15


@dataclass(frozen=True, slots=True)
class Plot:
    """One plot under the lines of its title."""

    data: Kind
    title: tuple[str, ...] = ()
    on_paper: bool = True


@dataclass(frozen=True, slots=True)
class Plots:
    """Plots side by side, ``across`` of them in a row on paper.

    Across 1, each is as wide as its content asks for.
    """

    plots: tuple[Plot, ...]
    across: int = 3
    height_mm: float = 30
    most: int | None = None  # on paper
    title: str = ""
    level: Literal["h3", "h4"] = "h3"


@dataclass(frozen=True, slots=True)
class Gap:
    """Room on paper, in points."""

    points: float


@dataclass(frozen=True, slots=True)
class Titled:
    """A title that stays with what follows it; ``whole``: with all of it."""

    title: str
    blocks: tuple[Block, ...]
    whole: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """A title with a bookmark and what stands beneath it; sections may hold sections."""

    anchor: str
    title: str
    blocks: tuple[Block, ...]
    whole: bool = False  # on one page


Block = Text | Items | Caution | Facts | Table | Form | Plots | Gap | Titled | Section


def every(blocks: Sequence[Block]) -> Iterator[Block]:
    """Every block, those inside others too."""
    for block in blocks:
        yield block
        if isinstance(block, (Titled, Section)):
            yield from every(block.blocks)


def counted(n: int) -> Cell:
    """A whole number with its thousands parted, that sorts as a number."""
    return Cell(numbers.plain(float(n), 0), float(n))
