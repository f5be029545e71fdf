"""Workbooks of older programs (.xls) and open documents (.ods) give what a person reads in them.

``old_workbook.xls`` was written once by a library of its own (xlwt 1.3); its cells stand below.
"""

from __future__ import annotations

import random
import zipfile
from contextlib import suppress
from pathlib import Path
from xml.sax.saxutils import escape

import pytest

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.read import read_file
from reconcile.intake.sources import open_sheets
from reconcile.intake.tables import TypedTable

XLS = Path(__file__).with_name("old_workbook.xls")
#: Rows of both files: line, cells as a person reads them.
ROWS = (
    (1, ("Certificate of an invented laboratory",)),
    (2, ("Sample", "Reported", "Cu (mg/kg)", "Fe (%)", "Zn (mg/kg)", "Share")),
    (3, ("S-1", "2026-10-05", "120.5", "3.25", "<5", "5 %")),
    (4, ("S-2", "2026-10-06", "98", "2.5", "7.25", "12.5 %")),
    (5, ("00037", "2026-10-07", "1.1", "0.1", "12", "100 %")),
    (7, ("S-4", "", "not analysed")),
)
SETTINGS = TableSettings(kind="lab", files=("x",), sheet="Results", columns={"Share": "ignore"})


def cell(text: str) -> str:
    """One cell of an open document, of the kind that its text is."""
    if not text:
        return "<table:table-cell/>"
    kind, value, shown = "string", "", text
    if text.endswith(" %") and text[0].isdigit():
        kind, value = "percentage", str(float(text[:-2]) / 100)
    elif text.startswith("2026-"):
        kind = "date"
        value = ""
    elif text.replace(".", "").isdigit():
        kind, value = "float", str(float(text))
    more = f' office:value="{value}"' if value else ""
    more += f' office:date-value="{text}"' if kind == "date" else ""
    return (
        f'<table:table-cell office:value-type="{kind}"{more}><text:p>{escape(shown)}</text:p>'
        "</table:table-cell>"
    )


EMPTY_ROWS = (
    '<table:table-row table:number-rows-repeated="{}"><table:table-cell/></table:table-row>'
)
MANIFEST = (
    '<?xml version="1.0" encoding="UTF-8"?><manifest:manifest '
    'xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0" manifest:version="1.3">'
    '<manifest:file-entry manifest:full-path="/" '
    'manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/>'
    '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/>'
    "</manifest:manifest>"
)


def package_of(path: Path, content: str) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        package.writestr("META-INF/manifest.xml", MANIFEST)
        package.writestr("content.xml", content)
    return path


def ods(path: Path, rows: tuple[tuple[int, tuple[str, ...]], ...] = ROWS, extra: str = "") -> Path:
    """An open document with these rows, and a million empty ones below."""
    body, before = "", 0
    for line, cells in rows:
        if line > before + 1:
            gap = line - before - 1
            body += EMPTY_ROWS.format(gap)
        body += f"<table:table-row>{''.join(map(cell, cells))}</table:table-row>"
        before = line
    body += EMPTY_ROWS.format(1_048_000)
    space = "urn:oasis:names:tc:opendocument:xmlns"
    content = (
        '<?xml version="1.0" encoding="UTF-8"?>'
        f'<office:document-content xmlns:office="{space}:office:1.0" xmlns:text="{space}:text:1.0" '
        f'xmlns:table="{space}:table:1.0"><office:body><office:spreadsheet>'
        f'<table:table table:name="Results">{body}</table:table>{extra}'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    return package_of(path, content)


@pytest.fixture(params=["xls", "ods"])
def book(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    return XLS if request.param == "xls" else ods(tmp_path / "t.ods")


def read(path: Path) -> TypedTable:
    (table,) = read_file(path, path.name, SETTINGS, zone="UTC")
    assert table.balances
    return table


def test_every_cell_is_what_a_person_reads(book: Path) -> None:
    (sheet,) = open_sheets(book, book.name, ("Results",))
    found = [(row.line, row.cells) for row in sheet.head]
    dated = [(line, tuple(c.removesuffix(" 00:00:00") for c in cells)) for line, cells in found]
    assert dated == list(ROWS)


def test_results_are_read_and_counted_apart(book: Path) -> None:
    table = read(book)
    assert table.rows_accepted == 4
    assert table.facts["sample_id"].to_pylist() == ["S-1", "S-2", "00037", "S-4"]
    values = {name: table.values[name].to_pylist() for name in ("Cu", "Fe", "Zn_lim")}
    assert values["Cu"] == [120.5, 98.0, 1.1, None]
    assert values["Fe"] == [32_500.0, 25_000.0, 1_000.0, None]
    assert values["Zn_lim"] == [5.0, None, None, None]
    assert [t.date().isoformat() for t in table.facts["reported_at"].to_pylist()[:3]] == [
        "2026-10-05", "2026-10-06", "2026-10-07",
    ]  # fmt: skip
    assert (table.counted.lines, table.counted.above) == (6, 2)


def test_a_row_that_is_repeated_counts_as_often_as_it_stands_there(tmp_path: Path) -> None:
    path = ods(tmp_path / "t.ods")
    with zipfile.ZipFile(path) as package:
        content = package.read("content.xml").decode()
    row = "<table:table-row>" + cell("S-2")
    assert row in content
    content = content.replace(row, row.replace("row>", 'row table:number-rows-repeated="3">', 1))
    package_of(path, content)
    table = read(path)
    assert table.facts["sample_id"].to_pylist().count("S-2") == 3


@pytest.mark.parametrize("name", ["xls", "ods"])
def test_a_missing_sheet_is_named(tmp_path: Path, name: str) -> None:
    path = XLS if name == "xls" else ods(tmp_path / "t.ods")
    with pytest.raises(ReconcileError, match="no sheet 'Other'"):
        open_sheets(path, path.name, ("Other",))


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("name", ["xls", "ods"])
def test_damaged_bytes_end_in_a_plain_error_or_a_balanced_table(
    tmp_path: Path, name: str, seed: int
) -> None:
    whole = XLS.read_bytes() if name == "xls" else ods(tmp_path / "w.ods").read_bytes()
    rng = random.Random(seed)
    spoiled = bytearray(whole)
    for _ in range(8):
        spoiled[rng.randrange(8, len(spoiled))] = rng.randrange(256)
    if seed % 3 == 0:
        spoiled = spoiled[: rng.randrange(100, len(spoiled))]
    path = tmp_path / f"t.{name}"
    path.write_bytes(bytes(spoiled))
    tables: tuple[TypedTable, ...] = ()
    with suppress(ReconcileError):  # and no other
        tables = read_file(path, path.name, SETTINGS, zone="UTC")
    assert all(table.rows_accepted <= table.counted.records for table in tables if table.balances)


def test_entities_in_an_open_document_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.ods"
    package_of(path, '<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>')
    with pytest.raises(ReconcileError, match="entities"):
        open_sheets(path, "t.ods")


def test_a_remark_on_a_cell_is_no_part_of_it(tmp_path: Path) -> None:
    path = ods(tmp_path / "t.ods")
    with zipfile.ZipFile(path) as package:
        content = package.read("content.xml").decode()
    remark = "<office:annotation><text:p>looks high</text:p></office:annotation>"
    content = content.replace("<text:p>S-1</text:p>", f"{remark}<text:p>S-1</text:p>")
    package_of(path, content)
    assert read(path).facts["sample_id"].to_pylist()[0] == "S-1"
