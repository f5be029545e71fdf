"""Pairs that repeat count once: rows that agree in every result, beyond what chance would give."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import reconcile
from reconcile.base.finding_codes import FindingCode
from reconcile.base.model.further import Further
from reconcile.base.model.release import StratumResult
from reconcile.base.model.verdict import LABORATORY_ONLY
from reconcile.base.reasons import Exclusion
from reconcile.base.settings.pairs import PairSettings
from reconcile.commands import checking, storytelling
from reconcile.judgement.factor_proposal import _groups
from reconcile.pairs import pairing, repeats, sides
from reconcile.pairs.clusters import BOTH_ROWS, LAB_ROW, REPEAT_OF, groupings
from reconcile.run import pipeline
from reconcile.store.database import Store
from reconcile.store.statements import sql
from tests import months, small
from tests.test_pairing import table

pytestmark = pytest.mark.usefixtures("data_alone")

CHANCE = PairSettings().repeat_chance
ONCE, EACH = PairSettings(), PairSettings(repeats="count each")
Row = dict[str, object]


def marks(field: list[Row], lab: list[Row], keys: tuple[str, ...]) -> pd.DataFrame:
    """Sample, LAB_ROW and BOTH_ROWS of every pair of means."""
    with Store(None) as store:
        files = []
        for place, (kind, rows) in enumerate((("field", field), ("lab", lab))):
            stored = store.add(f"{kind}.csv", "0" * 64, "", kind, 1, (table(kind, rows, keys),))
            files.append(pairing.RunFile(stored.file_id, place, False))
        ids = sorted({str(r["sample_id"]) for r in [*field, *lab]})
        pairing.begin(store, files, pd.DataFrame({"written_id": ids, "sample_id": ids}))
        pairing.place_rows(store, "nothing", None)
        means = sides.average(store)
        return repeats.marked(store, means, store.frame(sql("pair_facts")), CHANCE)


def rows(
    n: int, keys: tuple[str, ...], digits: int = 3, seed: int = 1
) -> tuple[list[Row], list[Row]]:
    """Field and laboratory rows of ``n`` samples, rounded as laboratories round."""
    rng = np.random.default_rng(seed)
    field, lab = [], []
    for i in range(n):
        true = np.exp(rng.normal(5, 1, len(keys)))
        given = [float(f"{t:.{digits}g}") for t in true]
        read = [float(f"{t * np.exp(rng.normal(0, 0.1)):.{digits}g}") for t in true]
        name = {"sample_id": f"S{i:03d}"}
        field.append({**name, "technique": "XRF", **dict(zip(keys, read, strict=True))})
        lab.append({**name, "technique": "ICP-OES", **dict(zip(keys, given, strict=True))})
    return field, lab


def copied(rows: list[Row], number: int, name: str) -> Row:
    return {**rows[number], "sample_id": name}


def of(found: pd.DataFrame, sample: str, column: str) -> str:
    (mark,) = found.loc[found["sample_id"].eq(sample), column]
    return str(mark)


THREE = ("Cu", "Pb", "Zn")


def test_two_samples_of_equal_results_in_one_element_are_two() -> None:
    field, lab = rows(40, THREE)
    lab[1]["Cu"], field[1]["Cu"] = lab[0]["Cu"], field[0]["Cu"]
    found = marks(field, lab, THREE)
    assert of(found, "S000", LAB_ROW) != of(found, "S001", LAB_ROW)
    assert of(found, "S000", BOTH_ROWS) != of(found, "S001", BOTH_ROWS)


def test_a_table_of_one_element_never_tells_by_the_laboratory_alone() -> None:
    field, lab = rows(60, ("Zn",))
    lab[1]["Zn"] = lab[0]["Zn"]
    assert set(marks(field, lab, ("Zn",))[LAB_ROW]) == {""}


def test_rows_that_agree_in_every_result_are_one_pair() -> None:
    field, lab = rows(40, THREE)
    field, lab = [*field, copied(field, 0, "X1")], [*lab, copied(lab, 0, "X1")]
    found = marks(field, lab, THREE)
    assert of(found, "X1", BOTH_ROWS) == of(found, "S000", BOTH_ROWS) != ""
    assert of(found, "X1", LAB_ROW) == of(found, "S000", LAB_ROW) != ""
    assert found[BOTH_ROWS].nunique() == 40


def test_a_row_that_differs_in_one_result_or_limit_is_another() -> None:
    field, lab = rows(40, THREE)
    field, lab = [*field, copied(field, 0, "X1")], [*lab, copied(lab, 0, "X1")]
    lab[-1]["Zn"] = (1, 5.0)  # below its limit
    lab[0]["Zn"] = (1, 3.0)
    found = marks(field, lab, THREE)
    assert of(found, "X1", BOTH_ROWS) != of(found, "S000", BOTH_ROWS)


def test_one_laboratory_row_behind_several_readings_is_no_repeat() -> None:
    field, lab = rows(40, THREE)
    lab.append(copied(lab, 0, "X1"))
    field.append(copied(rows(1, THREE, seed=9)[0], 0, "X1"))
    found = marks(field, lab, THREE)
    assert of(found, "X1", LAB_ROW) == of(found, "S000", LAB_ROW) != ""
    assert of(found, "X1", BOTH_ROWS) != of(found, "S000", BOTH_ROWS)


def test_both_sides_tell_together_where_one_element_is_all_there_is() -> None:
    field, lab = rows(80, ("Zn",), digits=5)
    field, lab = [*field, copied(field, 0, "X1")], [*lab, copied(lab, 0, "X1")]
    found = marks(field, lab, ("Zn",))
    assert of(found, "X1", BOTH_ROWS) == of(found, "S000", BOTH_ROWS) != ""
    assert of(found, "X1", LAB_ROW) == ""


def test_coarse_results_agree_too_often_to_tell() -> None:
    keys = ("Cu", "Zn")
    field, lab = rows(80, keys, digits=1)
    field, lab = [*field, copied(field, 0, "X1")], [*lab, copied(lab, 0, "X1")]
    assert set(marks(field, lab, keys)[BOTH_ROWS]) == {""}


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(20))
def test_samples_that_differ_are_hardly_ever_taken_for_repeats(seed: int) -> None:
    field, lab = rows(150, ("Cu", "Pb"), digits=2, seed=seed)
    found = marks(field, lab, ("Cu", "Pb"))
    told = found.loc[found[BOTH_ROWS].ne("")]
    assert told[BOTH_ROWS].is_unique


def test_the_laboratory_knows_its_own_determination_again() -> None:
    field, lab = rows(10, ("Zn",))
    field, lab = [*field, copied(field, 0, "X1")], [*lab, copied(lab, 0, "X1")]
    for number, row in enumerate(lab):
        row |= {"lab_id": f"L{number % 10}", "certificate": "C1"}
    found = marks(field, lab, ("Zn",))
    assert of(found, "X1", LAB_ROW) == of(found, "S000", LAB_ROW) != ""
    assert found[LAB_ROW].nunique() == 10


def frame(**columns: list[object]) -> pd.DataFrame:
    """Pairs of one stratum, used but where ``reason_code`` says otherwise."""
    n = len(columns["sample_id"])
    code = columns.pop("reason_code", [""] * n)
    return pd.DataFrame(
        {
            "stratum": ["s"] * n, "reason_code": code, "reason": code,
            "used": [not c for c in code], **columns,
        }
    )  # fmt: skip


def test_the_first_by_its_id_counts_and_the_others_point_at_it() -> None:
    given = frame(sample_id=["B", "A", "C", "D"], both_rows=["m", "m", "m", ""])
    found = repeats.counted_once(given, ONCE).set_index("sample_id")
    assert found["used"].to_dict() == {"B": False, "A": True, "C": False, "D": True}
    assert found[REPEAT_OF].to_dict() == {"B": "A", "A": "", "C": "A", "D": ""}
    assert found.loc["B", "reason_code"] == Exclusion.REPEATED


def test_a_pair_that_is_kept_out_for_another_reason_does_not_count_for_its_repeats() -> None:
    given = frame(
        sample_id=["A", "B", "C"], both_rows=["m"] * 3,
        reason_code=[Exclusion.CUSTODY_BROKEN, "", ""],
    )  # fmt: skip
    found = repeats.counted_once(given, ONCE)
    assert found["used"].tolist() == [False, True, False]
    assert found["reason_code"].tolist() == [Exclusion.CUSTODY_BROKEN, "", Exclusion.REPEATED]


def test_repeats_beyond_a_limit_count_once_too() -> None:
    below = Exclusion.FIELD_OUTSIDE_LIMITS
    given = frame(sample_id=["A", "B"], both_rows=["m", "m"], reason_code=[below, below])
    found = repeats.counted_once(given, ONCE)
    assert found["reason_code"].tolist() == [below, Exclusion.REPEATED]


def test_where_the_settings_say_so_each_counts() -> None:
    given = frame(sample_id=["A", "B"], both_rows=["m", "m"])
    assert repeats.counted_once(given, EACH)["used"].all()


def test_the_latest_month_of_repeats_counts() -> None:
    given = frame(sample_id=["A", "B"], both_rows=["m", "m"], month=["2026-09", "2026-10"])
    assert repeats.counted_once(given, ONCE, "month")["used"].tolist() == [False, True]


def test_groups_and_laboratory_rows_join_and_batches_cross_them() -> None:
    given = pd.DataFrame(
        {
            "group": ["H1", "H1", "H2", "", ""], "lab_row": ["", "a", "a", "", "b"],
            "certificate": [("C1",), ("C2",), ("C1",), ("C3",), ()],
        }
    )  # fmt: skip
    settings = PairSettings(fewest_batches=3)
    first, second = groupings(given, settings)
    assert first.tolist() == [0, 0, 0, 1, 2]
    assert second.tolist() == [0, 1, 0, 2, 3]
    (alone,) = groupings(given, PairSettings(fewest_batches=4))
    assert alone.tolist() == first.tolist()
    assert groupings(given, PairSettings(clusters=())) == ()


# ---- the whole program -------------------------------------------------------------------

COPIES = tuple(f"X{n:03d}" for n in range(1, 11))


def copy_rows(folder: Path, names: dict[str, str], field_times: float = 1.0) -> None:
    """The rows of samples again under other ids; of ``field_times`` the readings, each its own."""
    for name in ("field.csv", "lab.csv", "register.csv"):
        path = folder / name
        lines = path.read_text("utf-8").splitlines()
        more: list[str] = []
        for line in lines[1:]:
            sample, *cells = line.split(",")
            if sample in names:
                if name == "field.csv" and field_times != 1.0:
                    shift = field_times * (1 + 0.0001 * len(more))
                    cells = [*cells[:2], *(_times(c, shift) for c in cells[2:])]
                more.append(",".join([names[sample], *cells]))
        path.write_text("\n".join([*lines, *more]) + "\n", "utf-8")


def _times(cell: str, by: float) -> str:
    return cell if cell.startswith("<") else f"{float(cell) * by:.1f}"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Thirty samples, ten of them under a second id too."""
    folder = small.build(tmp_path / "site")
    copy_rows(folder, {f"S{n:03d}": f"X{n:03d}" for n in range(1, 11)})
    return folder


