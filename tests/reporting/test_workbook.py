"""The workbook: opens, text stays text, nothing hidden, nothing that runs."""

import io
import re
import shutil
import subprocess
import zipfile

import openpyxl
import pytest
from openpyxl.utils.escape import unescape

from reconcile.base.characters import visible
from reconcile.reporting import words
from reconcile.reporting.document import workbook
from reconcile.reporting.render import charts
from tests.reporting import builder


@pytest.fixture(scope="module")
def mixed():
    return builder.mixed()


@pytest.fixture(scope="module")
def content(mixed):
    return workbook.workbook(mixed)


@pytest.fixture(scope="module")
def book(content):
    return openpyxl.load_workbook(io.BytesIO(content))


def column(sheet, heading, row=1):
    place = next(c.column for c in sheet[row] if c.value == heading)
    return [sheet.cell(r, place) for r in range(row + 1, sheet.max_row + 1)]


def test_sheets_are_named_visible_and_in_order(book):
    assert book.sheetnames == list(words.SHEETS.values())
    assert all(sheet.sheet_state == "visible" for sheet in book)
    for sheet in book:
        assert not any(d.hidden for d in sheet.column_dimensions.values())
        assert not any(d.hidden for d in sheet.row_dimensions.values())


def test_there_is_no_macro_no_outside_link_and_no_formula_but_our_own(content, book):
    names = zipfile.ZipFile(io.BytesIO(content)).namelist()
    assert not any("vba" in n.lower() or "externalLink" in n for n in names)
    helpers = set(words.HELPERS.values())
    ours = {c.column for c in book["Pairs"][1] if c.value in helpers}
    assert len(ours) == len(helpers)
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "e", (sheet.title, cell.coordinate, cell.value)
                assert cell.hyperlink is None
                if cell.data_type == "f":
                    helper = sheet.title == "Pairs" and cell.column in ours
                    assert sheet.title == "Recomputed" or helper, (cell.coordinate, cell.value)
                    assert "HYPERLINK" not in cell.value
                    assert "cmd" not in cell.value


def test_formulas_use_only_functions_that_both_kinds_of_program_have(book):
    """Names in the functions' lists of ECMA-376 (prefix for later ones) and OpenFormula 1.2."""
    known = {
        "IF", "AND", "OR", "COUNTIF", "COUNT", "AVERAGE", "DEVSQ", "SUMPRODUCT", "SQRT", "EXP",
        "LN", "LOG10", "ABS", "MAX", "MIN", "SLOPE", "INTERCEPT", "STEYX", "CORREL", "ISNUMBER",
        "RIGHT", "_xlfn.STDEV.S", "_xlfn.T.INV.2T", "_xlfn.NORM.S.INV", "_xlfn.CHISQ.INV",
        "_xlfn.BETA.INV",
    }  # fmt: skip
    found = set()
    for name in ("Pairs", "Recomputed"):
        for row in book[name].iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    assert len(cell.value) < 8192
                    found |= set(re.findall(r"([A-Za-z_][A-Za-z0-9_.]*)\(", cell.value))
    assert found <= known
    assert {"SLOPE", "_xlfn.STDEV.S", "CORREL", "SUMPRODUCT"} <= found


def test_named_ranges_are_valid_and_cover_the_used_pairs_of_each_stratum(book, mixed):
    names = book.defined_names
    pairs = book["Pairs"]
    lab = next(c.column_letter for c in pairs[1] if c.value == "Lab mean, mg/kg")
    used = next(c.column_letter for c in pairs[1] if c.value == "Used")
    for name in names:
        assert re.fullmatch(r"[a-z][a-z_0-9]*_\d{3}", name), name
        assert not re.fullmatch(r"[A-Za-z]{1,3}\d+", name), "looks like a cell"
    for number, x in enumerate(mixed.results, start=1):
        name = f"lab_{number:03d}"
        if not x.statistics.n_used:
            assert name not in names
            continue
        match = re.fullmatch(rf"'?Pairs'?!\${lab}\$(\d+):\${lab}\$(\d+)", names[name].attr_text)
        first, last = int(match[1]), int(match[2])
        assert last - first + 1 == x.statistics.n_used
        assert all(pairs[f"{used}{row}"].value == "yes" for row in range(first, last + 1))
        values = [pairs[f"{lab}{row}"].value for row in range(first, last + 1)]
        expected = sorted(x.pairs.loc[x.pairs["used"], "lab_mean"])
        assert sorted(values) == pytest.approx(expected, rel=1e-15)


def test_sheets_with_formulas_are_protected_without_a_password_and_can_be_filtered(book):
    for name in ("Pairs", "Recomputed"):
        protection = book[name].protection
        assert protection.sheet
        assert not protection.password
        assert not protection.autoFilter  # not forbidden
    assert book.calculation.fullCalcOnLoad


def test_ids_are_kept_as_text_and_as_written(book):
    cells = column(book["Pairs"], "Sample id")
    found = {unescape(str(c.value)): c for c in cells}
    for sample in builder.HOSTILE_IDS:
        cell = found[visible(sample)]
        assert cell.data_type == "s"
        if sample[0] in "=+-@":
            assert cell.quotePrefix, sample


