"""Every entry of a settings file is found on its line, however it is written."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from reconcile.intake.toml_lines import lines_of
from tests.mutated_settings import settings_texts

ROOT = Path(__file__).parents[2]


def paths(value: Any, at: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    """Every place in a parsed file."""
    found: set[tuple[str | int, ...]] = {at} if at else set()
    if isinstance(value, dict | list):
        items = value.items() if isinstance(value, dict) else enumerate(value)
        for key, part in items:
            found |= paths(part, (*at, key))
    return found


def test_each_entry_stands_on_its_line() -> None:
    text = """# remark with = and [brackets]
[workspace]
title = "a # no remark [x]"  # remark
elements = [  # one a line
  "Cu",  # ]
  'Fe',
]
[element.Cu.matrix."hard, [rock]"]
margin = 0.1

[[table]]
kind = "field"
columns = { "a = b" = "value", c.means = "error", 'd"' = { means = "ignore" } }
[table.cells]
zero = \"\"\"
[not.a.table]
x = 1\"\"\"
day_first = true
[[table]]
kind = 'lab'
cells.zero = "measured"
"""
    lines = lines_of(text)
    assert lines[("workspace",)] == 2
    assert lines[("workspace", "title")] == 3
    assert lines[("workspace", "elements")] == 4
    assert lines[("workspace", "elements", 1)] == 6
    assert lines[("element", "Cu", "matrix", "hard, [rock]", "margin")] == 9
    assert lines[("table", 0, "columns", "a = b")] == 13
    assert lines[("table", 0, "columns", "c", "means")] == 13
    assert lines[("table", 0, "columns", 'd"', "means")] == 13
    assert lines[("table", 0, "cells", "day_first")] == 18
    assert lines[("table", 1)] == 19
    assert lines[("table", 1, "cells", "zero")] == 21
    assert lines_of(text.replace("\n", "\r\n")) == lines


@pytest.mark.parametrize(
    "file", [*sorted(ROOT.rglob("tests/**/*.toml")), ROOT / "demo_inputs" / "reconcile.toml"],
    ids=lambda path: path.name,
)  # fmt: skip
def test_every_settings_file_of_the_project_has_a_line_for_each_entry(file: Path) -> None:
    text = file.read_text("utf-8")
    assert paths(tomllib.loads(text)) == set(lines_of(text))


def test_the_template_has_a_line_for_each_entry() -> None:
    text = resources.files("reconcile.intake").joinpath("template.toml").read_text("utf-8")
    assert paths(tomllib.loads(text)) == set(lines_of(text))


@pytest.mark.slow
def test_mutated_settings_have_a_line_for_each_entry() -> None:
    seen = 0
    for _, content in settings_texts(200):
        text = content.decode("utf-8", "replace")
        found = lines_of(text)
        try:
            there = paths(tomllib.loads(text))
        except (ValueError, RecursionError):
            continue
        seen += 1
        assert there == set(found)
    assert seen > 100
