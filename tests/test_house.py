"""The house has one direction: what DEVELOPERS.md draws is what the modules import."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

#: The rooms, top to bottom: a room imports rooms below it, never one above.
ROOMS = (
    "reconcile.cli",
    "flows",
    "reconcile.commands",
    "reconcile.run",
    "reconcile.reporting.files",
    "reconcile.reporting.document",
    "reconcile.reporting.render",
    "reconcile.reporting.document.blocks",  # what sections are made of, known to every medium
    "reconcile.reporting.plots",
    "reconcile.reporting",  # numbers, figures and sentences that every section uses
    "reconcile.trials",
    "reconcile.judgement",
    "reconcile.figures",
    "reconcile.evidence",
    "reconcile.pairs",
    "reconcile.samples",
    "reconcile.releases",
    "reconcile.store",
    "reconcile.intake",
    "schemas",
    "reconcile.reporting.words",  # strings alone: any room may name one
    "reconcile.base",
    "reconcile.statistics",
)
#: The only modules that stand in no room: the library's face and the command line's parser.
LOOSE = {"__init__", "cli"}


@cache
def modules() -> dict[str, Path]:
    """Every module of the three packages by its dotted name."""
    found = {}
    for package in ("reconcile", "flows", "schemas"):
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def room_of(module: str) -> str:
    """The room in which a module stands; '' for the library's face."""
    rooms = [r for r in ROOMS if module == r or module.startswith(f"{r}.")]
    return max(rooms, key=len, default="")


def wanted(node: ast.AST, known: dict[str, Path]) -> Iterator[str]:
    """What a statement imports of the project, both 'import x' and 'from x import y'."""
    if isinstance(node, ast.Import):
        for alias in node.names:
            if alias.name in known:
                yield alias.name
    elif isinstance(node, ast.ImportFrom):
        for alias in node.names:
            for name in (f"{node.module}.{alias.name}", str(node.module)):
                if name in known:
                    yield name
                    break


@cache
def imports(types: bool) -> dict[str, set[str]]:
    """What each module imports, inside functions too; with ``types``, what only types ask for."""
    known = modules()
    graph: dict[str, set[str]] = {}
    for name, path in known.items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        typing_only = {
            id(inner)
            for node in ast.walk(tree)
            if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
            for inner in ast.walk(node)
        }
        graph[name] = {
            found
            for node in ast.walk(tree)
            if types or id(node) not in typing_only
            for found in wanted(node, known)
            if found != name
        }
    return graph


def test_no_modules_import_each_other() -> None:
    try:
        TopologicalSorter(imports(types=False)).prepare()
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_imports_only_rooms_below_it(room: str) -> None:
    below = set(ROOMS[ROOMS.index(room) :])
    upward = [
        f"{name} -> {used}"
        for name, many in imports(types=False).items()
        if room_of(name) == room
        for used in sorted(many)
        if room_of(used) and room_of(used) not in below
    ]
    assert upward == []


def test_every_module_stands_in_a_room() -> None:
    loose = {path.stem for path in (ROOT / "reconcile").glob("*.py")}
    assert loose == LOOSE
    assert not [name for name in modules() if name != "reconcile" and not room_of(name)]


def test_the_rooms_of_the_guide_are_those_of_the_house() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    drawn = guide.split("```")[3]
    missing = [r for r in ROOMS if f"{r.removeprefix('reconcile.')}" not in drawn]
    assert missing == []


def test_the_statistics_import_nothing_of_the_project() -> None:
    for name, used in imports(types=True).items():
        if name.startswith("reconcile.statistics"):
            assert all(u.startswith("reconcile.statistics") for u in used), name


def test_the_rule_sees_a_plain_import_and_an_import_inside_a_function() -> None:
    tree = ast.parse("import reconcile.cli\ndef f():\n    from reconcile.store import database\n")
    known = modules()
    found = {name for node in ast.walk(tree) for name in wanted(node, known)}
    assert found == {"reconcile.cli", "reconcile.store.database"}
