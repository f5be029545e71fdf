"""The house has one direction: what DEVELOPERS.md draws is what the modules import."""

from __future__ import annotations

import ast
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def modules() -> dict[str, Path]:
    found = {}
    for path in sorted((ROOT / "reconcile").rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imports() -> dict[str, set[str]]:
    """What each module imports when it runs, inside functions too; types alone do not count."""
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
        graph[name] = set()
        for node in ast.walk(tree):
            if id(node) in typing_only or not isinstance(node, ast.ImportFrom):
                continue
            for alias in node.names:
                for wanted in (f"{node.module}.{alias.name}", node.module):
                    if wanted in known and wanted != name:
                        graph[name].add(wanted)
                        break
    return graph


def test_no_modules_import_each_other() -> None:
    try:
        TopologicalSorter(imports()).prepare()
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))


@pytest.mark.parametrize(
    ("room", "unknown"),
    [
        ("reconcile.reporting", ("reconcile.store", "reconcile.steps", "reconcile.pipeline")),
        ("reconcile.intake", ("reconcile.store", "reconcile.reporting", "reconcile.pairing")),
        ("reconcile.store", ("reconcile.statistics", "reconcile.reporting")),
        ("reconcile.steps", ("reconcile.pipeline", "reconcile.cli")),
    ],
)
def test_a_room_knows_nothing_of_what_stands_above_it(room: str, unknown: tuple[str, ...]) -> None:
    for name, used in imports().items():
        if name.startswith(room):
            assert not [u for u in used if u.startswith(unknown)], name


def test_the_statistics_import_nothing_of_the_project() -> None:
    for name, used in imports().items():
        if name.startswith("reconcile.statistics"):
            assert all(u.startswith("reconcile.statistics") for u in used), name
