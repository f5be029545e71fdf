"""What ``check`` prints is a page for a person, whatever was refused; nothing is lost."""

from __future__ import annotations

import csv
import io
import sys
from contextlib import redirect_stdout
from pathlib import Path

import pandas as pd
import pytest

from reconcile import cli
from reconcile.base.model.account import Finding
from reconcile.commands import checked
from reconcile.commands.checking import CheckReport, check
from reconcile.commands.problems import problems_of, told_of
from reconcile.commands.shows import Look

FIXED = '{ technique = "XRF", instrument = "X1", calibration = "c", matrix = "soil", moisture_basis = "dry" }'  # noqa: E501
LIGHT = ("Na", "F", "C")


def site(folder: Path, field: list[str], lab: list[str]) -> Path:
    folder.mkdir()
    (folder / "field.csv").write_text("\n".join(field) + "\n", encoding="utf-8")
    (folder / "lab.csv").write_text("\n".join(lab) + "\n", encoding="utf-8")
    (folder / "reconcile.toml").write_text(
        f"""
[workspace]
assign_rows_by = "nothing"
[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = {FIXED}
[[table]]
kind = "lab"
files = ["lab.csv"]
unit = "mg/kg"
fixed = {{ technique = "ICP-OES", moisture_basis = "dry" }}
""",
        encoding="utf-8",
    )
    return folder


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A table with 9,000 refusals: three columns that XRF can't measure, and odd words."""
    rows = [f"S{n},{n % 7 + 1},{n % 5 + 1},3,4,word{n}" for n in range(2250)]
    return site(
        tmp_path_factory.mktemp("many") / "site",
        ["Sample,Cu,Na,F,C,Zn", *rows],
        ["Sample,Cu", *(f"S{n},{n + 1}" for n in range(30))],
    )


def printed(folder: Path, *words: str) -> list[str]:
    """The lines of ``reconcile check``."""
    out = io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out):
        patch.setattr(sys, "argv", ["reconcile", "check", "all", str(folder), *words])
        with pytest.raises(SystemExit):
            cli.main()
    return out.getvalue().splitlines()


def shown(report: CheckReport, *asked: Look) -> list[str]:
    """The lines of the same, without reading again."""
    with redirect_stdout(io.StringIO()) as out:
        checked.show_check(report, asked)
    return out.getvalue().splitlines()


@pytest.fixture(scope="module")
def page(many: Path) -> list[str]:
    return printed(many)


