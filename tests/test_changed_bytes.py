"""A changed byte anywhere in the output is found by verify, or harmless and named so."""

from __future__ import annotations

import random
from collections.abc import Iterable
from pathlib import Path

import duckdb
import pytest

import reconcile
from reconcile.commands.verifying import verify
from reconcile.releases import record
from reconcile.releases.release import MANIFEST
from reconcile.store.database import Store
from reconcile.store.opened import UnfitStore, tables_of_files
from reconcile.store.statements import Sql
from tests.sizes import cases
from tests.test_verify import PERIOD, with_custody

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

STORE, LEFT = "store/reconcile.duckdb", "store/reconcile.duckdb.sha256"
LEDGER = "readings.jsonl"


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = with_custody(tmp_path_factory.mktemp("changed") / "site")
    reconcile.run_period(site, PERIOD)
    return site / "out"


def with_a_byte_changed(whole: bytes, chance: random.Random) -> bytes:
    place = chance.randrange(len(whole))
    return whole[:place] + bytes([whole[place] ^ chance.randrange(1, 256)]) + whole[place + 1 :]


def untold(out: Path, names: Iterable[str], chance: random.Random) -> list[str]:
    """Change one byte in each of these files; those that verify then does not name."""
    whole = {name: (out / name).read_bytes() for name in names}
    for name, content in whole.items():
        (out / name).write_bytes(with_a_byte_changed(content, chance))
    try:
        findings = verify(out.parent).findings
    finally:
        for name, content in whole.items():
            (out / name).write_bytes(content)
    found = [f.subject for f in findings if f.severity != "note"]
    harmless = [f.subject for f in findings if f.severity == "note" and "Harmless" in f.text]
    return [
        name
        for name in whole
        if not any(name in subject for subject in found)
        and not (name in (STORE, LEFT) and STORE in harmless)
    ]


def groups(out: Path, chance: random.Random, rounds: tuple[int, int, int]) -> list[list[str]]:
    """Files whose changes do not hide each other: a changed manifest vouches for nothing."""
    archive = sorted(f"archive/{p.name}" for p in (out / "archive").iterdir())
    folder = f"releases/{PERIOD}/r1"
    files = sorted(f"{folder}/{p.name}" for p in (out / folder).iterdir() if p.name != MANIFEST)
    assert len(archive) == 4
    assert len(files) == 16
    data, manifests, records = rounds
    return [
        *([STORE, *chance.sample(archive, 2), *chance.sample(files, 3)] for _ in range(data)),
        *([LEDGER, f"{folder}/{MANIFEST}"] for _ in range(manifests)),
        *([record.RECORD, LEFT] for _ in range(records)),
    ]


@pytest.mark.slow
def test_a_sample_of_changed_bytes_is_found_or_harmless(out: Path) -> None:
    chance = random.Random(11)
    for names in groups(out, chance, (5, 2, 2)):
        assert untold(out, names, chance) == []
    assert verify(out.parent).findings == ()


@pytest.mark.slow
def test_many_changed_bytes_are_found_or_harmless(out: Path) -> None:
    chance, changed = random.Random(12), 0
    for names in groups(out, chance, cases((60, 40, 30), (18, 12, 9))):
        assert untold(out, names, chance) == []
        changed += len(names)
    assert changed == cases(500, 150)
    assert verify(out.parent).findings == ()


def can_be_read(path: Path) -> bool:
    """Whether DuckDB finds nothing wrong with the store."""
    try:
        with Store(path, only_look=True) as store:
            for table in tables_of_files():
                store.rows(Sql(f"SELECT max(hash(held)) FROM {table} AS held"))
    except (UnfitStore, duckdb.Error):
        return False
    return True


@pytest.mark.slow
def test_a_byte_of_the_store_that_holds_no_data_is_named_harmless(out: Path) -> None:
    path = out / STORE
    whole = path.read_bytes()
    for place in range(len(whole) - 1, 0, -len(whole) // 97):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        if can_be_read(path):
            break
    else:
        pytest.fail("every byte of the store holds data")
    (found,) = verify(out.parent).findings
    path.write_bytes(whole)
    assert found.severity == "note"
    assert "Harmless" in found.text
