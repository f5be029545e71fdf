"""Months are gathered from released tables: nothing twice, bound by digest, in any order."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

import reconcile
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.further import Further
from reconcile.base.model.months import Beginning
from reconcile.figures import evaluation
from reconcile.figures.gathered import Gathered
from reconcile.figures.over_months import MONTH
from reconcile.intake import workspace as ws
from reconcile.judgement import factor_proposal, verdicts
from reconcile.pairs import earlier
from reconcile.run import pipeline
from reconcile.store.database import Store
from tests import months

pytestmark = pytest.mark.usefixtures("data_alone")

MONTHS = ("2026-07", "2026-08", "2026-09", "2026-10")
BIASES = dict.fromkeys(MONTHS, 0.02)


def gathered(site: Path, period: str) -> tuple[Gathered, pipeline.Run]:
    """The evidence of the one stratum as a run of the period sees it, before any verdict."""
    workspace = ws.load_workspace(site)
    with Store(workspace.store_file) as store:
        run = pipeline.begin(workspace, period, store)
        for name, step in pipeline.STEPS:
            run = step(run)
            if name == "gather evidence":
                break
    (found,) = run.gathered.values()
    return found, run


def released(site: Path, *periods: str) -> None:
    for period in periods:
        reconcile.run_period(site, period)


def codes(run: pipeline.Run) -> set[str]:
    return {f.code for f in run.findings}


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three released months and a fourth to be run."""
    site = months.build(tmp_path_factory.mktemp("months") / "site", BIASES)
    released(site, *MONTHS[:3])
    return site


@pytest.fixture
def site(template: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(template, tmp_path / "site"))


def with_evidence(site: Path, text: str) -> None:
    path = site / "reconcile.toml"
    settings = path.read_text(encoding="utf-8")
    path.write_text(settings.replace("[evidence]\n", f"[evidence]\n{text}\n"), encoding="utf-8")


@pytest.mark.slow
def test_the_evidence_is_this_month_and_the_released_ones_before_it(site: Path) -> None:
    found, run = gathered(site, "2026-10")
    assert [period for period, _ in found.months] == list(MONTHS)
    assert all(release_id for _, release_id in found.months[:3])
    assert found.months[3][1] == ""
    assert found.evaluated.statistics.n_used == 4 * 14
    assert run.evaluated[0][1].statistics.n_used == 14
    assert found.begun.why is Beginning.ALL


@pytest.mark.slow
def test_pairs_come_back_from_a_release_as_they_were(site: Path) -> None:
    found, _ = gathered(site, "2026-10")
    again = found.evaluated.pairs.loc[found.evaluated.pairs[MONTH].eq("2026-09")]
    _, run = gathered(site, "2026-09")
    before = run.evaluated[0][1].pairs
    for name in (*earlier.NUMBERS, "sample_id", "used", "reason_code", "custody", "group"):
        assert again[name].tolist() == pytest.approx(before[name].tolist(), nan_ok=True) or (
            again[name].tolist() == before[name].tolist()
        )
    assert again["field_time"].tolist() == pd.to_datetime(before["field_time"], utc=True).tolist()


@pytest.mark.slow
def test_the_manifest_binds_each_month_by_release_and_digest(site: Path) -> None:
    released(site, "2026-10")
    folder = site / "out" / "releases" / "2026-10" / "r1"
    bound = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["evidence"]
    assert [b["period"] for b in bound] == list(MONTHS[:3])
    for b in bound:
        of_month = site / "out" / "releases" / b["period"] / "r1" / "pairs.csv"
        assert b["pairs_sha256"] == ws.sha256_of(of_month)
        assert b["pairs"] == 14


@pytest.mark.slow
def test_a_sample_read_in_two_months_counts_once_and_in_the_later(site: Path) -> None:
    field = site / "field_2026-10.csv"
    text = field.read_text(encoding="utf-8")
    lines = text + "2026-09-03,1,2026-10-05 04:00,soil 1,300\n"
    field.write_text(lines, encoding="utf-8")
    found, _ = gathered(site, "2026-10")
    pairs = found.evaluated.pairs
    assert pairs["sample_id"].is_unique
    assert pairs.loc[pairs["sample_id"].eq("2026-09-03"), MONTH].tolist() == ["2026-10"]
    assert found.again == 1


@pytest.mark.slow
def test_where_the_later_reading_is_not_used_the_earlier_pair_stays(site: Path) -> None:
    (site / "field_2026-10.csv").write_text(
        (site / "field_2026-10.csv").read_text(encoding="utf-8")
        + "2026-09-03,1,2026-10-05 04:00,soil 1,<5\n",
        encoding="utf-8",
    )
    found, _ = gathered(site, "2026-10")
    pairs = found.evaluated.pairs
    (row,) = pairs.loc[pairs["sample_id"].eq("2026-09-03")].itertuples()
    assert row.used
    assert getattr(row, MONTH) == "2026-09"


@pytest.mark.slow
def test_a_certificate_that_comes_late_counts_in_the_month_of_its_reading(
    tmp_path: Path,
) -> None:
    site = months.build(tmp_path / "site", dict.fromkeys(MONTHS[:2], 0.0))
    late = site / "lab_2026-07.csv"
    whole = late.read_text(encoding="utf-8")
    late.write_text("\n".join(whole.splitlines()[:10]) + "\n", encoding="utf-8")
    released(site, "2026-07", "2026-08")
    late.write_text(whole, encoding="utf-8")
    found, _ = gathered(site, "2026-08")
    assert found.evaluated.statistics.n_used == 9 + 14
    released(site, "2026-07")
    found, _ = gathered(site, "2026-08")
    assert found.evaluated.statistics.n_used == 14 + 14
    assert reconcile.run_period(site, "2026-08").reconciliation.revision == 2