@pytest.fixture(scope="module")
def released(
    tmp_path_factory: pytest.TempPathFactory, data_alone: None
) -> tuple[Path, reconcile.RunOutcome]:
    """The same, run."""
    folder = small.build(tmp_path_factory.mktemp("repeats") / "site")
    copy_rows(folder, {f"S{n:03d}": f"X{n:03d}" for n in range(1, 11)})
    return folder, reconcile.run_period(folder, "2026-10")


def copper(
    folder: Path, outcome: reconcile.RunOutcome | None = None
) -> tuple[StratumResult, reconcile.RunOutcome]:
    outcome = outcome or reconcile.run_period(folder, "2026-10")
    (found,) = (r for r in outcome.reconciliation.results if r.stratum.element == "Cu")
    return found, outcome


@pytest.mark.slow
def test_copies_of_pairs_do_not_count_and_stand_in_the_account(
    released: tuple[Path, reconcile.RunOutcome], tmp_path: Path
) -> None:
    plain, _ = copper(small.build(tmp_path / "plain"))
    found, outcome = copper(*released)
    assert found.statistics.n_used == plain.statistics.n_used
    ratio = found.statistics.bias.geometric_mean_ratio
    assert (ratio.value, ratio.low) == pytest.approx(
        (plain.statistics.bias.geometric_mean_ratio.value,
         plain.statistics.bias.geometric_mean_ratio.low)
    )  # fmt: skip
    copies = found.pairs.loc[found.pairs["sample_id"].isin(COPIES)]
    assert set(copies["reason_code"]) <= {Exclusion.REPEATED}
    assert set(copies[REPEAT_OF]) == {f"S{n:03d}" for n in range(1, 11)}
    step = outcome.reconciliation.waterfall[-1]
    assert step.balance == 0
    assert dict(step.lost)["repeats the pair of another sample, which counts"] == 20
    assert (found.verdict.decision, found.verdict.reason, found.verdict.put_back) == (
        plain.verdict.decision, plain.verdict.reason, plain.verdict.put_back
    )  # fmt: skip
    factors = [x.factor.factor_id if x.factor else "" for x in (found, plain)]
    assert factors[0] == factors[1] != ""
    folder = outcome.release_folder
    written = pd.read_csv(folder / "pairs.csv", dtype=str, keep_default_na=False)
    assert written.loc[written["sample_id"].eq("X001"), "repeat_of"].tolist() == ["S001"] * 2
    left_out = pd.read_csv(folder / "exclusions.csv", dtype=str, keep_default_na=False)
    assert left_out.loc[left_out["sample_id"].eq("X001"), "evidence"].tolist() == ["S001"] * 2
    settings = {line.name: line.value for line in outcome.reconciliation.settings}
    assert settings["pairs.repeats"] == "count once"
    assert FindingCode.PAIRS_REPEATED in {f.code for f in outcome.reconciliation.findings}


