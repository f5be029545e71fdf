"""A marine core: field XRF against aqua-regia ICP-OES in mg/L of digest. CC BY 4.0.

Source of the tables: itraxBook repository. The acceptance figures were recomputed with
pandas and scipy. The rule: one field reading per depth; the laboratory's value is
mg/L x 100 / weight in g (the register's second sheet); the first tube of each depth counts,
the second tubes B21 to B23 of depths 326, 185 and 242 are duplicates and stay apart
(averaging them changes no slope by more than 0.001); ordinary least squares of the
laboratory on the field.
"""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from scipy import stats

import reconcile
from reconcile.base.model.release import StratumResult
from reconcile.commands import starting
from reconcile.proposing import answering
from reconcile.proposing.questions import Ask
from reconcile.run import releasing
from tests import small, volumes
from tests.workspaces.conftest import Reconciled, data_or_skip

#: element: slope, r
FIGURES = {"Ca": (0.76, 0.98), "Fe": (0.58, 0.98), "Sr": (1.05, 0.97)}
LINES = {"Ca": "Ca 315.887", "Fe": "Fe 238.204", "Sr": "Sr 421.552"}


@pytest.fixture
def outcome(reconciled: Reconciled) -> reconcile.RunOutcome:
    return reconciled("core_register")


def result_of(outcome: reconcile.RunOutcome, element: str) -> StratumResult:
    found = [r for r in outcome.reconciliation.results if r.stratum.element == element]
    assert len(found) == 1
    return found[0]


def by_hand(element: str) -> pd.DataFrame:
    """Field and laboratory by depth in cm, mg/kg, straight from the three workbooks."""
    data = data_or_skip("core_register")
    book = openpyxl.load_workbook(data / "register.xlsx", data_only=True)
    rows = list(book["Sheet1"].iter_rows(min_row=3, max_col=9, values_only=True))
    register = pd.DataFrame(
        [(r[0], f"{r[5]}{r[6]}", r[8]) for r in rows if r[6] is not None],
        columns=["upper", "tube", "weight"],
    )
    register = register.loc[~register["upper"].astype("str").str.contains("[A-Z]")]
    register = register.loc[~register["tube"].isin(["B21", "B22", "B23"])].set_index("tube")
    lab = pd.read_excel(data / "lab_icp.xlsx")
    column = next(c for c in lab.columns if str(c).startswith(LINES[element]))
    values = lab.drop_duplicates("Sample Id").set_index("Sample Id")[column]
    register["lab"] = values.reindex(register.index) * 100 / register["weight"]
    field = pd.read_excel(data / "field_xrf.xlsx")
    field.index = pd.Index("cd166-" + field["SAMPLE"].str.removeprefix("cd166-"))
    names = "cd166-" + register["upper"].astype(int).astype(str)
    table = pd.DataFrame({"lab": register["lab"].to_numpy()}, index=pd.Index(names))
    table["field"] = pd.to_numeric(field[element], errors="coerce").reindex(table.index)
    return table.dropna()


@pytest.mark.slow
@pytest.mark.parametrize("element", FIGURES)
def test_the_line_of_lab_on_field_is_the_one_computed_by_hand(
    outcome: reconcile.RunOutcome, element: str
) -> None:
    slope, r = FIGURES[element]
    statistics = result_of(outcome, element).statistics
    hand = by_hand(element)
    line = stats.linregress(hand["field"], hand["lab"])
    assert statistics.n_used == len(hand) == 60
    assert statistics.fits.lab_on_field.slope.value == pytest.approx(line.slope, rel=1e-9)
    assert statistics.agreement.correlation.r.value == pytest.approx(line.rvalue, rel=1e-9)
    assert abs(line.slope - slope) < 0.0055
    assert abs(line.rvalue - r) < 0.0055


@pytest.mark.parametrize("element", FIGURES)
def test_milligrams_per_litre_become_mass_fractions_by_each_tubes_weight(
    outcome: reconcile.RunOutcome, element: str
) -> None:
    pairs = result_of(outcome, element).pairs.set_index("sample_id")
    hand = by_hand(element)
    assert sorted(pairs.index) == sorted(hand.index)
    assert pairs["lab_mean"].reindex(hand.index).to_numpy() == pytest.approx(
        hand["lab"].to_numpy(), rel=1e-9
    )


