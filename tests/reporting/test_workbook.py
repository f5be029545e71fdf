"""The workbook: opens, text stays text, nothing hidden, nothing that runs."""

import html
import io
import math
import re
import shutil
import subprocess
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from openpyxl import Workbook
from openpyxl.utils.escape import unescape
from openpyxl.worksheet.worksheet import Worksheet
from pypdf import PdfReader

from reconcile.base.characters import visible
from reconcile.base.model.release import Reconciliation
from reconcile.reporting import answers, words
from reconcile.reporting.document import glance, stratum_sheet, workbook
from reconcile.reporting.render import charts, recompute
from reconcile.reporting.text import printable
from tests.reporting import builder


@pytest.fixture(scope="module")
def mixed() -> Reconciliation:
    return builder.mixed()


@pytest.fixture(scope="module")
def content(mixed: Reconciliation) -> bytes:
    return workbook.workbook(mixed)


@pytest.fixture(scope="module")
def book(content: bytes) -> Workbook:
    return openpyxl.load_workbook(io.BytesIO(content))


def column(sheet: Worksheet, heading: str, row: int = 1) -> list[Any]:
    place = next(c.column for c in sheet[row] if c.value == heading)
    return [sheet.cell(r, place) for r in range(row + 1, sheet.max_row + 1)]


@pytest.mark.slow
def test_sheets_are_named_visible_and_in_order(book: Workbook) -> None:
    names = list(words.SHEETS.values())
    assert book.sheetnames == [name for name in names if name in book.sheetnames]
    assert book.sheetnames[:4] == ["At a glance", "Strata", "Pairs", "Each stratum"]
    assert book.sheetnames[-3:] == ["Statistics", "Recomputed", "Calculation"]
    assert all(sheet.sheet_state == "visible" for sheet in book)
    for sheet in book:
        assert not any(d.hidden for d in sheet.column_dimensions.values())
        assert not any(d.hidden for d in sheet.row_dimensions.values())


def test_there_is_no_macro_no_outside_link_and_no_formula_but_our_own(
    content: bytes, book: Workbook
) -> None:
    names = zipfile.ZipFile(io.BytesIO(content)).namelist()
    assert not any("vba" in n.lower() or "externalLink" in n for n in names)
    helpers = set(words.HELPERS.values())
    ours = {c.column for c in book["Calculation"][2] if c.value in helpers}
    assert len(ours) == len(helpers)
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "e", (sheet.title, cell.coordinate, cell.value)
                assert cell.hyperlink is None
                if cell.data_type == "f":
                    helper = sheet.title == "Calculation" and cell.column in ours
                    assert sheet.title == "Recomputed" or helper, (cell.coordinate, cell.value)
                    assert "HYPERLINK" not in cell.value
                    assert "cmd" not in cell.value


def formulas_of(book: Workbook) -> Iterator[tuple[str, str, Any]]:
    for name in ("Calculation", "Recomputed"):
        for row in book[name].iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    yield name, cell.coordinate, cell.value


def test_every_formula_has_a_result_for_what_does_not_compute(
    content: bytes, book: Workbook
) -> None:
    shown = openpyxl.load_workbook(io.BytesIO(content), data_only=True)
    empty = set()
    for name, place, formula in formulas_of(book):
        value = shown[name][place].value
        if value is None:
            empty.add(formula.split("(")[0])
        else:
            assert isinstance(value, (int, float)) or value in ("yes", "no"), (place, value)
    assert empty <= {"=IF"}  # logarithms and ratios of what is none show nothing


def test_results_beside_the_programs_values_are_equal_to_them(
    content: bytes, mixed: Reconciliation
) -> None:
    sheet = openpyxl.load_workbook(io.BytesIO(content), data_only=True)["Recomputed"]
    compared = 0
    for row in sheet.iter_rows(min_row=7, max_row=sheet.max_row, values_only=True):
        if row[4] is not None:
            compared += 1
            assert (row[3], row[5], row[6], row[7]) == (row[4], 0, 0, "yes")
    assert sheet["D4"].value == sheet["D5"].value == compared > 100


def test_results_that_no_figure_holds_are_computed_from_the_pairs() -> None:
    x = builder.ordinary()
    used = x.pairs[x.pairs["used"]]
    lab, field = (used[c].to_numpy("float64") for c in ("lab_mean", "field_mean"))
    found = {c.name: c.shown for c in recompute.cells_of(x)}
    assert found["sxx"] == pytest.approx(((lab - lab.mean()) ** 2).sum(), rel=1e-12)
    assert found["sxy"] == pytest.approx(((lab - lab.mean()) * (field - field.mean())).sum())
    assert found["mean_ln"] == pytest.approx(np.log(field / lab).mean())
    assert all(math.isfinite(value) for value in found.values())


