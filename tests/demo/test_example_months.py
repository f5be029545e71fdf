"""The whole program on the invented example: what it finds against the hidden truth.

``scenario`` holds the truth and ``Made.planted`` says in which file and row each trouble
stands; nothing here was typed from a result.
"""

from __future__ import annotations

import math
import shutil
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd
import pytest

import reconcile
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.account import Finding
from reconcile.base.model.months import Beginning
from reconcile.base.model.release import StratumResult
from reconcile.base.model.verdict import ACCEPTED, ACCEPTED_CORRECTED, INSUFFICIENT, LABORATORY_ONLY
from reconcile.commands import starting
from reconcile.proposing import answering
from reconcile.proposing.questions import Ask
from reconcile.run import releasing
from tests import small
from tests.demo import scenario as s
from tests.demo.make_demo_inputs import FOLDER, Made, make
from tests.demo.measurements import truth_of
from tests.sizes import cases

# reports of an example month are looked at in tests/reporting
pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("data_alone")]
Outcomes = dict[str, "reconcile.RunOutcome"]
#: Whether the month after a late certificate is run too: small workspaces show that elsewhere.
AFTER = cases(True, False)


@pytest.fixture(scope="module")
def made() -> Made:
    return make()


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory, data_alone: None) -> Outcomes:
    site = tmp_path_factory.mktemp("example") / "demo_inputs"
    shutil.copytree(FOLDER, site)
    return {period: reconcile.run_period(site, period) for period in s.PERIODS}


def planted(made: Made, kind: str) -> Iterator[s.Planted]:
    found = [t for t in made.planted if t.kind == kind]
    assert found, kind
    yield from found


def results(
    outcome: reconcile.RunOutcome, element: str, technique: str, matrix: str
) -> StratumResult:
    found = [
        r
        for r in outcome.reconciliation.results
        if (r.stratum.element, r.stratum.technique, r.stratum.matrix)
        == (element, technique, matrix)
    ]
    assert len(found) == 1
    return found[0]


def pairs_of(outcome: reconcile.RunOutcome, sample: str) -> pd.DataFrame:
    frames = [
        r.pairs.loc[r.pairs["sample_id"].eq(sample)].assign(element=r.stratum.element)
        for r in outcome.reconciliation.results
    ]
    return pd.concat([f for f in frames if len(f)]) if any(map(len, frames)) else pd.DataFrame()


def naming(outcome: reconcile.RunOutcome, *words: str) -> list[Finding]:
    """Findings whose text, subject or evidence name all of these."""
    return [
        f
        for f in outcome.reconciliation.findings
        if all(w in f"{f.subject} {f.text} {f.evidence}" for w in words)
    ]


# ---- troubles -------------------------------------------------------------------------


def test_every_account_balances(outcomes: Outcomes) -> None:
    for outcome in outcomes.values():
        assert [w.name for w in outcome.reconciliation.waterfall if w.balance] == []


def test_samples_never_sent_and_results_of_nobody_are_listed(
    outcomes: Outcomes, made: Made
) -> None:
    for t in planted(made, "field without laboratory"):
        assert t.sample_id in outcomes[t.period].reconciliation.field_only
    for t in planted(made, "laboratory without sample"):
        assert t.sample_id in outcomes[t.period].reconciliation.lab_only


def test_a_mistyped_id_is_suggested_and_not_joined(outcomes: Outcomes, made: Made) -> None:
    for t in planted(made, "id with a typo"):
        written = t.what.split("'")[1]
        outcome = outcomes[t.period]
        assert t.sample_id in outcome.reconciliation.field_only
        assert written in outcome.reconciliation.lab_only
        assert naming(outcome, written, t.sample_id)
        assert pairs_of(outcome, t.sample_id).empty


