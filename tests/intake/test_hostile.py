"""Damaged and malicious files: a ReconcileError or a table, never a traceback or a hang."""

from __future__ import annotations

import io
import random
import time
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.intake.read import read_file
from tests.intake.conftest import check_account
from tests.sizes import cases

CASES = cases(2001, 300)  # a third in each format
SECONDS = (
    30.0  # of processor time, of which the tracing of memory takes most; a square way takes minutes
)
TABLE = TableSettings(kind="field", files=("x",), unit="mg/kg", fixed={"technique": "XRF"})


def text_seed() -> bytes:
    lines = ["Reading No,Date,Sample,Cu,Cu Error,Fe2O3 %,Pb ppm,Note"]
    lines += [f"{i},2026-10-{i % 28 + 1:02d},S{i},{i * 3.5},0.5,<0.1,{i},n" for i in range(40)]
    return ("\n".join(lines) + "\n").encode()


def workbook_seed() -> bytes:
    book = openpyxl.Workbook()
    book.active.append(["Sample", "Cu ppm", "Fe %"])
    for i in range(20):
        book.active.append([f"S{i}", i * 1.5, "<0.01"])
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def parquet_seed() -> bytes:
    target = io.BytesIO()
    pq.write_table(pa.table({"Sample": ["a", "b"] * 20, "Cu ppm": [1.5, None] * 20}), target)
    return target.getvalue()


def mutate(data: bytes, rng: random.Random) -> bytes:
    """One to three random injuries."""
    work = bytearray(data)
    for _ in range(rng.randint(1, 3)):
        if not work:
            break
        at = rng.randrange(len(work))
        kind = rng.randrange(11)
        if kind == 0:
            del work[at:]
        elif kind == 1:
            for _ in range(rng.randint(1, 30)):
                work[rng.randrange(len(work))] = rng.randrange(256)
        elif kind == 2:
            part = bytearray(work[at : at + 200])
            rng.shuffle(part)
            work[at : at + 200] = part
        elif kind == 3:
            work[at:at] = rng.choice(
                [
                    b'"',
                    b"\x00",
                    b"\xff\xfe",
                    b"\r",
                    b"\n\n\n",
                    b",,,,",
                    b";",
                    b"\t",
                    b"\xef\xbb\xbf",
                ]
            ) * rng.randint(1, 50)
        elif kind == 4:
            work[at:at] = rng.choice(
                [
                    b"=cmd|'/c calc'!A1",
                    b"<!DOCTYPE x>",
                    b"1e999",
                    b"<" * 40,
                    b"9" * 5000,
                    b"-" * 999,
                ]
            )
        elif kind == 5:
            del work[at : at + rng.randint(1, 400)]
        elif kind == 6:
            work[at:at] = work[max(0, at - 300) : at] * rng.randint(1, 5)
        elif kind == 7:
            work = bytearray(bytes(work).decode("latin-1").encode(rng.choice(
                ["utf-16", "utf-16-le", "utf-32", "utf-8"])))  # fmt: skip
        elif kind == 8:
            work[at:at] = b"A" * rng.choice([40_000, 300_000])
        elif kind == 9:
            work[:0] = rng.choice([b"sep=;\n", b"sep=\n", b"\n" * 200, b"PK\x03\x04", b"PAR1"])
        else:
            work[:] = bytes(work).replace(rng.choice([b"\n", b",", b"S"]), rng.choice([b"", b"\r"]))
    return bytes(work)


@pytest.mark.slow
@pytest.mark.parametrize("ending", ["csv", "xlsx", "parquet"])
def test_injured_files_end_in_a_message_or_a_table(ending: str, tmp_path: Path) -> None:
    seed = {"csv": text_seed, "xlsx": workbook_seed, "parquet": parquet_seed}[ending]()
    rng = random.Random(f"{ending} 20261001")
    path = tmp_path / f"t.{ending}"
    read = refused = 0
    for case in range(CASES // 3):
        path.write_bytes(mutate(seed, rng))
        message = path.name
        start = time.process_time()
        try:
            for table in read_file(path, path.name, TABLE, zone="UTC"):
                check_account(table)
            read += 1
        except ReconcileError as caught:
            refused += 1
            message = caught.message
        assert time.process_time() - start < SECONDS, case
        assert message.startswith(path.name), case
        assert len(message) < 2000, case
    assert refused
    assert read or ending == "parquet"


def package(**members: bytes) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as z:
        for name, content in members.items():
            z.writestr(name.replace("__", "/").replace("_xml", ".xml"), content)
    return target.getvalue()


def with_part(name: str, content: bytes) -> bytes:
    """The ordinary workbook with one part replaced."""
    target = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook_seed())) as source,
        zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as out,
    ):
        for item in source.namelist():
            out.writestr(item, content if item == name else source.read(item))
        if name not in source.namelist():
            out.writestr(name, content)
    return target.getvalue()