def test_a_data_frame_reads_results_and_dates(content: bytes, mixed: Reconciliation) -> None:
    frame = pd.read_excel(io.BytesIO(content), sheet_name="Pairs", engine="openpyxl")
    assert len(frame) == sum(len(x.pairs) for x in mixed.results)
    times = pd.to_datetime(frame["Field time, UTC"].dropna())
    expected = pd.concat([x.pairs["field_time"] for x in mixed.results]).dropna()
    assert len(times) == len(expected)
    first = mixed.results[0].pairs["field_time"].iloc[0]
    if not isinstance(first, str):
        assert times.iloc[0] == first.tz_convert(None).round("s")
    calculated = pd.read_excel(
        io.BytesIO(content), sheet_name="Calculation", header=1, engine="openpyxl"
    )
    assert calculated[words.HELPERS["difference"]].notna().sum() > 20


@pytest.mark.parametrize("name", ["Strata", "Pairs", "Statistics", "Factors", "Months"])
def test_tables_have_names_and_the_columns_that_one_pivots_by(book: Workbook, name: str) -> None:
    sheet = book[name]
    if not sheet.tables:
        assert sheet.max_row == 1
        pytest.skip("nothing to list")
    table = sheet.tables[name]
    headings = [c.value for c in sheet[1]]
    assert table.ref == f"A1:{sheet.cell(1, len(headings)).column_letter}{sheet.max_row}"
    assert [c.name for c in table.tableColumns] == headings
    assert len({h.lower() for h in headings}) == len(headings)
    assert {"Element", "Technique", "Material"} <= set(headings)


def test_dates_are_dates_and_say_no_zone_but_utc(content: bytes, mixed: Reconciliation) -> None:
    sheet = openpyxl.load_workbook(io.BytesIO(content), data_only=True)["Strata"]
    until = [c.value for c in column(sheet, "Valid until")]
    expected = [x.verdict.valid_until or None for x in mixed.results]
    assert [u and u.date().isoformat() for u in until] == expected
    assert any(until)


def test_what_asks_for_a_look_is_marked_by_conditional_formats(book: Workbook) -> None:
    for name in ("Strata", "Pairs", "Recomputed", "Findings", "Controls"):
        assert len(book[name].conditional_formatting), name


def test_the_first_sheet_has_the_answer_and_the_picture_with_what_it_shows(
    content: bytes, book: Workbook, mixed: Reconciliation
) -> None:
    sheet: Any = book["At a glance"]
    texts = [c.value for row in sheet.iter_rows() for c in row if c.value]
    assert answers.answer(mixed) in texts
    assert len(sheet._images) == 1
    drawing = zipfile.ZipFile(io.BytesIO(content)).read("xl/drawings/drawing1.xml").decode()
    told = html.unescape(re.search('descr="([^"]*)"', drawing)[1])
    for x in mixed.results:
        assert printable(x.stratum.label) in told


def test_charts_carry_the_values_that_they_show(content: bytes, mixed: Reconciliation) -> None:
    parts = zipfile.ZipFile(io.BytesIO(content))
    chart = parts.read("xl/charts/chart1.xml").decode()
    assert chart.count("numCache") >= 2 * 2 * 2
    assert words.CHART_MARGIN in chart
    assert not re.search("<numRef><f>[^<]*</f></numRef>", chart)


def test_formulas_use_only_functions_that_both_kinds_of_program_have(book: Workbook) -> None:
    """Names in the functions' lists of ECMA-376 (prefix for later ones) and OpenFormula 1.2."""
    known = {
        "IF", "AND", "OR", "COUNTIF", "COUNT", "AVERAGE", "DEVSQ", "SUMPRODUCT", "SQRT", "EXP",
        "LN", "LOG10", "ABS", "MAX", "MIN", "SLOPE", "INTERCEPT", "STEYX", "CORREL", "ISNUMBER",
        "RIGHT", "_xlfn.STDEV.S", "_xlfn.T.INV.2T", "_xlfn.NORM.S.INV", "_xlfn.CHISQ.INV",
        "_xlfn.BETA.INV",
    }  # fmt: skip
    found = set()
    for _, _, formula in formulas_of(book):
        assert len(formula) < 8192
        found |= set(re.findall(r"([A-Za-z_][A-Za-z0-9_.]*)\(", formula))
    assert found <= known
    assert {"SLOPE", "_xlfn.STDEV.S", "CORREL", "SUMPRODUCT"} <= found


