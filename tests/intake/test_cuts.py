"""Files that were cut off, and files that are written while they are read: the truth, or told."""

from __future__ import annotations

import io
import itertools
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.commands.checking import check
from reconcile.intake import workspace as ws
from reconcile.intake.read import read_file
from reconcile.intake.sources import open_sheets
from reconcile.intake.tables import in_full
from reconcile.run import archiving, pipeline
from tests.intake.conftest import Read, check_account
from tests.sizes import cases
from tests.small import SETTINGS, build

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

WIDE = TableSettings(
    kind="field", files=("x",), unit="mg/kg", fixed={"technique": "XRF", "instrument": "X1"}
)
LAB = TableSettings(kind="lab", files=("x",), unit="mg/kg")


def campaign(rows: int, last: str = "Pb") -> str:
    """A field export of six columns; the last holds results, or a fact."""
    lines = [f"Sample,Reading No,Measured at,Cu,Fe,{last}"]
    for i in range(rows):
        end = f"{110.6 + i}" if last == "Pb" else ("soil", "rock")[i % 2]
        lines.append(
            f"S{i // 2 + 1},{i + 1},2026-10-{i + 1:02d} 0{i % 10}:00,<{40 + i},{i}5.5,{end}"
        )
    return "\n".join(lines) + "\n"


LONG = "Sample,Element,Value,Unit\n" + "".join(
    f"S{i},{'Cu' if i % 2 else 'Fe'},{i}1.25,mg/kg\n" for i in range(4)
)


@dataclass(frozen=True)
class Reading:
    """What was read of a file: facts and results of each row, and whether anything was told."""

    rows: dict[int, dict[str, object]]
    told: bool


def reading_of(path: Path, table: TableSettings) -> Reading:
    try:
        (read,) = read_file(path, path.name, table, zone="UTC")
    except ReconcileError:
        return Reading({}, True)
    check_account(read)
    facts = read.facts.to_pylist()
    cells = in_full(read.values).to_pylist()
    rows = {}
    for fact, cell in zip(facts, cells, strict=True):
        # no result and no cell are no values
        held = {k: v for k, v in cell.items() if v is not None and cell.get(f"{k}_q") != 3}
        rows[int(fact["row"])] = {
            **{k: v for k, v in fact.items() if v is not None},
            **{k: v for k, v in held.items() if not (k.endswith("_q") and v == 3)},
        }
    return Reading(rows, bool(read.notes or len(read.quarantine)))


def untold(content: bytes, table: TableSettings, folder: Path) -> tuple[list[int], list[int]]:
    """Places of cuts after which some value is not the true one; and of untold shorter files
    that end elsewhere than at the end of a line."""
    path = folder / "t.csv"
    path.write_bytes(content)
    whole = reading_of(path, table)
    assert whole.rows
    wrong, silent = [], []
    for cut in range(1, len(content)):
        path.write_bytes(content[:cut])
        read = reading_of(path, table)
        for row, cells in read.rows.items():
            if cells.items() - whole.rows[row].items():
                wrong.append(cut)
        if len(read.rows) < len(whole.rows) and not read.told and not _at_line_end(content, cut):
            silent.append(cut)
    return wrong, silent


def _at_line_end(content: bytes, cut: int) -> bool:
    return content[:cut].rstrip(b"\x00")[-1:] in (b"\r", b"\n")


@pytest.mark.slow
@pytest.mark.parametrize("last", ["Pb", "Matrix"])
def test_a_text_cut_at_any_byte_gives_true_values_only_and_is_told(
    last: str, tmp_path: Path
) -> None:
    assert untold(campaign(3, last).encode(), WIDE, tmp_path) == ([], [])


@pytest.mark.slow
def test_a_long_text_cut_at_any_byte_gives_true_values_only_and_is_told(tmp_path: Path) -> None:
    content = campaign(cases(24, 10)).encode()
    assert len(content) > cases(900, 350)
    assert untold(content, WIDE, tmp_path) == ([], [])