def test_an_id_settled_by_a_person_and_another_spelling_are_joined(
    outcomes: Outcomes, made: Made
) -> None:
    for kind, readings in (("alias", 3), ("other spelling", 3)):
        for t in planted(made, kind):
            pairs = pairs_of(outcomes[t.period], t.sample_id)
            copper = pairs.loc[pairs["element"].eq("Cu")]
            assert copper["field_n"].tolist() == [readings]


def test_check_assays_of_a_second_laboratory_are_compared_and_stand_against_nothing(
    outcomes: Outcomes, made: Made
) -> None:
    for t in planted(made, "check assays"):
        r = outcomes[t.period].reconciliation
        _, element, factor, _ = s.UMPIRE[t.period]
        assert {x.second.laboratory for x in r.laboratories} == {s.UMPIRE_NAME}
        assert {x.element for x in r.laboratories if x.beyond} == {element}
        (lead,) = [x for x in r.laboratories if x.element == element]
        assert lead.ratio.value == pytest.approx(factor, rel=0.04)
        assert s.UMPIRE_NAME not in {x.stratum.laboratory for x in r.results}


def test_a_rejected_result_is_set_aside_with_its_reason(outcomes: Outcomes, made: Made) -> None:
    for t in planted(made, "rejected result"):
        lost = [dict(w.lost) for w in outcomes[t.period].reconciliation.waterfall]
        assert sum(each.get(f"rejected, {t.what}", 0) for each in lost) == 1


def test_the_second_issue_of_a_certificate_stands_and_the_first_is_accounted_for(
    outcomes: Outcomes, made: Made
) -> None:
    (t,) = planted(made, "re-issued certificate")
    outcome = outcomes[t.period]
    lead = results(outcome, "Pb", "XRF", "soil").pairs.set_index("sample_id")
    issue = pd.read_csv(FOLDER / t.file, dtype=str).set_index("Sample ID")
    for sample in lead.index.intersection(issue.index):
        assert lead.loc[sample, "lab_mean"] == float(str(issue.loc[sample, "Pb mg/kg"]))
    told = outcome.reconciliation.exclusions
    first = told.loc[told["reason"].str.contains("superseded by a re-issue")]
    # the first issue's every row and every result is named, one line each
    results_of_issue = [name for name in issue.columns if name.endswith((" mg/kg", " %"))]
    assert set(first["sample_id"]) >= set(lead.index.intersection(issue.index))
    counts = first["kind"].value_counts()
    assert counts["lab row"] == len(issue)
    assert counts["lab result"] == len(issue) * len(results_of_issue)


def test_samples_without_unbroken_custody_are_kept_out_but_stay_visible(
    outcomes: Outcomes, made: Made
) -> None:
    for t in [*planted(made, "broken custody"), *planted(made, "seal mismatch")]:
        pairs = pairs_of(outcomes[t.period], t.sample_id)
        assert len(pairs)
        assert set(pairs["custody"]) == {"broken"}
        assert not pairs["used"].any()
        assert naming(outcomes[t.period], t.sample_id)
    sound = pairs_of(outcomes["2026-10"], "KRS-1201")
    assert set(sound["custody"]) == {"complete"}


def test_only_the_element_and_batch_of_the_failed_control_are_kept_out(
    outcomes: Outcomes, made: Made
) -> None:
    controls = list(planted(made, "reference material out of limits"))
    period, (kind, batch, element, _) = next(iter(s.FAILED_BATCH.items()))
    outcome = outcomes[period]
    failed = {
        (c.element, c.batch)
        for c in outcome.reconciliation.quality
        if c.side == "lab" and c.kind == "reference material" and c.passed is False
    }
    assert len(controls) == 2
    assert failed == {(element, f"CS-{period[2:4]}{period[5:]}-{batch}")}
    zinc = results(outcome, element, "XRF", kind).pairs
    out = zinc["certificate"].map(lambda many: any(c.endswith(f"-{batch}") for c in many))
    assert 20 < out.sum() < len(zinc)
    assert not zinc.loc[out, "used"].any()
    assert zinc.loc[~out, "used"].all()
    copper = results(outcome, "Cu", "XRF", kind).pairs
    same = copper["certificate"].map(lambda many: any(c.endswith(f"-{batch}") for c in many))
    kept = same & copper["custody"].eq("complete")
    assert copper.loc[kept, "used"].all()


