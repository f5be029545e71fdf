"""The account compares two counts that share no code: of the file's bytes, and of the rows read."""

from __future__ import annotations

import csv
import io
import random
import re
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any, cast

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.intake import delimited, quick_text
from reconcile.intake.counting import Counted, count_text
from reconcile.intake.read import read_balanced, read_file
from reconcile.intake.sheets import Row
from reconcile.intake.tables import NO_RESULT, TypedTable
from reconcile.run import pipeline
from tests.intake.conftest import Read, check_account
from tests.small import build

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

Rows = Iterable[Row]

HEAD = "Sample,Note,Cu ppm\n"


def ids(table: TypedTable) -> list[str]:
    return table.facts.column("sample_id").to_pylist()


def refused_rows(table: TypedTable) -> list[int]:
    return table.quarantine.loc[table.quarantine["column"].eq(""), "row"].tolist()


def test_a_mark_that_swallows_rows_refuses_each_of_them_and_no_row_gets_the_value_of_another(
    read: Read,
) -> None:
    table = read(HEAD + 'S1,a,10\nS2,"bad,20\nS3,x,30\nS4,y,40\nS5,ok",50\nS6,z,60\n')
    assert ids(table) == ["S1", "S6"]
    assert table.values.column("Cu").to_pylist() == [10, 60]
    assert table.rows_in_file == 6
    assert refused_rows(table) == [3, 4, 5, 6]


def test_a_cell_over_two_lines_is_read_where_every_row_has_its_number_of_cells(read: Read) -> None:
    good = HEAD + 'S1,"two\nlines",10\nS2,"a, b",20\nS4,5" core,40\n"S5","say ""no""",50\n'
    table = read(good)
    assert ids(table) == ["S1", "S2", "S4", "S5"]
    assert (table.rows_in_file, table.counted, table.lines_joined) == (4, Counted(6, 1, 4), 1)
    table = read(good + "S6,7\n")
    assert ids(table) == ["S2", "S4", "S5"]
    assert refused_rows(table) == [2, 3, 7]


def test_a_mark_that_joins_two_cells_of_a_line_refuses_the_row(read: Read) -> None:
    table = read("Sample,Note,Cu ppm,Pb ppm\n" + 'S1,"bad,20",7\nS2,"bad,"5",20\nS3,a,1,2\n')
    assert ids(table) == ["S3"]
    assert refused_rows(table) == [2, 3]


def test_headings_that_hold_rows_within_quotation_marks_are_refused(read: Read) -> None:
    with pytest.raises(ReconcileError, match="line 1: the quotation marks are doubtful"):
        read('Sample,Cu ppm,"Note\nS1,1,a\nS2,2,b"\nS3,3,c\n')
    table = read('"Report\nof a laboratory, Town"\nSample,"Cu\nppm",Zn ppm\nS1,1,2\n')
    assert table.facts.column("row").to_pylist() == [5]


def test_an_empty_reference_row_is_told_and_no_other_row_answers_for_it(read: Read) -> None:
    table = read(
        "Code,Cu ppm,Zn ppm\nA,1,2\nB,,\nC,3,4\nD,abc,5\nE,x,y\n", kind="reference materials"
    )
    assert table.facts.column("row").to_pylist() == [2, 2, 4, 4, 5]
    told = table.quarantine[["row", "column", "found"]].to_numpy().tolist()
    assert told == [[3, "", ""], [5, "Cu ppm", "abc"], [6, "", "x"]]


