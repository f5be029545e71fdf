"""The store is believed only where it holds what was read, the archive only by its digests."""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

import reconcile
from reconcile.base import provenance
from reconcile.base.errors import ReconcileError
from reconcile.base.settings.tables import TableSettings
from reconcile.commands import storytelling
from reconcile.commands.verifying import verify
from reconcile.intake import delimited
from reconcile.intake import workspace as ws
from reconcile.intake.read import read_file
from reconcile.releases import record
from reconcile.run import unread
from reconcile.store import binding, contents, ledger
from reconcile.store.database import Store
from reconcile.store.opened import UnfitStore, tables_of_files
from reconcile.store.statements import Sql
from tests import small
from tests.test_verify import with_custody

pytestmark = pytest.mark.usefixtures("data_alone")

PERIOD = "2026-10"


@pytest.fixture(scope="module")
def released(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = with_custody(tmp_path_factory.mktemp("bound") / "site")
    reconcile.run_period(site, PERIOD)
    return site


@pytest.fixture
def site(released: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(released, tmp_path / "site"))


def store_of(site: Path) -> Path:
    return site / "out" / "store" / "reconcile.duckdb"


def alter(site: Path, *statements: str) -> None:
    """Change the store as someone would who has the file and DuckDB."""
    with duckdb.connect(str(store_of(site))) as con:
        for statement in statements:
            con.execute(statement)


TENFOLD = 'UPDATE lab_stored SET "v:Cu" = "v:Cu" * 10'


def values(frame: pd.DataFrame, column: str) -> dict[str, float]:
    copper = frame.loc[frame["stratum"].str.startswith("Cu")]
    return dict(zip(copper["sample_id"], copper[column], strict=True))


def pairs(folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / "pairs.csv")


def serious(site: Path) -> set[str]:
    return {f.subject for f in verify(site).findings if f.severity == "serious"}


def book(site: Path) -> ledger.Ledger:
    return ledger.read(site / "out" / "readings.jsonl")


def forge_ledger(site: Path) -> None:
    """Write into the ledger what the altered store holds, with fitting digests."""
    forged = []
    with Store(store_of(site)) as store:
        for known in book(site).readings.values():
            file = store.find(*known.name)
            assert file is not None
            held = contents.digest_of(store, file.file_id)
            forged.append(dataclasses.replace(known, contents=held))
    ledger.rewrite(site / "out" / "readings.jsonl", forged)


# ---- the store ------------------------------------------------------------------------


@pytest.mark.slow
def test_a_value_changed_in_the_store_enters_no_release(site: Path) -> None:
    first = pairs(site / "out" / "releases" / PERIOD / "r1")
    alter(site, TENFOLD)
    with (site / "field.csv").open("a", encoding="utf-8") as stream:
        stream.write("S901,1,2026-10-20 01:00,100,30000\n")
    outcome = reconcile.run_period(site, PERIOD)
    assert outcome.reconciliation.revision == 2
    assert values(pairs(outcome.release_folder), "lab_mean_mg_kg") == values(
        first, "lab_mean_mg_kg"
    )
    (told,) = outcome.told
    assert "lab.csv" in told.text
    assert "moved to" in told.text
    assert outcome.needs_a_person
    (aside,) = store_of(site).parent.glob("*aside*")
    with duckdb.connect(str(aside)) as con:  # kept for whoever finds out
        assert con.execute("SELECT count(*) FROM lab_stored").fetchone() == (12,)
    assert [f for f in verify(site).findings if f.severity != "note"] == []


@pytest.mark.slow
def test_a_store_that_was_mended_gives_the_release_that_stands(site: Path) -> None:
    before = small.bytes_of(site / "out" / "releases")
    recorded = (site / "out" / record.RECORD).read_bytes()
    alter(site, TENFOLD)
    outcome = reconcile.run_period(site, PERIOD)
    assert not outcome.new_release
    assert outcome.differing == ()
    assert small.bytes_of(site / "out" / "releases") == before
    assert (site / "out" / record.RECORD).read_bytes() == recorded


@pytest.mark.slow
def test_what_a_release_does_not_hold_is_neither_shown_nor_recorded(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from reconcile.commands import terminal

    recorded = (site / "out" / record.RECORD).read_bytes()
    alter(site, TENFOLD)
    forge_ledger(site)  # the store now seems to hold what was read
    outcome = reconcile.run_period(site, PERIOD)
    assert not outcome.new_release
    assert {"pairs.csv", "statistics.json"} <= set(outcome.differing)
    assert (site / "out" / record.RECORD).read_bytes() == recorded
    terminal.show_outcome(outcome)
    shown = " ".join(capsys.readouterr().out.split())
    manifest = json.loads((outcome.release_folder / "manifest.json").read_text("utf-8"))
    computed = outcome.reconciliation.results[0].statistics.bias.geometric_mean_ratio.value
    held = next(iter(manifest["strata"].values()))["ratio"]
    assert computed == pytest.approx(held / 10, rel=1e-6)
    assert f"{held:.3g}" in shown
    assert f"{computed:.3g}" not in shown
    assert "not what this release holds" in shown


def test_verify_names_what_the_store_holds_otherwise(site: Path) -> None:
    alter(site, TENFOLD)
    (found,) = verify(site).findings
    assert "lab.csv" in found.subject
    assert "store" in found.subject


@pytest.mark.slow
def test_verify_reads_the_archive_again_where_store_and_ledger_were_changed_together(
    site: Path,
) -> None:
    alter(site, TENFOLD)
    forge_ledger(site)
    assert serious(site) == {"readings.jsonl, lab.csv"}
    with (site / "field.csv").open("a", encoding="utf-8") as stream:
        stream.write("S901,1,2026-10-20 01:00,100,30000\n")
    forged = reconcile.run_period(site, PERIOD)  # nothing tells the run
    assert forged.reconciliation.revision == 2
    assert f"releases/{PERIOD}/r2, input lab.csv" in serious(site)
    shutil.rmtree(site / "out" / "store")  # as the finding advises
    (site / "out" / "readings.jsonl").unlink()
    reconcile.run_period(site, PERIOD)
    assert serious(site) == {f"releases/{PERIOD}/r2, input lab.csv"}


@pytest.mark.slow
def test_a_change_of_any_table_of_the_store_is_found(released: Path, tmp_path: Path) -> None:
    path = tmp_path / "copy.duckdb"
    shutil.copy(store_of(released), path)
    with Store(path) as store:
        numbers = [n for (n,) in store.rows(Sql("SELECT file_id FROM file"))]
        before = {n: contents.digest_of(store, n) for n in numbers}
        changed = 0
        for table in tables_of_files():
            for column in store.columns(table):
                name = f'"{column}"'
                query = (
                    f"SELECT min(rowid), any_value(typeof({name})) FROM {table} "
                    f"WHERE {name} IS NOT NULL"
                )
                filled = store.rows(Sql(query))
                ((row, kind),) = filled
                if row is None or column == "file_id":
                    continue
                other = {
                    "VARCHAR": f"{name} || 'x'",
                    "TIMESTAMP": f"{name} + INTERVAL 1 SECOND",
                    "DOUBLE": f"CASE WHEN {name} < 1 THEN {name} + 1 ELSE 0.5 END",  # not a number
                }.get(kind, f"{name} + 1")
                ((number,),) = store.rows(Sql(f"SELECT file_id FROM {table} WHERE rowid = {row}"))
                store.connection.begin()
                store.connection.execute(f"UPDATE {table} SET {name} = {other} WHERE rowid = {row}")
                after = contents.digest_of(store, number)
                store.connection.rollback()
                assert after != before[number], (table, column)
                changed += 1
        assert changed > 40
        assert {n: contents.digest_of(store, n) for n in numbers} == before


def test_rows_that_are_added_doubled_or_taken_away_are_found(
    released: Path, tmp_path: Path
) -> None:
    path = tmp_path / "copy.duckdb"
    shutil.copy(store_of(released), path)
    with Store(path) as store:
        ((number,),) = store.rows(Sql("SELECT file_id FROM file WHERE path = 'lab.csv'"))
        before = contents.digest_of(store, number)
        for statement in (
            "INSERT INTO lab_stored SELECT * FROM lab_stored LIMIT 1",
            "INSERT INTO lab_stored SELECT * FROM lab_stored",
            "DELETE FROM lab_stored WHERE rowid = 3",
            "DELETE FROM column_meaning",
        ):
            store.connection.begin()
            store.connection.execute(statement)
            assert contents.digest_of(store, number) != before, statement
            store.connection.rollback()


def test_contents_are_alike_for_plain_and_other_rows_and_whatever_else_was_stored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, other = tmp_path / "t.csv", tmp_path / "u.csv"
    path.write_text("Sample,Cu ppm,Zn ppm\nS1,5,<7\nS2,0,\nS3,<0,1\n", encoding="utf-8")
    other.write_text("Sample,Site,ZN ppm,Pb ppm\nS1,x,1,2\nS2,y,ND,4\n", encoding="utf-8")
    table = TableSettings(kind="lab", files=("x",))
    found = set()
    for limit in (0, 1 << 40):
        monkeypatch.setattr(delimited, "QUICK_FROM_BYTES", limit)
        for first in (False, True):
            with Store(None) as store:
                more = read_file(other, "u", table, zone="UTC")
                if first:
                    store.add("u", "2", "", "lab", 1, more)
                number = store.add(
                    "t", "1", "", "lab", 1, read_file(path, "t", table, zone="UTC")
                ).file_id
                if not first:
                    store.add("u", "2", "", "lab", 1, more)
                found.add(contents.digest_of(store, number))
    assert len(found) == 1


def test_a_limit_of_zero_is_not_a_value_of_zero(tmp_path: Path) -> None:
    table = TableSettings(kind="lab", files=("x",))
    found = set()
    for cell in ("0", "<0"):
        path = tmp_path / "t.csv"
        path.write_text(f"Sample,Cu ppm\nS1,5\nS2,{cell}\n", encoding="utf-8")
        with Store(None) as store:
            read = read_file(path, "t", table, zone="UTC", sha256="1")
            found.add(contents.digest_of(store, store.add("t", "1", "", "lab", 1, read).file_id))
    assert len(found) == 2


FOREIGN: dict[str, Callable[[Path], Any]] = {
    "a damaged first block": lambda p: p.write_bytes(p.read_bytes()[:12] + b"?" * 90),
    "no database": lambda p: p.write_bytes(b"sample_id,Cu\nS001,3\n" * 999),
    "an empty file that was cut": lambda p: p.write_bytes(p.read_bytes()[:5000]),
    "a table of another version": lambda p: _execute(p, "ALTER TABLE note ADD COLUMN more INT"),
    "a table too few": lambda p: _execute(p, "DROP TABLE specification_limit"),
    "a function of its own": lambda p: _execute(p, "CREATE MACRO signbit(x) AS false"),
    "a view of its own": lambda p: _execute(p, "CREATE VIEW lab AS SELECT * FROM lab_stored"),
}


def _execute(path: Path, statement: str) -> None:
    with duckdb.connect(str(path)) as con:
        con.execute(statement)


@pytest.mark.slow
@pytest.mark.parametrize("trouble", FOREIGN)
def test_a_store_that_this_version_can_not_use_is_moved_aside_and_begun_anew(
    trouble: str, released: Path, tmp_path: Path
) -> None:
    path = tmp_path / "reconcile.duckdb"
    shutil.copy(store_of(released), path)
    FOREIGN[trouble](path)
    whole = path.read_bytes()
    with pytest.raises(UnfitStore):
        Store(path, only_look=True)
    assert path.read_bytes() == whole
    with Store(path) as store:
        assert store.rows(Sql("SELECT count(*) FROM file")) == [(0,)]
        assert "moved to" in store.told[0]
    (aside,) = tmp_path.glob("*aside*.duckdb")
    assert aside.read_bytes() == whole


@pytest.mark.slow
def test_a_run_with_an_unusable_store_tells_it_and_changes_no_byte(site: Path) -> None:
    before = small.bytes_of(site / "out" / "releases")
    store_of(site).write_bytes(b"DUCK" * 5000)
    (found,) = verify(site).findings
    assert found.subject == "store/reconcile.duckdb"
    outcome = reconcile.run_period(site, PERIOD)
    assert not outcome.new_release
    assert [f.severity for f in outcome.told] == ["warning"]
    assert small.bytes_of(site / "out" / "releases") == before
    assert verify(site).findings == ()


@pytest.mark.slow
def test_a_store_damaged_where_its_rows_lie_is_read_again(site: Path) -> None:
    whole = bytearray(store_of(site).read_bytes())
    for place in range(len(whole) // 4, len(whole), 200_000):
        whole[place] ^= 255
    store_of(site).write_bytes(whole)
    assert any("store" in f.subject for f in verify(site).findings)
    outcome = reconcile.run_period(site, PERIOD)
    assert not outcome.new_release
    assert len(outcome.told) == 1
    assert verify(site).findings == ()


def test_a_busy_store_is_not_moved(site: Path) -> None:
    with Store(store_of(site)), pytest.raises(ReconcileError, match="Another run is using"):
        Store(store_of(site), only_look=True)
    assert not list(store_of(site).parent.glob("*aside*"))


@pytest.mark.slow
def test_a_story_is_told_from_what_was_read(site: Path) -> None:
    def results() -> list[Any]:
        story = storytelling.story_of(site, "S003")
        return [line.values for line in story.lines if line.kind == "determination"]

    before = results()
    assert before
    alter(site, TENFOLD)
    assert results() == before
    store_of(site).write_bytes(b"DUCK" * 5000)
    assert results() == before


@pytest.mark.slow
def test_a_store_without_its_ledger_is_not_believed(site: Path) -> None:
    (site / "out" / "readings.jsonl").unlink()
    assert len(verify(site).findings) == 4
    outcome = reconcile.run_period(site, PERIOD)
    assert not outcome.new_release
    assert len(outcome.told) == 1
    assert verify(site).findings == ()


@pytest.mark.slow
def test_a_damaged_line_of_the_ledger_is_taken_away_and_its_file_read_again(site: Path) -> None:
    path = site / "out" / "readings.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"lab.csv"', b'"lob.csv"', 1))
    assert "readings.jsonl" in {f.subject for f in verify(site).findings}
    outcome = reconcile.run_period(site, PERIOD)
    assert any("Line" in f.text for f in outcome.told)
    assert verify(site).findings == ()


@pytest.mark.parametrize("keep", [1, 200])
def test_a_line_of_the_ledger_that_a_crash_left_unfinished_is_written_again(
    keep: int, released: Path, tmp_path: Path
) -> None:
    path = tmp_path / "readings.jsonl"
    readings = list(book(released).readings.values())
    ledger.rewrite(path, readings)
    whole = path.read_bytes()
    last = whole.rfind(b"\n", 0, -1) + 1
    path.write_bytes(whole[: last + keep])
    assert list(ledger.read(path).readings.values()) == readings[:-1]
    ledger.append(path, readings[-1:])
    assert path.read_bytes() == whole


# ---- the archive ----------------------------------------------------------------------


def archived_lab(site: Path) -> Path:
    return site / "out" / "archive" / f"{ws.sha256_of(site / 'lab.csv')}.csv"


@pytest.mark.slow
def test_an_altered_archived_copy_is_named_and_restored_and_not_used(site: Path) -> None:
    before = small.bytes_of(site / "out" / "releases")
    copy = archived_lab(site)
    whole = copy.read_bytes()
    copy.write_bytes(whole.replace(b"S003,", b"S003,9"))
    shutil.rmtree(site / "out" / "store")
    assert f"archive/{copy.name}" in {f.subject for f in verify(site).findings}
    outcome = reconcile.run_period(site, PERIOD)
    assert not outcome.new_release
    assert [f.subject for f in outcome.told] == [f"archive/{copy.name}"]
    assert outcome.needs_a_person
    assert small.bytes_of(site / "out" / "releases") == before
    assert copy.read_bytes() == whole
    (aside,) = (site / "out" / "aside").iterdir()
    assert b"S003,9" in aside.read_bytes()
    assert verify(site).findings == ()


@pytest.mark.parametrize("what", ["folder", pytest.param("bytes", marks=pytest.mark.slow)])
def test_what_took_the_place_of_an_archived_copy_is_moved_away(site: Path, what: str) -> None:
    copy = archived_lab(site)
    whole = copy.read_bytes()
    copy.unlink()
    copy.mkdir() if what == "folder" else copy.write_bytes(b"\xff\x00" * 99)
    shutil.rmtree(site / "out" / "store")
    outcome = reconcile.run_period(site, PERIOD)
    assert [f.subject for f in outcome.told] == [f"archive/{copy.name}"]
    assert copy.read_bytes() == whole


def test_where_neither_copy_nor_file_fits_nothing_is_restored(site: Path) -> None:
    copy, workspace = archived_lab(site), ws.load_workspace(site)
    digest = copy.stem
    copy.write_bytes(b"altered")
    (site / "lab.csv").write_bytes(b"another")
    with pytest.raises(ReconcileError, match=r"lab\.csv"):
        binding.restored(workspace, "lab.csv", site / "lab.csv", digest, copy)
    assert copy.read_bytes() == b"altered"
    assert not list(copy.parent.glob(".unfinished*"))


def test_a_copy_that_changes_while_it_is_read_has_no_digest(tmp_path: Path) -> None:
    path = tmp_path / "copy.csv"
    path.write_bytes(b"before")

    def read() -> str:
        path.write_bytes(b"after that")
        return "rows"

    assert binding.digested(path, read) == ("", "rows")


@pytest.mark.slow
def test_a_reading_by_a_register_and_corrections_is_repeated_by_its_recipe(
    tmp_path: Path,
) -> None:
    site = small.build(tmp_path / "site", samples=8)
    settings = (site / "reconcile.toml").read_text("utf-8")
    settings = settings.replace('files = ["lab.csv"]', 'files = ["lab.csv"]\nlook_up = "lab_id"')
    settings += '\n[[table]]\nkind = "corrections"\nfiles = ["c.csv"]\nrequired = false\n'
    (site / "reconcile.toml").write_text(settings, encoding="utf-8")
    lines = (site / "register.csv").read_text("utf-8").splitlines()
    lines = [lines[0] + ",lab_id", *(f"{line},L{n}" for n, line in enumerate(lines[1:], 1))]
    (site / "register.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = (site / "lab.csv").read_text("utf-8")
    for number in range(8, 0, -1):
        text = text.replace(f"S{number:03d},", f"L{number},")
    cells = text.splitlines()[3].split(",")
    (site / "lab.csv").write_text(text.replace(f"L3,{cells[1]}", "L3,illegible"), encoding="utf-8")
    digest = ws.sha256_of(site / "lab.csv")
    (site / "c.csv").write_text(
        "file,sheet,row,column,found,sha256,corrected_value,corrected_by,corrected_because\n"
        f"lab.csv,,4,Cu (mg/kg),illegible,{digest},{cells[1]},keeper,asked the laboratory\n",
        encoding="utf-8",
    )
    outcome = reconcile.run_period(site, PERIOD)
    assert outcome.reconciliation.corrections["corrected_value"].tolist() == [cells[1]]
    recipes = {r.path: r.recipe for r in book(site).readings.values()}
    assert recipes["lab.csv"]["register"]
    assert recipes["lab.csv"]["corrections"]
    report = verify(site)
    assert report.findings == ()
    assert report.read_again == 4


# ---- foreign things -------------------------------------------------------------------


@pytest.mark.slow
def test_foreign_files_and_folders_are_named_and_passed_over(site: Path) -> None:
    out = site / "out"
    month = out / "releases" / PERIOD
    shutil.copytree(month / "r1", month / "r1 copy")
    shutil.copytree(month / "r1", month / "r\u00b2")
    (month / "r7").write_text("a file", encoding="utf-8")
    (month / "notes.txt").write_text("x", encoding="utf-8")
    (out / "releases" / "Thumbs.db").write_bytes(b"x")
    (out / "releases" / "2026-10 old").mkdir()
    shutil.copytree(out / "archive", out / "archive" / "archive copy")
    (out / "archive" / "lab (2).csv").write_text("x", encoding="utf-8")
    expected = {
        f"releases/{PERIOD}/r1 copy", f"releases/{PERIOD}/r\u00b2", f"releases/{PERIOD}/r7",
        f"releases/{PERIOD}/notes.txt", "releases/Thumbs.db", "releases/2026-10 old",
        "archive/archive copy", "archive/lab (2).csv",
    }  # fmt: skip
    if os.name == "posix":
        (month / "r9").symlink_to(month / "r1")
        (out / "archive" / "link.csv").symlink_to(site / "gone.csv")
        os.mkfifo(out / "archive" / f"{'0' * 64}.csv")
        expected |= {
            f"releases/{PERIOD}/r9", "archive/link.csv", f"archive/{'0' * 64}.csv",
        }  # fmt: skip
    report = verify(site)
    assert {f.subject for f in report.findings} == expected
    assert report.releases == 1
    assert not reconcile.run_period(site, PERIOD).new_release


def test_a_release_folder_without_manifest_is_named(site: Path) -> None:
    (site / "out" / "releases" / PERIOD / "r2").mkdir()
    (found,) = [f for f in verify(site).findings if "r2" in f.subject]
    assert "manifest" in found.text.lower()


# ---- what it was made with ------------------------------------------------------------


def _nothing_is_read(*_: Any, **__: Any) -> Any:
    pytest.fail("a file was read again")


@pytest.mark.slow
def test_other_code_makes_a_revision_and_reads_no_file_again(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(provenance, "code_version", lambda: "0.1.0+another")
    monkeypatch.setattr(unread, "read_file", _nothing_is_read)
    outcome = reconcile.run_period(site, PERIOD)
    assert outcome.reconciliation.revision == 2
    assert [c.what for c in outcome.reconciliation.changes] == ["program"]


@pytest.mark.slow
def test_another_version_of_a_library_makes_a_revision_that_names_it(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_other = provenance.made_with() | {"numpy": "99.1", "python": "9.9"}
    monkeypatch.setattr(provenance, "made_with", lambda: with_other)
    outcome = reconcile.run_period(site, PERIOD)
    assert outcome.reconciliation.revision == 2
    changes = {c.what: c.after for c in outcome.reconciliation.changes}
    assert changes == {"library numpy": "99.1", "library python": "9.9"}
    assert not reconcile.run_period(site, PERIOD).new_release


def test_a_release_read_by_another_version_is_not_compared_with_what_this_one_reads(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(provenance, "reading_version", lambda: "another")
    report = verify(site)
    assert report.findings == ()
    assert report.read_again == 0
    assert report.readings == 4
