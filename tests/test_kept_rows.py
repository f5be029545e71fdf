"""Pairs of a release are read from its own files, in whatever form they lie there."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.base.model.release import Reconciliation
from reconcile.base.spreadsheet import csv_text, from_csv, to_csv
from reconcile.commands import storytelling
from reconcile.commands.verifying import verify
from reconcile.releases import kept_rows
from reconcile.reporting.render import tables
from reconcile.run import drawing
from tests import small
from tests.reporting import builder

_ENCODABLE = st.text(st.characters(codec="utf-8", exclude_characters="\0"))
_ODD = ("'=1+1", "=1+1", "''-x", "'", "@ \N{GREEK SMALL LETTER MU} | S-1")


@given(_ENCODABLE | st.sampled_from("=+-@").flatmap(lambda c: st.just(f"''{c}x")))
def test_a_text_comes_back_from_a_csv_cell_as_it_was(text: str) -> None:
    assert from_csv(csv_text(text)) == text


def _odd(csv_pairs: int) -> Reconciliation:
    r = builder.many(2, n=12)
    first, *others = r.results
    ids = [*_ODD, *first.pairs["sample_id"].tolist()[len(_ODD) :]]
    return replace(
        r,
        results=(replace(first, pairs=first.pairs.assign(sample_id=ids)), *others),
        csv_pairs=csv_pairs,
    )


def _written(r: Reconciliation, folder: Path) -> dict[str, Any]:
    files = tables.data_files(r)
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return {
        "release_id": r.release_id,
        "strata": {x.stratum.key: {} for x in r.results},
        "outputs": [
            {"name": name, "sha256": hashlib.sha256(content).hexdigest()}
            for name, content in files.items()
        ],
    }


def test_a_table_of_pairs_beyond_its_setting_is_packed_and_gives_the_same_csv() -> None:
    packed, plain = tables.data_files(_odd(23)), tables.data_files(_odd(24))
    assert kept_rows.CSV not in packed
    assert kept_rows.PACKED not in plain
    assert kept_rows.as_csv(packed[kept_rows.PACKED]) == plain[kept_rows.CSV]
    assert tables.pairs_csv(_odd(23)) == plain[kept_rows.CSV]
    assert tables.data_files(_odd(23)) == packed


def test_a_column_of_several_kinds_is_packed_as_texts() -> None:
    rows = [("a", 1), ("b", "some"), ("c", math.nan)]
    content = kept_rows.as_csv(kept_rows.packed(("name", "what"), rows))
    assert content == to_csv(("name", "what"), rows)


@pytest.mark.parametrize("csv_pairs", [0, 100])
def test_the_pairs_of_a_release_are_read_under_their_own_names(
    tmp_path: Path, csv_pairs: int
) -> None:
    r = _odd(csv_pairs)
    manifest = _written(r, tmp_path)
    wanted = {k: v for x in r.results for k, v in kept_rows.values_of(x.pairs).items()}
    assert kept_rows.kept_values(tmp_path, manifest) == wanted
    samples = {sample for _, sample, _ in kept_rows.each_pair(tmp_path, manifest)}
    assert set(_ODD) <= samples
    name = kept_rows.pairs_file(manifest)
    (tmp_path / name).write_bytes((tmp_path / name).read_bytes() + b"\n")
    with pytest.raises(ReconcileError, match=f"{name} of release"):
        kept_rows.kept_values(tmp_path, manifest)


def test_manifests_of_earlier_versions_list_pairs_themselves(tmp_path: Path) -> None:
    value = [1.0, 1.0, 2.0, None, "left out"]
    first = {"strata": {"Cu | a": {}}, "pairs": {"Cu | a | S-1": value}, "outputs": []}
    second = first | {
        "pair_samples": {"Cu | a": ["S-1"]},
        "superseded_results": [{"sample_id": "S-2", "element": "Cu", "why": "w", "link": "l"}],
    }
    wanted = [("Cu | a", "S-1", value)]
    assert list(kept_rows.each_pair(tmp_path, first)) == []
    assert list(kept_rows.each_pair(tmp_path, first, ["S-1", "S-3"])) == wanted
    assert list(kept_rows.each_pair(tmp_path, second)) == wanted
    for manifest in (first, second):
        assert kept_rows.kept_values(tmp_path, manifest) == {"Cu | a | S-1": value}
    assert kept_rows.superseded(tmp_path, second) == [("S-2", "Cu", "w", "l")]


def test_results_that_do_not_stand_are_read_from_the_table_of_exclusions(tmp_path: Path) -> None:
    rows = [
        ("lab result", "=S-2", "Cu", "", "issued again", "LC-1, row 3", ""),
        ("field row", "S-3", "", "", "another reason", "f.csv, row 4", ""),
    ]
    r = builder.many(1, n=12)
    r = replace(r, exclusions=pd.DataFrame(rows, columns=r.exclusions.columns))
    manifest = _written(r, tmp_path)
    found = kept_rows.superseded(tmp_path, manifest)
    assert found == [("=S-2", "Cu", "issued again", "LC-1, row 3")]


@pytest.mark.slow
def test_a_site_whose_pairs_are_packed_says_the_same_of_changes_and_samples(tmp_path: Path) -> None:
    said = {}
    for csv_pairs in (0, 20_000):
        site = small.build(tmp_path / f"site{csv_pairs}", samples=12)
        settings = site / "reconcile.toml"
        text = settings.read_text("utf-8")
        assert "[report]" in text
        settings.write_text(text.replace("[report]", f"[report]\ncsv_pairs = {csv_pairs}"), "utf-8")
        folder = reconcile.run_period(site, "2026-10").release_folder
        manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
        assert not {"pairs", "pair_samples", "superseded_results"} & set(manifest)
        head, row, *rest = (site / "lab.csv").read_text("utf-8").splitlines(keepends=True)
        sample, _, other = row.split(",", 2)
        (site / "lab.csv").write_text("".join([head, f"{sample},77,{other}", *rest]), "utf-8")
        again = reconcile.run_period(site, "2026-10")
        changes = [c for c in again.reconciliation.changes if c.what.startswith("pair")]
        assert changes
        sample = again.reconciliation.results[0].pairs["sample_id"].iloc[0]
        lines = [line.what for line in storytelling.story_of(site, sample).lines if line.release]
        assert lines
        drawn = drawing.draw(reconcile.load_workspace(site), "2026-10", "pairs")
        said[csv_pairs] = changes, lines, drawn.path.read_bytes()
        assert (folder / kept_rows.pairs_file(manifest)).is_file()
        assert not [f for f in verify(site).findings if f.severity == "serious"]
    assert said[0] == said[20_000]
