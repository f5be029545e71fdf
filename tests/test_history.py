"""The past of a stratum: earlier months only, bound into the release, never into its own past."""

import json
from pathlib import Path

import pytest

import reconcile
from reconcile.releases import history, release
from tests import small

pytestmark = pytest.mark.usefixtures("data_alone")


def put(folder: Path, period: str, revision: int, **strata: float) -> None:
    """A manifest with the ratio of each stratum."""
    target = folder / period / f"r{revision}"
    target.mkdir(parents=True)
    manifest = {
        "release_id": f"{period}-r{revision}",
        "revision": revision,
        "strata": {
            key: {"used": 20, "ratio": ratio, "ratio_low": None, "verdict": "accepted"}
            for key, ratio in strata.items()
        },
    }
    (target / release.MANIFEST).write_text(json.dumps(manifest), encoding="utf-8")


def test_only_the_latest_release_of_each_earlier_month_counts_oldest_first(tmp_path: Path) -> None:
    put(tmp_path, "2026-09", 1, Cu=1.1)
    put(tmp_path, "2026-09", 2, Cu=1.2)
    put(tmp_path, "2025-12", 1, Cu=0.9)
    put(tmp_path, "2026-10", 1, Cu=5.0)
    put(tmp_path, "2026-11", 1, Cu=7.0)
    put(tmp_path, "published", 1, Cu=9.0)
    found = history.earlier_results(tmp_path, "2026-10")
    assert [(h.period, h.release_id, h.ratio) for h in found] == [
        ("2025-12", "2025-12-r1", 0.9),
        ("2026-09", "2026-09-r2", 1.2),
    ]
    assert all(h.low != h.low for h in found)
    assert history.earlier_results(tmp_path, "published") == ()
    assert history.earlier_results(tmp_path / "none", "2026-10") == ()


def test_the_mark_depends_on_the_earlier_releases_and_on_nothing_where_there_are_none(
    tmp_path: Path,
) -> None:
    assert history.bound("abc", ()) == "abc"
    put(tmp_path, "2026-09", 1, Cu=1.1)
    first = history.earlier_results(tmp_path, "2026-10")
    assert history.bound("abc", first) == history.bound("abc", first) != "abc"
    put(tmp_path, "2026-09", 2, Cu=1.1)
    second = history.earlier_results(tmp_path, "2026-10")
    assert history.bound("abc", second) != history.bound("abc", first)


@pytest.fixture
def two_months(tmp_path: Path) -> Path:
    """The small workspace, every row in every month, so that two periods can be run."""
    site = small.build(tmp_path / "site")
    settings = site / "reconcile.toml"
    text = settings.read_text(encoding="utf-8")
    text = text.replace("[workspace]\n", '[workspace]\nassign_rows_by = "nothing"\n', 1)
    settings.write_text(text, encoding="utf-8")
    return site


@pytest.mark.slow
def test_a_later_month_shows_the_earlier_and_a_new_issue_of_that_makes_a_revision_that_says_so(
    two_months: Path,
) -> None:
    first = reconcile.run_period(two_months, "2026-09")
    second = reconcile.run_period(two_months, "2026-10")
    assert first.reconciliation.history == ()
    past = second.reconciliation.history
    assert {h.period for h in past} == {"2026-09"}
    ratios = {
        r.stratum.key: r.statistics.bias.geometric_mean_ratio for r in first.reconciliation.results
    }
    for h in past:
        assert (h.ratio, h.low, h.high) == pytest.approx(
            (ratios[h.stratum].value, ratios[h.stratum].low, ratios[h.stratum].high)
        )
    assert not reconcile.run_period(two_months, "2026-10").new_release

    lab = two_months / "lab.csv"
    whole = lab.read_text(encoding="utf-8")
    lab.write_text(whole.rstrip("\n").rpartition("\n")[0] + "\n", encoding="utf-8")
    assert reconcile.run_period(two_months, "2026-09").reconciliation.revision == 2
    lab.write_text(whole, encoding="utf-8")
    again = reconcile.run_period(two_months, "2026-10")
    assert again.reconciliation.revision == 2
    change = next(c for c in again.reconciliation.changes if c.what == "release of 2026-09")
    assert change.before == first.reconciliation.release_id
    assert not reconcile.run_period(two_months, "2026-10").new_release