def test_blanks_the_reference_material_and_duplicates_stay_apart(
    outcome: reconcile.RunOutcome,
) -> None:
    pairs = result_of(outcome, "Fe").pairs
    assert not pairs["sample_id"].str.contains("[A-Z]{3}").any()
    assert (pairs["lab_n"] == 1).all()
    kinds = {(c.kind, c.side) for c in outcome.reconciliation.quality}
    assert ("blank", "lab") in kinds
    assert ("duplicate", "lab") in kinds


def test_tubes_that_the_register_does_not_know_are_quarantined_with_their_row(
    outcome: reconcile.RunOutcome,
) -> None:
    refused = outcome.reconciliation.quarantine
    refused = refused.loc[refused["file"].eq("lab_icp.xlsx") & refused["column"].eq("")]
    tubes = {f"B{n}" for n in range(29, 41)}
    assert set(refused["found"]) == tubes
    assert refused["reason"].str.contains("register").all()
    sheet = openpyxl.load_workbook(data_or_skip("core_register") / "lab_icp.xlsx").active
    assert sheet is not None
    for row, found in zip(refused["row"], refused["found"], strict=True):
        assert sheet.cell(int(row), 1).value == found


@pytest.mark.slow
@pytest.mark.parametrize("element", FIGURES)
def test_the_partial_digestion_is_named_beside_the_figures_and_in_the_report(
    outcome: reconcile.RunOutcome, element: str
) -> None:
    result = result_of(outcome, element)
    assert result.stratum.digestion_class == "partial"
    assert any("partial" in note for note in result.notes)
    pages = volumes.pages_of(outcome.release_folder)
    text = " ".join("".join(p.extract_text() for p in pages).split())
    assert "partial" in text
    assert "aqua regia" in text


def test_the_account_balances(outcome: reconcile.RunOutcome) -> None:
    assert [step.name for step in outcome.reconciliation.waterfall if step.balance] == []


ANSWERS = {
    Ask.USE: "screening", Ask.MARGIN: "0.10", Ask.CALIBRATION: "geological",
    Ask.LABORATORY: "core laboratory", Ask.LAB_TECHNIQUE: "ICP-OES", Ask.DIGESTION: "aqua regia",
    Ask.DIGESTION_CLASS: "partial", Ask.MOISTURE: "dry", Ask.VOLUME: "100", Ask.SIGMA: "2",
    Ask.LIMIT: "error column", Ask.ROW_KIND: "reference material",
}  # fmt: skip
COLUMNS = {
    "weight": "sample_mass_g", "batch": "group", "Duration": "count_time_s",
    "column 2": "measured_at",
}  # fmt: skip


@pytest.mark.slow
def test_proposed_settings_with_their_questions_answered_give_the_published_lines(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = tmp_path / "site"
    starting.start_from(site, data_or_skip("core_register"), {"lab_xrf_benchtop.csv": "field"})

    def prompt(told: str, choices: object, default: str, empty: bool) -> str:
        text = (site / "reconcile.toml").read_text("utf-8")
        first, *_ = answering.still_open(text)
        ask, last = answering.asks(first, text), str(first.place[-1])
        if ask is Ask.INSTRUMENT:
            return f"instrument {first.place[1]}"
        return COLUMNS.get(last, "ignore") if ask is Ask.COLUMN else ANSWERS[ask]

    starting.ask_open(site, prompt)
    settings = site / "reconcile.toml"
    text = settings.read_text("utf-8").replace('= "field time"', '= "nothing"')
    settings.write_text(text, encoding="utf-8")
    monkeypatch.setattr(releasing, "write_release", small.data_alone)
    found = reconcile.run_period(site, "published").reconciliation.results
    for element, (slope, r) in FIGURES.items():
        of_field = [
            x.statistics
            for x in found
            if x.stratum.element == element and x.stratum.read_by.instrument == "instrument 1"
        ]
        assert abs(of_field[0].fits.lab_on_field.slope.value - slope) < 0.0055
        assert abs(of_field[0].agreement.correlation.r.value - r) < 0.0055
