"""A bias that moves between months is seen, told, and begins new evidence by a written rule."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import reconcile
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.months import Beginning, Watched
from reconcile.base.reasons import Exclusion
from reconcile.base.settings.whole import Settings
from reconcile.figures import evaluation, laboratory_error
from reconcile.figures.over_months import MONTH, month_effects, on_scale, over_months
from reconcile.figures.watching import begins, findings, watched
from reconcile.intake import workspace as ws
from reconcile.reporting import evidence as sentences
from reconcile.run import pipeline
from reconcile.store.database import Store
from tests import months
from tests.pairs import STRATUM, pairs, settings

pytestmark = pytest.mark.usefixtures("data_alone")

NAMES = tuple(f"2026-{i:02d}" for i in range(5, 11))
STEPPED = dict(zip(NAMES, [0.0] * 4 + [0.6] * 2, strict=True))


def table(biases: list[float], n: int = 12, rsd: float = 0.05, seed: int = 4) -> pd.DataFrame:
    """Pairs of several months, each with a bias of its own (a fraction)."""
    rng = np.random.default_rng(seed)
    true = np.exp(rng.uniform(np.log(50), np.log(800), len(biases) * n))
    field = true * (1 + np.repeat(biases, n)) * np.exp(rng.normal(0, rsd, true.size))
    month = np.repeat([f"2026-{i + 1:02d}" for i in range(len(biases))], n)
    return pairs(true * np.exp(rng.normal(0, 0.01, true.size)), field).assign(**{MONTH: month})


def with_evidence(**values: object) -> Settings:
    plain = settings()
    return plain.model_copy(update={"evidence": plain.evidence.model_copy(update=values)})


def seen(biases: list[float], config: Settings | None = None) -> Watched:
    found = watched(STRATUM, table(biases), config or settings())
    assert found is not None
    return found


# ---- what the pairs of several months say ------------------------------------------------


def test_a_step_is_seen_with_its_month_and_size() -> None:
    found = seen([0.0] * 6 + [0.25])
    (moved,) = found.moved
    assert (moved.change, moved.first, moved.seen) == ("step", "2026-07", "2026-07")
    assert moved.size.low < 0.25 < moved.size.high
    assert begins(found) == "2026-07"


def test_months_that_agree_show_no_step_and_say_how_far_they_are_from_one() -> None:
    found = seen([0.01, -0.01, 0.0, 0.01, 0.0])
    assert found.moved == ()
    assert begins(found) == ""
    assert 0 <= found.distance < found.limit
    assert found.chart is not None
    assert not found.chart.beyond
    assert (
        sentences.watched_text(found) == "No step or drift of the bias between 5 months is shown."
    )


def effects(together: float, till: int = 5) -> np.ndarray:
    """Design effects of ``till`` of five months, twelve pairs each in holes of four."""
    made = table([0.0] * 5)
    hole = np.arange(60) // 4
    shared = np.random.default_rng(8).normal(0, together, 15)[hole]
    made = made.assign(
        field_mean=made["field_mean"] * np.exp(shared), group=[f"hole {h}" for h in hole]
    ).iloc[: 12 * till]
    on = on_scale(STRATUM, made, True, settings())
    return month_effects(on, made, settings())


def test_pairs_of_one_hole_make_a_month_known_less_well() -> None:
    assert np.all(effects(0.3) > 2)
    assert np.all(effects(0.3) <= 4)  # no more than the pairs of a hole say again
    assert np.all(effects(0.0) < 2)
    made = table([0.0] * 5)
    assert np.all(month_effects(on_scale(STRATUM, made, True, settings()), made, settings()) == 1)


def test_later_months_do_not_change_what_an_earlier_one_said_of_its_holes() -> None:
    assert effects(0.3)[:3].tolist() == effects(0.3, till=3).tolist()


def test_the_order_of_the_rows_does_not_matter() -> None:
    whole = table([0.0] * 6 + [0.25])
    mixed = whole.sample(frac=1, random_state=1).reset_index(drop=True)
    one, other = (watched(STRATUM, t, settings()) for t in (whole, mixed))
    assert one is not None
    assert other is not None
    assert other.moved[0].first == one.moved[0].first
    assert other.moved[0].distance == pytest.approx(one.moved[0].distance)


def test_the_settings_may_keep_earlier_months_and_the_sentence_says_so() -> None:
    found = seen([0.0] * 6 + [0.25], with_evidence(after_change="keep"))
    assert found.moved
    assert begins(found) == ""
    assert "count all the same, by the settings" in sentences.watched_text(found)
    assert "only the months from 2026-07 on count" in sentences.watched_text(
        seen([0.0] * 6 + [0.25])
    )


def test_a_change_is_a_finding_of_the_month_that_signalled_it_alone() -> None:
    found = seen([0.0] * 6 + [0.25, 0.25])
    (told,) = [f for f in findings(STRATUM, found, "2026-07") if f.code is FindingCode.BIAS_MOVED]
    assert "2026-07" in told.text
    assert told.strata == (STRATUM.key,)
    later = findings(STRATUM, found, "2026-08")
    assert FindingCode.BIAS_MOVED not in {f.code for f in later}


def test_small_shifts_that_add_up_are_a_note() -> None:
    low = with_evidence(cusum_h=1.5)
    found = seen([0.0, 0.01, 0.0, -0.01, 0.0, 0.01, 0.04, 0.04], low)
    assert found.chart is not None
    assert found.chart.beyond
    codes = [f.code for f in findings(STRATUM, found, "2026-08")]
    assert FindingCode.MONTH_BEYOND_CHART in codes


def test_a_change_before_the_evidence_is_past() -> None:
    found = seen([0.0] * 6 + [0.25] * 6)
    assert "2026-07" in sentences.watched_text(found, "2026-07")
    assert "2026-07" not in sentences.watched_text(found, "2026-08")


# ---- pairs known by a limit --------------------------------------------------------------


def below(whole: pd.DataFrame, limit: float) -> pd.DataFrame:
    """The same where the field can't read below ``limit`` (mg/kg)."""
    low = whole["field_mean"] < limit
    return whole.assign(
        field_low=whole["field_low"].where(~low, 0.0),
        field_high=whole["field_high"].where(~low, limit),
        field_mean=whole["field_mean"].where(~low),
        field_qualifier=whole["field_qualifier"].where(~low, "<"),
        used=~low, reason_code=whole["reason_code"].where(~low, Exclusion.FIELD_OUTSIDE_LIMITS),
    )  # fmt: skip


