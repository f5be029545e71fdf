"""3,000 injured files whose true cells are known: each is read as it is, or it is told."""

from __future__ import annotations

import pytest

from reconcile.errors import ReconcileError
from reconcile.intake.read import read_file
from reconcile.intake.tables import TypedTable, in_full
from reconcile.settings import TableSettings
from tests.intake import injured
from tests.intake.conftest import check_account

FILES = 3000
PART = 300
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
        written = {row.written[0].strip(), row.name}
        if name not in {w.strip(' \t\r\n\f\v\ufeff\x1a"') for w in written} | written:
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


def same(one: float | None, other: float) -> bool:
    return one is not None and abs(one - other) <= 1e-12 * abs(other)


def read_one(number: int, folder) -> tuple[injured.File, list[str] | None]:
    """A file and what is wrong with its reading; None where the file was refused as a whole."""
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
        return made, None
    check_account(table)
    wrong = faults(made, table)
    if table.rows_in_file != made.data_lines:
        wrong.append(f"{table.rows_in_file} rows for {made.data_lines} lines")
    return made, wrong


@pytest.mark.parametrize("part", range(FILES // PART))
def test_no_value_moves_no_row_is_lost_and_none_is_invented(part, tmp_path):
    refused = 0
    for number in range(part * PART, (part + 1) * PART):
        made, wrong = read_one(number, tmp_path)
        refused += wrong is None
        assert not wrong, (number, made.injuries, wrong, made.content[:2000])
    assert refused < PART / 4