def listed(folder: Path, name: str = "quarantine.csv") -> list[dict[str, str]]:
    with (folder / "out" / "check" / "all" / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.slow
def test_a_table_with_nine_thousand_refusals_is_told_in_fewer_than_sixty_lines(
    many: Path, page: list[str]
) -> None:
    said = " ".join(" ".join(page).split())
    assert len(page) < 60
    assert len(listed(many)) == 9000
    assert "Every refusal (9000)" in said
    assert str(Path("out", "check", "all", "quarantine.csv")) in said.replace(" ", "")


def test_a_column_that_a_technique_can_not_measure_is_one_line_and_one_question(
    page: list[str],
) -> None:
    said = " ".join(" ".join(page).split())
    assert "6750 cells in 2250 rows: a field XRF can't report this element" in said
    assert (
        "in C (2250), F (2250), Na (2250); first: field.csv, row 2, column 'C'; field.csv, row 3, "
        in said
    )
    assert said.count("a field XRF can't report this element") == 1
    todo = said.partition("What to do now, most rows gained first")[2]
    assert todo.count("Is this table really XRF?") == 1


def test_words_that_each_cell_has_of_its_own_are_one_kind_of_problem(many: Path) -> None:
    kinds = problems_of(check(many, "all").quarantine)
    assert [(k.cells, k.rows, len(k.columns)) for k in kinds] == [(6750, 2250, 3), (2250, 2250, 1)]
    assert kinds[1].others == 2249
    assert len(kinds[1].places) == 3


def test_every_refusal_is_shown_where_it_is_asked_for(
    tmp_path: Path,
) -> None:
    folder = site(
        tmp_path / "s",
        ["Sample,Cu,Zn", *(f"S{n},word{n},5" for n in range(40))],
        ["Sample,Cu,Zn", "S1,3,4"],
    )
    said = " ".join(shown(check(folder, "all"), Look.REFUSALS))
    assert all(f"word{n}" in said for n in range(40))


@pytest.mark.slow
def test_the_list_of_refusals_follows_the_files_and_keeps_what_a_person_entered(
    tmp_path: Path,
) -> None:
    field = ["Sample,Cu", "S1,oops", "S2,4"]
    folder = site(tmp_path / "s", field, ["Sample,Cu", "S1,3"])
    path = check(folder, "all").listed
    assert path is not None
    assert [line["found"] for line in listed(folder)] == ["oops"]

    lines = path.read_text("utf-8").splitlines()
    path.write_text("\n".join([lines[0], lines[1].removesuffix(",,,") + ",5,Ana,typo"]), "utf-8")
    (folder / "field.csv").write_text("\n".join([*field, "S3,ouch", ""]), "utf-8")
    second = check(folder, "all").listed
    assert second is not None
    assert second.name == "quarantine-2.csv"
    assert [line["found"] for line in listed(folder, second.name)] == ["oops", "ouch"]
    assert listed(folder)[0]["corrected_by"] == "Ana"

    (folder / "field.csv").write_text("Sample,Cu\nS2,4\n", "utf-8")
    assert check(folder, "all").listed is None
    assert listed(folder, second.name) == []


def test_nothing_is_written_where_nothing_was_refused(tmp_path: Path) -> None:
    folder = site(tmp_path / "s", ["Sample,Cu", "S1,2"], ["Sample,Cu", "S1,3"])
    assert check(folder, "all").listed is None
    assert not (folder / "out" / "check").exists()


def test_problems_that_gain_most_rows_come_first_and_whole_files_before_all() -> None:
    lines = [
        ("a.csv", "", 0, "", "the whole file", "it is empty", "Give the file."),
        *(("b.csv", "", n, "Cu", "x", "no number", "Mend the cell.") for n in (2, 3, 4)),
        *(("b.csv", "", n, "Zn", "x", "no number", "Mend the cell.") for n in (2, 3)),
        ("b.csv", "", 9, "", "", "no sample id", "Fill it in."),
    ]
    names = ["file", "sheet", "row", "column", "found", "reason", "advice"]
    first, second, third = problems_of(pd.DataFrame(lines, columns=names))
    assert (first.files, first.rows) == (1, 0)
    assert (second.cells, second.rows) == (5, 3)
    assert second.columns == (("Cu", 3), ("Zn", 2))
    assert second.places == (
        "b.csv, row 2, column 'Cu'", "b.csv, row 3, column 'Cu'", "b.csv, row 4, column 'Cu'",
    )  # fmt: skip
    assert (third.cells, third.rows, third.columns) == (0, 1, ())


def test_findings_of_one_kind_are_told_once_the_serious_first() -> None:
    findings = [
        Finding("identity", "warning", f"S{n}", f"S{n} is not registered.", code="x")
        for n in range(50)
    ]
    findings.append(Finding("intake", "serious", "a.csv", "No file matches.", code="y"))
    findings.append(Finding("intake", "note", "b.csv", "A remark.", code="z"))
    serious, warning = told_of(findings)
    assert (serious.count, serious.subjects) == (1, ("a.csv",))
    assert (warning.count, warning.subjects) == (50, ("S0", "S1", "S2"))


@pytest.mark.parametrize("heading", ["Ca ratio", "Fe peak ratio"])
def test_a_ratio_is_called_a_ratio(tmp_path: Path, heading: str) -> None:
    folder = site(tmp_path / "s", [f"Sample,Cu,{heading}", "S1,2,5"], ["Sample,Cu", "S1,3"])
    columns = check(folder, "all").columns
    (row,) = columns[columns["heading"].eq(heading)].itertuples(index=False)
    assert (row.role, row.why) == ("ignored", "a ratio, not a mass fraction")


@pytest.mark.slow
def test_many_columns_and_files_are_told_by_the_way_they_were_read(tmp_path: Path) -> None:
    symbols = ["Cu", "Zn", "Fe", "Mn", "Ni", "Pb", "As", "Rb", "Sr", "Zr", "Ti", "V", "Cr"]
    row = ",".join("5" for _ in symbols)
    field = [f"Sample,{','.join(symbols)}", f"S1,{row}"]
    folder = site(tmp_path / "s", field, ["Sample,Cu", "S1,3"])
    text = (folder / "reconcile.toml").read_text("utf-8")
    (folder / "reconcile.toml").write_text(text.replace('["field.csv"]', '["field*.csv"]'), "utf-8")
    for n in range(9):
        (folder / f"field{n}.csv").write_text(f"{field[0]}\nF{n},{row}\n", "utf-8")
    report = check(folder, "all")
    lines = shown(report)
    said = " ".join(" ".join(lines).split())
    assert len(lines) < 60
    assert "sample_id from 'Sample'" in said
    assert "and 1 more in mg/kg" in said
    assert "all: 11 files, 11 rows: 11 accepted, 0 refused" in said
    whole = shown(report, Look.COLUMNS)
    assert sum("How the columns of" in line for line in whole) == 11
