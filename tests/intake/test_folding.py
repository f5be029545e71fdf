"""Folding of characters: what can't change a value is folded, the rest is refused and shown.

Character properties are those of the Unicode Character Database that Python carries.
"""

from __future__ import annotations

import io
import math
import sys
import unicodedata
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pytest
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont

from reconcile.base.characters import fold, fold_name
from reconcile.base.errors import ReconcileError
from reconcile.base.quantities import parse_species, parse_unit
from reconcile.intake import quick_text
from reconcile.intake.cells import REFUSED, CellFormat, parse_column, parse_text
from reconcile.intake.tables import BELOW, QUANTIFIED, in_full
from reconcile.intake.times import parse_times
from reconcile.intake.wording import read_heading
from reconcile.samples import identity
from tests.intake.conftest import Read
from tests.intake.test_plain import is_plain, same, tables
from tests.sizes import cases

POINT = CellFormat()
EVERY = [chr(c) for c in range(sys.maxunicode + 1) if not 0xD800 <= c < 0xE000]
NUMERIC = [c for c in EVERY if not c.isascii() and unicodedata.numeric(c, None) is not None]
DIGITS = [c for c in NUMERIC if unicodedata.category(c) == "Nd"]
OTHER_NUMERALS = [c for c in NUMERIC if unicodedata.category(c) != "Nd"]


@pytest.mark.parametrize(
    "text",
    ["125²", "10⁵", "<5²", ">5²", "1½", "½", "5①", "12₅", "Ⅻ", "⒈", "1 ²", "5²%", "<LOD (4²)",
     "-3¹", "1٢", "٢1", "1e³", "5 ²ppm", "٣ ½"],
)  # fmt: skip
def test_marks_that_only_look_like_digits_are_refused_with_the_cell_shown(text: str) -> None:
    cell = parse_text(text, POINT)
    assert cell.code == REFUSED
    assert any(mark in cell.reason for mark in text if not mark.isascii())
    assert cell.advice
    assert math.isnan(cell.value)
    assert math.isnan(cell.limit)


def test_no_numeral_that_is_no_digit_ever_adds_to_a_number() -> None:
    for mark in OTHER_NUMERALS:
        for text in (f"12{mark}", f"{mark}12", f"<12{mark}", f"1{mark}2", mark):
            assert parse_text(text, POINT).code == REFUSED, (text, unicodedata.name(mark))
    assert len(OTHER_NUMERALS) > 900


def test_decimal_digits_of_every_script_have_their_value() -> None:
    scripts = {ord(c) - unicodedata.decimal(c) for c in DIGITS}
    assert len(scripts) > 60
    for zero in scripts:
        one, four, seven = (chr(zero + n) for n in (1, 4, 7))
        assert parse_text(f"{one}{four}.{seven}", POINT).value == 14.7
        below = parse_text(f"<{four}{one}", POINT)
        assert (below.code, below.limit) == (BELOW, 41)
        if zero != 0xFF10:  # full-width digits beside plain ones are an accident of the keyboard
            assert parse_text(f"5{one}", POINT).code == REFUSED


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("１２．５", 12.5), ("1２", 12), ("－３", -3), ("–3", -3), ("\u22123", -3), ("\u20113", -3),
        ("1\u2009234.5", 1234.5), ("1\u202f234", 1234), ("1\u2007234", 1234), ("\u30005", 5),
        ("5×10³", 5000), ("1.2 x 10^3", 1200), ("2·10⁻²", 0.02), ("2 × 10^\u22122", 0.02),
        ("１，２３４", 1234),
    ],
)  # fmt: skip
def test_what_can_not_change_a_value_is_folded(text: str, value: float) -> None:
    cell = parse_text(text, POINT)
    assert (cell.code, cell.value) == (QUANTIFIED, pytest.approx(value, rel=1e-15))


def test_a_power_that_lost_its_place_may_be_a_product_and_is_refused() -> None:
    assert parse_text("5 x 103", POINT).code == REFUSED
    assert parse_text("5×10", POINT).code == REFUSED


@pytest.mark.parametrize(
    "text",
    ["1e-400", "0." + "0" * 400 + "1", "1e-9999", "-1e-330", "1e-320", "<1e-400", "1x10^-400",
     "1e400", "1e9999", "9" * 400, "<1e400", "9" * 400 + " %"],
)  # fmt: skip
def test_numbers_beyond_what_a_computer_holds_are_refused(text: str) -> None:
    assert parse_text(text, POINT).code == REFUSED
    read = parse_column(pa.array(["5", text, "0", "0.0", "<0", "0e5", "7"]), POINT)
    assert list(read.code) == [QUANTIFIED, REFUSED, QUANTIFIED, QUANTIFIED, BELOW, QUANTIFIED,
                               QUANTIFIED]  # fmt: skip
    assert np.nansum(read.value) == 12