def test_the_story_of_a_copy_names_the_sample_that_counts(
    released: tuple[Path, reconcile.RunOutcome],
) -> None:
    said = [line.what for line in storytelling.story_of(released[0], "X001").lines]
    assert any("repeats the pair of another sample" in text and "S001" in text for text in said)


def test_check_tells_of_copies_and_of_shared_laboratory_rows(site: Path) -> None:
    copy_rows(site, {"S020": "Y020", "S021": "Y021"}, field_times=1.1)
    found = {f.code: f for f in checking.check(site, "2026-10").findings}
    assert "X001 (as S001)" in found[FindingCode.PAIRS_REPEATED].text
    assert "and 7 more" in found[FindingCode.PAIRS_REPEATED].text
    assert "2 laboratory rows" in found[FindingCode.LAB_ROW_SHARED].text
    assert "4 samples" in found[FindingCode.LAB_ROW_SHARED].text


@pytest.mark.slow
def test_copies_that_each_count_are_judged_as_clusters(site: Path) -> None:
    path = site / "reconcile.toml"
    path.write_text(path.read_text("utf-8") + '\n[pairs]\nrepeats = "count each"\n', "utf-8")
    found, _ = copper(site)
    together = found.statistics.further.get(Further.CLUSTERS)
    assert together is not None
    assert together.n > together.clusters
    assert together.effective < together.n - 3