def test_a_weld_of_another_steel_is_found_and_the_part_is_not_what_was_ordered(
    outcomes: Outcomes, made: Made
) -> None:
    (weld,) = planted(made, "another weld metal")
    outcome = outcomes[weld.period]
    record = outcome.reconciliation.conformity
    assert record is not None
    (part,) = [p for p in record.specimens if p.results.sample_id == weld.sample_id]
    assert part.ordered is not None
    assert (part.ordered.grade, part.ordered.call) == ("KR 20", "not this grade")
    calls = {p.results.place.role: p.ordered.call for p in part.places if p.ordered}
    assert calls["base metal"] in ("consistent", "every limit decided within")
    assert calls["weld metal"] == "not this grade"
    found = {f.code: f for f in naming(outcome, weld.sample_id)}
    assert "weld" in found[FindingCode.PLACE_DIFFERS].text
    assert found[FindingCode.ORDERED_GRADE_EXCLUDED].severity == "serious"


def test_rows_of_means_are_set_aside(outcomes: Outcomes, made: Made) -> None:
    for t in planted(made, "averaged row"):
        record = outcomes[t.period].reconciliation.conformity
        assert record is not None
        (part,) = [p for p in record.specimens if p.results.sample_id == t.sample_id]
        chromium = [m for p in part.places for m in p.results.values if m.element == "Cr"]
        assert [m.spots for m in chromium] == [3] * 5


def test_of_a_box_that_lacked_a_bag_only_that_sample_is_broken(
    outcomes: Outcomes, made: Made
) -> None:
    (lost,) = planted(made, "partial receipt")
    outcome = outcomes[lost.period]
    told = naming(outcome, lost.sample_id)
    assert [f for f in told if f.area == "custody" and f.severity == "serious"]
    zinc = results(outcome, "Zn", "XRF", "stream sediment").pairs
    assert lost.sample_id not in set(zinc["sample_id"])
    assert len(zinc) == s.SEDIMENTS[lost.period].count - 1
    assert set(zinc["custody"]) == {"complete"}


def test_an_operator_who_reads_low_is_told_with_the_size(outcomes: Outcomes, made: Made) -> None:
    (t,) = planted(made, "operators apart")
    truth = s.SEDIMENTS[t.period]
    found = [
        x for x in outcomes[t.period].reconciliation.group_shifts
        if x.kind == "operators" and "stream sediment" in x.stratum
    ]  # fmt: skip
    assert len(found) == 2
    for x in found:
        assert x.told
        shift = next(m.shift for m in x.means if m.name == truth.second)
        assert shift.low < truth.factor - 1 < shift.high
    others = [
        x for o in outcomes.values() for x in o.reconciliation.group_shifts
        if x.kind == "operators" and x.told and "stream sediment" not in x.stratum
    ]  # fmt: skip
    assert len(others) <= 4  # 1 % of some 200 strata and months are told by chance


def test_arsenic_is_not_used_where_lead_overlaps_it(outcomes: Outcomes, made: Made) -> None:
    for t in planted(made, "lead on arsenic"):
        arsenic = results(outcomes[t.period], "As", "XRF", "soil").pairs
        row = arsenic.loc[arsenic["sample_id"].eq(t.sample_id)].iloc[0]
        assert not row["used"]
        assert "lead" in row["reason"]
        lead = results(outcomes[t.period], "Pb", "XRF", "soil").pairs
        assert lead.loc[lead["sample_id"].eq(t.sample_id), "used"].all()


