"""Plain tables: results cut straight into numbers must be what the cells say, or not be taken."""

from __future__ import annotations

import dataclasses
import random
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.intake import delimited
from reconcile.intake.delimited import collect
from reconcile.intake.read import read_file
from reconcile.intake.tables import BELOW, PLAIN, QUANTIFIED, TypedTable, in_full
from reconcile.store.database import Store
from reconcile.store.statements import Sql
from tests import small
from tests.intake.test_hostile import mutate
from tests.sizes import cases

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

PERIOD = "2026-10"
PLAIN_CELLS = ["5", "0", "12.50", "0.001", "<5", "<0.5", "<.5", ".5", "7.", "", "007", "<0", "1000"]
OTHER_CELLS = [
    "-5", "<-5", "5<", "<<5", "1e3", "1E-3", "1e<5", "nan", "inf", "<inf", "infinity", "+5", "< 5",
    " 5", "5 ", "ND", "<LOD", ">5", "5 %", "1,5", "2000000", "<2000000", "0x1F", "1_0", "5-",
    "\u00a05", "5\xff",
]  # fmt: skip
IDS = [
    "S1", "S-2", "a<b", "<img src=x/>", "e", "EeE", "é-ÿþ", "'; DROP TABLE", "=1-2", "a b", " x",
    "x\u00a0", "", "-", "1e<5",
]  # fmt: skip


def tables(
    path: Path, monkeypatch: pytest.MonkeyPatch, kind: str = "lab", **given: Any
) -> tuple[TypedTable, TypedTable]:
    """The file read in the quick way and cell by cell."""
    table = TableSettings(kind=kind, files=("x",), **given)
    found: list[TypedTable] = []
    for limit in (0, 1 << 40):
        monkeypatch.setattr(delimited, "QUICK_FROM_BYTES", limit)
        found += read_file(path, "t", table, zone="UTC")
    return found[0], found[1]


def same(quick: TypedTable, careful: TypedTable) -> None:
    """Nothing but the form of the results may differ."""
    assert in_full(quick.values).equals(in_full(careful.values))
    assert quick.texts.equals(careful.texts)
    assert quick.quarantine.equals(careful.quarantine)
    assert repr(quick.columns) == repr(careful.columns)  # NaN stands in some
    rest: Any = dict.fromkeys(("values", "texts", "quarantine", "columns"))
    assert dataclasses.replace(quick, **rest) == dataclasses.replace(careful, **rest)


def is_plain(table: TypedTable) -> bool:
    """True where the results came as numbers."""
    return bool(table.values.column_names) and all(
        name.endswith(PLAIN) for name in table.values.column_names
    )


