"""3,000 injured files whose true cells are known: each is read as it is, or it is told."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.intake import delimited
from reconcile.intake.read import read_file
from reconcile.intake.tables import TypedTable, in_full
from tests.intake import injured
from tests.intake.conftest import check_account
from tests.sizes import cases

FILES = 3000
USUAL = 150  # in every run; the others are slow
PART = 150
TABLE = TableSettings(kind="lab", files=("x",))


def faults(made: injured.File, table: TypedTable) -> list[str]:
    """What is wrong with a table against the truth; nothing may be."""
    found = []
    values = in_full(table.values)
    read_as = {c.heading: c.key for c in table.columns if c.role == "value" and c.key}
    refused_rows = set(table.quarantine.loc[table.quarantine["column"].eq(""), "row"])
    refused_cells = {
        (row, column)
        for row, column in table.quarantine[["row", "column"]].itertuples(index=False)
        if column
    }
    by_line = {row.line: row for row in made.rows}
    ids = table.facts.column("sample_id").to_pylist()
    accepted = table.facts.column("row").to_pylist()
    for at, (line, name) in enumerate(zip(accepted, ids, strict=True)):
        row = by_line.get(line)
        if row is None:
            found.append(f"line {line}: a row where none begins")
            continue
        if bare(name) not in {bare(row.written[0]), bare(row.name)}:
            found.append(f"line {line}: id {name!r} for {row.name!r}")
        for heading, truth in row.results.items():
            key = read_as.get(" ".join(heading.split()))
            if key is None:
                continue  # a column that was not taken as results is told as such
            true_key, factor = made.units[heading]
            if key != true_key:
                found.append(f"column {heading!r} read as {key}")
                continue
            code = values.column(f"{key}_q")[at].as_py()
            value, limit = values.column(key)[at].as_py(), values.column(f"{key}_lim")[at].as_py()
            told = (line, " ".join(heading.split())) in refused_cells
            right = (
                code is None
                if truth is None
                else same(value, truth[1] * factor) and limit is None
                if truth[0] == ""
                else code == 1 and same(limit, truth[1] * factor)
            )
            nothing = value is None and limit is None
            if not right and not (told and nothing):
                found.append(f"line {line}, {heading}: {code} {value} {limit} for {truth}")
    missing = [r for r in made.rows if r.line not in refused_rows and r.line not in accepted]
    aside = sum(count for _, count in table.rows_set_aside)
    if len(missing) > aside:
        found.append(f"untold: {[r.name for r in missing]}")
    return found


def bare(name: str) -> str:
    """An id without quotation marks and outer blanks, which may stay or go."""
    return name.replace('"', "").strip(" \t\r\n\f\v\ufeff\x1a\x00")


def same(one: float | None, other: float) -> bool:
    return one is not None and abs(one - other) <= 1e-12 * abs(other)


def read_one(number: int, folder: Path) -> tuple[injured.File, TypedTable | None, list[str]]:
    """A file, its table, and what is wrong; no table where the file was refused as a whole."""
    made = injured.make(number)
    path = folder / made.name
    path.write_bytes(made.content)
    message, table = made.name, None
    try:
        (table,) = read_file(path, made.name, TABLE, zone="UTC")
    except ReconcileError as error:
        message = error.message
    assert message.startswith(made.name), number
    if table is None:
        return made, None, []
    check_account(table)
    wrong = faults(made, table)
    counted = table.rows_in_file + table.lines_joined
    if counted != made.data_lines:
        wrong.append(f"{counted} lines counted of {made.data_lines}")
    return made, table, wrong


def all_right(numbers: range, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    refused = accepted = rows = 0
    for number in numbers:
        # small files are read cell by cell; here every other one goes the way of large ones first
        monkeypatch.setattr(delimited, "QUICK_FROM_BYTES", 0 if number % 2 else 1 << 20)
        made, table, wrong = read_one(number, folder)
        assert not wrong, (number, made.injuries, wrong, made.content[:2000])
        if table is None:
            refused += 1
            continue
        accepted += table.facts.num_rows
        rows += len(made.rows)
    assert refused < 0.1 * len(numbers)
    assert accepted > 0.75 * rows  # what is whole is read


@pytest.mark.slow
@pytest.mark.parametrize("part", range(USUAL // PART))
def test_no_value_moves_no_row_is_lost_and_none_is_invented(
    part: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    all_right(range(part * PART, (part + 1) * PART), tmp_path, monkeypatch)


@pytest.mark.slow
@pytest.mark.parametrize("part", range(USUAL // PART, cases(FILES, 1200) // PART))
def test_nor_in_any_of_three_thousand_files(
    part: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    all_right(range(part * PART, (part + 1) * PART), tmp_path, monkeypatch)


def compatible(text: str) -> str:
    return unicodedata.normalize("NFKC", text)


@pytest.mark.parametrize(
    ("place", "broken"),
    [
        ("reconcile.intake.cells.fold", compatible),
        ("reconcile.intake.cells.SMALLEST", 0.0),
        ("reconcile.intake.fitting.one_place_left", lambda body, columns, rules: ()),
        ("reconcile.intake.delimited._out_of_step", lambda laid, width: []),
        ("reconcile.intake.workbooks._run_text", str),
    ],
)
@pytest.mark.slow
def test_a_reader_that_is_broken_on_purpose_is_seen(
    place: str, broken: object, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(place, broken)
    assert any(read_one(number, tmp_path)[2] for number in range(400))