def test_spots_aimed_at_grains_do_not_enter_a_mean(outcomes: Outcomes, made: Made) -> None:
    for t in planted(made, "targeted spots"):
        pairs = pairs_of(outcomes[t.period], t.sample_id)
        lithium = pairs.loc[pairs["element"].eq("Li")]
        assert lithium["field_spots"].tolist() == [8]
        rows = outcomes[t.period].reconciliation.exclusions
        mine = rows.loc[rows["sample_id"].eq(t.sample_id) & rows["kind"].eq("field row")]
        assert len(mine) == 6
        assert mine["evidence"].str.contains(f"row {t.row}", regex=False).any()


def test_a_result_above_the_upper_limit_is_censored(outcomes: Outcomes, made: Made) -> None:
    for t in planted(made, "above the upper limit"):
        zinc = pairs_of(outcomes[t.period], t.sample_id).query("element == 'Zn'")
        assert zinc["lab_qualifier"].tolist() == [">"]
        assert zinc["lab_low"].tolist() == [10_000.0]
        assert not zinc["used"].any()


def test_unreadable_cells_and_rows_are_quarantined_where_they_stand(
    outcomes: Outcomes, made: Made
) -> None:
    for kind, column in (
        ("unreadable cell", "Cu mg/kg"), ("impossible date", "Read at"), ("no id", ""),
    ):  # fmt: skip
        for t in planted(made, kind):
            refused = outcomes[t.period].reconciliation.quarantine
            mine = refused.loc[refused["file"].eq(t.file) & refused["row"].eq(t.row)]
            assert mine["column"].tolist() == [column]
            assert mine["reason"].str.len().gt(0).all()
    everything = sum(len(o.reconciliation.quarantine) for o in outcomes.values())
    assert everything == 3


def test_a_reading_of_the_night_shift_belongs_to_the_month_of_the_places_clock(
    outcomes: Outcomes, made: Made
) -> None:
    for t in planted(made, "month boundary"):
        pairs = pairs_of(outcomes[t.period], t.sample_id)
        assert len(pairs) == 9  # XRF: Cr Ni Mo Mn Fe; LIBS: Cr Ni Mo Mn
        assert (pairs["field_time"] < pd.Timestamp(f"{t.period}-01", tz="UTC")).all()


def test_exchanged_labels_are_suspected_and_not_mended(outcomes: Outcomes, made: Made) -> None:
    pair = [t.sample_id for t in planted(made, "labels exchanged")]
    outcome = outcomes["2026-08"]
    assert naming(outcome, *pair)
    for sample in pair:
        assert len(pairs_of(outcome, sample))


def test_months_without_exchanged_labels_raise_no_such_suspicion(outcomes: Outcomes) -> None:
    for period in set(s.PERIODS) - set(s.SWAPPED_SOILS):
        suspicions = [f for f in outcomes[period].reconciliation.findings if f.area == "diagnosis"]
        assert [f for f in suspicions if "exchang" in f.text or "swap" in f.text] == []


def test_parts_poor_in_molybdenum_are_found_by_xrf_and_the_laboratory(
    outcomes: Outcomes, made: Made
) -> None:
    for t in planted(made, "below the ordered content"):
        result = results(outcomes[t.period], "Mo", "XRF", "austenitic stainless steel")
        row = result.pairs.loc[result.pairs["sample_id"].eq(t.sample_id)]
        assert len(row) == 1
        assert (row[["field_mean", "lab_mean"]] < 2.0 * s.PERCENT).all(axis=None)
        ((_, level),) = result.decision_levels
        assert level == pytest.approx(2.0 * s.PERCENT)


def test_blind_duplicates_and_repeats_judge_the_laboratory(outcomes: Outcomes) -> None:
    for outcome in outcomes.values():
        duplicates = [c for c in outcome.reconciliation.quality if c.kind == "duplicate"]
        assert {"Cu", "Li", "Cr"} <= {c.element for c in duplicates}
        # Of the pulps only the register says whose duplicates they are.
        assert {"pulp", "lab repeat"} == {c.code for c in duplicates}
        assert all(c.passed is not False for c in duplicates)
        copper = [c for c in duplicates if (c.element, c.code) == ("Cu", "pulp")]
        assert [(c.n >= 8, c.passed) for c in copper] == [(True, True)]