def test_headings_are_frozen_and_carry_units(book):
    for sheet in book:
        assert sheet.freeze_panes, sheet.title
    headings = [c.value for c in book["Pairs"][1]]
    assert "Field mean, mg/kg" in headings
    assert "Lab, unit shown" in headings
    assert any("mg/kg" in str(c.value) for c in book["Factors"][1])


def test_numbers_are_numbers_with_a_format(book, mixed):
    values = [c for c in column(book["Pairs"], "Lab mean, mg/kg") if c.value is not None]
    assert all(c.data_type == "n" for c in values)
    # sixteen digits are written; Excel itself keeps fifteen
    first = mixed.results[0].pairs["lab_mean"].iloc[0]
    assert values[0].value == pytest.approx(first, rel=1e-15)
    assert all("E" not in c.number_format for c in values)


def test_the_summary_has_a_line_per_stratum_with_its_verdict(book, mixed):
    sheet = book["Summary"]
    top = next(r for r in range(1, 30) if sheet.cell(r, 1).value == "Stratum")
    verdicts = [c.value for c in column(sheet, "Verdict", top)]
    assert verdicts == [words.DECISION_TITLE[x.verdict.decision] for x in mixed.results]
    assert mixed.release_id in {sheet.cell(r, 2).value for r in range(1, top)}


def test_reasons_and_sentences_stand_on_a_sheet_of_their_own(book, mixed):
    said = [c.value.split() for c in column(book["In words"], "In words")]
    for words_of, result in zip(said, mixed.results, strict=True):
        assert words_of[:8] == " ".join(result.sentences).split()[:8]
    heights = [d.height or 0 for d in book["Summary"].row_dimensions.values()]
    assert max(heights) < 70  # two or three lines, the headings included


def test_used_and_left_out_field_values_stand_in_their_own_columns(book, mixed):
    used = [c.value for c in column(book["Pairs"], "Field used, unit shown")]
    left = [c.value for c in column(book["Pairs"], "Field left out, unit shown")]
    assert sum(v is not None for v in used) == sum(x.statistics.n_used for x in mixed.results)
    quantified = sum(
        int(x.pairs[["lab_mean", "field_mean"]].notna().all(axis=1).sum()) for x in mixed.results
    )
    assert sum(v is not None for v in left) == quantified - sum(v is not None for v in used)


def test_every_stratum_that_has_pairs_has_a_chart_of_its_own_rows(book, mixed):
    drawn = book["Charts"]._charts
    assert len(drawn) == sum(len(x.pairs) > 0 for x in mixed.results)
    first = drawn[0].series[0]
    n = len(mixed.results[0].pairs)
    assert first.xVal.numRef.f.replace("'", "") == f"Pairs!$C$2:$C${n + 1}"
    assert first.yVal.numRef.f.replace("'", "") == f"Pairs!$D$2:$D${n + 1}"


def test_charts_stop_at_the_limit_and_say_so(monkeypatch):
    monkeypatch.setattr(charts, "MOST_CHARTS", 2)
    book = openpyxl.load_workbook(io.BytesIO(workbook.workbook(builder.many(3, n=21))))
    assert len(book["Charts"]._charts) == 2
    texts = [c.value for c in book["Charts"]["A"]]
    assert words.CHART_LIMIT.format(shown=2, total=3) in texts


def test_print_setup_has_paper_titles_and_the_release_id(book, mixed):
    for sheet in book:
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.page_setup.paperSize == 9
        assert sheet.oddFooter.left.text == mixed.release_id
    assert book["Pairs"].print_title_rows == "$1:$1"


def test_exclusions_quarantine_and_unmatched_samples_are_all_there(book, mixed):
    kinds = [c.value for c in column(book["Exclusions"], "What")]
    assert kinds.count("excluded") == len(mixed.exclusions)
    assert kinds.count("quarantined") == len(mixed.quarantine)
    assert kinds.count("field only") == len(mixed.field_only)
    assert kinds.count("lab only") == len(mixed.lab_only)


def test_properties_hold_no_clock(content, book):
    assert book.properties.created.year == book.properties.modified.year == 2000
    for entry in zipfile.ZipFile(io.BytesIO(content)).infolist():
        assert entry.date_time == (1980, 1, 1, 0, 0, 0)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("soffice") is None, reason="no office program to open it with")
def test_an_office_program_opens_it_and_shows_ids_as_text(content, tmp_path):
    """An implementation of ECMA-376 other than ours reads the file."""
    (tmp_path / "workbook.xlsx").write_bytes(content)
    every_sheet = "44,34,76,1,,0,false,true,false,false,false,-1"
    subprocess.run(
        ["soffice", f"-env:UserInstallation=file://{tmp_path}/profile", "--headless",
         "--convert-to", f"csv:Text - txt - csv (StarCalc):{every_sheet}",
         "workbook.xlsx"],
        cwd=tmp_path, check=True, timeout=170, capture_output=True,
    )  # fmt: skip
    text = (tmp_path / "workbook-Pairs.csv").read_text(encoding="utf-8")
    for sample in (builder.FORMULA_ID, builder.SUM_ID, builder.MARKUP_ID, "_x0041_"):
        assert sample.replace('"', '""') in text
    assert "#NAME?" not in text
    assert "Err:" not in text
