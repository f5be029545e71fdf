"""How much of the settings of real tables is found, asked or left to write.

``python -m tests.validation.starting`` compares what ``start --from`` proposes for the public
tables with the settings by which tests read them, and writes a table into docs/validation.md.
"""

from __future__ import annotations

import argparse
import fnmatch
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from reconcile.proposing.proposal import Proposal, propose
from reconcile.proposing.questions import Ask, Question
from reconcile.proposing.table import Table
from tests.intake.conftest import real_data
from tests.validation.notes import put_table

SETTINGS = Path(__file__).parents[1] / "intake" / "real_tables"


def entries(table: dict[str, Any]) -> Iterator[tuple[str, ...]]:
    """Every entry of one [[table]] but its kind and files, by key."""
    for key, value in table.items():
        if key in {"fixed", "columns", "cells"}:
            yield from ((key, inner) for inner in value)
        elif key not in {"files"}:
            yield (key,)


def holds_question(value: Any) -> bool:
    """Whether an entry is a question, or holds one."""
    if isinstance(value, dict):
        return any(map(holds_question, value.values()))
    if isinstance(value, list):
        return any(map(holds_question, value))
    return isinstance(value, Question)


def answered_sides(folder: Path, raw: dict[str, Any]) -> tuple[Proposal, set[str]]:
    """What is proposed once a person said which side each table is where that was asked."""
    kinds = {Path(t["files"][0]).name: t["kind"] for t in raw["table"]}
    said: dict[str, str] = {}
    while True:
        proposal = propose(folder, said)
        asked = {
            shown
            for t in proposal.tables
            for line in t.lines
            if isinstance(line.value, Question) and line.value.ask is Ask.KIND
            for _, shown in t.files
        } - set(said)
        if not asked:
            return proposal, set(said)
        said |= {shown: kinds.get(Path(shown).name, "field") for shown in asked}


def fate(key: tuple[str, ...], wanted: Any, proposed: Table) -> str:
    """Whether an entry is found, asked, not needed, or left to write."""
    if key == ("kind",):
        return "found" if proposed.kind == wanted else "left"
    if key in {("first_row",), ("heading_rows",)} and proposed.read.rows:
        return "not needed"  # read rightly without
    for line in proposed.lines:
        same = line.key == key or (
            key[0] == line.key[0] == "columns" and fnmatch.fnmatch(line.key[1], key[1])
        )
        if same:
            return "asked" if holds_question(line.value) else "found"
    if key[0] == "columns":
        taken = any(line.key == ("take",) for line in proposed.lines)
        if wanted == "ignore" or taken:
            read = [c for c in proposed.read.columns if fnmatch.fnmatch(c.heading, key[1])]
            if read and all(c.role in {"ignored", "value", "error"} for c in read):
                return "not needed"
    return "left"


def counted(name: str, folder: Path) -> Counter[str]:
    """The fates of all entries by which tests read one folder."""
    raw = tomllib.loads((SETTINGS / f"{name}.toml").read_text(encoding="utf-8"))
    proposal, sides = answered_sides(folder, raw)
    found: Counter[str] = Counter()
    used: set[int] = set()
    for table in raw["table"]:
        file = Path(table["files"][0]).name
        of_file = [t for t in proposal.tables if any(s == file for _, s in t.files)]
        same = [t for t in of_file if t.kind == table["kind"] and id(t) not in used] or of_file
        for key in entries(table):
            wanted = table[key[0]] if len(key) == 1 else table[key[0]][key[1]]
            if key == ("kind",) and file in sides:
                found["asked"] += 1
            else:
                found[fate(key, wanted, same[0]) if same else "left"] += 1
        used |= {id(t) for t in same[:1]}
    found["questions"] = proposal.questions + len(sides)
    return found


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--into", type=Path, default=Path("docs/validation.md"))
    given = parser.parse_args()
    data = real_data()
    if data is None:
        raise SystemExit("The public real tables are not here.")
    lines = [
        "Public tables that nobody here wrote, each folder proposed as it lies. Entries are those "
        "of the settings by which tests read these tables: found by `start --from`; asked, so that "
        "a person answers; not needed, as the column is read or passed over rightly without; left "
        "to write by hand. Which side a table is, where that was asked, is answered first. "
        "Questions are all that are asked, also where the tests' settings say nothing (purpose, "
        "margin, digestion, noughts).",
        "",
        "| tables | entries | found | asked | not needed | left to write | questions in all |",
        "|---|---|---|---|---|---|---|",
    ]
    for path in sorted(SETTINGS.glob("*.toml")):
        n = counted(path.stem, data / path.stem)
        fates = [n[f] for f in ("found", "asked", "not needed", "left")]
        cells = " | ".join(str(v) for v in (sum(fates), *fates, n["questions"]))
        lines.append(f"| {path.stem.replace('_', ' ')} | {cells} |")
    title = "How much of the settings of unknown tables is found"
    put_table(given.into, "starting", title, "python -m tests.validation.starting", lines)


if __name__ == "__main__":
    main()
