"""Correcting a field-only table: only what a factor was made for, with an honest interval."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import reconcile
from reconcile.base.errors import ReconcileError
from reconcile.base.methods import FieldMethod, LabMethod
from reconcile.base.model.verdict import CorrectionFactor
from reconcile.commands import applying
from reconcile.figures import evaluation
from reconcile.judgement import factor_life, factor_proposal
from reconcile.judgement.factor_life import Life
from reconcile.judgement.field_values import FieldMean, FlagKind, correct_mean
from reconcile.statistics.proportions import clopper_pearson
from tests.pairs import STRATUM, settings, study
from tests.sizes import cases
from tests.test_cli import reconcile as command
from tests.test_factors import AT, build

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")


def proposed(n: int, seed: int, **truth: float) -> CorrectionFactor | None:
    config = settings()
    evaluated = evaluation.evaluate(STRATUM, study(n, seed=seed, **truth), None, config)
    return factor_proposal.dated(
        factor_proposal.propose(STRATUM, evaluated, config, None), "2026-10-01", "2027-01-31"
    ).factor


def factor_of(n: int = 60, seed: int = 1, **truth: float) -> CorrectionFactor:
    factor = proposed(n, seed, **truth)
    assert factor is not None
    return factor


def life_of(factor: CorrectionFactor, state: str = "approved") -> Life:
    return Life(
        replace(factor, status=state), "2026-10", 1, "2026-10-r1-0", "Ana Lima",
        "accepted after correction", "", "Ben Osei", "fine",
    )  # fmt: skip


FACTOR = factor_of(ratio=1.25)
LIFE = life_of(FACTOR)
GOOD = FieldMean(
    "S1", "Cu", STRATUM.read_by, STRATUM.matrix, STRATUM.specimen_form,
    STRATUM.moisture_basis, "2026-11-05", "2026-11-05", 3, "", 250.0, 250.0,
)  # fmt: skip


def test_a_value_of_the_same_key_inside_range_and_dates_is_corrected() -> None:
    row = correct_mean(GOOD, [LIFE])
    assert row.flags == ()
    assert row.factor_id == FACTOR.factor_id
    assert row.corrected == pytest.approx(250 / FACTOR.slope)
    assert row.low < row.corrected < row.high


_DAYS = st.dates(pd.Timestamp("2026-01-01").date(), pd.Timestamp("2027-12-31").date()).map(
    lambda day: day.isoformat()
)
_WORD = st.sampled_from


@given(
    value=st.builds(
        FieldMean,
        sample_id=st.just("S1"),
        element=_WORD(["Cu", "Cu", "Zn"]),
        read_by=_WORD(
            [STRATUM.read_by] * 3
            + [
                FieldMethod("XRF", "X2", "soil 1"),
                FieldMethod("XRF", "X1", "soil 2"),
                FieldMethod("XRF"),
                FieldMethod(),
            ]
        ),
        matrix=_WORD([STRATUM.matrix] * 3 + ["rock", ""]),
        specimen_form=_WORD([STRATUM.specimen_form] * 3 + ["as found", ""]),
        moisture_basis=_WORD([STRATUM.moisture_basis] * 3 + ["wet", ""]),
        first_day=st.one_of(_DAYS, st.just("2026-11-05"), st.just("")),
        last_day=st.one_of(_DAYS, st.just("2026-11-05"), st.just("")),
        spots=st.integers(1, 9),
        qualifier=_WORD(["", "", "", "<", ">", "~"]),
        low=(number := st.floats(1e-3, 1e6)),
        high=number,
        interference=_WORD(["", "", "Pb:As is 12"]),
    ),
    same_bounds=st.booleans(),
    state=_WORD(["approved", "approved", "proposed", "superseded", "expired", "withdrawn"]),
)
def test_nothing_outside_the_factors_key_range_or_dates_is_ever_corrected(
    value: FieldMean, same_bounds: bool, state: str
) -> None:
    if same_bounds:
        value = replace(value, high=value.low)
    row = correct_mean(value, [life_of(FACTOR, state)])
    allowed = (
        state == "approved"
        and value.element == "Cu"
        and value.field_method == STRATUM.field_method
        and value.matrix == STRATUM.matrix
        and value.specimen_form == STRATUM.specimen_form
        and value.moisture_basis == STRATUM.moisture_basis
        and value.first_day >= "2026-10-01"
        and "" < value.last_day <= "2027-01-31"
        and not value.qualifier
        and value.low == value.high
        and FACTOR.low <= value.low <= FACTOR.high
        and not value.interference
    )
    assert (not row.flags) == allowed
    assert bool(np.isfinite(row.corrected)) == allowed
    assert bool(row.factor_id) == allowed


@pytest.mark.parametrize(
    ("change", "flag"),
    [
        ({"low": 5000.0, "high": 5000.0}, "outside the range"),
        ({"read_by": FieldMethod("XRF", "X2", "soil 1")}, "other instrument"),
        ({"read_by": FieldMethod("XRF", "X1", "soil 2")}, "other calibration"),
        ({"read_by": FieldMethod("LIBS", "X1", "soil 1")}, "other technique"),
        ({"matrix": "rock"}, "other matrix"),
        ({"specimen_form": "as found"}, "other specimen form"),
        ({"moisture_basis": "wet"}, "other moisture basis"),
        ({"last_day": "2027-02-01"}, "expired"),
        ({"first_day": "2026-09-30"}, "before the factor"),
        ({"qualifier": "<", "low": 0.0, "high": 40.0}, "censored"),
        ({"interference": "Pb:As is 12.0, limit 10"}, "interference"),
        ({"last_day": ""}, "no time of measurement"),
        ({"element": "Zn"}, "no factor"),
    ],
)
def test_each_reason_is_named(change: dict[str, object], flag: str) -> None:
    row = correct_mean(replace(GOOD, **change), [LIFE])  # type: ignore[arg-type]
    assert [f.kind for f in row.flags] == [flag]


def test_two_factors_that_fit_are_not_chosen_between() -> None:
    stratum = replace(STRATUM, determined_by=LabMethod("fire assay"))
    other = factor_proposal.named(replace(FACTOR, stratum=stratum))
    row = correct_mean(GOOD, [LIFE, life_of(other)])
    assert row.flags[0].kind is FlagKind.SEVERAL
    chosen = correct_mean(GOOD, [LIFE, life_of(other)], "fire assay")
    assert chosen.factor_id == other.factor_id


@given(
    y=st.floats(100, 900), a=st.floats(-20, 20), b=st.floats(0.7, 1.4),
    sa=st.floats(0, 5), sb=st.floats(0, 0.05), r=st.floats(-1, 1), s=st.floats(0, 30),
)  # fmt: skip
def test_the_uncertainty_of_a_line_is_the_law_of_propagation(
    y: float, a: float, b: float, sa: float, sb: float, r: float, s: float
) -> None:
    # JCGM 100:2008, 5.2.2, by numerical derivatives of x = (y - a)/b.
    cov = r * sa * sb
    factor = replace(
        FACTOR, form="line", intercept=a, slope=b, covariance=((sa**2, cov), (cov, sb**2)),
        residual_sd=s, residual_relative=False, spot_variance=float("nan"),
    )  # fmt: skip
    h = 1e-6
    da = ((y - a - h) / b - (y - a + h) / b) / (2 * h)
    db = ((y - a) / (b + h) - (y - a) / (b - h)) / (2 * h)
    expected = da**2 * sa**2 + db**2 * sb**2 + 2 * da * db * cov + s**2
    found = factor_proposal.standard_uncertainty(factor, np.array([y]), np.array([1.0]))[0]
    assert found**2 == pytest.approx(max(expected, 0), rel=1e-4, abs=1e-5)


def test_more_spots_than_the_pairs_had_make_the_uncertainty_smaller() -> None:
    y, few, many = np.array([250.0]), np.array([1.0]), np.array([30.0])
    least = factor_proposal.standard_uncertainty(FACTOR, y, many)[0]
    assert 0 < least < factor_proposal.standard_uncertainty(FACTOR, y, few)[0]


# ---- the command ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def approved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = build(tmp_path_factory.mktemp("applying") / "site", samples=40)
    reconcile.run_period(site, "2026-10")
    for life in factor_life.listed(site)[0]:
        if life.verdict.startswith("accepted"):
            factor_life.approve(site, life.factor.factor_id, "Ben Osei", "looked at the plots", AT)
    register = (site / "register.csv").read_text(encoding="utf-8")
    new = "".join(f"N{i},soil,sieved,dry,split\n" for i in range(1, 6)) + "N6,rock,sieved,dry,\n"
    (site / "register.csv").write_text(register + new, encoding="utf-8")
    (site / "field_only.csv").write_text(
        "sample_id,reading_no,measured_at,Cu (mg/kg),Fe (mg/kg)\n"
        "N1,1,2026-11-03 08:00,240,34000\nN1,2,2026-11-03 08:01,252,36000\n"
        "N2,1,2026-11-03 08:02,<40,35000\n"
        "N3,1,2026-11-03 08:03,99999,35000\n"
        "N4,1,2027-03-01 08:00,240,35000\n"
        "N5,1,,240,35000\n"
        "N6,1,2026-11-03 08:04,240,35000\n"
        '"=1+1",1,2026-11-03 08:05,240,35000\n',
        encoding="utf-8",
    )
    return site


@pytest.mark.slow
@pytest.mark.parametrize("ending", [".csv", ".parquet", ".xlsx"])
def test_a_field_only_table_is_corrected_and_flagged(
    approved: Path, tmp_path: Path, ending: str
) -> None:
    target = tmp_path / f"corrected{ending}"
    code, out, err = command(
        "correct", str(approved / "field_only.csv"), str(approved), "--to", str(target)
    )
    assert code == 1, err
    assert "outside the range" in out
    read = {".csv": pd.read_csv, ".parquet": pd.read_parquet, ".xlsx": pd.read_excel}[ending]
    frame = read(target)
    assert tuple(frame.columns) == applying.COLUMNS
    copper = frame.loc[frame["element"].eq("Cu")].set_index("sample_id")
    first = copper.loc["N1"]
    assert first["raw_mg_kg"] == pytest.approx(246)
    assert first["result"] == "corrected"
    assert first["corrected_mg_kg"] == pytest.approx(246 / 1.2, rel=0.05)
    assert first["factor_id"].startswith("Cu-")
    assert first["low_mg_kg"] < first["corrected_mg_kg"] < first["high_mg_kg"]
    for sample, flag in (
        ("N2", "censored"), ("N3", "outside the range"), ("N4", "expired"),
        ("N5", "no time of measurement"), ("N6", "other matrix"),
    ):  # fmt: skip
        assert flag in copper.loc[sample, "flags"]
        assert np.isnan(copper.loc[sample, "corrected_mg_kg"])
    assert np.isnan(copper.loc["N2", "raw_mg_kg"])
    assert copper.loc["N2", "raw_high_mg_kg"] == 40


def test_text_from_the_table_is_never_a_formula(approved: Path, tmp_path: Path) -> None:
    target = tmp_path / "corrected.xlsx"
    applying.correct_table(approved / "field_only.csv", approved, target)
    sheet = openpyxl.load_workbook(target)["corrected"]
    cells = [cell for row in sheet.iter_rows() for cell in row]
    assert any(cell.value == "=1+1" for cell in cells)
    assert not any(cell.data_type == "f" for cell in cells)


@pytest.mark.slow
def test_the_same_table_gives_the_same_bytes_and_nothing_is_overwritten(
    approved: Path, tmp_path: Path
) -> None:
    for ending in applying.ENDINGS:
        one, two = tmp_path / f"one{ending}", tmp_path / f"two{ending}"
        applying.correct_table(approved / "field_only.csv", approved, one)
        applying.correct_table(approved / "field_only.csv", approved, two)
        assert one.read_bytes() == two.read_bytes()
        with pytest.raises(ReconcileError, match="exists already"):
            applying.correct_table(approved / "field_only.csv", approved, one)


def test_without_an_approval_nothing_is_corrected(approved: Path, tmp_path: Path) -> None:
    site = Path(shutil.copytree(approved, tmp_path / "site"))
    for life in factor_life.listed(site)[0]:
        if life.state == "approved":
            factor_life.withdraw(site, life.factor.factor_id, "Ben Osei", "window replaced", AT)
    result = applying.correct_table(site / "field_only.csv", site, tmp_path / "none.csv")
    assert all(row.flags for row in result.rows)
    assert any(flag.startswith("withdrawn") for flag, _ in result.flags)


def test_a_record_that_was_altered_corrects_nothing(approved: Path, tmp_path: Path) -> None:
    site = Path(shutil.copytree(approved, tmp_path / "site"))
    path = site / "out" / "record.jsonl"
    path.write_bytes(path.read_bytes().replace(b"Ben Osei", b"Bea Osei"))
    with pytest.raises(ReconcileError, match="not what was written"):
        applying.correct_table(site / "field_only.csv", site, tmp_path / "x.csv")


@pytest.mark.parametrize(
    ("source", "target", "words"),
    [
        ("nothing.csv", "x.csv", "No file"),
        ("field_only.csv", "x.txt", "how to write"),
        ("register.csv", "x.csv", "can't be read as a field table"),
    ],
)
def test_what_can_not_be_done_is_said(
    approved: Path, tmp_path: Path, source: str, target: str, words: str
) -> None:
    with pytest.raises(ReconcileError, match=words):
        applying.correct_table(approved / source, approved, tmp_path / target)


# ---- does the interval keep its promise -----------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "truth"),
    [
        (40, {"ratio": 1.25}),
        (60, {"ratio": 1.1, "offset": 60.0}),
        (60, {"ratio": 0.9, "rsd": 0.15}),
    ],
)
def test_intervals_of_corrected_results_cover_next_months_laboratory(
    n: int, truth: dict[str, float]
) -> None:
    inside = total = none = 0
    for seed in range(studies := cases(150, 60)):
        factor = proposed(n, seed, **truth)
        if factor is None:  # in a few months no correction is as good as any
            none += 1
            continue
        month = study(40, seed=10_000 + seed, **truth)
        field = month["field_mean"].to_numpy("float64")
        lab = month["lab_mean"].to_numpy("float64")
        corrected, ok = factor_proposal.correct(factor, field)
        spread = factor_proposal.standard_uncertainty(factor, field, np.full(len(field), 3.0))
        low, high = factor_proposal.interval(factor, corrected, spread)
        inside += int(np.sum((low <= lab) & (lab <= high) & ok))
        total += int(np.sum(ok))
    rate = clopper_pearson(inside, total)
    print(f"n {n}, {truth}: {inside}/{total} = {rate.value:.3f}")
    assert none <= 0.05 * studies
    assert 0.93 <= rate.value <= 0.97


def test_a_field_only_table_takes_the_id_column_that_meets_the_register(
    approved: Path, tmp_path: Path
) -> None:
    rows = "".join(f"spot {n},N{n},2026-11-03 08:00,240\n" for n in range(1, 5))
    source = tmp_path / "labelled.csv"
    source.write_text("Sample Name,sample_id,measured_at,Cu (mg/kg)\n" + rows, encoding="utf-8")
    made = applying.correct_table(source, approved, tmp_path / "corrected.csv")
    assert {row.raw.sample_id for row in made.rows} == {"N1", "N2", "N3", "N4"}
    assert not [note for note in made.notes if "may hold" in note]