def test_pairs_known_by_a_limit_enter_the_bias_over_months() -> None:
    whole = table([0.0, 0.0, 0.0], n=30, rsd=0.2)
    cut = below(whole, 120.0)
    evaluated = evaluation.evaluate(STRATUM, cut, None, settings(), shown=False)
    kept = over_months(STRATUM, evaluated, settings())
    alone = over_months(
        STRATUM,
        evaluation.evaluate(
            STRATUM, cut.loc[cut["used"]].reset_index(drop=True), None, settings(), shown=False
        ),
        settings(),
    )
    every = over_months(
        STRATUM, evaluation.evaluate(STRATUM, whole, None, settings(), shown=False), settings()
    )
    assert kept.limited == int((~cut["used"]).sum()) > 5
    assert kept.model.n == 90
    near = abs(kept.model.long_run.value - every.model.long_run.value)
    assert near < abs(alone.model.long_run.value - every.model.long_run.value)


def test_limits_that_are_most_of_the_pairs_do_not_enter_the_bias_over_months() -> None:
    # of a field that hardly reads anything the few numbers just above its limit say nothing
    whole = table([0.0, 0.0, 0.0], n=30, rsd=0.2)
    cut = below(whole, 500.0)
    assert cut["used"].mean() < 0.5
    evaluated = evaluation.evaluate(STRATUM, cut, None, settings(), shown=False)
    found = over_months(STRATUM, evaluated, settings())
    assert found.limited == 0
    assert found.model.n == int(cut["used"].sum())
    lenient = settings(censored_share=0.95)
    assert over_months(STRATUM, evaluated, lenient).limited == int((~cut["used"]).sum())


def test_a_sample_read_more_often_weighs_more() -> None:
    t = table([0.0, 0.0, 0.0], rsd=0.01)
    often = t.assign(field_spots=np.where(np.arange(len(t)) == 0, 30, 3))
    off = t["field_mean"].where(np.arange(len(t)) != 0, t["field_mean"] * 1.3)
    biases = []
    for one in (t, often):
        moved = one.assign(field_mean=off, field_low=off, field_high=off, field_se=0.06 * off)
        evaluated = evaluation.evaluate(STRATUM, moved, None, settings(), shown=False)
        biases.append(over_months(STRATUM, evaluated, settings()).model.by_month[0].raw.value)
    assert biases[1] > biases[0]


def test_a_sample_that_the_laboratory_measured_more_often_weighs_more() -> None:
    rng = np.random.default_rng(2)
    level = np.full(20, 200.0)
    error = laboratory_error.LabError(
        0.2**2, 20.0, "20 pairs", tuple(level), tuple(rng.normal(size=20))
    )
    t = table([0.0, 0.0, 0.0], rsd=0.01).assign(field_se=np.nan)
    first = np.arange(len(t)) == 0
    t = t.assign(lab_mean=t["lab_mean"].where(~first, t["lab_mean"] / 1.3))
    biases = []
    for often in (1, 16):
        measured = t.assign(lab_n=np.where(first, often, 1))
        found = evaluation.evaluate(STRATUM, measured, error, settings(), shown=False)
        biases.append(over_months(STRATUM, found, settings()).model.by_month[0].raw.value)
    assert biases[1] > biases[0]


