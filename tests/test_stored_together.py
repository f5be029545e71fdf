"""Files are digested, stored and written down together, with the same answers as one by one."""

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from reconcile.base.settings.tables import TableSettings
from reconcile.intake.read import read_file
from reconcile.run.ahead import in_parts
from reconcile.store import contents
from reconcile.store.database import Store, StoredFile
from reconcile.store.statements import Sql

TEXTS = {
    "a.csv": "Sample,Cu ppm,Zn ppm\nS1,5,<7\nS2,0,\n",
    "b.csv": "Sample,Cu ppm,Zn ppm\nS3,6,8\n",
    "c.csv": "Sample,Site,PB ppm\nS4,x,>9\nS5,y,ND\n",
    "d.csv": "Sample,Cu ppm\nS6,<0\n",
}


def stored(store: Store, folder: Path, name: str) -> StoredFile:
    path = folder / name
    path.write_text(TEXTS[name], encoding="utf-8")
    table = TableSettings(kind="lab", files=("x",))
    return store.add(name, name, "", "lab", 1, read_file(path, name, table, zone="UTC"))


def test_digests_of_many_files_are_those_of_each_alone(tmp_path: Path) -> None:
    with Store(None) as store:
        numbers = [stored(store, tmp_path, name).file_id for name in TEXTS]
        each = {number: contents.digest_of(store, number) for number in numbers}
        assert contents.digests_of(store, numbers) == each
        assert len({*each.values()}) == len(TEXTS)
    alone = {}
    for number, name in zip(numbers, TEXTS, strict=True):
        with Store(None) as store:
            alone[number] = contents.digest_of(store, stored(store, tmp_path, name).file_id)
    assert alone == each


def test_many_files_are_digested_with_few_statements(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = 0
    rows: Callable[..., list[tuple[object, ...]]] = Store.rows

    def counted(*arguments: object) -> list[tuple[object, ...]]:
        nonlocal asked
        asked += 1
        return rows(*arguments)

    with Store(None) as store:
        numbers = []
        for number in range(12):
            TEXTS[f"{number}.csv"] = f"Sample,Cu ppm\nS{number},{number}\n"
            numbers.append(stored(store, tmp_path, f"{number}.csv").file_id)
            del TEXTS[f"{number}.csv"]
        monkeypatch.setattr(Store, "rows", counted)
        assert len({*contents.digests_of(store, numbers).values()}) == 12
    assert asked < 12


def test_of_files_in_one_transaction_all_stay_or_none(tmp_path: Path) -> None:
    with Store(tmp_path / "s.duckdb") as store:
        before = stored(store, tmp_path, "a.csv")
        with suppress(ZeroDivisionError), store.transaction():
            stored(store, tmp_path, "b.csv")
            stored(store, tmp_path, "c.csv")
            raise ZeroDivisionError
        assert store.rows(Sql("SELECT path FROM file")) == [("a.csv",)]
        assert store.find("a.csv", "a.csv", "") == before
        assert store.find("b.csv", "b.csv", "") is None
        assert store.keys("lab") == ["Cu", "Zn"]
        again = stored(store, tmp_path, "c.csv")
        assert store.find("c.csv", "c.csv", "") == again
        assert store.keys("lab") == ["Cu", "Zn", "Pb"]


def test_parts_keep_the_order_and_hold_no_more_than_they_may() -> None:
    parts = list(in_parts([3, 4, 9, 1, 1, 1], lambda size: size, 7))
    assert parts == [[3, 4], [9], [1, 1, 1]]
    assert list(in_parts([], lambda size: 1, 7)) == []
