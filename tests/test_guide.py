"""What DEVELOPERS.md says of adding something is how it is."""

import ast
import re
import typing
from functools import cache
from pathlib import Path

import pytest
from pydantic import BaseModel

import schemas
from reconcile import cli
from reconcile.base.settings.parts import Part
from reconcile.base.settings.tables import TableSettings
from reconcile.base.settings.whole import Settings
from reconcile.intake import vocabulary
from reconcile.intake.settings_listed import setting_lines
from reconcile.reporting.document import contents
from reconcile.store.cell_columns import ROW_TABLES
from tests import source
from tests.pairs import settings
from tests.test_house import modules

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


@cache
def guide() -> dict[str, str]:
    """What the guide says of each thing that can be added."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    (part,) = re.findall(r"^## How to add\n(.*?)^## ", text, re.MULTILINE | re.DOTALL)
    return dict(re.findall(r"^\*\*(.+?)\.\*\* (.+?)(?=^\*\*|\Z)", part, re.MULTILINE | re.DOTALL))


def test_six_things_can_be_added_in_five_lines_each() -> None:
    assert list(guide()) == [
        "A statistic", "A section of the report", "A technique", "A kind of file", "A command",
        "A setting",
    ]  # fmt: skip
    assert all(len(text.strip().splitlines()) <= 5 for text in guide().values())


def test_every_place_that_the_guide_names_is_there() -> None:
    whole = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:reconcile|tests|schemas|docs)/[\w/.]+\w\.\w+)`", whole))
    assert len(named) > 20
    assert sorted(name for name in named if not (ROOT / name).exists()) == []


# a statistic: tests/reporting/test_registry.py


def test_every_section_that_a_module_writes_is_in_the_list() -> None:
    made = {
        f"{name.rpartition('.')[2]}.{node.name}"
        for name, path in modules().items()
        if name.startswith("reconcile.reporting.document.") and not name.endswith(".contents")
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef)
        and not node.name.startswith("_")
        and node.returns is not None
        and ast.unparse(node.returns) == "list[Section]"
    }
    listed = {f"{s.__module__.rpartition('.')[2]}.{s.__name__}" for s in contents.SECTIONS}
    assert listed <= made
    # before the strata, and what stands in brief for the client
    assert made - listed == {"verdicts.section", "brief.controls", "brief.findings"}


def test_only_the_module_of_a_technique_knows_its_name() -> None:
    asking = {
        path.relative_to(ROOT).as_posix()
        for name, path in modules().items()
        if not name.startswith(("reconcile.reporting.words", "reconcile.trials"))
        for node in source.nodes(path)
        if isinstance(node, ast.Constant) and node.value in ("XRF", "LIBS")
    }
    assert asking == {f"reconcile/techniques/{name}.py" for name in ("libs", "xrf")}
    assert asking <= set(re.findall(r"`([\w/]+\.py)`", guide()["A technique"]))


def test_every_kind_of_file_has_facts_headings_a_contract_and_a_table() -> None:
    kinds = set(typing.get_args(TableSettings.model_fields["kind"].annotation)) - {"evidence"}
    assert kinds == set(ROW_TABLES) == set(vocabulary.FACTS) == set(schemas._SCHEMAS)
    for kind, (_, facts) in ROW_TABLES.items():
        assert vocabulary.FACTS[kind] == facts


def test_every_command_stands_in_the_readme() -> None:
    names = {
        command.name or command.callback.__name__.replace("_", "-")
        for command in cli.app.registered_commands
    }
    assert len(names) > 20
    assert sorted(n for n in names if not re.search(rf"reconcile {n}\b", README)) == []


def parts(kind: type[BaseModel], seen: set[type]) -> set[type]:
    """A part of the settings and all parts in it."""
    seen.add(kind)
    for field in kind.model_fields.values():
        for found in re.findall(r"[\w.]+", str(field.annotation)):
            name = found.rpartition(".")[2]
            inner = next((p for p in Part.__subclasses__() if p.__name__ == name), None)
            if inner is not None and inner not in seen:
                parts(inner, seen)
    return seen


PARTS = sorted(parts(Settings, set()), key=lambda p: p.__name__)


@pytest.mark.parametrize("part", PARTS)
def test_every_setting_says_what_it_means_and_every_number_is_bounded(
    part: type[BaseModel],
) -> None:
    for name, field in part.model_fields.items():
        of_parts = any(p.__name__ in str(field.annotation) for p in Part.__subclasses__())
        if not of_parts:
            assert field.description or part.__doc__, f"{part.__name__}.{name}"
        if field.annotation in (int, float):
            bounds = [m for m in field.metadata if hasattr(m, "ge") or hasattr(m, "gt")]
            assert bounds, f"{part.__name__}.{name} has no bounds"


def test_a_setting_of_a_part_that_shapes_results_is_in_the_list_of_the_release() -> None:
    shown = {line.name: line.meaning for line in setting_lines(settings())}
    for part in ("thresholds", "errors", "lab", "evidence", "report"):
        for name, field in type(getattr(settings(), part)).model_fields.items():
            assert shown[f"{part}.{name}"] == (field.description or ""), name
