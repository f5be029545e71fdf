"""The simulator of truths: what is drawn is what was said, and 'wrong' is told from the truth."""

from __future__ import annotations

import math
import random
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from reconcile import cli
from reconcile.base.model.tables import PAIR_COLUMNS
from reconcile.base.model.verdict import DECISIONS
from reconcile.commands import trying
from reconcile.commands.options import FINDINGS
from reconcile.figures import laboratory_error
from reconcile.reporting.plots import svg
from reconcile.reporting.plots.characteristics import characteristics
from reconcile.trials import as_read, counted, trial
from reconcile.trials.studies import STRATUM, draw
from reconcile.trials.trial import Characteristic, Outcome
from reconcile.trials.truths import TRUTHS, UP, Truth
from reconcile.trials.wrong import Agreed, Wrong, wrong

AGREED = Agreed(margin=0.10, span=0.40, missed=0.05, false_alarm=0.05, grey=0.20)
PLAIN = Truth("plain")


def test_the_same_seed_gives_the_same_study_and_another_seed_another() -> None:
    first, again, other = (draw(PLAIN, 30, seed).pairs for seed in (1, 1, 2))
    assert first.equals(again)
    assert not np.array_equal(first["field_mean"], other["field_mean"])


def test_a_study_is_a_whole_pair_table() -> None:
    study = draw(PLAIN, 30, 1)
    assert set(study.pairs.columns) == {*PAIR_COLUMNS, "element"}
    errors = laboratory_error.lab_errors(study.duplicates, trial.settings_of(PLAIN).errors)
    error = laboratory_error.lab_error_of(errors, STRATUM)
    assert error is not None
    assert error.degrees_of_freedom == 20


def test_drawn_ratios_have_the_mean_and_the_sd_of_the_truth() -> None:
    truth = replace(PLAIN, ratio=1.2, between=0.15)
    pairs = draw(truth, 20_000, 3).pairs
    log = np.log(pairs["field_mean"] / pairs["lab_mean"])
    sd = math.sqrt(0.08**2 + 0.15**2 + 0.02**2)
    assert log.mean() == pytest.approx(math.log(1.2), abs=4 * sd / math.sqrt(20_000))
    assert log.std() == pytest.approx(sd, rel=0.02)


def test_replicates_show_the_repeatability_and_not_what_lies_between_spots_and_split() -> None:
    pairs = draw(replace(PLAIN, between=0.30), 5_000, 3).pairs
    relative = pairs["field_se"] / pairs["field_mean"]
    assert math.sqrt(float(np.mean(relative**2))) == pytest.approx(0.08, rel=0.03)


def test_duplicates_show_the_laboratory_s_error() -> None:
    study = draw(replace(PLAIN, lab_rsd=0.05, duplicates=4_000), 4_000, 3)
    (error,) = laboratory_error.lab_errors(
        study.duplicates, trial.settings_of(PLAIN).errors
    ).values()
    assert math.sqrt(error.relative_variance) == pytest.approx(0.05, rel=0.04)


@pytest.mark.parametrize("share", [0.2, 0.4])
def test_the_stated_share_lies_below_the_field_limit(share: float) -> None:
    pairs = draw(replace(PLAIN, censored=share), 4_000, 3).pairs
    below = pairs["field_qualifier"].eq("<")
    assert below.mean() == pytest.approx(share, abs=0.02)
    assert not pairs.loc[below, "used"].any()
    assert pairs.loc[below, "field_mean"].isna().all()


def test_names_of_truths_are_told_apart() -> None:
    assert len({truth.name for truth in TRUTHS}) == len(TRUTHS)


# ---- wrong, by hand -----------------------------------------------------------------------


def test_an_unbiased_method_of_eight_percent_is_never_wrongly_accepted() -> None:
    # by hand: limits a factor exp(1.96·√(0.08² + 0.02²)) = 1.175; at 240 a value below 200 needs
    # −0.182 or less, 2.28 SD: 1.1 %
    assert wrong(PLAIN, AGREED, 50, 800) == Wrong(False, False, False, False)


@pytest.mark.parametrize(("ratio", "beyond"), [(1.099, False), (1.101, True), (0.9095, False),
                                              (0.9085, True)])  # fmt: skip
def test_a_ratio_is_wrong_from_the_margin_on(ratio: float, beyond: bool) -> None:
    # 1/1.10 = 0.9091
    assert wrong(replace(PLAIN, ratio=ratio), AGREED, 50, 800).bias is beyond