# ---- the hidden truth -----------------------------------------------------------------

STRATA = [
    (table, matrix.name, element)
    for table, matrices in (
        ("xrf_soil", (s.SOIL,)),
        ("libs_rock", (s.APLITE, s.AMPHIBOLITE)),
        ("xrf_rock", (s.APLITE, s.AMPHIBOLITE)),
        ("xrf_parts", (s.STAINLESS, s.CHROMIUM_MOLYBDENUM)),
        ("libs_parts", (s.STAINLESS, s.CHROMIUM_MOLYBDENUM)),
    )
    for matrix in matrices
    for element in (s.FIELD.get((table, matrix.name)) or s.FIELD[table, ""])
    if element not in ("Au",) and (element, matrix.name) != ("Ni", "soil")
]


def test_intervals_of_the_bias_cover_the_true_bias_about_as_often_as_they_say(
    outcomes: Outcomes,
) -> None:
    covered = total = 0
    for period, outcome in outcomes.items():
        for table, matrix, element in STRATA:
            truth = truth_of(period, table, matrix)[element]
            technique = table.split("_")[0].upper()
            ratio = results(
                outcome, element, technique, matrix
            ).statistics.bias.geometric_mean_ratio
            assert math.isfinite(ratio.value)
            covered += ratio.low <= truth.factor <= ratio.high
            total += 1
    # 95 % intervals; a lower count than this has a probability below 0.001 if they are right
    # (binomial). Averaging a few log-normal spots shifts the LIBS ratios a little.
    assert total == len(s.PERIODS) * len(STRATA)
    sure = total * 0.95 - 3.3 * math.sqrt(total * 0.95 * 0.05)
    assert covered >= sure


def test_the_copper_bias_is_seen_and_zinc_has_none(outcomes: Outcomes) -> None:
    for period in ("2026-09", "2026-10"):
        copper = results(outcomes[period], "Cu", "XRF", "soil").statistics.bias.geometric_mean_ratio
        zinc = results(outcomes[period], "Zn", "XRF", "soil").statistics.bias.geometric_mean_ratio
        assert copper.low > 1.05
        assert zinc.low <= 1.0 <= zinc.high or abs(zinc.value - 1) < 0.03


def test_the_factor_for_copper_takes_the_bias_away(outcomes: Outcomes) -> None:
    result = results(outcomes["2026-10"], "Cu", "XRF", "soil")
    factor = result.factor
    assert factor is not None
    assert factor.form != "none"
    assert factor.error_after < factor.error_before
    if factor.form in ("ratio", "line"):
        middle = 300.0
        corrected = (middle * 1.15 - factor.intercept) / factor.slope
        assert corrected == pytest.approx(middle, rel=0.05)


def test_verdicts_follow_from_the_truth(outcomes: Outcomes) -> None:
    for outcome in outcomes.values():
        for matrix in ("aplite", "amphibolite"):
            assert results(outcome, "Au", "XRF", matrix).verdict.decision == LABORATORY_ONLY
        # Useless: nearly every soil is below the field limit.
        nickel = results(outcome, "Ni", "XRF", "soil")
        assert nickel.verdict.decision == INSUFFICIENT
        assert nickel.factor is None or nickel.factor.form == "none"
        # Grains far larger than a spot, and three samples.
        coarse = results(outcome, "Li", "LIBS", "coarse pegmatite")
        assert coarse.verdict.decision in (INSUFFICIENT, LABORATORY_ONLY)
    # The parts of a month are of few heats, so that they weigh as fewer than were agreed; the
    # months together have enough.
    for matrix, months in (("austenitic stainless steel", 1), ("chromium-molybdenum steel", 5)):
        steel = [results(o, "Cr", "XRF", matrix) for o in outcomes.values()]
        assert [x.verdict.decision for x in steel] == [INSUFFICIENT] * months + [ACCEPTED] * (
            6 - months
        )
    # Read too high in every month, by more than any single month shows of its 14 pairs.
    manganese = results(outcomes["2026-10"], "Mn", "LIBS", "chromium-molybdenum steel")
    assert manganese.verdict.decision == ACCEPTED_CORRECTED
    assert manganese.evidence is not None
    assert len(manganese.evidence.months) == 6
    assert 0 < manganese.evidence.long_run.low < manganese.evidence.long_run.value
    copper = results(outcomes["2026-10"], "Cu", "XRF", "soil").verdict
    assert copper.decision != ACCEPTED


