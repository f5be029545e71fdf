"""Rows that stand one place off their headings, or lack a cell, are not read as they stand."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from tests.intake.conftest import Read

HEAD = ["Sample", "Reading No", "Cu ppm", "Fe ppm"]
ROWS = [["S-1", 1, 10.5, 100], ["S-2", 2, 20.5, 200], ["S-3", 3, 30.5, 300], ["S-4", 4, 40.5, 400]]


def shifted(row: int) -> list[Sequence[object]]:
    rows = [list(r) for r in ROWS]
    rows[row] = [*rows[row][1:], None]
    return [HEAD, *rows]


@pytest.mark.parametrize("row", range(4))
def test_a_row_one_place_to_the_left_is_refused_and_shown(row: int, read: Read) -> None:
    table = read(shifted(row), "lab")
    assert table.facts.column("sample_id").to_pylist() == [
        f"S-{i + 1}" for i in range(4) if i != row
    ]
    (line,) = table.quarantine.itertuples(index=False)
    assert (line.row, line.column) == (row + 2, "")
    assert "one place to the left" in line.reason
    assert f"{ROWS[row][2]}" in line.found


def test_a_shifted_row_among_plain_numbers_is_found_too(read: Read) -> None:
    text = "Sample,Cu ppm,Fe ppm\n" + "".join(f"S-{i},{i}.5,{i}00\n" for i in range(1, 40))
    table = read(text.replace("S-20,20.5,2000\n", "20.5,2000,\n"), "lab")
    assert list(table.quarantine["row"]) == [21]
    assert table.facts.num_rows == 38


@pytest.mark.parametrize(
    "odd",
    [
        "1201,5,50.5,500",  # its last cell is there: an id of another kind
        "S-9,,,",  # nothing is out of place
        "BLANK,5,,",
        "S-5,,50.5,",
    ],
)
def test_other_odd_rows_stay_where_they_are(odd: str, read: Read) -> None:
    rows = "".join(",".join(map(str, row)) + "\n" for row in ROWS)
    table = read(f"{','.join(HEAD)}\n{rows}{odd}\n", "lab")
    assert not table.quarantine["reason"].str.contains("one place").any()


def test_where_ids_of_both_kinds_are_usual_none_is_suspected(read: Read) -> None:
    rows = "".join(f"{i},{i},{i}.5,\nS-{i},{i},{i}.5,{i}\n" for i in range(1, 12))
    table = read(f"{','.join(HEAD)}\n{rows}", "lab")
    assert table.facts.num_rows == 22
    assert not len(table.quarantine)


def test_a_row_moved_to_the_right_has_no_id_and_is_refused(read: Read) -> None:
    rows = [list(row) for row in ROWS]
    rows[1] = [None, "S-2", 2, 20.5, 200]
    table = read([[*HEAD, "Note"], *rows], "lab")
    assert list(table.quarantine["row"]) == [3]
    assert table.facts.num_rows == 3


# ---- rows with a cell too few or too many -----------------------------------------------------


def text(*rows: str) -> str:
    return "\n".join(["Sample,Cu ppm,Fe ppm,Note", *rows, ""])


FULL = [f"S-{i},{i}.5,{i}00,dry" for i in range(1, 12)]


@pytest.mark.parametrize("odd", ["S-99,99.5,dry", "S-99,99.5", "S-99,,99.5,9900,"])
def test_a_row_with_another_number_of_cells_is_refused_and_shown(odd: str, read: Read) -> None:
    table = read(text(*FULL, odd, "S-12,12.5,1200,"), "lab")
    assert "S-99" not in table.facts.column("sample_id").to_pylist()
    (line,) = table.quarantine.itertuples(index=False)
    assert (line.row, line.column) == (13, "")
    assert "where others have 4" in line.reason
    assert "99.5" in line.found


def test_a_file_that_leaves_empty_cells_at_the_end_of_rows_out_is_read(read: Read) -> None:
    trimmed = [f"T-{i},{i}.5,{i}00" for i in range(1, 5)] + ["U-1,7.5"]
    table = read(text(*FULL, *trimmed), "lab")
    assert table.facts.num_rows == 16
    assert not len(table.quarantine)


def test_a_file_whose_rows_end_in_a_mark_too_many_is_read(read: Read) -> None:
    for rows in ([f"{row}," for row in FULL], [f"{row}," for row in FULL[:6]] + FULL[6:]):
        table = read(text(*rows), "lab")
        assert table.facts.num_rows == 11
        assert not len(table.quarantine)


def test_summaries_and_remarks_need_no_full_row(read: Read) -> None:
    table = read(text(*FULL, "Average,6,600", "Checked: by both"), "lab")
    assert dict(table.rows_set_aside) == {"remark": 1, "summary line": 1}
    assert not len(table.quarantine)