@pytest.mark.slow
def test_quotation_marks_anywhere_give_no_row_a_value_of_another_and_leave_none_uncounted(
    tmp_path: Path,
) -> None:
    rng = random.Random("marks")
    notes = ["ok", "a b", '"q, r"', '5"']
    truth = {f"S{i}": (float(i), float(i * 100)) for i in range(1, 9)}
    rows = [f"{s},{notes[i % 4]},{cu},{pb}" for i, (s, (cu, pb)) in enumerate(truth.items())]
    whole = "Sample,Note,Cu ppm,Pb ppm\n" + "\n".join(rows) + "\n"
    path, read = tmp_path / "t.csv", 0
    for _ in range(80):
        text = list(whole)
        for _ in range(rng.randint(1, 3)):
            text.insert(rng.randrange(len(text)), rng.choice(['"', '""', '"""']))
        path.write_text("".join(text))
        try:
            (table,) = read_file(path, "t.csv", TableSettings(kind="lab", files=("x",)), zone="UTC")
        except ReconcileError:
            continue
        check_account(table)
        assert table.rows_in_file == len(truth)
        keys = [key for key in ("Cu", "Pb") if key in table.values.column_names]
        for place, sample in enumerate(ids(table)):
            for key in keys:
                value = table.values.column(key)[place].as_py()
                if sample in truth and value is not None:
                    assert value == truth[sample][("Cu", "Pb").index(key)], "".join(text)
                    read += 1
    assert read > 400


# ---- the counter by itself ---------------------------------------------------------------