@pytest.mark.slow
def test_the_order_in_which_months_are_run_does_not_matter_once_all_are_released(
    template: Path, tmp_path: Path
) -> None:
    other = months.build(tmp_path / "site", BIASES)
    released(other, "2026-09", "2026-07", "2026-08", "2026-09")
    one, _ = gathered(Path(shutil.copytree(template, tmp_path / "same")), "2026-10")
    two, _ = gathered(other, "2026-10")
    pd.testing.assert_frame_equal(one.evaluated.pairs, two.evaluated.pairs)
    assert one.evaluated.statistics == two.evaluated.statistics


@pytest.mark.slow
def test_an_earlier_release_that_is_gone_is_told_and_makes_a_new_revision(site: Path) -> None:
    released(site, "2026-10")
    shutil.rmtree(site / "out" / "releases" / "2026-08")
    outcome = reconcile.run_period(site, "2026-10")
    assert outcome.reconciliation.revision == 2
    told = [
        f for f in outcome.reconciliation.findings if f.code is FindingCode.EARLIER_RELEASE_GONE
    ]
    assert [f.subject for f in told] == ["2026-08, revision 1"]


@pytest.mark.slow
def test_an_altered_table_of_pairs_is_told_and_does_not_count(site: Path) -> None:
    table = site / "out" / "releases" / "2026-08" / "r1" / "pairs.csv"
    table.write_bytes(table.read_bytes().replace(b"2026-08-02", b"2026-08-99"))
    found, run = gathered(site, "2026-10")
    assert [period for period, _ in found.months] == ["2026-07", "2026-09", "2026-10"]
    assert FindingCode.EARLIER_RELEASE_ALTERED in codes(run)


@pytest.mark.slow
def test_the_settings_say_how_many_months_back_and_not_before_which_day(site: Path) -> None:
    with_evidence(site, "months_back = 2")
    found, _ = gathered(site, "2026-10")
    assert [period for period, _ in found.months] == list(MONTHS[1:])
    assert found.begun.why is Beginning.WINDOW
    with_evidence(site, 'not_before = "2026-09-15"')
    found, _ = gathered(site, "2026-10")
    assert [period for period, _ in found.months] == ["2026-09", "2026-10"]
    assert found.begun.why is Beginning.NOT_BEFORE


def test_gathering_can_be_switched_off(site: Path) -> None:
    with_evidence(site, "gather = false")
    found, run = gathered(site, "2026-10")
    assert found.months == (("2026-10", ""),)
    assert found.begun.why is Beginning.ALONE
    assert run.earlier == ()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("instrument", "first"), [("X1", "2026-09"), ("", "2026-09"), ("another", "2026-07")]
)
def test_an_event_of_the_instrument_begins_new_evidence_and_is_named(
    site: Path, instrument: str, first: str
) -> None:
    event = f'begins = [{{ on = 2026-09-04, what = "tube replaced", instrument = "{instrument}" }}]'
    with_evidence(site, event)
    found, _ = gathered(site, "2026-10")
    assert found.months[0][0] == first
    if first == "2026-09":
        assert found.begun.why is Beginning.EVENT
        assert "tube replaced" in found.begun.what


@pytest.mark.slow
def test_a_new_calibration_begins_new_evidence_and_what_differs_is_named(tmp_path: Path) -> None:
    site = months.build(
        tmp_path / "site", dict.fromkeys(MONTHS[:3], 0.0), calibration={"2026-09": "soil 2"}
    )
    released(site, "2026-07", "2026-08")
    found, _ = gathered(site, "2026-09")
    assert found.months == (("2026-09", ""),)
    assert found.begun.why is Beginning.OTHER_KEY
    assert found.begun.last == "2026-08"
    assert found.begun.differing == ("field_method",)


@pytest.mark.slow
def test_where_every_row_belongs_to_every_month_nothing_is_added(tmp_path: Path) -> None:
    site = months.build(tmp_path / "site", {"2026-07": 0.0})
    path = site / "reconcile.toml"
    text = path.read_text(encoding="utf-8").replace("field_{period}", "field_2026-07")
    text = text.replace("[workspace]\n", '[workspace]\nassign_rows_by = "nothing"\n', 1)
    path.write_text(text, encoding="utf-8")
    released(site, "2026-07")
    found, _ = gathered(site, "2026-08")
    assert found.months == (("2026-08", ""),)
    assert found.evaluated.statistics.n_used == 14


@pytest.mark.slow
def test_a_decision_takes_the_same_from_an_evaluation_that_leaves_out_what_is_only_shown(
    site: Path,
) -> None:
    found, run = gathered(site, "2026-10")
    ((stratum, _),) = run.evaluated
    settings = run.workspace.settings
    whole, lean = (
        evaluation.evaluate(stratum, found.evaluated.pairs, None, settings, shown=shown)
        for shown in (True, False)
    )
    level = whole.statistics.further.get(Further.QUALITY_LEVEL)
    assert lean.statistics.further.get(Further.QUALITY_LEVEL) == level
    proposals = [factor_proposal.propose(stratum, e, settings, None) for e in (whole, lean)]
    judged = [
        verdicts.judge(stratum, e, p, settings, None, "")
        for e, p in zip((whole, lean), proposals, strict=True)
    ]
    assert proposals[0].factor == proposals[1].factor
    assert repr(judged[0]) == repr(judged[1])