def test_named_ranges_are_valid_and_cover_the_used_pairs_of_each_stratum(
    book: Workbook, mixed: Reconciliation
) -> None:
    names = book.defined_names
    pairs = book["Calculation"]
    lab = next(c.column_letter for c in pairs[2] if c.value == "Lab mean, mg/kg")
    used = next(c.column_letter for c in pairs[2] if c.value == "Used")
    for name in names:
        assert re.fullmatch(r"[a-z][a-z_0-9]*_\d{3}", name), name
        assert not re.fullmatch(r"[A-Za-z]{1,3}\d+", name), "looks like a cell"
    for number, x in enumerate(mixed.results, start=1):
        name = f"lab_{number:03d}"
        if not x.statistics.n_used:
            assert name not in names
            continue
        match = re.fullmatch(
            rf"'?Calculation'?!\${lab}\$(\d+):\${lab}\$(\d+)", names[name].attr_text
        )
        first, last = int(match[1]), int(match[2])
        assert last - first + 1 == x.statistics.n_used
        assert all(pairs[f"{used}{row}"].value == "yes" for row in range(first, last + 1))
        values = [pairs[f"{lab}{row}"].value for row in range(first, last + 1)]
        expected = sorted(x.pairs.loc[x.pairs["used"], "lab_mean"])
        assert sorted(values) == pytest.approx(expected, rel=1e-15)


def test_no_sheet_is_protected_from_sorting_and_filtering(book: Workbook) -> None:
    for sheet in book:
        assert not sheet.protection.sheet, sheet.title
    assert book.calculation.fullCalcOnLoad


def test_ids_are_kept_as_text_and_as_written(book: Workbook) -> None:
    cells = column(book["Pairs"], "Sample id")
    found = {unescape(str(c.value)): c for c in cells}
    for sample in builder.HOSTILE_IDS:
        if sample.startswith("_x"):  # openpyxl reads shared texts of this form wrongly
            continue
        cell = found[visible(sample)]
        assert cell.data_type == "s"
        if sample[0] in "=+-@":
            assert cell.quotePrefix, sample


def test_an_id_that_looks_like_a_code_of_the_format_is_read_as_written(content: bytes) -> None:
    frame = pd.read_excel(io.BytesIO(content), sheet_name="Pairs", engine="calamine", dtype=str)
    assert "_x0041_" in set(frame["Sample id"])


def test_headings_are_frozen_and_carry_units(book: Workbook) -> None:
    for sheet in book:
        assert sheet.freeze_panes, sheet.title
    headings = [c.value for c in book["Pairs"][1]]
    assert "Field mean, mg/kg" in headings
    assert "Lab, unit shown" in headings
    assert any("mg/kg" in str(c.value) for c in book["Factors"][1])


def test_numbers_are_numbers_with_a_format(book: Workbook, mixed: Reconciliation) -> None:
    values = [c for c in column(book["Pairs"], "Lab mean, mg/kg") if c.value is not None]
    assert all(c.data_type == "n" for c in values)
    # sixteen digits are written; Excel itself keeps fifteen
    first = mixed.results[0].pairs["lab_mean"].iloc[0]
    assert values[0].value == pytest.approx(first, rel=1e-15)
    assert all("E" not in c.number_format for c in values)


def test_the_strata_have_a_row_each_with_verdict_bias_and_margin(
    book: Workbook, mixed: Reconciliation
) -> None:
    sheet = book["Strata"]
    verdicts = [c.value for c in column(sheet, "Verdict")]
    assert verdicts == [words.DECISION_TITLE[x.verdict.decision] for x in mixed.results]
    for x, bias, margin in zip(
        mixed.results, column(sheet, "Bias"), column(sheet, "Agreed margin of bias"), strict=True
    ):
        expected = glance.bias_of(x).value - 1
        assert bias.value == (pytest.approx(expected) if math.isfinite(expected) else None)
        assert margin.value == x.statistics.bias.equivalence.margin


