"""Settings that can be edited with help: a schema, what holds and why, faults with their line."""

from __future__ import annotations

import json
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.schema import SCHEMA_FILE, settings_schema
from reconcile.base.settings.whole import Settings
from reconcile.commands.settings_shown import holding
from reconcile.intake import workspace as ws
from tests import small
from tests.mutated_settings import BASE, settings_texts
from tests.test_cli import reconcile

ROOT = Path(__file__).parents[1]
SMALL = """[[table]]
kind = "field"
files = ["field.csv"]
[[table]]
kind = "lab"
files = ["lab.csv"]
"""


def fault(folder: Path, text: str) -> str:
    (folder / "reconcile.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ReconcileError) as raised:
        ws.load_workspace(folder)
    return raised.value.message


@pytest.fixture(scope="module")
def checker() -> Any:
    schema = settings_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


# ---- the schema --------------------------------------------------------------------------


def test_the_schema_takes_the_template_the_example_and_settings_of_every_part(checker: Any) -> None:
    template = resources.files("reconcile.intake").joinpath("template.toml").read_text("utf-8")
    example = (ROOT / "demo_inputs" / "reconcile.toml").read_text("utf-8")
    for raw in (tomllib.loads(template), tomllib.loads(example), BASE):
        assert list(checker.iter_errors(raw)) == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"thresholds": {"bias_margn": 0.1}},
        {"thresholds": {"bias_margin": 12}},
        {"report": {"paper": "A5"}},
        {"table": [{"kind": "feld", "files": ["a.csv"]}]},
    ],
)
def test_the_schema_refuses_what_the_settings_refuse(checker: Any, wrong: dict[str, Any]) -> None:
    assert list(checker.iter_errors({**BASE, **wrong}))


@pytest.mark.slow
def test_whatever_the_settings_accept_the_schema_accepts(checker: Any) -> None:
    accepted = 0
    for what, content in settings_texts(300, seed=4):
        try:
            raw = tomllib.loads(content.decode("utf-8"))
            # as written: "1" for true is accepted too, and an editor may well mark it
            Settings.model_validate_json(json.dumps(raw, default=str), strict=True)
        except (ValueError, RecursionError):
            continue
        accepted += 1
        assert [e.message for e in checker.iter_errors(raw)] == [], what
    assert accepted > 30


def test_every_setting_has_its_meaning_in_the_schema() -> None:
    thresholds = settings_schema()["$defs"]["Thresholds"]["properties"]
    assert all(setting["description"] for setting in thresholds.values())


def test_a_new_workspace_names_the_schema_that_lies_beside_it(tmp_path: Path) -> None:
    path = ws.write_template(tmp_path / "site")
    first = path.read_text("utf-8").splitlines()[0]
    assert first == f"#:schema {SCHEMA_FILE}"
    assert json.loads((path.parent / SCHEMA_FILE).read_text("utf-8")) == settings_schema()


def test_the_schema_is_written_beside_settings_that_can_not_stand_too(tmp_path: Path) -> None:
    (tmp_path / "reconcile.toml").write_text("[nonsense]\n", encoding="utf-8")
    code, out, _ = reconcile("settings", str(tmp_path), "--schema")
    assert code == 0
    assert SCHEMA_FILE in out
    assert (tmp_path / SCHEMA_FILE).is_file()


# ---- what holds, from where --------------------------------------------------------------


def test_each_setting_that_holds_says_its_line_or_that_it_is_a_default(tmp_path: Path) -> None:
    (tmp_path / "reconcile.toml").write_text(
        "[thresholds]\nbias_margin = 0.2\n"
        + SMALL.replace('files = ["field.csv"]', 'files = ["field.csv"]\ncolumns = {Cu = "value"}'),
        encoding="utf-8",
    )
    by_name = {setting.name: setting for setting in holding(tmp_path)}
    assert (by_name["thresholds.bias_margin"].value, by_name["thresholds.bias_margin"].line) == (
        0.2,
        2,
    )
    assert (
        by_name["thresholds.minimum_pairs"].value,
        by_name["thresholds.minimum_pairs"].line,
    ) == (20, 0)
    assert by_name["table.1.columns.Cu"].line == 6
    assert by_name["table.2.kind"].line == 8
    assert "table.2.unit" not in by_name  # neither stated nor of any value


def test_settings_are_listed_at_the_terminal(tmp_path: Path) -> None:
    site = small.build(tmp_path / "site")
    code, out, _ = reconcile("settings", str(site), "--show")
    assert code == 0
    said = " ".join(out.split())
    assert "thresholds.rate_blanks 0 reconcile.toml, line 12" in said
    assert "thresholds.minimum_pairs 20 default" in said
    code, out, _ = reconcile("settings", str(site))
    assert code == 0
    assert "hold by default. --show lists them." in out


# ---- faults ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (SMALL + "[thresholds]\n# remark\nbias_margn = 0.2\n",
         "line 9, thresholds.bias_margn: this name is not known here (a typo?); did you mean "
         "'bias_margin'?"),
        (SMALL.replace('"lab"', '"lap"'),
         "line 5, table.2.kind: Input should be 'field', 'lab',"),
        (SMALL.replace('"lab"', '"lap"'), "did you mean 'lab'? (found 'lap')"),
        ('[report]\npaper = "letter"\n' + SMALL, "line 2, report.paper"),
        ('[report]\npaper = "letter"\n' + SMALL, "did you mean 'Letter'?"),
        ('[workspace]\ntime_zone = "Afrika/Accra"\n' + SMALL, "did you mean 'Africa/Accra'?"),
        (SMALL + '[table.columns]\nCu = "value"\nNr = "sampel_id"\n',
         "line 9, table.2.columns.\"Nr\": no known meaning; did you mean 'sample_id'?"),
        (SMALL + 'fixed = { digestion = "x", laboratry = "A" }\n',
         "line 7, table.2.fixed.laboratry: no fact of a lab table; did you mean 'laboratory'?"),
        (SMALL + '[table.cells]\nzeros = "measured"\n', "line 8, table.2.cells.zeros"),
        (SMALL + '[element.Cu]\nlevels = [\n{ name = "a", value = 1 },\n{ name = "b" },\n]\n',
         "line 10, element.Cu.levels.2.value: this setting is required"),
        (SMALL + 'columns = { Cu = { mean = "value" } }\n', "line 7, table.2.columns.Cu"),
    ],
)  # fmt: skip
def test_each_fault_says_its_line_and_the_nearest_right_word(
    tmp_path: Path, text: str, told: str
) -> None:
    message = fault(tmp_path, text)
    assert message.startswith("reconcile.toml has")
    assert told in message


@pytest.mark.parametrize("pattern", ["*_**.csv", "**.csv", "field/**x/*.csv", "field/**"])
def test_a_bad_pattern_is_a_fault_of_the_settings(tmp_path: Path, pattern: str) -> None:
    message = fault(tmp_path, SMALL.replace("field.csv", pattern))
    assert "line 3, table.1.files.1: " in message
    assert "**" in message


def test_a_word_that_is_right_or_like_no_other_has_no_nearest_one(tmp_path: Path) -> None:
    assert "did you mean" not in fault(tmp_path, SMALL + "[thresholds]\nqqq = 1\n")
    assert "did you mean" not in fault(tmp_path, SMALL + "[thresholds]\nbias_margin = 12\n")