def test_a_constant_is_wrong_only_where_the_range_reaches_down_to_it() -> None:
    # + 10 mg/kg is 10 % of 100 mg/kg
    truth = replace(PLAIN, offset=10.0)
    assert wrong(truth, AGREED, 99, 800).bias
    assert not wrong(truth, AGREED, 101, 800).bias


def test_a_step_in_level_is_wrong_only_where_the_range_reaches_it() -> None:
    truth = replace(PLAIN, above=1.12)
    assert not wrong(truth, AGREED, 50, 199).bias
    assert wrong(truth, AGREED, 50, 200).bias


def test_a_step_in_time_is_judged_as_it_will_stay() -> None:
    assert wrong(replace(PLAIN, later=1.15), AGREED, 50, 800).bias
    assert not wrong(replace(PLAIN, later=1.05), AGREED, 50, 800).bias


def test_a_power_law_is_wrong_where_its_curve_passes_the_margin() -> None:
    # (t/200)^0.1 = 1.10 at t = 200·1.1^10 = 518.7
    truth = replace(PLAIN, power=1.1)
    assert not wrong(truth, AGREED, 100, 518).bias
    assert wrong(truth, AGREED, 100, 519.5).bias


@pytest.mark.parametrize(("between", "beyond"), [(0.148, False), (0.152, True)])
def test_spread_is_wrong_from_the_agreed_factor_on(between: float, beyond: bool) -> None:
    # ln(1.40)/1.96 = 0.1717; √(0.1717² − 0.08² − 0.02²) = 0.1506
    truth = replace(PLAIN, between=between, level=0.0)
    assert wrong(truth, AGREED, 50, 800).spread is beyond


def test_misses_and_false_alarms_are_wrong_from_the_agreed_probability_on() -> None:
    # 5 % is 1.645 SD: ln(1.2)/1.645 = 0.1108 above, −ln(0.8)/1.645 = 0.1357 below
    calls = [wrong(replace(PLAIN, rsd=rsd), AGREED, 50, 800) for rsd in (0.109, 0.113, 0.139)]
    assert [(w.missed, w.false_alarm) for w in calls] == [
        (False, False), (True, False), (True, True),
    ]  # fmt: skip


def test_an_error_that_is_the_same_at_every_level_counts_at_the_level() -> None:
    # RSD 3 % and 8 mg/kg at 84: √(2.52² + 8²) = 8.4; (84 − 70)/8.4 = 1.67 SD: 4.8 %; with
    # 8.6 mg/kg 14/8.96 = 1.56 SD: 5.9 %
    truth = replace(PLAIN, rsd=0.03, noise=8.0, level=70.0)
    assert not wrong(truth, AGREED, 60, 800).missed
    assert wrong(replace(truth, noise=8.6), AGREED, 60, 800).missed


def test_calls_do_not_count_where_the_edge_lies_outside_the_accepted_range() -> None:
    truth = replace(PLAIN, rsd=0.20)
    assert wrong(truth, AGREED, 50, 230).missed is False
    assert wrong(truth, AGREED, 170, 800).false_alarm is False


def test_a_right_correction_makes_an_acceptance_right_and_a_false_one_wrong() -> None:
    assert not wrong(replace(PLAIN, ratio=1.3), AGREED, 50, 800, lambda y: y / 1.3).any
    assert wrong(PLAIN, AGREED, 50, 800, lambda y: y / 1.3).bias


def test_values_that_a_factor_leaves_alone_count_for_nothing() -> None:
    truth = replace(PLAIN, ratio=1.3)

    def correct(y: np.ndarray) -> np.ndarray:
        return np.where(y >= 130, y / 1.3, np.nan)

    assert not wrong(truth, AGREED, 50, 800, correct).any


def test_below_the_field_limit_nothing_is_accepted() -> None:
    truth = replace(PLAIN, offset=10.0, censored=0.30)  # the limit lies at 115 mg/kg
    assert truth.limit == pytest.approx(50 * 16**0.3)
    assert not wrong(truth, AGREED, 50, 800).bias


def test_the_spread_of_outliers_is_that_of_their_mixture() -> None:
    # the middle 95 % of 0.95·N(0, 0.0825²) + 0.05·N(0, 0.0825² + 0.8²), solved apart
    from reconcile.trials.wrong import _half_width, as_read

    inner, outer = math.hypot(0.08, 0.02), math.sqrt(0.08**2 + 0.02**2 + 0.8**2)
    z = np.linspace(0.05, 1.0, 200_001)
    beyond = 0.95 * stats.norm.sf(z / inner) + 0.05 * stats.norm.sf(z / outer)
    half = math.expm1(z[np.argmin(np.abs(beyond - 0.025))])
    found = _half_width(replace(PLAIN, outliers=0.05), 50, 800, as_read)
    assert found == pytest.approx(half, rel=0.03)