def test_each_stratum_stands_in_words_beside_its_chart(
    book: Workbook, mixed: Reconciliation
) -> None:
    sheet: Any = book["Each stratum"]
    texts = [unescape(str(c.value)) for c in sheet["B"] if c.value]
    for x in mixed.results:
        assert sum(text.split()[:8] == " ".join(x.sentences).split()[:8] for text in texts) == 1
    labels = {visible(x.stratum.label) for x in mixed.results}
    titles = {c.row for c in sheet["A"] if unescape(str(c.value)) in labels}
    anchors = {chart.anchor._from.row + 1 for chart in sheet._charts}
    assert anchors <= titles
    assert len(anchors) == len(sheet._charts)


def test_used_and_left_out_field_values_stand_in_their_own_columns(
    book: Workbook, mixed: Reconciliation
) -> None:
    sheet = book["Calculation"]
    used = [c.value for c in column(sheet, "Field used, unit shown", 2)]
    left = [c.value for c in column(sheet, "Field left out, unit shown", 2)]
    assert sum(v is not None for v in used) == sum(x.statistics.n_used for x in mixed.results)
    quantified = sum(
        int(x.pairs[["lab_mean", "field_mean"]].notna().all(axis=1).sum()) for x in mixed.results
    )
    assert sum(v is not None for v in left) == quantified - sum(v is not None for v in used)


def test_every_stratum_that_has_pairs_with_numbers_has_a_chart_of_its_own_rows(
    book: Workbook, mixed: Reconciliation
) -> None:
    sheet: Any = book["Each stratum"]
    drawn = sheet._charts
    assert len(drawn) == sum(charts.drawable(x) for x in mixed.results)
    first = drawn[0].series[0]
    n = len(mixed.results[0].pairs)
    assert first.xVal.numRef.f.replace("'", "") == f"Calculation!$E$3:$E${n + 2}"
    assert first.yVal.numRef.f.replace("'", "") == f"Calculation!$F$3:$F${n + 2}"


def test_charts_stop_at_the_limit_and_say_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stratum_sheet, "MOST_CHARTS", 2)
    book = openpyxl.load_workbook(io.BytesIO(workbook.workbook(builder.many(3, n=21))))
    sheet: Any = book["Each stratum"]
    assert len(sheet._charts) == 2
    texts = [c.value for c in book["Each stratum"]["A"]]
    assert words.CHART_LIMIT.format(shown=2, total=3) in texts


def test_print_setup_has_paper_titles_and_the_release_id(
    book: Workbook, mixed: Reconciliation
) -> None:
    for sheet in book:
        upright = sheet.title == "At a glance"
        assert sheet.page_setup.orientation == ("portrait" if upright else "landscape")
        assert sheet.print_area
        assert sheet.page_setup.paperSize == 9
        assert sheet.oddFooter.left.text == mixed.release_id
    assert book["Pairs"].print_title_rows == "$1:$1"


def test_exclusions_quarantine_and_unmatched_samples_are_all_there(
    book: Workbook, mixed: Reconciliation
) -> None:
    kinds = [c.value for c in column(book["Left out"], "What")]
    assert kinds.count("excluded") == len(mixed.exclusions)
    assert kinds.count("quarantined") == len(mixed.quarantine)
    assert kinds.count("field only") == len(mixed.field_only)
    assert kinds.count("lab only") == len(mixed.lab_only)


@pytest.mark.slow
def test_equal_values_give_equal_bytes(content: bytes) -> None:
    assert workbook.workbook(builder.mixed()) == content


def test_properties_hold_no_clock(content: bytes, book: Workbook) -> None:
    assert book.properties.created.year == book.properties.modified.year == 2000
    for entry in zipfile.ZipFile(io.BytesIO(content)).infolist():
        assert entry.date_time == (1980, 1, 1, 0, 0, 0)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("soffice") is None, reason="no office program to open it with")
def test_an_office_program_opens_it_and_shows_ids_as_text(content: bytes, tmp_path: Path) -> None:
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


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("soffice") is None, reason="no office program to print it with")
def test_the_examples_workbook_prints_on_sixty_pages_at_most(
    demo_month: tuple[Reconciliation, dict[str, bytes]], tmp_path: Path
) -> None:
    (tmp_path / "workbook.xlsx").write_bytes(demo_month[1]["workbook.xlsx"])
    subprocess.run(
        ["soffice", f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}", "--headless",
         "--convert-to", "pdf", "workbook.xlsx"],
        cwd=tmp_path, check=True, timeout=170, capture_output=True,
    )  # fmt: skip
    pages = PdfReader(tmp_path / "workbook.pdf").pages
    assert len(pages) <= 60
    text = pages[0].extract_text()
    assert words.Q_NEXT in text
    assert words.RELEASE in text
