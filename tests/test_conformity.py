"""Every grade that the results do not speak against, by a stated rule; nothing of service."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

import reconcile
from reconcile.base.grades import (
    AGAINST,
    CONSISTENT,
    EXCLUDED,
    GUARDED,
    GUARDED_REJECTION,
    MEETS,
    NOT_DECIDED,
    NOT_JUDGED,
    NOT_MEASURED,
    OPEN,
    RULES,
    SIMPLE,
    WITHIN,
    Limit,
    Measured,
    ResultSet,
    SpecimenConformity,
)
from reconcile.figures.laboratory_error import LabError
from reconcile.intake.settings_listed import setting_lines
from reconcile.judgement import conformity, factor_life, specimen_results
from reconcile.reporting import words
from reconcile.reporting.document import conformity as conformity_pages
from reconcile.store.database import Store
from reconcile.store.statements import Sql
from tests import volumes
from tests.small import bytes_of
from tests.test_cli import reconcile as command
from tests.test_factors import AT, build, copper

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

PERIOD = "2026-10"
NONE = math.nan
GRADES = conformity.grouped(
    [
        Limit("A", "Cr", 160_000, 180_000), Limit("A", "C", NONE, 800),
        Limit("A low carbon", "Cr", 160_000, 180_000), Limit("A low carbon", "C", NONE, 300),
        Limit("B", "Cr", 9_000, 12_000), Limit("B", "C", 500, 1_500),
    ]
)  # fmt: skip


def one(element: str, value: float, u: float, **more: object) -> Measured:
    return Measured(element, value, value, u, **more)  # type: ignore[arg-type]


def results(*values: Measured, technique: str = "spark OES", side: str = "lab") -> ResultSet:
    return ResultSet("P1", side, technique, technique, "", values)


def calls(found: SpecimenConformity) -> dict[str, str]:
    return {g.grade: g.call for g in found.grades}


# ---- the rules -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "value", "call"),
    [
        (SIMPLE, 100.0, WITHIN), (SIMPLE, 100.1, AGAINST), (SIMPLE, 99.9, WITHIN),
        (GUARDED, 90.0, WITHIN), (GUARDED, 90.1, OPEN), (GUARDED, 110.0, OPEN),
        (GUARDED, 110.1, AGAINST),
        (GUARDED_REJECTION, 110.0, WITHIN), (GUARDED_REJECTION, 110.1, AGAINST),
    ],
)  # fmt: skip
def test_each_rule_accepts_and_rejects_at_its_own_acceptance_limit(
    rule: str, value: float, call: str
) -> None:
    # JCGM 106:2012, section 8, from memory: u 5, U 10, guard band w = U, maximum 100
    limit = Limit("G", "Cr", NONE, 100.0)
    made = conformity.element_call(limit, one("Cr", value, 5.0), results(), rule, 1.0)
    assert made.call == call


@given(
    value=st.floats(1, 1e5), u=st.floats(0.01, 1e4), low=st.floats(1, 1e5),
    width=st.floats(0, 1e5), factor=st.floats(0, 3),
)  # fmt: skip
def test_a_guard_band_never_accepts_or_rejects_what_the_plain_limits_would_not(
    value: float, u: float, low: float, width: float, factor: float
) -> None:
    limit = Limit("G", "Cr", low, low + width)
    made = {
        rule: conformity.element_call(limit, one("Cr", value, u), results(), rule, factor).call
        for rule in RULES
    }
    if made[GUARDED] == WITHIN:
        assert made[SIMPLE] == WITHIN
    if made[SIMPLE] == WITHIN:
        assert made[GUARDED_REJECTION] == WITHIN
    for guarded in (GUARDED, GUARDED_REJECTION):
        if made[guarded] == AGAINST:
            assert made[SIMPLE] == AGAINST


@pytest.mark.parametrize("rule", [GUARDED, GUARDED_REJECTION])
@pytest.mark.slow
def test_a_true_value_on_a_limit_is_wrongly_called_as_seldom_as_the_rule_says(rule: str) -> None:
    # 2.3 % at w = U, k = 2 (ILAC-G8:09/2019, below 2.5 %); 20,000 results, so within 0.4 %
    limit = Limit("G", "Cr", NONE, 100.0)
    values = np.random.default_rng(5).normal(100.0, 5.0, 20_000)
    made = [
        conformity.element_call(limit, one("Cr", float(v), 5.0), results(), rule, 1.0).call
        for v in values
    ]
    assert made.count(AGAINST) / len(made) == pytest.approx(0.0228, abs=0.004)
    if rule == GUARDED:
        assert made.count(WITHIN) / len(made) == pytest.approx(0.0228, abs=0.004)
    assert "2.3%" in " ".join(conformity.rule_sentences(rule, 1.0))


def test_every_rule_is_named_with_its_guard_band_in_words() -> None:
    for rule in RULES:
        text = " ".join(conformity.rule_sentences(rule, 0.83))
        assert f"Decision rule: {rule}" in text
        assert ("w = 0.83·U" in text) is (rule != SIMPLE)
    assert "one time in two" in conformity.rule_sentences(SIMPLE, 1.0)[0]


def test_limits_nearer_than_two_guard_bands_are_never_accepted_and_it_is_said() -> None:
    made = conformity.element_call(
        Limit("G", "Cr", 95, 105), one("Cr", 100, 5), results(), GUARDED, 1.0
    )
    assert (made.call, made.why) == (OPEN, "limits nearer than two guard bands")
    assert made.accept_low > made.accept_high
    assert made.probability == pytest.approx(0.6827, abs=1e-4)  # normal, one sigma


# ---- grades ----------------------------------------------------------------------------


def test_all_consistent_grades_are_listed_and_what_tells_them_apart_is_named() -> None:
    found = conformity.judge(results(one("Cr", 170_000, 500)), GRADES, GUARDED, 1.0)
    assert calls(found) == {"A": CONSISTENT, "A low carbon": CONSISTENT, "B": EXCLUDED}
    assert found.not_measured == (("C", "no result"),)
    assert conformity.why_excluded(found.grades[2]) == "Cr high"
    assert "A, A low carbon" in conformity.summary(found)


def test_a_laboratory_carbon_tells_two_grades_apart() -> None:
    found = conformity.judge(
        results(one("Cr", 170_000, 500), one("C", 500, 20)), GRADES, GUARDED, 1.0
    )
    assert calls(found) == {"A": MEETS, "A low carbon": EXCLUDED, "B": EXCLUDED}


@pytest.mark.parametrize(
    ("technique", "why"), [("XRF", "light element"), ("LIBS", "never the sole basis")]
)
def test_a_field_carbon_decides_nothing_even_where_there_is_a_number(
    technique: str, why: str
) -> None:
    found = conformity.judge(
        results(one("Cr", 170_000, 500), one("C", 500, 1), technique=technique, side="field"),
        GRADES, GUARDED, 1.0,
    )  # fmt: skip
    assert calls(found) == {"A": CONSISTENT, "A low carbon": CONSISTENT, "B": EXCLUDED}
    assert found.not_measured[0][0] == "C"
    assert why in found.not_measured[0][1]


@pytest.mark.parametrize("element", ["C", "B", "Li", "Na", "N"])
def test_no_light_element_is_decided_by_xrf(element: str) -> None:
    made = conformity.element_call(
        Limit("G", element, NONE, 10), one(element, 5, 0.1),
        results(technique="XRF", side="field"), SIMPLE, 0.0,
    )  # fmt: skip
    assert made.call == NOT_MEASURED
    assert "light element" in made.why


def test_without_an_uncertainty_a_guarded_rule_decides_nothing() -> None:
    found = conformity.judge(
        results(Measured("Cr", 50_000, 50_000, source="no pairs")), GRADES, GUARDED, 1.0
    )
    assert set(calls(found).values()) == {NOT_JUDGED}
    assert found.grades[0].of(NOT_DECIDED) == ("Cr",)
    assert conformity.summary(found) == "No grade could be judged."
    # "consistent with no grade" would condemn a part that was not looked at
    assert conformity_pages.fitting(found) == "not judged"


def test_grades_that_were_not_judged_are_not_told_as_inconsistent() -> None:
    some = conformity.grouped([Limit("A", "Cr", 160_000, 180_000), Limit("B", "Ni", 1_000, 2_000)])
    mixed = conformity.judge(results(one("Cr", 50_000, 500)), some, GUARDED, 1.0)
    assert calls(mixed) == {"A": EXCLUDED, "B": NOT_JUDGED}
    assert conformity_pages.fitting(mixed) == "none of those judged"
    assert conformity.summary(mixed).startswith("No grade that could be judged is consistent")
    none = conformity.judge(results(one("Cr", 50_000, 500)), some[:1], GUARDED, 1.0)
    assert conformity_pages.fitting(none) == "no grade of the table"


def test_a_result_that_is_not_trusted_speaks_against_a_grade_but_not_for_one() -> None:
    value = one("Cr", 170_000, 500, untrusted="stratum insufficient evidence")
    found = conformity.judge(results(value, one("C", 500, 20)), GRADES, GUARDED, 1.0)
    assert calls(found) == {"A": CONSISTENT, "A low carbon": EXCLUDED, "B": EXCLUDED}
    assert found.grades[0].of(OPEN) == ("Cr",)


def test_a_censored_result_decides_only_where_its_bounds_leave_no_doubt() -> None:
    def call(low: float, high: float, minimum: float, maximum: float) -> str:
        limit = Limit("G", "Cr", minimum, maximum)
        return conformity.element_call(
            limit, Measured("Cr", low, high), results(), GUARDED, 1.0
        ).call

    assert call(0, 50, NONE, 100) == WITHIN
    assert call(0, 50, 60, 100) == AGAINST
    assert call(0, 50, NONE, 40) == NOT_DECIDED
    assert call(200, math.inf, NONE, 100) == AGAINST
    assert call(0, math.nan, NONE, 100) == NOT_DECIDED  # below a limit that nobody stated


def test_where_limits_were_refused_no_grade_has_every_limit_decided() -> None:
    values = results(one("Cr", 170_000, 500), one("C", 200, 20))
    assert calls(conformity.judge(values, GRADES, GUARDED, 1.0))["A"] == MEETS
    cut = conformity.judge(values, GRADES, GUARDED, 1.0, complete=False)
    assert calls(cut)["A"] == CONSISTENT


def test_a_laboratory_result_has_the_uncertainty_of_its_duplicates() -> None:
    error = LabError(0.02**2, 12.0, "12 pairs of laboratory duplicates")
    made = specimen_results.lab_uncertainty(one("Cr", 1_000.0, NONE), 4, error)
    assert made.u == pytest.approx(10.0)  # 2 % of 1000 over the root of four determinations
    assert made.k == pytest.approx(2.179, abs=5e-4)  # Student's t, 12 degrees, 95 % (tabulated)
    assert "own bias is not in it" in made.source
    assert math.isnan(specimen_results.lab_uncertainty(one("Cr", 1.0, NONE), 1, None).u)


# ---- a whole month ---------------------------------------------------------------------

LIMITS = """Grade,Element,Minimum,Maximum,Unit,Note
Lean,Cu,,100,mg/kg,invented
Rich,Cu,150,5000,mg/kg,
Rich and checked,Cu,150,5000,mg/kg,
Rich and checked,C,,0.10,%,
"""


def with_limits(site: Path, limits: str = LIMITS, more: str = "") -> Path:
    path = site / "reconcile.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(
        text + '\n[[table]]\nkind = "specification limits"\nfiles = ["limits.csv"]\n' + more,
        encoding="utf-8",
    )
    (site / "limits.csv").write_text(limits, encoding="utf-8")
    return site


@pytest.fixture(scope="module")
def released(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = with_limits(build(tmp_path_factory.mktemp("conform") / "site", samples=40))
    reconcile.run_period(site, PERIOD)
    return site


@pytest.fixture
def site(released: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(released, tmp_path / "site"))


def latest(site: Path) -> Path:
    return max((site / "out" / "releases" / PERIOD).iterdir(), key=lambda p: p.name)


@pytest.mark.slow
def test_a_month_with_limits_writes_section_sheet_and_table(site: Path) -> None:
    folder = latest(site)
    frame = pd.read_csv(folder / "conformity.csv")
    assert set(frame["side"]) == {"field", "lab"}
    field = frame.loc[frame["side"].eq("field") & frame["element"].eq("Cu")]
    known = field.loc[field["value_mg_kg"].notna()]
    assert known["uncertainty_from"].str.startswith("replicates and agreement").all()
    assert (known["expanded_uncertainty_mg_kg"] > 0).all()
    # true copper, not the biased reading, decides: U holds the bias of 20 %
    rich = frame.loc[frame["grade"].eq("Rich") & frame["side"].eq("lab")]
    assert set(rich.loc[rich["value_mg_kg"] > 200, "element_call"]) <= {WITHIN, NOT_DECIDED}
    assert set(frame.loc[frame["element"].eq("C"), "element_call"]) == {NOT_MEASURED}
    book = openpyxl.load_workbook(folder / "workbook.xlsx")
    cells = [str(c.value) for row in book["Conformity"].iter_rows() for c in row]
    assert any("Decision rule: guarded acceptance" in c for c in cells)
    assert words.CONFORMITY_CAUTION in cells

    assert f"<h2>{words.CONFORMITY}</h2>" in (folder / "report.html").read_text("utf-8")
    text = "\n".join(p.extract_text() for p in volumes.pages_of(folder))
    assert words.CONFORMITY in text
    assert "licensed or competent person" in text.replace("\n", " ")
    settings = {line.name for line in _settings(site)}
    assert "conformity.rule" in settings


def _settings(site: Path) -> list:
    from reconcile.intake import workspace

    return list(setting_lines(workspace.load_workspace(site).settings))


def test_nothing_says_fit_for_service_but_to_deny_it(site: Path) -> None:
    texts = [words.CONFORMITY_CAUTION, words.CONFORMITY_HOW, words.CONFORMITY_CANNOT["XRF"]]
    texts += [t for rule in RULES for t in conformity.rule_sentences(rule, 1.0)]
    texts.append((latest(site) / "conformity.csv").read_text("utf-8"))
    assert not any("fit for" in t.lower() for t in texts)
    assert "nothing here says that a part may be used" in words.CONFORMITY_CAUTION
    assert "local code" in words.CONFORMITY_CAUTION


@pytest.mark.slow
@pytest.mark.whole_release
def test_the_same_inputs_give_the_same_bytes_and_no_new_release(
    site: Path, released: Path, tmp_path: Path
) -> None:
    before = bytes_of(latest(site))
    assert not reconcile.run_period(site, PERIOD).new_release
    assert bytes_of(latest(site)) == before
    again = with_limits(build(tmp_path / "again" / "site", samples=40))
    reconcile.run_period(again, PERIOD)
    assert bytes_of(latest(again)) == before


@pytest.mark.slow
def test_an_approved_factor_corrects_the_values_and_makes_a_new_revision(site: Path) -> None:
    number = copper(site).factor.factor_id
    factor_life.approve(site, number, "Ben Osei", "ratio steady", AT)
    assert reconcile.run_period(site, PERIOD).new_release
    frame = pd.read_csv(latest(site) / "conformity.csv")
    done = frame.loc[frame["factor_id"].eq(number)]
    assert len(done)
    assert np.allclose(done["value_mg_kg"] * 1.2, done["raw_mg_kg"], rtol=0.05)
    # k is 2, and larger where a part's own spots scatter more than usual: few degrees of freedom
    assert done["coverage_factor"].min() == 2.0
    assert done["coverage_factor"].max() <= stats.t.isf(0.025, 1)  # two spots
    wider = done["coverage_factor"].gt(2.0)
    u = done["expanded_uncertainty_mg_kg"] / done["coverage_factor"] / done["value_mg_kg"]
    assert u[wider].min() > u[~wider].max()  # only where the part's own spread made u larger
    assert not reconcile.run_period(site, PERIOD).new_release
    factor_life.withdraw(site, number, "Ben Osei", "window replaced", AT)
    assert reconcile.run_period(site, PERIOD).new_release
    assert pd.read_csv(latest(site) / "conformity.csv")["factor_id"].isna().all()


def test_a_factor_stood_for_its_month_though_it_expired_or_was_superseded_since(
    site: Path,
) -> None:
    life = factor_life.approve(site, copper(site).factor.factor_id, "Ben Osei", "ratio steady", AT)
    for state in ("approved", "expired", "superseded"):
        then = replace(life, factor=replace(life.factor, status=state))
        assert len(factor_life.in_force([then], "2026-10-01", "2026-10-31")) == 1
    for state, approver in (("withdrawn", "Ben Osei"), ("proposed", ""), ("superseded", "")):
        then = replace(life, approver=approver, factor=replace(life.factor, status=state))
        assert factor_life.in_force([then], "2026-10-01", "2026-10-31") == ()
    assert factor_life.in_force([life], "2026-09-01", "2026-09-30") == ()
    newer = replace(life, period="2026-11")
    assert factor_life.in_force([newer, life], "2026-10-01", "2026-10-31")[0].period == "2026-11"


@pytest.mark.slow
def test_a_refused_limit_is_found_and_no_grade_is_called_whole(site: Path) -> None:
    (site / "limits.csv").write_text(LIMITS + "Rich,Fe,5,2,%,\nRich,Xx,1,2,%,\n", encoding="utf-8")
    outcome = reconcile.run_period(site, PERIOD)
    record = outcome.reconciliation.conformity
    assert record is not None
    assert not any(s.grades_of(MEETS) for s in record.specimens)
    assert any(
        f.severity == "serious" and "limits may be missing" in f.text
        for f in outcome.reconciliation.findings
    )
    refused = pd.read_csv(latest(site) / "quarantine.csv")
    assert set(refused["reason"]) >= {
        "the minimum is above the maximum",
        "no known element and no formula of elements",
    }


@pytest.mark.slow
def test_a_specimen_with_broken_custody_or_left_out_decides_nothing(site: Path) -> None:
    path = site / "reconcile.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text('leave_out = { S001 = "wrong bag" }\n' + text, encoding="utf-8")
    record = reconcile.run_period(site, PERIOD).reconciliation.conformity
    assert record is not None
    (field, lab) = [s for s in record.specimens if s.results.sample_id == "S001"]
    for s in (field, lab):
        assert ("Cu", "left out by entry: wrong bag") in s.not_measured


def test_only_the_named_specimen_forms_are_judged(site: Path) -> None:
    path = site / "reconcile.toml"
    text = path.read_text(encoding="utf-8")
    form = '\n[conformity]\nspecimen_forms = ["ground metal face"]\n'
    path.write_text(text + form, encoding="utf-8")
    record = reconcile.run_period(site, PERIOD).reconciliation.conformity
    assert record is not None
    assert record.specimens == ()


@pytest.mark.slow
def test_the_command_shows_a_specimen_and_writes_what_it_judged(site: Path, tmp_path: Path) -> None:
    for ending in (".csv", ".xlsx"):
        code, out, err = command(
            "conform", PERIOD, str(site), "--sample", "S002", "--to", str(tmp_path / f"c{ending}")
        )
        assert code == 0, err
        assert "Decision rule: guarded acceptance" in out
        assert "S002" in out
        assert "S003" not in out
    frame = pd.read_csv(tmp_path / "c.csv")
    assert set(frame["sample_id"]) == {"S002"}
    book = openpyxl.load_workbook(tmp_path / "c.xlsx")
    assert book.sheetnames == ["conformity", "elements"]
    code, _, err = command("conform", PERIOD, str(site), "--to", str(tmp_path / "c.csv"))
    assert (code, "exists already" in " ".join(err.split())) == (2, True)
    code, _, err = command("conform", PERIOD, str(site), "--sample", "S999")
    assert (code, "S999" in " ".join(err.split())) == (2, True)


def test_a_store_made_before_the_kind_was_known_gets_its_table(tmp_path: Path) -> None:
    with Store(tmp_path / "old.duckdb") as old:
        old.connection.execute("DROP TABLE specification_limit")
    with Store(tmp_path / "old.duckdb") as new:
        assert new.rows(Sql("SELECT count(*) FROM specification_limit")) == [(0,)]


def test_a_workspace_without_limits_says_how_to_name_them(tmp_path: Path) -> None:
    code, _, err = command("conform", PERIOD, str(build(tmp_path / "site")))
    assert code == 2
    assert 'kind = "specification limits"' in err.replace("\n", " ")


@pytest.mark.slow
@pytest.mark.whole_release
def test_a_hostile_grade_name_stays_text(tmp_path: Path) -> None:
    name = "=cmd|' /C calc'!A0<img src=\"x\"/>"
    rows = (
        "Grade,Element,Minimum,Maximum,Unit\n"
        + f'"{name.replace(chr(34), chr(34) * 2)}",Cu,1,90000,mg/kg\n'
    )
    site = with_limits(build(tmp_path / "site"), rows)
    reconcile.run_period(site, PERIOD)
    folder = latest(site)
    book = openpyxl.load_workbook(folder / "workbook.xlsx")
    assert not any(c.data_type == "f" for row in book["Conformity"].iter_rows() for c in row)
    assert "'=cmd" in (folder / "conformity.csv").read_text("utf-8")
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    assert "conformity.csv" in json.dumps(manifest)