QUOTED = "".join(
    ",".join(f'"{cell}"' for cell in line.split(",")) + "\n" for line in campaign(3).splitlines()
)
#: Two cells are held together by marks, and one mark is never closed.
ODD = campaign(5).replace("S1,1,", '"S1,1",').replace("S2,3,", '"S2,3,')


ENCODINGS = (("utf-8", "\n"), ("utf-8-sig", "\r\n"), ("utf-16", "\r\n"), ("cp1252", "\r"))
TEXTS = (
    (campaign(3).replace(",", ";"), WIDE),  # semicolons
    (QUOTED, WIDE), (ODD, WIDE), (LONG, LAB),
)  # fmt: skip
EACH = tuple(zip(range(4), range(4), strict=True))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("which", "encoded"), cases(tuple(itertools.product(range(4), range(4))), EACH)
)
def test_a_text_of_any_kind_cut_at_any_byte_gives_true_values_only(
    which: int, encoded: int, tmp_path: Path
) -> None:
    (text, table), (encoding, end) = TEXTS[which], ENCODINGS[encoded]
    assert untold(text.replace("\n", end).encode(encoding), table, tmp_path) == ([], [])


def test_a_workbook_or_parquet_file_that_was_cut_is_refused(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for row in (["Sample", "Cu ppm"], ["S1", 5], ["S2", 6.5]):
        book.active.append(row)
    workbook, columns = io.BytesIO(), io.BytesIO()
    book.save(workbook)
    pq.write_table(pa.table({"Sample": ["S1", "S2"], "Cu ppm": [5, 6.5]}), columns)
    for name, content in (("t.xlsx", workbook.getvalue()), ("t.parquet", columns.getvalue())):
        path = tmp_path / name
        path.write_bytes(content)
        assert len(reading_of(path, LAB).rows) == 2
        end = len(content) - 150  # the list of parts stands in what is left
        for cut in (*range(0, end, 17), *range(end, len(content))):
            path.write_bytes(content[:cut])
            with pytest.raises(ReconcileError):
                read_file(path, name, LAB, zone="UTC")


# ---- the last line ---------------------------------------------------------------------------


def test_the_last_cell_of_a_file_without_a_last_line_end_is_not_believed(read: Read) -> None:
    table = read("Sample,Cu ppm,Pb ppm\nS1,5,110.6\nS2,6,11", kind="lab")
    assert table.facts.column("sample_id").to_pylist() == ["S1", "S2"]
    assert table.values.column("Pb").to_pylist() == [110.6, None]
    told = table.quarantine[["row", "column", "found"]].to_numpy().tolist()
    assert told == [[3, "Pb ppm", "11"]]
    assert any("no line end" in note for note in table.notes)
    empty = read("Sample,Cu ppm,Pb ppm\nS1,5,110.6\nS2,6,", kind="lab")
    assert empty.quarantine["row"].tolist() == [3]


def test_a_last_cell_that_describes_its_row_takes_the_row_along(read: Read) -> None:
    table = read("Sample,Cu ppm,Matrix\nS1,5,rock\nB1,0,ro", kind="lab")
    assert table.facts.column("sample_id").to_pylist() == ["S1"]
    assert table.quarantine["column"].tolist() == [""]


def test_files_said_to_have_no_last_line_end_are_read_whole_and_it_is_told(read: Read) -> None:
    table = read("Sample,Cu ppm\nS1,5\nS2,11", kind="lab", final_line_end="absent")
    assert table.values.column("Cu").to_pylist() == [5, 11]
    assert any("taken whole" in note for note in table.notes)
    short = read("Sample,Cu ppm,Zn ppm\nS1,5,1\nS2,1", kind="lab", final_line_end="absent")
    assert short.facts.column("sample_id").to_pylist() == ["S1"]


@pytest.mark.slow
def test_files_of_a_table_none_of_which_has_a_last_line_end_are_read_whole(tmp_path: Path) -> None:
    folder = build(tmp_path / "site", samples=8)
    settings = SETTINGS.replace('files = ["lab.csv"]', 'files = ["lab*.csv"]')
    (folder / "reconcile.toml").write_text(settings)
    lab = (folder / "lab.csv").read_text()
    head, *rows = lab.splitlines()
    (folder / "lab.csv").write_text("\n".join([head, *rows[:4]]))

    def refused() -> list[str]:
        report = check(folder, "2026-10")
        return sorted(set(report.quarantine["file"]))

    assert refused() == ["lab.csv"]
    (folder / "lab2.csv").write_text("\n".join([head, *rows[4:]]))
    assert refused() == []
    (folder / "lab3.csv").write_text("\n".join([head, "S001,5,5"]) + "\n")
    assert refused() == ["lab.csv", "lab2.csv"]  # one does have it


def test_a_corrected_last_cell_is_believed(tmp_path: Path) -> None:
    folder = build(tmp_path / "site", samples=8)
    lab = (folder / "lab.csv").read_bytes()
    (folder / "lab.csv").write_bytes(lab[:-2])
    with (folder / "reconcile.toml").open("a") as settings:
        settings.write('\n[[table]]\nkind = "corrections"\nfiles = ["corrections.csv"]\n')
        settings.write("required = false\n")
    before = check(folder, "2026-10").quarantine
    assert before["row"].tolist() == [9]
    entry = before.assign(
        corrected_value="3.3", corrected_by="A. Person", corrected_because="the certificate"
    )
    entry.to_csv(folder / "corrections.csv", index=False)
    assert check(folder, "2026-10").quarantine.empty


# ---- files that are being written --------------------------------------------------------------


def growing(times: int, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the lab's file grow by a line the first times that it is copied."""
    copy, left = shutil.copyfileobj, [times]
    begin = (folder / "lab.csv").read_bytes()

    def copied(source: BinaryIO, target: BinaryIO, length: int) -> None:
        lab = source.read(len(begin)) == begin
        source.seek(0)
        if lab and left[0]:
            left[0] -= 1
            with (folder / "lab.csv").open("a") as handle:
                handle.write(f"S{990 + left[0]},5,5\n")
        copy(source, target, length)

    monkeypatch.setattr(shutil, "copyfileobj", copied)
    monkeypatch.setattr(archiving, "_PAUSE_S", 0)


@pytest.mark.slow
def test_a_file_that_grows_while_it_is_copied_is_taken_again_until_it_is_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = build(tmp_path / "site", samples=8)
    growing(2, folder, monkeypatch)
    outcome = pipeline.run_period(folder, "2026-10")
    (lab,) = [f for f in outcome.reconciliation.inputs if f.path == "lab.csv"]
    assert (lab.rows, lab.sha256) == (10, ws.sha256_of(folder / "lab.csv"))
    archived = {p.name for p in (folder / "out" / "archive").iterdir() if p.is_file()}
    assert archived == {f"{i.sha256}.csv" for i in outcome.reconciliation.inputs}


@pytest.mark.slow
def test_a_file_that_goes_on_growing_is_not_read_and_the_analyst_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = build(tmp_path / "site", samples=8)
    settings = SETTINGS.replace('files = ["lab.csv"]', 'files = ["lab*.csv"]')
    (folder / "reconcile.toml").write_text(settings)
    head, *rows = (folder / "lab.csv").read_text().splitlines()
    (folder / "lab2.csv").write_text("\n".join([head, *rows[:4]]) + "\n")
    growing(99, folder, monkeypatch)
    outcome = pipeline.run_period(folder, "2026-10")
    (finding,) = [f for f in outcome.reconciliation.findings if f.subject == "lab.csv"]
    assert finding.severity == "serious"
    assert "is being written" in finding.text
    assert [f.path for f in outcome.reconciliation.inputs if f.kind == "lab"] == ["lab2.csv"]


def test_a_file_that_changes_while_it_is_read_outside_a_run_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.csv"
    path.write_text("Sample,Cu ppm\nS1,5\n")
    from reconcile.intake import read as reader

    sheets = open_sheets

    def grown(*given: Any) -> object:
        found = sheets(*given)
        with path.open("a") as handle:
            handle.write("S2,6\n")
        return found

    monkeypatch.setattr(reader, "open_sheets", grown)
    with pytest.raises(ReconcileError, match="changed while it was read"):
        read_file(path, "t.csv", LAB, zone="UTC")
