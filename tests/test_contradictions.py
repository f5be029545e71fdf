"""Settings that contradict themselves are told when they are loaded, with their place."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import BaseModel

from reconcile.base.errors import ReconcileError
from reconcile.intake import workspace as ws
from tests import small
from tests.mutated_settings import MODELS

pytestmark = pytest.mark.usefixtures("data_alone")

LEVELS = '[element.Zn]\nunit = "%"\nlevels = '


def complaint(folder: Path, addition: str, replaced: tuple[str, str] = ("", "")) -> str:
    small.build(folder, samples=1)
    settings = folder / "reconcile.toml"
    text = settings.read_text("utf-8").replace(*replaced) if replaced[0] else small.SETTINGS
    if addition.startswith("[thresholds]"):
        text = text.replace("[thresholds]", addition, 1)
    else:
        text += addition
    settings.write_text(text, "utf-8")
    with pytest.raises(ReconcileError) as raised:
        ws.load_workspace(folder)
    return str(raised.value)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("addition", "place", "words"),
    [
        ("[thresholds]\nrecovery_low = 0.9\nrecovery_high = 0.8", "recovery_high", "or equal to 1"),
        ("[thresholds]\nrecovery_low = 1.3", "recovery_low", "or equal to 1"),
        ("[thresholds]\ndetection_sigma = 12", "thresholds", "above quantitation_sigma"),
        ("[thresholds]\nfalse_negative_bound = 0.01", "thresholds", "above false_negative_bound"),
        ("[thresholds]\nagreement_span = inf", "thresholds.agreement_span", "finite"),
        ("[thresholds]\nconfidence = 1e-300", "thresholds.confidence", "or equal to 0.5"),
        ("[thresholds]\nequivalence_alpha = nan", "thresholds.equivalence_alpha", "finite"),
        ("[thresholds]\nfactor_valid_months = 120000", "factor_valid_months", "or equal to 120"),
        ("[thresholds]\nminimum_pairs = true", "thresholds.minimum_pairs", "integer"),
        ('[thresholds]\nminimum_pairs = "20"', "thresholds.minimum_pairs", "integer"),
        ("[schedule]\ncron = 'x'", "schedule.cron", "'x' is no schedule"),
        ("[schedule]\ncron = '0 0 31 2 *'", "schedule.cron", "there is no such day"),
        ("[schedule]\ncron = '0 0 0 1 * *'", "schedule.cron", "is no schedule"),
        ("[schedule]\nretry_seconds = -1", "schedule.retry_seconds", "or equal to 0"),
        (LEVELS + "[{name='a', value=1}, {name='A ', value=2}]", "element.Zn", "more than once"),
        (LEVELS + "[{name='', value=1}]", "element.Zn.levels.1.name", "at least 1 character"),
        (LEVELS + "[{name='a', value=101}]", "element.Zn", "above 100 %"),
        (LEVELS + "[{name='a', value=inf}]", "element.Zn.levels.1.value", "finite"),
        (LEVELS + "[]\nmatrix.soil.levels = [{name='a', value=101}]", "element.Zn", "above 100 %"),
        ('pool = ["instrument", "instrument"]\n', "pool", "more than once"),
        ('[lab]\nbest_value = ["M1", "m1"]', "lab.best_value", "more than once"),
        ("[leave_out]\nS001 = ' '", "leave_out", "the reason"),
        ("[labels]\ngap_x_mm = inf", "labels.gap_x_mm", "finite"),
    ],
)
def test_a_contradiction_is_told_with_its_place(
    tmp_path: Path, addition: str, place: str, words: str
) -> None:
    if addition.startswith("pool"):
        text = complaint(tmp_path, "", ("[workspace]", addition + "[workspace]"))
    elif addition.startswith("[thresholds]\n"):
        text = complaint(tmp_path, addition)
    else:
        text = complaint(tmp_path, addition + "\n")
    assert place in text
    assert words in text


@pytest.mark.parametrize("model", sorted({model for model, _ in MODELS}, key=str))
def test_every_number_of_the_settings_has_two_ends(model: type[BaseModel]) -> None:
    for name, schema in model.model_json_schema()["properties"].items():
        for part in schema.get("anyOf", [schema]):
            if part.get("type") in ("number", "integer"):
                assert {"minimum", "exclusiveMinimum"} & set(part), name
                assert {"maximum", "exclusiveMaximum"} & set(part), name


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("*_**.csv", "must stand alone"),
        ("field/**", "means folders"),
        ("", "write a file name"),
        (" ", "write a file name"),
        (".", "below the folder"),
        ("..", "below the folder"),
        ("../other/*.csv", "below the folder"),
        ("a/../../b.csv", "below the folder"),
        ("..\\\\b.csv", "below the folder"),
        ("/etc/passwd", "relative to reconcile.toml"),
        ("C:\\\\data\\\\*.csv", "relative to reconcile.toml"),
        ("\\\\\\\\server\\\\share\\\\x.csv", "relative to reconcile.toml"),
        ("a\\u0000b.csv", "control character"),
        ("x" * 300, "longer than any file system"),
    ],
)
def test_a_pattern_that_can_not_be_searched_is_told_with_its_place(
    tmp_path: Path, pattern: str, words: str
) -> None:
    text = complaint(tmp_path, "", ('"lab.csv"', f'"{pattern}"'))
    assert "table.2.files" in text
    assert words in text


@pytest.mark.parametrize(
    "addition",
    [
        "x = " + "[" * 5000 + "]" * 5000 + "\n",
        "x = " + "9" * 5000 + "\n",
        "x = " + "{a=" * 3000 + "1" + "}" * 3000 + "\n",
        "a." * 3000 + "a = 1\n",
    ],
    ids=["arrays", "digits", "tables", "keys"],
)
def test_deep_nesting_and_endless_numbers_are_refused(tmp_path: Path, addition: str) -> None:
    text = complaint(tmp_path, "", ("[workspace]", addition + "[workspace]"))
    assert "reconcile.toml" in text
    assert len(text) < 1000


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ("sample_id_rules = [{ find = '(', replace = '' }]", "no regular expression"),
        ("sample_id_rules = [{ find = 'a', replace = '\\9' }]", "can't replace"),
        ("kind_rules = [{ column = 'x', pattern = '[', kind = 'blank' }]", "no regular expression"),
        ("files = []", "at least one file"),
        ("cells = { lower_limits = { Cu = -1 } }", "greater than 0"),
        ("first_row = 99999999", "or equal to 1048576"),
        ("fixed = { moisture_pct = nan }", "finite"),
    ],
)
def test_a_rule_of_a_table_that_can_not_hold_is_told(tmp_path: Path, rule: str, words: str) -> None:
    table = f'kind = "custody"\nname = "it"\n{rule}\n'
    files = "" if rule.startswith("files") else 'files = ["x.csv"]\n'
    text = complaint(tmp_path, f"[[table]]\n{table}{files}")
    assert "table.4" in text
    assert words in text


def test_two_tables_of_one_name_are_told(tmp_path: Path) -> None:
    table = '[[table]]\nkind = "custody"\nname = "it"\nfiles = ["x.csv"]\n'
    assert "'it' stands more than once" in complaint(tmp_path, table * 2)


@pytest.mark.parametrize("zone", ["localtime", "Factory", "", "utc/..", "Mars/Nowhere"])
def test_a_zone_that_another_machine_may_not_know_is_refused(tmp_path: Path, zone: str) -> None:
    text = complaint(tmp_path, "", ('time_zone = "UTC"', f'time_zone = "{zone}"'))
    assert "not a known time zone" in text


@pytest.mark.parametrize("output", ["", ".", " "])
def test_the_output_is_a_folder_of_its_own(tmp_path: Path, output: str) -> None:
    text = complaint(tmp_path, "", ('title = "Small', f'output = "{output}"\ntitle = "Small'))
    assert "name a folder of its own" in text


def test_an_output_that_is_a_file_ends_in_a_message(tmp_path: Path) -> None:
    from reconcile.commands import checking

    site = small.build(tmp_path / "site", samples=2)
    text = small.SETTINGS.replace("[workspace]", '[workspace]\noutput = "lab.csv"')
    (site / "reconcile.toml").write_text(text, "utf-8")
    with pytest.raises(ReconcileError, match="can't be made"):
        checking.check(site, "2026-10")


@pytest.mark.parametrize("period", ["0000-01", "0001-01", "9999-12", "1899-12"])
def test_a_year_that_no_calendar_here_reaches_is_no_month(tmp_path: Path, period: str) -> None:
    workspace = ws.load_workspace(small.build(tmp_path, samples=1))
    with pytest.raises(ReconcileError, match="is not a month"):
        ws.check_period(workspace, period)