@pytest.mark.slow
@pytest.mark.parametrize("cell", ["1e-400", "<1e-400", "0." + "0" * 330 + "1", "125²", "١٢", "５",
                                  "1٢", "<" + "0." + "0" * 300 + "7", "5 ²%", "–4"])  # fmt: skip
@pytest.mark.parametrize("rows", [4, 3000])
def test_the_quick_way_folds_and_refuses_as_the_careful_one(
    cell: str, rows: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    lines = [f"S{i},{i},<7" for i in range(rows)]
    lines[rows // 2] = f"T,{cell},0"
    path.write_text("\n".join(["Sample,Cu ppm,Zn ppm", *lines, ""]), encoding="utf-8")
    quick, careful = tables(path, monkeypatch)
    assert not is_plain(quick)
    same(quick, careful)


@pytest.mark.parametrize("rest", range(0, 300, 23))
def test_a_number_lost_as_zero_is_seen_wherever_the_file_is_cut_into_blocks(rest: int) -> None:
    text = b"a" * (1000 - rest) + b",0." + b"0" * 330 + b"1\n" + b"b" * 50
    swapped = quick_text._Swapped(io.BytesIO(text))
    while swapped.read(1000):
        pass
    assert swapped.strange


def test_many_cells_with_units_fold_like_single_ones() -> None:
    texts = [f"{i} ppm" for i in range(400)]
    texts += ["5 ppm²", "5²ppm", "5\u00a0%", "５ppm", "5 ％", "٣ ppm", "5 ٣ppm", "5 ㎎/㎏"]
    read = parse_column(pa.array(texts), POINT)
    for at, text in enumerate(texts):
        alone = parse_text(text, POINT)
        assert read.code[at] == alone.code, text
        assert read.value[at] == alone.value or read.code[at] == REFUSED, text


@pytest.mark.parametrize("layout", ["wide", "long"])
def test_errors_and_limits_that_are_refused_are_told_as_cells(layout: str, read: Read) -> None:
    if layout == "wide":
        text = "Sample,Cu ppm,Cu error 1s,Cu LOD\nS1,5,0.5²,2\nS2,6,0.5,3¹\nS3,7,0.5,2\n"
    else:
        text = (
            "Sample,Element,Result,Error 1s,LOD,Unit\n"
            "S1,Cu,5,0.5²,2,ppm\nS2,Cu,6,0.5,3¹,ppm\nS3,Cu,7,0.5,2,ppm\n"
        )
    table = read(text, "lab")
    values = in_full(table.values)
    assert values.column("Cu").to_pylist() == [5, 6, 7]
    assert values.column("Cu_err").to_pylist() == [None, 0.5, 0.5]
    assert values.column("Cu_lim").to_pylist() == [2, None, 2]
    assert list(table.quarantine["row"]) == [2, 3]
    assert list(table.quarantine["found"]) == ["0.5²", "3¹"]


# ---- ids ------------------------------------------------------------------------------------

NO_ALIAS = pd.DataFrame({"written_id": [], "sample_id": []})


def test_an_id_with_a_superscript_joins_no_other() -> None:
    table = identity.resolve(["S-1²", "S-12", "S-1"], ["S-12", "S-1"], NO_ALIAS)
    assert list(table["sample_id"]) == ["", "S-12", "S-1"]


def test_no_numeral_that_is_no_digit_makes_one_id_of_two() -> None:
    forms = {identity.comparison_form(f"S-1{mark}") for mark in "0123456789"}
    for mark in OTHER_NUMERALS:
        form = identity.comparison_form(f"S-1{mark}")
        assert form not in forms, unicodedata.name(mark)
        assert unicodedata.numeric(form[-1], None) == unicodedata.numeric(mark)


def test_ids_in_other_widths_and_scripts_of_digits_are_the_same() -> None:
    for text in ("Ｓ－１２", "S–１２", "S-١٢", "S\u201112", "S-𝟏𝟐"):
        assert identity.comparison_form(text) == "s-12"
    assert identity.comparison_form("S-1٢") != "s-12"


def test_an_id_that_is_not_read_as_digits_is_kept_and_told(read: Read) -> None:
    table = read("Sample,Cu ppm\nS-1²,5\nS-12,6\nHQ½,7\n")
    assert table.facts.column("sample_id").to_pylist() == ["S-1²", "S-12", "HQ½"]
    assert any("'S-1²'" in note and "2 ids" in note for note in table.notes)


# ---- headings, units, times, settings ---------------------------------------------------------


def test_a_footnote_behind_an_oxide_makes_no_other_oxide_of_it() -> None:
    assert parse_species("CaO²") is None
    assert parse_species("MnO¹") is None
    assert parse_species("Fe₂O₃").formula == "Fe2O3"
    assert parse_species("Ｃｕ").formula == "Cu"
    assert read_heading("CaO² (%)").role != "value"
    assert read_heading("Sᵉ ppm").role != "value"
    lead = read_heading("²⁰⁸Pb ppm")
    assert (lead.species.element, lead.method) == ("Pb", "isotope 208")


def test_raised_digits_in_units_are_read_where_the_unit_is_known_so() -> None:
    assert parse_unit("mg kg⁻¹").name == "mg/kg"
    assert parse_unit("㎎/㎏").name == "mg/kg"
    assert parse_unit("mg/kg²") is None
    assert parse_unit("ppm¹") is None


def test_dates_fold_digits_and_dashes_and_refuse_superscripts() -> None:
    texts = ["2026\u201310\u201305 09:30", "２０２６-10-05 09:30", "٢٠٢٦-١٠-٠٥", "2026-10-0⁵"]
    read = parse_times(pa.array(texts), "UTC", None, "t")
    days = [None if t is None else f"{t:%Y-%m-%d}" for t in read.values.to_pylist()]
    assert days == ["2026-10-05"] * 3 + [None]
    assert list(read.bad) == [3]


@pytest.mark.parametrize("value", ["1²", "1_0", "inf", "nan", "1e-400", "1e400", "5 %", "<5"])
def test_a_fixed_number_of_the_settings_is_read_as_strictly_as_a_cell(
    value: str, read: Read
) -> None:
    with pytest.raises(ReconcileError, match="is no number"):
        read("Sample,Cu ppm\nS1,5\n", "lab", fixed={"sample_mass_g": value})


def test_a_fixed_number_keeps_all_its_digits(read: Read) -> None:
    table = read("Sample,Cu ppm\nS1,5\n", "lab", fixed={"certificate": 1234567.0})
    assert table.facts.column("certificate").to_pylist() == ["1234567"]


def test_words_of_the_settings_fold_like_the_cells_they_mean() -> None:
    rules = CellFormat.of(".", no_result=("\u2212999", "９９９"), below=("1²",))
    assert parse_text("-999", rules).code == parse_text("999", rules).code == 3
    assert parse_text("1²", rules).code == BELOW
    assert parse_text("12", rules).value == 12


def test_folding_twice_changes_nothing_more() -> None:
    for character in EVERY[:: cases(1, 23)]:
        for change in (fold, fold_name):
            once = change(f"S{character}")
            assert change(once) == once, hex(ord(character))
    assert fold("S-1²") == fold_name("S-1²") == "S-1²"


# ---- raised and lowered text of a workbook ----------------------------------------------------


def raised(text: str) -> TextBlock:
    return TextBlock(InlineFont(vertAlign="superscript"), text)


def lowered(text: str) -> TextBlock:
    return TextBlock(InlineFont(vertAlign="subscript"), text)


def bold(text: str) -> TextBlock:
    return TextBlock(InlineFont(b=True), text)


ROWS = [
    ["Sample", "Cu ppm", CellRichText("Fe", lowered("2"), "O", lowered("3"), " %"),
     CellRichText("Zn mg kg", raised("-1"))],
    ["S-1", CellRichText("125", raised("2")), 5, 1],
    [CellRichText("S-1", raised("2")), CellRichText(bold("7"), "5"), 5, 2],
    ["S-3", CellRichText("<5", raised("2")), CellRichText("5", raised("a")), 3],
    ["S-4", CellRichText("5×10", raised("3")), 5, CellRichText("4", raised("%"))],
    ["S-5", CellRichText("1", raised("e3")), 5, CellRichText("4", raised(".5"))],
]  # fmt: skip


def inline(path: Path) -> None:
    """Move the shared strings of a workbook into its cells."""
    with zipfile.ZipFile(path) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    from lxml import etree

    space = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
    shared = list(etree.fromstring(parts["xl/sharedStrings.xml"]))
    sheet = etree.fromstring(parts["xl/worksheets/sheet1.xml"])
    for cell in sheet.iter(f"{space}c"):
        if cell.get("t") == "s":
            text = etree.fromstring(etree.tostring(shared[int(cell[0].text)]))
            text.tag = f"{space}is"
            cell.set("t", "inlineStr")
            cell[:] = [text]
    parts["xl/worksheets/sheet1.xml"] = etree.tostring(sheet)
    with zipfile.ZipFile(path, "w") as book:
        for name, content in parts.items():
            book.writestr(name, content)


@pytest.mark.parametrize("strings", ["shared", "inline"])
def test_raised_text_of_a_workbook_is_no_part_of_the_number(strings: str, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    of_rows: Any = ROWS
    for row, cells_of_row in enumerate(of_rows, 1):
        for column, value in enumerate(cells_of_row, 1):
            book.active.cell(row, column).value = value
    path = tmp_path / "t.xlsx"
    book.save(path)
    with zipfile.ZipFile(path) as package:
        has_inline = b"inlineStr" in package.read("xl/worksheets/sheet1.xml")
    if strings == "inline" and not has_inline:
        inline(path)
    from reconcile.base.settings.tables import TableSettings
    from reconcile.intake.read import read_file

    table = TableSettings(kind="lab", files=("x",))
    (read,) = read_file(path, "t", table, zone="UTC")
    assert read.facts.column("sample_id").to_pylist() == ["S-1", "S-1²", "S-3", "S-4", "S-5"]
    assert [a.key for a in read.analytes] == ["Cu", "Fe", "Zn"]
    values = in_full(read.values)
    assert values.column("Cu").to_pylist() == [None, 75, None, 5000, None]
    assert values.column("Cu_lim").to_pylist() == [None] * 5
    assert values.column("Fe").to_pylist()[2] is None
    assert values.column("Zn").to_pylist() == [1, 2, 3, 40_000, None]
    assert list(read.quarantine["row"]) == [2, 4, 4, 6, 6]
    assert list(read.quarantine["found"])[:2] == ["125²", "<5²"]


@pytest.mark.parametrize("stored", [b"1e-400", b"-2.5E-330", b"0." + b"0" * 400 + b"1"])
def test_a_number_of_a_workbook_too_small_to_hold_is_refused_and_no_zero(
    stored: bytes, tmp_path: Path
) -> None:
    from reconcile.base.settings.tables import TableSettings
    from reconcile.intake.read import read_file
    from tests.intake.test_hostile import SHEET

    book = openpyxl.Workbook()
    for row in (["Sample", "Cu ppm"], ["S-1", 77777], ["S-2", 0], ["S-3", 12]):
        book.active.append(row)
    buffer = io.BytesIO()
    book.save(buffer)
    with zipfile.ZipFile(io.BytesIO(buffer.getvalue())) as package:
        sheet = package.read(SHEET)
    path = tmp_path / "t.xlsx"
    with zipfile.ZipFile(buffer) as package, zipfile.ZipFile(path, "w") as changed:
        for name in package.namelist():
            part = sheet.replace(b"77777", stored) if name == SHEET else package.read(name)
            changed.writestr(name, part)
    (read,) = read_file(path, "t.xlsx", TableSettings(kind="lab", files=("x",)), zone="UTC")
    assert in_full(read.values).column("Cu").to_pylist()[1:] == [0, 12]
    assert in_full(read.values).column("Cu").to_pylist()[0] is None
    assert list(read.quarantine["found"]) == [stored.decode()[:200]]


def test_rows_of_a_workbook_that_do_not_stand_in_order_are_not_dropped_in_silence(
    tmp_path: Path,
) -> None:
    from reconcile.base.settings.tables import TableSettings
    from reconcile.intake.read import read_file
    from tests.intake.test_hostile import SHEET, with_part, workbook_seed

    with zipfile.ZipFile(io.BytesIO(workbook_seed())) as book:
        sheet = book.read(SHEET)
    path = tmp_path / "t.xlsx"
    for old, new in (
        (b'<row r="5"', b'<row r="9"'),
        (b'r="B5"', b'r="A5"'),
        (b'r="B5"', b'r="B6"'),
    ):
        changed = sheet.replace(old, new)
        if new == b'<row r="9"':
            changed = changed.replace(b'r="A5"', b'r="A9"').replace(b'r="B5"', b'r="B9"')
            changed = changed.replace(b'r="C5"', b'r="C9"')
        assert changed != sheet
        path.write_bytes(with_part(SHEET, changed))
        with pytest.raises(ReconcileError, match="in order"):
            read_file(path, "t.xlsx", TableSettings(kind="field", files=("x",)), zone="UTC")