def by_hand(text: str) -> Counted:
    """The same by one loop over letters: lines that hold something, and rows."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    lines = records = 0
    line, filled, state = "", False, "begin"  # of a cell; within; quoted; closed
    for letter in [*text, "end"]:
        if letter in ("\n", "end"):
            held = bool(line.strip(' ,"'))
            lines, filled, line = lines + held, filled or held, ""
            if state != "quoted" or letter == "end":
                records, filled, state = records + filled, False, "begin"
            continue
        line += letter
        if state == "quoted":
            state = "closed" if letter == '"' else "quoted"
        elif letter == '"' and state in ("begin", "closed"):
            state = "quoted"
        else:
            state = "begin" if letter == "," else "within"
    return Counted(lines, 0, records)


def test_lines_and_rows_are_counted_as_by_a_loop_over_letters(tmp_path: Path) -> None:
    rng = random.Random("counts")
    path = tmp_path / "t.csv"
    for _ in range(300):
        text = "".join(rng.choice('a",\n\r ') for _ in range(rng.randint(1, 24)))
        path.write_bytes(text.encode())
        assert count_text(path, "utf-8", ",", 0) == by_hand(text), repr(text)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends_make_no_difference_to_the_count(
    encoding: str, end: str, tmp_path: Path
) -> None:
    text = 'Sample,Cu\n\nS1,5\n , \nS2,"a\nb"\n\u00e9,7\n"",""\n'.replace("\n", end)
    path = tmp_path / "t.csv"
    path.write_bytes(text.encode(encoding))
    assert count_text(path, encoding, ",", 1) == Counted(5, 1, 3)


def test_marks_around_plain_cells_are_counted_in_one_go_and_otherwise_alike(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    rows = [["S1", 'a "b"'], ["S2", "two\nlines"], ["S3", ""]]
    for quoting, strip in product((csv.QUOTE_ALL, csv.QUOTE_MINIMAL), (True, False)):
        target = io.StringIO()
        writer = csv.writer(target, quoting=cast("Any", quoting), lineterminator="\n")
        writer.writerows([[c.replace('"', "") if strip else c for c in row] for row in rows])
        path.write_text(target.getvalue(), newline="")
        assert count_text(path, "utf-8", ",", 0) == Counted(4, 0, 3)


# ---- a parser that is broken on purpose ----------------------------------------------------


def lose(rows: Rows) -> Rows:
    return [row for place, row in enumerate(rows) if place != 3]


def double(rows: Rows) -> Rows:
    return [row for place, row in enumerate(rows) for _ in range(1 + (place == 3))]


@pytest.mark.slow
@pytest.mark.parametrize("fault", [lose, double])
@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_a_run_whose_account_disagrees_releases_nothing_and_names_the_file(
    fault: Callable[[Rows], Rows], ending: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = build(tmp_path / "site", samples=8)
    if ending == "xlsx":
        book = openpyxl.Workbook()
        for row in csv.reader((folder / "lab.csv").read_text().splitlines()):
            book.active.append(row)
        book.save(folder / "lab.xlsx")
        settings = folder / "reconcile.toml"
        settings.write_text(settings.read_text().replace("lab.csv", "lab.xlsx"))
    collect = delimited.collect

    def broken(rows: Rows, width: int, *rest: Any) -> object:
        return collect(fault(rows) if width == 3 else rows, width, *rest)  # the lab table

    monkeypatch.setattr(delimited, "collect", broken)
    with pytest.raises(ReconcileError, match=rf"lab\.{ending}.*rows read: -?1") as caught:
        pipeline.run_period(folder, "2026-10")
    assert "field.csv" not in str(caught.value)
    assert not list(folder.glob("out/releases/*/*"))


def test_a_quick_reading_that_loses_a_row_is_found_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text("Sample,Cu ppm\n" + "".join(f"S{i},{i}\n" for i in range(50)))
    monkeypatch.setattr(delimited, "QUICK_FROM_BYTES", 0)
    (whole,) = read_file(path, "t.csv", TableSettings(kind="lab", files=("x",)), zone="UTC")
    assert whole.balances
    body = quick_text._body
    monkeypatch.setattr(
        quick_text, "_body", lambda c, line: body([x.slice(1) for x in c], line + 1)
    )
    (less,) = read_file(path, "t.csv", TableSettings(kind="lab", files=("x",)), zone="UTC")
    assert less.facts.num_rows == 49
    assert not less.balances


def test_a_line_that_is_taken_for_part_of_a_row_above_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text(HEAD + "S1,a,10\nS2,b,20\n")
    monkeypatch.setattr(
        delimited, "collect",
        lambda rows, width, *rest, made=delimited.collect: replace(made(rows, width), joined=1),
    )  # fmt: skip
    (table,) = read_file(path, "t.csv", TableSettings(kind="lab", files=("x",)), zone="UTC")
    assert not table.balances


def test_parquet_rows_are_compared_with_the_metadata_and_empty_ones_named(tmp_path: Path) -> None:
    path = tmp_path / "t.parquet"
    pq.write_table(pa.table({"Sample": ["a", None, "b"], "Cu ppm": [1.5, None, 2]}), path)
    (table,) = read_file(path, "t", TableSettings(kind="lab", files=("x",)), zone="UTC")
    check_account(table)
    assert (table.rows_in_file, table.rows_set_aside) == (3, (("empty row", 1),))


@pytest.mark.slow
def test_both_counts_stand_in_the_account_of_a_release(tmp_path: Path) -> None:
    folder = build(tmp_path / "site", samples=8)
    outcome = pipeline.run_period(folder, "2026-10")
    (lab,) = [f for f in outcome.reconciliation.account_of_files if f.path == "lab.csv"]
    assert (lab.lines.unit, lab.lines.entered, lab.lines.kept, lab.read.entered) == (
        "lines", 9, 8, 8,
    )  # fmt: skip
    account = (outcome.release_folder / "waterfall.csv").read_text(encoding="utf-8")
    assert "lab.csv: rows among the lines,lines,9,8,1," in account


# ---- workbooks whose parts have other names, or prefixes ---------------------------------------

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"


def renamed(content: bytes, part: str, prefix: str) -> bytes:
    """The workbook with its sheet's part named otherwise and its tags prefixed."""
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(target, "w") as made:
        for name in source.namelist():
            text = source.read(name)
            if name == "xl/worksheets/sheet1.xml" and prefix:
                text = re.sub(rb"<(/?)(?=\w)", rf"<\1{prefix}:".encode(), text)
                text = text.replace(b'xmlns="', f'xmlns:{prefix}="'.encode())
            if name.endswith((".rels", "[Content_Types].xml")):
                text = text.replace(b"worksheets/sheet1.xml", f"worksheets/{part}".encode())
            made.writestr(name.replace("worksheets/sheet1.xml", f"worksheets/{part}"), text)
    return target.getvalue()


