"""A site has a short name: it leads ids and tables, and without one everything stays as it was."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from reconcile.base.errors import ReconcileError
from reconcile.intake.workspace import load_workspace, settings_hash
from reconcile.judgement import factor_life
from reconcile.run.pipeline import run_period
from reconcile.store.database import Store
from tests import small, test_corrections

PERIOD = "2026-10"
pytestmark = pytest.mark.usefixtures("data_alone")


def of_site(folder: Path, *lines: str) -> Path:
    """The small site with these lines under ``[workspace]``."""
    small.build(folder)
    file = folder / "reconcile.toml"
    text = file.read_text("utf-8").replace("[workspace]\n", "\n".join(["[workspace]", *lines, ""]))
    file.write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def released(tmp_path_factory: pytest.TempPathFactory, data_alone: None) -> Path:
    folder = of_site(tmp_path_factory.mktemp("named") / "any", 'site = "north-pit"')
    return run_period(folder, PERIOD).release_folder


@pytest.mark.slow
def test_the_name_leads_the_ids_of_releases_and_factors(released: Path) -> None:
    manifest = json.loads((released / "manifest.json").read_text("utf-8"))
    assert manifest["site"] == "north-pit"
    assert manifest["release_id"].startswith(f"north-pit-{PERIOD}-r1-")
    lives, _ = factor_life.listed(released.parents[3])
    assert lives
    assert all(life.factor.factor_id.startswith("north-pit-Cu-") for life in lives)


def test_every_table_of_a_named_site_names_it(released: Path) -> None:
    tables = sorted(released.glob("*.csv"))
    assert len(tables) > 5
    for path in tables:
        rows = list(csv.DictReader(path.read_text("utf-8").splitlines()))
        assert {row["site"] for row in rows} <= {"north-pit"}, path.name
        assert path.read_text("utf-8").startswith("site,"), path.name


@pytest.mark.slow
def test_the_quarantine_of_a_named_site_takes_corrections(tmp_path: Path) -> None:
    folder = test_corrections.workspace(tmp_path / "s")
    file = folder / "reconcile.toml"
    text = file.read_text("utf-8").replace("[workspace]\n", '[workspace]\nsite = "north-pit"\n', 1)
    file.write_text(text, encoding="utf-8")
    lines = (run_period(folder, "p").release_folder / "quarantine.csv").read_text("utf-8")
    rows = [r for r in csv.DictReader(lines.splitlines()) if r["found"] == "2OO"]
    assert len(rows) == 1
    rows[0] |= {"corrected_value": "200", "corrected_by": "Ana", "corrected_because": "letters"}
    (folder / "corrections").mkdir()
    with (folder / "corrections" / "p.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    outcome = run_period(folder, "p")
    assert outcome.reconciliation.corrections["corrected_value"].tolist() == ["200"]
    assert not [f.text for f in outcome.reconciliation.findings if "orrection" in f.text]


@pytest.mark.slow
def test_without_a_name_ids_and_tables_are_as_they_were(tmp_path: Path) -> None:
    outcome = run_period(small.build(tmp_path / "Any Folder"), PERIOD)
    assert outcome.reconciliation.release_id.startswith(f"{PERIOD}-r1-")
    assert not (outcome.release_folder / "pairs.csv").read_text("utf-8").startswith("site")
    assert load_workspace(tmp_path / "Any Folder").slug == "any-folder"


@pytest.mark.parametrize("name", ["North", "a b", "-a", "a-", "a/b", "x" * 25])
def test_a_name_that_can_not_stand_in_an_id_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(ReconcileError, match="can't name a site"):
        load_workspace(of_site(tmp_path / "s", f'site = "{name}"'))


@pytest.mark.slow
def test_what_the_database_may_use_is_set_and_shapes_no_release(tmp_path: Path) -> None:
    plain = load_workspace(small.build(tmp_path / "plain"))
    site = small.build(tmp_path / "bound")
    with (site / "reconcile.toml").open("a", encoding="utf-8") as stream:
        stream.write('[engine]\nmemory_gb = 0.5\nthreads = 1\ntemp_folder = "spill"\n')
    bound = load_workspace(site)
    with Store(None, engine=bound.engine) as store:
        ((memory, threads, folder),) = store.connection.execute(
            "select current_setting('memory_limit'), current_setting('threads'), "
            "current_setting('temp_directory')"
        ).fetchall()
    assert (memory, threads, folder) == ("476.8 MiB", 1, str(site / "spill"))
    assert settings_hash(bound.settings) == settings_hash(plain.settings)
    ids = [
        run_period(w.folder, PERIOD).reconciliation.release_id for w in (plain, bound)
    ]  # fmt: skip
    assert ids[0] == ids[1]