SHEET = "xl/worksheets/sheet1.xml"
LAUGHS = b"""<?xml version="1.0"?><!DOCTYPE lolz [<!ENTITY a "aaaaaaaaaa">
<!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]><worksheet>&b;</worksheet>"""
OUTSIDE = b"""<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>
<worksheet><sheetData><row><c t="inlineStr"><is><t>&e;</t></is></c></row></sheetData></worksheet>"""
MAIN = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
FAR = (
    b'<?xml version="1.0"?><worksheet xmlns="' + MAIN + b'"><dimension ref="A1:XFD1048576"/>'
    b'<sheetData><row r="1"><c r="A1" t="inlineStr"><is><t>Sample</t></is></c>'
    b'<c r="B1" t="inlineStr"><is><t>Cu ppm</t></is></c></row><row r="1048576">'
    b'<c r="A1048576" t="inlineStr"><is><t>S1</t></is></c><c r="XFD1048576"><v>5</v></c></row>'
    b"</sheetData></worksheet>"
)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (lambda: with_part(SHEET, LAUGHS), "entities"),
        (lambda: with_part(SHEET, OUTSIDE), "entities"),
        (lambda: with_part(SHEET, LAUGHS.decode().encode("utf-16")), "entities|encoding|damaged"),
        (lambda: with_part("xl/media/bomb.bin", b"\x00" * (300 << 20)), "unpack"),
        (lambda: package(inner_zip=package(deeper_zip=b"x" * 1000)), "zip archive"),
        (lambda: package(xl__workbook_xml=b"<workbook/>"), "damaged|no sheet"),
        (lambda: with_part(SHEET, b"<worksheet"), "damaged"),
        (lambda: with_part("xl/workbook.xml", b""), "damaged"),
    ],
)
def test_tricks_with_workbooks_are_refused(
    content: Callable[[], bytes], message: str, tmp_path: Path
) -> None:
    path = tmp_path / "t.xlsx"
    path.write_bytes(content())
    start = time.process_time()
    with pytest.raises(ReconcileError, match=message):
        read_file(path, "t.xlsx", TABLE, zone="UTC")
    assert time.process_time() - start < SECONDS


def test_a_sheet_that_claims_to_be_endless_does_not_hang(tmp_path: Path) -> None:
    path = tmp_path / "t.xlsx"
    path.write_bytes(with_part(SHEET, FAR))
    start = time.process_time()
    try:
        (table,) = read_file(path, "t.xlsx", TABLE, zone="UTC")
        check_account(table)
    except ReconcileError:
        pass
    assert time.process_time() - start < SECONDS


@pytest.mark.slow
@pytest.mark.parametrize(
    "content",
    [
        b"Sample,Cu\n" + b"S" * (5 << 20) + b",1\nS2,2\n",
        b"Sample,Cu\nS1,1\n" + b"," * 60_000 + b"\nS2,2\n",
        b"Sample,Cu\n" + b"\n".join(b"S%d," % i + b"(" * 190 for i in range(20_000)),
        b"Sample,Cu\n" + b"\n".join(b"S%d,%d x 10" % (i, i) for i in range(10_000)),
        b'Sample,Cu\n"' * 30_000,
        b"Sample," + b"Cu error ppm " * 3000 + b"\nS,1\n",
        b"\n".join(b"Sample,Cu,Zn,Fe" for _ in range(20_000)),
        b"Sample,Cu ppm\n" + b"Average,1\n" * 50_000,
        b"Sample,Date,Cu ppm\n" + b"\n".join(b"S,%d/%d/2026,1" % (i, i) for i in range(20_000)),
    ],
    ids=range(9),
)
def test_huge_and_odd_texts_stay_within_time_and_memory(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(content)
    message = ""
    spent = []
    for traced in (False, True):  # tracing costs many times what is traced
        if traced:
            tracemalloc.start()
        start = time.process_time()
        try:
            (table,) = read_file(path, "t.csv", TABLE, zone="UTC")
            spent.append(time.process_time() - start)
            if not traced:
                check_account(table)
        except ReconcileError as caught:
            spent.append(time.process_time() - start)
            message = str(caught)
    (_, peak) = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(message) < 2000
    assert spent[0] < SECONDS
    assert peak < 500 << 20


def test_hostile_ids_and_notes_stay_as_they_are(tmp_path: Path) -> None:
    evil = [
        '=HYPERLINK("x")', "+1+1", "@SUM(A1)", "<script>alert(1)</script>", "../../etc/passwd",
        "S1\u202egnp", "%s%n", "{upper}", "a'); DROP TABLE field; --",
    ]  # fmt: skip
    path = Path(tmp_path) / "t.csv"
    path.write_text(
        "Sample,Cu\n" + "".join('"{}",1\n'.format(e.replace('"', '""')) for e in evil),
        encoding="utf-8",
    )
    (table,) = read_file(path, "t.csv", TABLE, zone="UTC")
    assert table.facts.column("sample_id").to_pylist() == evil


def test_blank_lines_above_a_table_are_passed_over_however_many(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(b"\n" * 200 + b"Sample;Cu ppm\nS1;5\n")
    (table,) = read_file(path, "t.csv", TABLE, zone="UTC")
    assert table.facts.column("row").to_pylist() == [202]