def test_what_gathers_leaves_fewer_strata_without_enough_evidence(outcomes: Outcomes) -> None:
    def open_ones(period: str) -> int:
        results = outcomes[period].reconciliation.results
        return sum(  # sediments came in October alone
            r.verdict.decision == INSUFFICIENT and r.stratum.matrix != "stream sediment"
            for r in results
        )

    assert open_ones("2026-10") < open_ones("2026-05") / 2


def test_a_new_calibration_begins_new_evidence_and_says_so(outcomes: Outcomes) -> None:
    by_month = {p: results(o, "Zn", "XRF", "soil").evidence for p, o in outcomes.items()}
    for period, months in (("2026-06", 2), ("2026-07", 1), ("2026-10", 4)):
        found = by_month[period]
        assert found is not None
        assert len(found.months) == months
    begun = by_month["2026-07"]
    assert begun is not None
    assert begun.begun.why is Beginning.OTHER_KEY
    assert begun.begun.differing == ("field_method",)
    # a rock pulp is read under a calibration of its own, which did not change
    rock = results(outcomes["2026-07"], "Zn", "XRF", "aplite").evidence
    assert rock is not None
    assert len(rock.months) == 3


def test_the_step_in_lead_is_found_within_three_months_and_begins_new_evidence(
    outcomes: Outcomes,
) -> None:
    seen = {
        (f.strata[0], period)
        for period, o in outcomes.items()
        for f in o.reconciliation.findings
        if f.code is FindingCode.BIAS_MOVED
    }
    last = outcomes["2026-10"]
    lead = {results(last, "Pb", "XRF", m).stratum.key for m in ("aplite", "amphibolite")}
    assert {key for key, _ in seen} >= lead
    assert {period for key, period in seen if key in lead} <= {"2026-08", "2026-09", "2026-10"}
    for matrix in ("aplite", "amphibolite"):
        evidence = results(last, "Pb", "XRF", matrix).evidence
        assert evidence is not None
        assert evidence.begun.why is Beginning.MOVED
        assert [m.period for m in evidence.months] == ["2026-08", "2026-09", "2026-10"]
        assert evidence.long_run.low < 0.86 - 1 < evidence.long_run.high
    # and hardly anything else: 5 % a year and stratum are allowed
    assert len({key for key, _ in seen} - lead) <= 3


def test_the_swap_spoils_august_and_leaving_it_out_would_not(outcomes: Outcomes) -> None:
    def spread(period: str) -> float:
        pairs = results(outcomes[period], "Zn", "XRF", "soil").pairs
        used = pairs.loc[pairs["used"]]
        return float(np.log(used["field_mean"] / used["lab_mean"]).std(ddof=1))

    assert spread("2026-08") > 3 * spread("2026-10")