@pytest.mark.slow
def test_several_readings_of_one_laboratory_row_are_held_out_together(tmp_path: Path) -> None:
    folder = small.build(tmp_path / "site")
    copy_rows(folder, {f"S{n:03d}": f"Y{n:03d}" for n in range(1, 31)}, field_times=1.001)
    found, outcome = copper(folder)
    assert outcome.reconciliation.waterfall[-1].balance == 0
    used = found.pairs.loc[found.pairs["used"]]
    assert len(used) > 50
    together = found.statistics.further.get(Further.CLUSTERS)
    assert together is not None
    assert together.correlation.value > 0.9
    assert together.effective == pytest.approx(together.clusters, rel=0.05)
    run = _judged(folder)
    (evaluated,) = [e for s, e in run.evaluated if s.element == "Cu"]
    number = pd.Series(_groups(evaluated), index=evaluated.used["sample_id"].str[1:])
    assert (number.groupby(level=0).nunique() == 1).all()


def _judged(folder: Path) -> pipeline.Run:
    from reconcile.intake import workspace as ws

    workspace = ws.load_workspace(folder)
    with Store(workspace.store_file) as store:
        run = pipeline.begin(workspace, "2026-10", store)
        for name, step in pipeline.STEPS:
            run = step(run)
            if name == "compute statistics":
                break
    return run