# ---- the sum and the picture --------------------------------------------------------------

RIGHT, WRONG = Wrong(False, False, False, False), Wrong(True, False, True, False)


def outcomes() -> list[Outcome]:
    accepted, corrected, laboratory, _ = DECISIONS
    return [
        Outcome(accepted, "none", 50, 800, RIGHT),
        Outcome(corrected, "ratio", 50, 800, WRONG),
        Outcome(laboratory, "", math.nan, math.nan, None),
        Outcome(laboratory, "", math.nan, math.nan, None),
    ]


def test_counts_of_studies_are_summed_by_what_was_wrong() -> None:
    row = trial.summed("plain", 40, outcomes())
    assert (row.studies, row.accepted, row.wrongly) == (4, 2, 1)
    assert (row.bias, row.spread, row.missed, row.false_alarm) == (1, 0, 1, 0)
    assert dict(row.decisions) == dict(zip(DECISIONS, (1, 1, 2, 0), strict=True))
    assert (row.wrong_rate.value, row.right_rate.value) == (0.25, 0.25)
    # Clopper and Pearson: with 1 of 4 the lower end is 1 − 0.975^(1/4)
    assert row.wrong_rate.low == pytest.approx(1 - 0.975**0.25)


def test_the_picture_names_every_truth_and_shows_a_mark_for_every_share() -> None:
    rows = [
        trial.summed(name, n, outcomes()) for name in ("a < b & c", "another") for n in (20, 40)
    ]
    tree = ET.fromstring(svg.picture(characteristics(rows, 500), "shares"))
    shapes = "{http://www.w3.org/2000/svg}"
    said = [element.text or "" for element in tree.iter(f"{shapes}text")]
    assert {"a < b & c", "another", "accepted wrongly", "accepted rightly"} <= set(said)
    assert {"20 samples", "40 samples"} <= set(said)
    # a circle for 20 samples: one in the legend, two in each of two rows
    assert len(list(tree.iter(f"{shapes}circle"))) == 1 + 2 * 2


def test_the_counts_that_come_with_the_program_are_of_every_truth_and_keep_the_promise() -> None:
    rows = counted.as_read()
    assert {row.truth for row in rows} == {truth.name for truth in TRUTHS}
    assert {row.n for row in rows} >= {20, 40, 100}
    assert min(row.studies for row in rows) >= 100
    assert [row for row in rows if not row.kept] == []


@pytest.mark.slow
def test_the_counts_that_come_with_the_program_are_those_that_it_makes() -> None:
    known = {truth.name: truth for truth in TRUTHS}
    for row in random.Random(5).sample([r for r in counted.as_read() if r.n >= 20], 4):
        assert as_read.tried(known[row.truth], row.n, row.studies) == row


def test_one_study_runs_through_the_whole_decision() -> None:
    found = trial.outcome(replace(PLAIN, ratio=UP), 40, 1, trial.settings_of(PLAIN))
    assert found.decision in DECISIONS
    assert (found.wrong is None) == (found.decision not in DECISIONS[:2])


def test_a_row_is_a_plain_value() -> None:
    assert trial.summed("plain", 40, []) == Characteristic(
        "plain", 40, 0, tuple((d, 0) for d in DECISIONS), 0, 0, 0, 0, 0
    )


def test_the_command_shows_and_keeps_the_table_and_says_where_the_promise_is_broken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    truths = (PLAIN, replace(PLAIN, name="another"))
    monkeypatch.setattr(trying, "TRUTHS", truths)
    monkeypatch.setattr(
        trial, "outcome", lambda truth, n, seed, settings: outcomes()[truth is not PLAIN]
    )
    path = tmp_path / "decisions.csv"
    words = ["reconcile", "selftest", "--decisions", "--studies", "30", "--samples", "20"]
    monkeypatch.setattr(sys, "argv", [*words, "--save", str(path)])
    monkeypatch.setenv("COLUMNS", "200")
    with pytest.raises(SystemExit) as ended:
        cli.main()
    out = capsys.readouterr().out
    assert ended.value.code == FINDINGS
    assert "1 of 2: plain" in out
    assert "0.0% (0.0% to 11.6%)" in out  # 1 − 0.025^(1/30)
    assert "100.0% (88.4% to 100.0%)" in out
    assert "contradicted for 1 truth" in out
    lines = path.read_text("utf-8").splitlines()
    assert lines[0].startswith("truth,n,studies,accepted")
    assert [line.split(",")[:3] for line in lines[1:]] == [
        ["plain", "20", "30"], ["another", "20", "30"],
    ]  # fmt: skip