def test_a_late_certificate_makes_a_new_revision_of_its_own_month(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(releasing, "write_release", small.data_alone)
    (late,) = planted(made, "late certificate")
    site = tmp_path / "demo_inputs"
    shutil.copytree(FOLDER, site)
    (site / late.file).rename(tmp_path / "not yet here")
    first = reconcile.run_period(site, late.period)
    later = reconcile.run_period(site, "2026-08") if AFTER else None
    (tmp_path / "not yet here").rename(site / late.file)
    again = reconcile.run_period(site, late.period)
    assert again.reconciliation.revision == 2
    zinc = [results(x, "Zn", "XRF", "amphibolite") for x in (first, again)]
    assert zinc[0].statistics.n_used < zinc[1].statistics.n_used
    if later is None:
        return
    behind = reconcile.run_period(site, "2026-08")
    assert (later.reconciliation.revision, behind.reconciliation.revision) == (1, 2)
    evidence = results(behind, "Zn", "XRF", "amphibolite").evidence
    assert evidence is not None
    assert [m.release_id for m in evidence.months][:1] == [again.reconciliation.release_id]


def test_running_a_month_again_makes_no_new_release(
    outcomes: Outcomes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    period = "2026-08"
    site = outcomes[period].release_folder
    while not (site / "demo_inputs").is_dir():
        site = site.parent
    again = reconcile.run_period(site / "demo_inputs", period)
    assert again.release_folder == outcomes[period].release_folder
    assert not again.new_release


def test_the_example_in_the_repository_was_not_touched(outcomes: Outcomes) -> None:
    assert not (FOLDER / "out").exists()
    assert sorted(p.name for p in Path(FOLDER).iterdir() if p.is_dir()) == [
        "custody", "field", "lab", "register", "unsorted",
    ]  # fmt: skip


# ---- the same month from tables that nobody has described ----------------------------------


def answer_of(question: Ask, table: dict[str, Any]) -> str:
    """What the person of the example knows."""
    name, steel = str(table.get("files", [""])[0]).lower(), "steel"
    only = table.get("only", [])
    digestion = (
        ("none (solid)", "total", "spark OES") if steel in name
        else ("fire assay, 25 g", "total", "fire assay") if only == ["Au"]
        else ("lithium borate fusion", "total", "ICP-OES") if "Li" in only
        else ("four acids", "near-total", "ICP-OES")
    )  # fmt: skip
    return {
        Ask.INSTRUMENT: "11482" if "libs" in name else "20714",
        Ask.CALIBRATION: "as used in May",
        Ask.LABORATORY: "metals laboratory" if steel in name else "geochemical laboratory",
        Ask.DIGESTION: digestion[0], Ask.DIGESTION_CLASS: digestion[1],
        Ask.LAB_TECHNIQUE: digestion[2], Ask.COLUMN: "measured_at",
        Ask.MOISTURE: "not applicable" if steel in name else "dry", Ask.SIGMA: "1",
        Ask.LIMIT: "error column", Ask.USE: "screening", Ask.MARGIN: "0.10",
    }[question]  # fmt: skip


def test_the_unsorted_tables_give_the_pairs_of_their_month(
    outcomes: Outcomes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = tmp_path / "site"
    starting.start_from(site, FOLDER / "unsorted")

    def prompt(told: str, choices: object, default: str, empty: bool) -> str:
        text = (site / "reconcile.toml").read_text("utf-8")
        first, *_ = answering.still_open(text)
        of = tomllib.loads(text)
        for part in first.place[:2]:
            of = of[part - 1] if isinstance(part, int) else of[part]
        return answer_of(answering.asks(first, text), of if isinstance(of, dict) else {})

    starting.ask_open(site, prompt)
    monkeypatch.setattr(releasing, "write_release", small.data_alone)
    found = reconcile.run_period(site, "2026-05").reconciliation

    def pairs(run: reconcile.Reconciliation) -> dict[tuple[str, str, str], tuple[float, float]]:
        return {
            (r.stratum.element, r.stratum.technique, str(p.sample_id)): (p.field_mean, p.lab_mean)
            for r in run.results
            for p in cast("Iterable[Any]", r.pairs.itertuples())
            if r.stratum.element in chosen
        }

    chosen = {r.stratum.element for r in outcomes["2026-05"].reconciliation.results}
    wanted, got = pairs(outcomes["2026-05"].reconciliation), pairs(found)
    assert set(got) == set(wanted)
    off = {k for k in wanted if not np.allclose(wanted[k], got[k], rtol=1e-12, equal_nan=True)}
    assert off == set()
