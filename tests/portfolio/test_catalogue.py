"""The catalogue: made from releases alone, whole or not listed, asked with DuckDB."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import duckdb
import pyarrow.fs as pafs
import pytest

from reconcile.base.errors import ReconcileError
from reconcile.portfolio import catalogue
from reconcile.portfolio.listed import Portfolio
from tests.portfolio.conftest import COUNT, MONTH

pytestmark = pytest.mark.slow


def at(released: Portfolio, address: str) -> Portfolio:
    settings = released.settings.model_copy(update={"catalogue": address})
    return replace(released, settings=settings)


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()
    }


@pytest.mark.slow
def test_one_statement_asks_all_sites(released: Portfolio, tmp_path: Path) -> None:
    held = catalogue.make(at(released, str(tmp_path)))
    assert (len(held.releases), held.removed, held.without) == (COUNT, 0, ())
    found = duckdb.sql(
        "select site, period, count(*), avg(value) from "
        f"read_parquet('{tmp_path}/statistics/**/*.parquet', hive_partitioning = true) "
        "where figure = 'geometric_mean_ratio' group by all order by site"
    ).fetchall()
    assert [row[:3] for row in found] == [(f"site-{n:02d}", MONTH, 2) for n in range(COUNT)]
    assert found[4][3] > 1.25
    assert {p.name for p in tmp_path.iterdir()} >= {"pairs", "verdicts", "factors"}


def test_made_again_from_releases_alone_it_is_the_same(released: Portfolio, tmp_path: Path) -> None:
    first = at(released, str(tmp_path / "a"))
    catalogue.make(first)
    before = files_of(tmp_path / "a")
    again = catalogue.make(first)
    assert (again.written, again.removed) == (0, 0)
    shutil.rmtree(tmp_path / "a")
    catalogue.make(first)
    assert files_of(tmp_path / "a") == before


def test_what_no_release_stands_behind_is_taken_away(released: Portfolio, tmp_path: Path) -> None:
    catalogue.make(at(released, str(tmp_path)))
    fewer = replace(at(released, str(tmp_path)), sites=released.sites[:-1])
    assert catalogue.make(fewer).removed > 5
    assert not list(tmp_path.glob(f"*/site=site-{COUNT - 1:02d}/**/*.parquet"))


def test_the_list_is_written_last_and_names_only_what_is_whole(
    released: Portfolio, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    really, left = catalogue._write, [5]

    def breaks(files: pafs.FileSystem, path: str, content: bytes) -> None:
        left[0] -= 1
        if not left[0]:
            raise OSError("the network is gone")
        really(files, path, content)

    monkeypatch.setattr(catalogue, "_write", breaks)
    with pytest.raises(ReconcileError, match="the network is gone"):
        catalogue.make(at(released, str(tmp_path)))
    assert not (tmp_path / catalogue.LIST).exists()
    monkeypatch.setattr(catalogue, "_write", really)
    held = catalogue.make(at(released, str(tmp_path)))
    listed = json.loads((tmp_path / catalogue.LIST).read_text("utf-8"))["releases"]
    assert [entry["release"] for entry in listed] == list(held.releases)
    assert all((tmp_path / place).is_file() for entry in listed for place in entry["files"])


def test_it_lies_on_other_storage_by_its_address(
    released: Portfolio, monkeypatch: pytest.MonkeyPatch
) -> None:
    storage = pafs._MockFileSystem()
    monkeypatch.setattr(catalogue, "_opened", lambda address, beside: (storage, "bucket/sites"))
    held = catalogue.make(at(released, "s3://bucket/sites"))
    assert held.written > COUNT
    listed = storage.open_input_stream(f"bucket/sites/{catalogue.LIST}").read()
    assert len(json.loads(listed)["releases"]) == COUNT


def test_a_place_that_can_not_be_written_is_told(released: Portfolio, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(ReconcileError, match="can't be written"):
        catalogue.make(at(released, str(tmp_path / "file")))
