"""How many cases the tests with many files or studies take: few in an ordinary run.

RECONCILE_CASES=all takes all: before a release, and after a change of what reads files.
"""

from __future__ import annotations

import os
from typing import TypeVar

T = TypeVar("T")


def cases(everything: T, few: T) -> T:
    """``few``, or ``everything`` where all are asked for."""
    return everything if os.environ.get("RECONCILE_CASES") == "all" else few
