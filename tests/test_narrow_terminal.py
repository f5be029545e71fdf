"""At 80 columns: no word or path breaks, and what matters comes first.

Every command is called as typed, by the command line's own runner.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from reconcile.base.shown import safe, wrapped
from reconcile.cli import app
from reconcile.commands import terminal
from reconcile.commands.printing import row, table
from tests import months

pytestmark = pytest.mark.usefixtures("data_alone")

WIDTH = 80


def typed(*words: str) -> Result:
    result = CliRunner().invoke(app, list(words), env={"COLUMNS": str(WIDTH)})
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = months.build(tmp_path_factory.mktemp("narrow") / "site", {"2026-10": 0.3})
    with (folder / "field_2026-10.csv").open("a", encoding="utf-8") as stream:
        stream.write("2026-10-01,9,2026-10-01 09:00,soil 1,oops\n")  # refused: a person must look
    return folder


@pytest.fixture(scope="module")
def first(site: Path) -> Result:
    return typed("run", "2026-10", str(site), "--show", "verdicts")


def test_no_line_is_wider_than_the_terminal_but_a_single_word(first: Result) -> None:
    wide = [line for line in first.output.splitlines() if len(line) > WIDTH]
    assert [line for line in wide if len(line.split()) > 2] == []


def test_a_path_stands_whole_in_one_line(first: Result) -> None:
    lines = first.output.splitlines()
    assert any(line.endswith("report.pdf") and "releases" in line for line in lines)


def test_one_verdict_takes_at_most_eight_lines(first: Result) -> None:
    said = first.output.partition("What may be done with field-only results")[2]
    verdicts = re.split(r"\n- ", said)[1:]
    assert verdicts
    assert max(len(re.split(r"\n(?!   )", v)[0].splitlines()) for v in verdicts) <= 8


def test_an_unchanged_run_says_so_in_few_lines_and_keeps_the_code_of_the_release(
    site: Path, first: Result
) -> None:
    again = typed("run", "2026-10", str(site))
    assert "Nothing changed since this release was made" in " ".join(again.output.split())
    assert len(again.output.splitlines()) <= 14
    assert "To do now" not in again.output
    assert again.exit_code == first.exit_code == 1
    assert "see quarantine.csv beside the report" in " ".join(again.output.split())


def test_a_refused_row_and_what_to_do_stand_before_all_that_was_understood(
    tmp_path: Path,
) -> None:
    folder = months.build(tmp_path / "site", {"2026-10": 0.0})
    field = folder / "field_2026-10.csv"
    lines = field.read_text("utf-8").splitlines()
    lines[-1] = lines[-1].rpartition(",")[0] + ",oops"
    field.write_text("\n".join(lines) + "\n", "utf-8")
    result = typed("check", "2026-10", str(folder))
    assert result.exit_code == 1
    shown = result.output.splitlines()
    place = next(n for n, line in enumerate(shown) if "first:" in line)
    todo = next(n for n, line in enumerate(shown) if line.startswith("What to do now"))
    assert place < 6
    assert f"row {len(lines)}" in " ".join(shown[place : place + 2])
    assert place < todo < 15
    assert len(shown) < 70


def test_a_plan_shows_the_chosen_samples_first(site: Path, first: Result) -> None:
    said = typed("plan", "2026-10", str(site), "--share", "0.5").output
    assert said.startswith("For the laboratory:")
    assert said.index("For the laboratory:") < said.index("What a verdict still needs")
    whole = typed("plan", "2026-10", str(site), "--share", "0.5", "--show", "needs").output
    assert "under the model" in whole
    assert "under the model" not in said


def test_a_number_does_not_break_at_its_thousands_space() -> None:
    number = "12\N{NO-BREAK SPACE}700\N{NO-BREAK SPACE}mg/kg"
    assert number in "\n".join(wrapped(f"The largest value found was {number} in soil.", 35))


def test_a_table_too_wide_for_its_words_becomes_lines_under_the_name_of_each_row(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from reconcile.base.shown import open_console

    monkeypatch.setenv("COLUMNS", "40")
    made = table("Files", "file", "kind", "what was found", lead=2)
    path = "a_long_folder/of_a_site/a_long_file_name_of_a_table.csv"
    row(made, path, "field", "nothing at all that anybody would have to look at now")
    open_console().print(made)
    said = capsys.readouterr().out.splitlines()
    assert f"- {path}" in said
    assert "   what was found: nothing at all that" in said


def test_the_example_says_why_it_ends_with_nought(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Found:
        needs_a_person = True

    terminal.say_example_code([Found()])  # type: ignore[list-item]
    assert "exit code 0" in capsys.readouterr().out
    assert safe("x").plain == "x"