@pytest.mark.slow
def test_a_pair_that_repeats_one_of_an_earlier_month_counts_once(tmp_path: Path) -> None:
    site = months.build(tmp_path / "site", dict.fromkeys(("2026-09", "2026-10"), 0.0))
    settings = site / "reconcile.toml"
    settings.write_text(settings.read_text("utf-8"), "utf-8")
    for kind in ("field", "lab"):  # a second element, so that rows tell
        for month in ("2026-09", "2026-10"):
            path = site / f"{kind}_{month}.csv"
            head, *lines = path.read_text("utf-8").splitlines()
            more = [f"{line},{_second(line):.1f}" for line in lines]
            path.write_text("\n".join([f"{head},Zn (mg/kg)", *more]) + "\n", "utf-8")
    copied_lines(site, "2026-09-03", "2026-10-99")
    reconcile.run_period(site, "2026-09")
    outcome = reconcile.run_period(site, "2026-10")
    (found,) = (r for r in outcome.reconciliation.results if r.stratum.element == "Cu")
    assert found.evidence is not None
    assert [m.pairs for m in found.evidence.months] == [13, 15]
    manifest = json.loads((outcome.release_folder / "manifest.json").read_text("utf-8"))
    assert manifest["evidence"][0]["pairs"] == 26


def _second(line: str) -> float:
    return 37.0 + float(line.split(",")[-1]) * 1.7


def copied_lines(site: Path, sample: str, name: str) -> None:
    """The rows of a sample of September again in October, under another id."""
    for kind in ("field", "lab"):
        old = (site / f"{kind}_2026-09.csv").read_text("utf-8").splitlines()
        mine = [line for line in old if line.startswith(f"{sample},")]
        new = [
            line.replace(sample, name).replace("2026-09-0", "2026-10-0") for line in mine
        ]  # the month of the reading
        with (site / f"{kind}_2026-10.csv").open("a", encoding="utf-8") as stream:
            stream.write("\n".join(new) + "\n")
    with (site / "register.csv").open("a", encoding="utf-8") as stream:
        stream.write(f"{name},soil,sieved,dry,split\n")


@pytest.mark.slow
def test_pairs_of_one_hole_alone_are_never_accepted(tmp_path: Path) -> None:
    folder = small.build(tmp_path / "site", bias=1.0, samples=60)
    path = folder / "reconcile.toml"
    text = path.read_text("utf-8")
    path.write_text(text.replace('calibration = "soil 1"', 'calibration = "soil 1", group = "H1"'))
    for result in reconcile.run_period(folder, "2026-10").reconciliation.results:
        assert result.verdict.decision not in ("accepted", "accepted after correction")
        assert "one group" in result.verdict.reason or result.verdict.decision == LABORATORY_ONLY