@pytest.mark.parametrize("part", ["sheet1.xml", "data.xml", "sheet.of.results"])
@pytest.mark.parametrize("prefix", ["", "x"])
def test_formulas_never_computed_are_told_whatever_parts_and_tags_are_called(
    part: str, prefix: str, tmp_path: Path
) -> None:
    book = openpyxl.Workbook()
    for row in (["Sample", "Cu ppm", "Zn ppm"], ["S1", "=B3*2", 5], ["S2", 6, 7]):
        book.active.append(row)
    target = io.BytesIO()
    book.save(target)
    path = tmp_path / "t.xlsx"
    path.write_bytes(renamed(target.getvalue(), part, prefix))
    (table,) = read_file(path, "t.xlsx", TableSettings(kind="lab", files=("x",)), zone="UTC")
    check_account(table)
    told = table.quarantine[["row", "column", "found"]].to_numpy().tolist()
    assert told == [[2, "Cu ppm", "=B3*2"]]
    assert table.values.column("Cu_q").to_pylist() == [NO_RESULT, 0]
    assert ids(table) == ["S1", "S2"]


def sheet_of(*rows: str) -> bytes:
    """A workbook with one sheet of this XML."""
    book = openpyxl.Workbook()
    target = io.BytesIO()
    book.save(target)
    made = io.BytesIO()
    xml = f'<worksheet xmlns="{MAIN}"><sheetData>{"".join(rows)}</sheetData></worksheet>'
    with zipfile.ZipFile(target) as source, zipfile.ZipFile(made, "w") as out:
        for name in source.namelist():
            sheet = name == "xl/worksheets/sheet1.xml"
            out.writestr(name, xml.encode() if sheet else source.read(name))
    return made.getvalue()


def text_row(number: int, *cells: str) -> str:
    inner = "".join(
        f'<c r="{"ABC"[i]}{number}" t="inlineStr"><is><t>{text}</t></is></c>'
        for i, text in enumerate(cells)
    )
    return f'<row r="{number}">{inner}</row>'


def test_rows_that_stand_twice_or_out_of_order_in_a_workbook_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.xlsx"
    table = TableSettings(kind="lab", files=("x",))
    head = text_row(1, "Sample", "Cu ppm")
    for rows in (
        (head, text_row(2, "S1", "5"), text_row(2, "S2", "6")),
        (head, text_row(3, "S1", "5"), text_row(2, "S2", "6")),
        (head, text_row(2, "S1", "5").replace('r="B2"', 'r="A2"')),
    ):
        path.write_bytes(sheet_of(*rows))
        with pytest.raises(ReconcileError, match="do not stand in order"):
            read_file(path, "t.xlsx", table, zone="UTC")


def test_a_formula_that_gave_an_empty_text_is_an_empty_cell(tmp_path: Path) -> None:
    path = tmp_path / "t.xlsx"
    empty = '<row r="2"><c r="A2" t="inlineStr"><is><t>S1</t></is></c><c r="B2" t="str">' \
        '<f>IF(1,"","")</f><v></v></c><c r="C2"><v>7</v></c></row>'  # fmt: skip
    path.write_bytes(sheet_of(text_row(1, "Sample", "Cu ppm", "Zn ppm"), empty))
    (table,) = read_file(path, "t.xlsx", TableSettings(kind="lab", files=("x",)), zone="UTC")
    assert table.quarantine.empty
    assert table.values.column("Cu_q").to_pylist() == [None]


def test_no_corrected_table_is_made_of_a_file_whose_account_disagrees(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text(HEAD + "S1,a,10\nS2,b,20\nS3,c,30\nS4,d,40\nS5,e,50\n")
    table = TableSettings(kind="lab", files=("x",))
    assert len(read_balanced(path, "t.csv", table, zone="UTC")) == 1
    collect = delimited.collect
    monkeypatch.setattr(delimited, "collect", lambda rows, *rest: collect(lose(rows), *rest))
    with pytest.raises(ReconcileError, match=r"account of t\.csv does not balance: 5 rows"):
        read_balanced(path, "t.csv", table, zone="UTC")