@pytest.mark.slow
@settings(max_examples=cases(250, 80), deadline=None, derandomize=True,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(
    rows=st.lists(
        st.tuples(st.sampled_from(IDS), st.sampled_from(PLAIN_CELLS), st.sampled_from(PLAIN_CELLS)),
        min_size=1,
        max_size=12,
    ),
    other=st.one_of(st.none(), st.sampled_from(OTHER_CELLS)),
    at=st.integers(0, 11),
    ends=st.sampled_from(["\n", "\r\n"]),
    delimiter=st.sampled_from([",", ";", "\t"]),
    mark=st.sampled_from(["", "\ufeff"]),
    kind=st.sampled_from(["field", "lab"]),
)
def test_plain_and_other_cells_read_as_they_do_cell_by_cell(
    rows: list[tuple[str, str, str]],
    other: str | None,
    at: int,
    ends: str,
    delimiter: str,
    mark: str,
    kind: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lines = [list(row) for row in rows]
    if other is not None and not (delimiter == "," and "," in other):
        lines[at % len(lines)][1] = other
    text = ends.join(delimiter.join(row) for row in [["Sample", "Cu ppm", "Fe2O3 %"], *lines])
    path = tmp_path / "t.csv"
    path.write_bytes((mark + text + ends).encode())
    same(*tables(path, monkeypatch, kind))


@pytest.mark.parametrize("cell", ["-5", "1e3", "1e<5", "nan", "ND", "2000000", "<-5"])
def test_one_other_cell_makes_the_whole_table_go_cell_by_cell(
    cell: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    head, row = "Sample,Cu ppm,Zn ppm\n", "S{},5,<7\n"
    path.write_text(head + "".join(row.format(i) for i in range(9)), encoding="utf-8")
    quick, careful = tables(path, monkeypatch)
    assert is_plain(quick)
    assert not is_plain(careful)
    same(quick, careful)
    path.write_text(head + "S0,5,<7\n" + f"S1,{cell},<7\n", encoding="utf-8")
    quick, careful = tables(path, monkeypatch)
    assert not is_plain(quick)
    same(quick, careful)


def quickly_read(
    path: Path, content: str, monkeypatch: pytest.MonkeyPatch
) -> tuple[TypedTable, TypedTable, int]:
    """The table read in both ways, and how many bodies were read row by row (one is careful)."""
    path.write_bytes(content.encode())
    slowly = 0

    def counted(*given: Any, **named: Any) -> Any:
        nonlocal slowly
        slowly += 1
        return collect(*given, **named)

    monkeypatch.setattr(delimited, "collect", counted)
    return *tables(path, monkeypatch), slowly


@pytest.mark.parametrize("start", ["", "\ufeff"])
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_quotation_marks_of_headings_leave_the_results_plain(
    start: str, ends: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    head, rows = '"Sample","Cu ppm","Zn, ppm"', [f"S{i},5.{i},<7" for i in range(40)]
    content = start + ends.join([head, *rows, ""])
    quick, careful, slowly = quickly_read(tmp_path / "t.csv", content, monkeypatch)
    assert is_plain(quick)
    assert slowly == 1
    same(quick, careful)


@pytest.mark.parametrize("start", ["", "\ufeff"])
@pytest.mark.parametrize("cell", ["5.5", "<7", "", "ND", "a,b"])
def test_a_table_with_every_cell_in_quotation_marks_is_read_the_quick_way(
    start: str, cell: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = [["Sample", "Cu ppm", "Zn ppm"], *(["S 1", cell, "3"] for _ in range(9))]
    content = start + "".join(",".join(f'"{x}"' for x in row) + "\n" for row in rows)
    quick, careful, slowly = quickly_read(tmp_path / "t.csv", content, monkeypatch)
    assert slowly == 1
    same(quick, careful)


def test_marks_below_headings_are_seen_where_line_ends_are_mixed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = ['"S1",5,3', *(f"S{i},{i},4" for i in range(2, 9))]
    content = "\r".join(["made by hand", '"Sample",Cu ppm,Zn ppm', ""]) + "\n".join([*rows, ""])
    quick, careful, _ = quickly_read(tmp_path / "t.csv", content, monkeypatch)
    same(quick, careful)


@pytest.mark.parametrize("cell", ['"a""b"', 'a"b', '"a\nb"', '"ab'])
def test_quotation_marks_that_ask_for_care_are_read_row_by_row(
    cell: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = "".join(f'"S{i}",{i}.5,"x"\n' for i in range(9))
    content = f'"Sample","Cu ppm","Note"\n{rows}"T1",5,{cell}\n'
    quick, careful, slowly = quickly_read(tmp_path / "t.csv", content, monkeypatch)
    assert slowly == 2
    same(quick, careful)


@pytest.mark.parametrize("cell", ["1\x015", "1\x02-5", "\x01", "1\x02<5"])
def test_signs_that_no_table_holds_are_never_read_as_powers_of_ten(
    cell: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    rows = "".join(f"S{i},{i}.25,<7\n" for i in range(300))
    path.write_text("Sample,Cu ppm,Zn ppm\n" + rows + f"T1,{cell},3\n", encoding="utf-8")
    quick, careful = tables(path, monkeypatch)
    assert not is_plain(quick)
    assert list(quick.quarantine["row"]) == [302]
    same(quick, careful)


@pytest.mark.parametrize(
    "told",
    [
        {"cells": {"zero": "below limit"}},
        {"cells": {"no_result_words": ["5"]}},
        {"cells": {"below_words": ["<7"]}},
        {"cells": {"lower_limits": {"Cu": 2}}},
        {"cells": {"decimal_mark": ","}},
        {"recalculate_to_dry": True},
    ],
)
def test_where_the_settings_give_cells_another_meaning_no_table_is_plain(
    told: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text("Sample,Cu ppm,Zn ppm\nS1,5,<7\nS2,0,3\nS3,4,1\n", encoding="utf-8")
    quick, careful = tables(path, monkeypatch, **told)
    assert not is_plain(quick)
    same(quick, careful)


@pytest.mark.parametrize(
    "head",
    [
        "Sample,Cu ppm,Cu error 2s",  # its own uncertainty
        "Sample,Cu ppm,Cu LOD",  # its own limit
        "Sample,Cu_ICP_ppm,Cu_XRF_ppm",  # one element twice: sums take the larger
        "Sample,Cu mg/L,Zn mg/L",  # needs mass and volume
        "Sample,Cu,Unit",
    ],
)
def test_results_that_hang_on_other_cells_are_not_plain(
    head: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text(head + "\nS1,5,7\nS2,6,3\nS3,4,1\n", encoding="utf-8")
    fixed = {"sample_mass_g": "1", "digest_volume_ml": "50"}
    quick, careful = tables(path, monkeypatch, fixed=fixed)
    assert not is_plain(quick)
    same(quick, careful)


def test_a_light_element_by_field_xrf_is_refused_in_a_plain_table_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text("Sample,Cu ppm,Li ppm\nS1,5,7\nS2,6,\nS3,4,1\n", encoding="utf-8")
    quick, careful = tables(path, monkeypatch, "field", fixed={"technique": "XRF"})
    assert list(quick.quarantine["column"]) == ["Li ppm", "Li ppm"]
    same(quick, careful)


def test_rows_that_add_up_to_too_much_are_refused_in_a_plain_table_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text("Sample,SiO2 %,Fe2O3 %\nS1,60,30\nS2,80,30\nS3,<90,99\n", encoding="utf-8")
    quick, careful = tables(path, monkeypatch)
    assert list(quick.quarantine["row"]) == [3]
    same(quick, careful)


def test_summary_lines_remarks_and_repeated_headings_are_set_aside_alike(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    rows = "".join(f"S{i},{i}.5,<{i}\n" for i in range(1, 9))
    for tail in ("Mean,4.5,5\n", "Ave of 8,4.5,5\n", "end of report,,\n", "Sample,Cu ppm,Zn ppm\n"):
        path.write_text("Sample,Cu ppm,Zn ppm\n" + rows + tail, encoding="utf-8")
        quick, careful = tables(path, monkeypatch)
        assert sum(count for _, count in quick.rows_set_aside) == 1
        same(quick, careful)


@pytest.mark.parametrize(
    "told",
    [
        {"sample_id_template": "{Sample}-{Cu ppm}"},
        {"kind_rules": [{"column": "Cu ppm", "pattern": "0.*", "kind": "blank"}]},
        {"kind_rules": [{"column": "column 2", "pattern": "5", "kind": "check standard"}]},
    ],
)
def test_settings_may_make_ids_and_kinds_of_a_column_of_results(
    told: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text("Sample,Cu ppm,Zn ppm\nS1,5,<7\nS2,0,3\n", encoding="utf-8")
    same(*tables(path, monkeypatch, **told))


def test_results_may_stand_first_where_no_column_holds_the_id(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text("Cu ppm,Zn ppm,Smpl\n5,<7,A\n,3,B\n", encoding="utf-8")
    same(*tables(path, monkeypatch, fixed={"sample_id": "S1"}))
    with pytest.raises(ReconcileError, match="no column holds the sample id"):
        tables(path, monkeypatch)


def test_rows_that_repeat_are_told_of_in_a_plain_table_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    rows = "A,1,5,<6\nA,1,5,<6\nA,2,5,<6\nB,1,5,6\nB,1,5,7\n"
    path.write_text("Sample,Reading No,Cu ppm,Zn ppm\n" + rows, encoding="utf-8")
    quick, careful = tables(path, monkeypatch, "field", fixed={"technique": "XRF"})
    assert is_plain(quick)
    assert [note[:22] for note in quick.notes] == ["1 rows repeat an earli"]
    same(quick, careful)


@pytest.mark.parametrize("mass", ["1,234", "1.234.567", "1,234,567", "1.234,5", "1.234", "12"])
@pytest.mark.parametrize("copper", ["5", "5.25", "1.234"])
def test_results_without_a_point_do_not_tell_the_decimal_mark_of_other_numbers(
    mass: str, copper: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text(f"Sample;sample_mass_g;Cu ppm\nA;{mass};{copper}\nB;2;<6\n", encoding="utf-8")
    same(*tables(path, monkeypatch))


@pytest.mark.parametrize("digits", ["0." + "0" * 45 + "1", "1" * 45, "0." + "0" * 250 + "1"])
def test_limits_of_many_digits_read_alike(
    digits: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text(f"Sample,Cu ppm,Zn ppm\nA,<{digits},5\nB,3,5\n", encoding="utf-8")
    quick, careful = tables(path, monkeypatch)
    assert is_plain(quick)
    same(quick, careful)


@pytest.mark.parametrize("cell", ["\ufeff5", "5\ufeff", "<5\x1a"])
def test_marks_around_a_number_are_no_part_of_it_in_either_way(
    cell: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    rows = "".join(f"S{i},{i},ND\n" for i in range(2000))
    path.write_text(f"Sample,Cu ppm,Zn ppm\n{rows}T,{cell},4\n", encoding="utf-8")
    quick, careful = tables(path, monkeypatch)
    assert not len(quick.quarantine)
    same(quick, careful)


@pytest.mark.parametrize("mark", ["€", "é", "^"])
@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_a_file_may_name_any_mark_between_its_cells(
    mark: str, encoding: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    cells = "sep=,\nSample,Cu ppm,Zn ppm\nA,5,<6\nB,3,5\n".replace(",", mark)
    path.write_bytes(cells.encode(encoding))
    quick, careful = tables(path, monkeypatch)
    assert quick.facts.num_rows == 2
    same(quick, careful)


def test_a_file_cut_off_in_the_midst_of_a_letter_is_read_as_far_as_it_goes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(b"Sample,Cu ppm,Zn ppm\nA,5,<6\nB,3,5\nC\xc3")
    quick, _ = tables(path, monkeypatch)
    assert quick.facts.column("sample_id").to_pylist() == ["A", "B"]
    assert "cut off" in quick.quarantine["reason"][0]


@pytest.mark.slow
def test_injured_plain_files_end_alike_whichever_way_they_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = ["Sample,Reading No,Cu ppm,Fe2O3 %,Pb ppm"]
    lines += [f"S-{i // 2},{i},{i * 3.5},<0.{i},{i}" for i in range(40)]
    whole, rng = ("\n".join(lines) + "\n").encode(), random.Random("plain 20261125")
    path, plain, refused = tmp_path / "t.csv", 0, 0
    for _ in range(rounds := cases(300, 40)):
        injured = mutate(whole, rng)
        path.write_bytes(injured if rng.random() < 0.9 else injured + b"S-9,9,9,9,9\n")
        messages = []
        for limit in (0, 1 << 40):
            monkeypatch.setattr(delimited, "QUICK_FROM_BYTES", limit)
            try:
                read_file(path, "t", TableSettings(kind="lab", files=("x",)), zone="UTC")
            except ReconcileError as caught:
                messages.append(str(caught))
        if messages:
            refused += 1
            assert messages == messages[:1] * 2
        else:
            quick, careful = tables(path, monkeypatch)
            plain += is_plain(quick)
            same(quick, careful)
    assert plain > rounds / 30
    assert refused > rounds / 30


def test_a_plain_column_spells_out_as_value_qualifier_and_limit() -> None:
    told = in_full(pa.table({"Cu" + PLAIN: pa.array([1.5, -2.0, None, -0.0, 0.0])}))
    assert told.column("Cu").to_pylist() == [1.5, None, None, None, 0.0]
    assert told.column("Cu_q").to_pylist() == [QUANTIFIED, BELOW, None, BELOW, QUANTIFIED]
    limits = told.column("Cu_lim").to_pylist()
    assert limits == [None, 2.0, None, 0.0, None]
    assert not np.signbit(limits[3])


def test_the_store_gives_one_answer_for_plain_and_other_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = "Sample,Cu ppm,Zn ppm\nS1,5,<7\nS2,0,\nS3,<0,1\n"
    path = tmp_path / "t.csv"
    path.write_text(body, encoding="utf-8")
    plain, careful = tables(path, monkeypatch)
    assert is_plain(plain)
    answers: list[Any] = []
    for files in ([plain, careful], [careful, plain], [plain], [careful]):
        with Store(tmp_path / f"{len(answers)}.duckdb") as store:
            for number, read in enumerate(files):
                store.add(f"f{number}", str(number), "", "lab", 1, [read])
            for key in ("Cu", "Zn"):
                cell = store.cells("lab").of(key)
                query = (
                    f"SELECT sample_id, {cell.value}, {cell.code}, {cell.limit}, {cell.error} "
                    'FROM lab ORDER BY file_id, "row"'
                )
                rows = store.rows(Sql(query))
                half = len(rows) // len(files)
                assert rows[:half] == rows[-half:]
                answers.append((key, rows[:half]))
            assert store.keys("lab") == ["Cu", "Zn"]
    assert answers[0] == ("Cu", [("S1", 5, 0, None, None), ("S2", 0, 0, None, None),
                                 ("S3", None, 1, 0, None)])  # fmt: skip
    assert answers[1] == ("Zn", [("S1", None, 1, 7, None), ("S2", None, None, None, None),
                                 ("S3", 1, 0, None, None)])  # fmt: skip
    assert answers[::2] == [answers[0]] * 4
    assert answers[1::2] == [answers[1]] * 4


@pytest.mark.slow
def test_a_release_is_the_same_to_the_byte_in_both_ways(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    released = []
    for name, limit in (("quick", 0), ("careful", 1 << 40)):
        monkeypatch.setattr(delimited, "QUICK_FROM_BYTES", limit)
        site = small.build(tmp_path / name / "site")
        outcome = reconcile.run_period(site, PERIOD)
        with Store(site / "out" / "store" / "reconcile.duckdb") as store:
            stored = {
                c for (c,) in store.rows(Sql("SELECT column_name FROM (DESCRIBE field_stored)"))
            }
        assert ("r:Cu" in stored) == (name == "quick")
        assert ("v:Cu" in stored) == (name == "careful")
        released.append(small.bytes_of(outcome.release_folder))
    assert released[0] == released[1]
