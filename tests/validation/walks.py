"""How often the way from a file to a page climbs back up through the rooms.

    python -m tests.validation.walks [FOLDER PERIOD]

Runs one month (of a small invented site, or of a workspace that is given) and follows every call
from one module of the project to another by ``sys.setprofile``. A call climbs where the room that
is called stands above the room that calls, by the table of ``tests/test_house.py``: imports have
one direction, so only a function that was handed down, or a value whose methods are asked, can.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

from reconcile.intake.workspace import load_workspace
from reconcile.run import pipeline
from reconcile.run.staging import stage
from reconcile.store.database import Store
from tests import small, test_house

#: The steps of a run that each walk goes through.
WALKS = {
    "table: file to typed rows": ("find files", "read tables"),
    "pair: rows to pairs": ("settle identities", "judge controls and custody", "make pairs"),
    "verdict: pairs to verdicts": (
        "compute statistics", "gather evidence", "give verdicts", "judge conformity",
        "look at result sheets",
    ),
    "text: verdicts to pages": ("write the release",),
}  # fmt: skip

Arrow = tuple[str, str]


@contextmanager
def followed(arrows: Counter[Arrow]) -> Iterator[None]:
    """Count calls from module to module of different rooms."""
    names = {str(path): name for name, path in test_house.modules().items()}
    known: dict[CodeType, str] = {}

    def module(frame: FrameType) -> str:
        code = frame.f_code
        if code not in known:
            known[code] = names.get(code.co_filename, "")
        return known[code]

    def profile(frame: FrameType, event: str, _: Any) -> None:
        if event != "call" or not (called := module(frame)):
            return
        back = frame.f_back
        while back is not None and not module(back):
            back = back.f_back
        if back is not None and (caller := module(back)) != called:
            arrows[caller, called] += 1

    sys.setprofile(profile)
    try:
        yield
    finally:
        sys.setprofile(None)


def climbs(arrow: Arrow) -> bool:
    """Whether the room that is called stands above the one that calls."""
    rooms = test_house.ROOMS
    low, high = (test_house.room_of(module) for module in arrow)
    return bool(low and high) and rooms.index(high) < rooms.index(low)


def walk(folder: Path, period: str) -> dict[str, Counter[Arrow]]:
    """The arrows of each walk of one month."""
    found: dict[str, Counter[Arrow]] = {name: Counter() for name in WALKS}
    workspace = load_workspace(folder)
    stage(workspace, period)
    with Store(workspace.store_file, engine=workspace.engine) as store:
        run = pipeline.begin(workspace, period, store)
        for step, does in pipeline.STEPS:
            name = next(name for name, steps in WALKS.items() if step in steps)
            with followed(found[name]):
                run = does(run)
    return found


def main() -> None:
    """Print the table, and every arrow that climbs."""
    if len(sys.argv) == 3:
        found = walk(Path(sys.argv[1]), sys.argv[2])
    else:
        with tempfile.TemporaryDirectory() as scratch:
            found = walk(small.build(Path(scratch) / "site"), "2026-10")
    print("| walk | arrows between rooms | calls | arrows that climb | calls that climb |")
    print("|---|---|---|---|---|")
    room = test_house.room_of
    for name, arrows in found.items():
        between = {a: n for a, n in arrows.items() if room(a[0]) != room(a[1])}
        up = {a: n for a, n in between.items() if climbs(a)}
        cells = (len(between), sum(between.values()), len(up), sum(up.values()))
        print(f"| {name} |", " | ".join(f"{n:,}" for n in cells), "|")
    for name, arrows in found.items():
        for (low, high), n in sorted(arrows.items()):
            if climbs((low, high)):
                print(f"{name}: {low} -> {high} ({n:,})")


if __name__ == "__main__":
    main()