def test_the_charts_are_said_with_their_run_lengths() -> None:
    said = sentences.chart_text(seen([0.01, -0.01, 0.0, 0.01, 0.0]))
    assert "since 2026-01" in said
    assert "limit 5.2 (a false alarm in " in said


# ---- from released months ------------------------------------------------------------------


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five released months, the last with a step, and a sixth to be run."""
    site = months.build(tmp_path_factory.mktemp("moved") / "site", STEPPED, samples=10)
    for period in NAMES[:-1]:
        reconcile.run_period(site, period)
    return site


@pytest.fixture
def site(template: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(template, tmp_path / "site"))


def gathered(site: Path, period: str) -> pipeline.Run:
    workspace = ws.load_workspace(site)
    with Store(workspace.store_file) as store:
        run = pipeline.begin(workspace, period, store)
        for name, step in pipeline.STEPS:
            run = step(run)
            if name == "gather evidence":
                break
    return run


@pytest.mark.slow
def test_after_a_step_the_evidence_begins_with_its_month(site: Path) -> None:
    run = gathered(site, NAMES[-1])
    (found,) = run.gathered.values()
    assert [period for period, _ in found.months] == list(NAMES[-2:])
    assert found.begun.why is Beginning.MOVED
    assert found.begun.what == NAMES[-2]
    assert found.evaluated.statistics.n_used == 2 * 10
    # every month that was looked at is bound
    assert [m.period for m in run.earlier] == list(NAMES[:-1])


@pytest.mark.slow
def test_the_month_that_shows_the_step_is_judged_alone_and_names_it(site: Path) -> None:
    run = gathered(site, NAMES[-2])
    (found,) = run.gathered.values()
    assert found.months == ((NAMES[-2], ""),)
    assert FindingCode.BIAS_MOVED in {f.code for f in run.findings}


@pytest.mark.slow
def test_twice_as_many_months_are_looked_through_as_may_count(site: Path) -> None:
    path = site / "reconcile.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[evidence]\n", "[evidence]\nmonths_back = 2\n"), encoding="utf-8")
    run = gathered(site, NAMES[-1])
    assert [m.period for m in run.earlier] == list(NAMES[1:-1])
    (found,) = run.gathered.values()
    assert found.watched is not None
    assert found.watched.months == 5
    assert {period for period, _ in found.months} <= set(NAMES[-3:])


@pytest.mark.slow
def test_kept_months_all_count_and_the_change_is_told(site: Path) -> None:
    path = site / "reconcile.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(
        text.replace("[evidence]\n", '[evidence]\nafter_change = "keep"\n'), encoding="utf-8"
    )
    (found,) = gathered(site, NAMES[-1]).gathered.values()
    assert len(found.months) == 6
    assert found.begun.why is Beginning.ALL
    assert found.watched is not None
    assert found.watched.moved


@pytest.mark.slow
def test_every_file_says_what_was_seen(site: Path) -> None:
    outcome = reconcile.run_period(site, NAMES[-1])
    (result,) = outcome.reconciliation.results
    e = result.evidence
    assert e is not None
    assert e.watched is not None
    assert sentences.lines_of(result)[-1] == sentences.watched_text(e.watched, NAMES[-2])
    folder = outcome.release_folder
    rows = list(csv.DictReader(io.StringIO((folder / "evidence.csv").read_text("utf-8"))))
    (step,) = [row for row in rows if row["what"] == "step between months"]
    assert step["period"] == NAMES[-2]
    assert float(step["value"]) == e.watched.moved[0].size.value
    assert {row["unit"] for row in rows if row["what"].startswith("CUSUM")} == {"SD"}
    assert {row["begun"] for row in rows} == {"bias moved"}
    (stratum,) = json.loads((folder / "statistics.json").read_text("utf-8"))["strata"]
    assert stratum["evidence"]["watched"]["moved"][0]["first"] == NAMES[-2]


@pytest.mark.slow
def test_the_order_in_which_months_are_run_does_not_change_what_is_seen(
    site: Path, tmp_path: Path
) -> None:
    other = months.build(tmp_path / "other", STEPPED, samples=10)
    for period in (*NAMES[3:-1], *NAMES[:3], *NAMES[3:-1]):
        reconcile.run_period(other, period)
    (one,), (two,) = (gathered(s, NAMES[-1]).gathered.values() for s in (site, other))
    assert one.watched == two.watched
    pd.testing.assert_frame_equal(one.evaluated.pairs, two.evaluated.pairs)
