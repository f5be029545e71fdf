"""Results of both sides in one table: which columns of results belong to this side.

The settings' ``take`` holds patterns of headings, '*' standing for the element ('pXRF_*',
'*_icp', '* actual'). What the star stands for is read as a heading of its own, so that a mark
of the side needs no word that is known.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from reconcile.intake.blocks import Heading
from reconcile.intake.wording import Reading, plain, read_heading


def star_of(heading: Heading, patterns: Sequence[str]) -> str:
    """What the star of the first pattern that the heading meets stands for; '' for none."""
    for pattern in patterns:
        before, _, after = plain(pattern).partition("*")
        wanted = re.compile(f"{re.escape(before)}(.+){re.escape(after)}", re.S | re.I)
        for name in heading.names:
            if found := wanted.fullmatch(name):
                return plain(found[1]).strip("_-.:/| ")
    return ""


def of_side(heading: Heading, patterns: Sequence[str]) -> Heading | None:
    """The heading as this side's; None where its results belong to another table.

    Headings that name no result are as they are.
    """
    if not patterns:
        return heading
    star = star_of(heading, patterns)
    if star and read_heading(star).species is not None:
        return replace(heading, text=star, names=(star,))
    return None if names_result(heading) else heading


def names_result(heading: Heading) -> bool:
    """Whether any of a heading's names is read as a result."""
    return any(read_heading(name).species is not None for name in heading.names)


def as_a_whole(reading: Reading, whole: Reading) -> Reading:
    """The star's reading, with what only the whole heading says: an error, a limit, a unit."""
    role = whole.role if whole.role in {"error", "limit"} and reading.role == "value" else ""
    return replace(
        reading, role=role or reading.role, unit=reading.unit or whole.unit,
        sigma=whole.sigma if role else reading.sigma,
    )  # fmt: skip
