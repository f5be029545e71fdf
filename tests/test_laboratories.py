"""Laboratories are never mixed: each is a comparison of its own, and they are compared."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

import reconcile
from reconcile.commands import checked
from reconcile.commands.checking import check
from reconcile.reporting import words

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")

SETTINGS = """
[workspace]
assign_rows_by = "nothing"

[thresholds]
rate_reference_materials = 0
rate_blanks = 0
rate_duplicates = 0
controls_required = false

{extra}

[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = {{ technique = "XRF", instrument = "X1", calibration = "c", matrix = "soil", specimen_form = "pulp", moisture_basis = "dry", pair_type = "split" }}

[[table]]
kind = "lab"
files = ["lab*.csv"]
unit = "mg/kg"
fixed = {{ technique = "ICP-OES", lab_method = "M1", digestion = "four acids", digestion_class = "near-total", moisture_basis = "dry" }}
"""  # noqa: E501


def site(folder: Path, lines: list[str], *, extra: str = "", samples: int = 40) -> Path:
    """A site with an unbiased field; ``lines`` of lab.csv below its headings."""
    folder.mkdir(exist_ok=True)
    (folder / "reconcile.toml").write_text(SETTINGS.format(extra=extra), "utf-8")
    rng = np.random.default_rng(3)
    field = [f"{name},{value * np.exp(rng.normal(0, 0.04)):.2f}" for name, value in truth(samples)]
    (folder / "field.csv").write_text("Sample,Cu\n" + "\n".join(field) + "\n", "utf-8")
    head = "Sample,Laboratory,Certificate,Reported,Cu"
    (folder / "lab.csv").write_text("\n".join([head, *lines]) + "\n", "utf-8")
    return folder


def truth(samples: int) -> list[tuple[str, float]]:
    return [(f"S{i + 1:02d}", 100.0 * 1.06**i) for i in range(samples)]


def assays(
    laboratory: str, factor: float, of: list[tuple[str, float]], certificate: str, seed: int = 1,
    day: str = "2026-10-05",
) -> list[str]:  # fmt: skip
    rng = np.random.default_rng(seed)
    head = f"{laboratory},{certificate},{day}"
    return [f"{s},{head},{v * factor * np.exp(rng.normal(0, 0.02)):.3f}" for s, v in of]


def two_apart(folder: Path) -> Path:
    """Laboratory A is unbiased, B reads 25 % high; each has half of the samples."""
    known = truth(40)
    return site(
        folder, assays("A", 1.0, known[::2], "A1") + assays("B", 1.25, known[1::2], "B1", 2)
    )


def umpire(folder: Path, extra: str = "", factor: float = 1.25) -> Path:
    """Laboratory A has every sample; B has twelve of them again."""
    known = truth(40)
    checked = assays("B", factor, known[::3][:12], "B1", 2)
    return site(folder, assays("A", 1.0, known, "A1") + checked, extra=extra)


STANDS = '[lab]\nstands = ["A"]'


@pytest.mark.slow
def test_two_laboratories_by_one_method_code_are_two_comparisons(tmp_path: Path) -> None:
    results = reconcile.run_period(two_apart(tmp_path / "w"), "all").reconciliation.results
    found = {r.stratum.laboratory: r.statistics.bias.geometric_mean_ratio.value for r in results}
    assert found == {"A": pytest.approx(1.0, abs=0.03), "B": pytest.approx(0.8, abs=0.03)}
    assert [r.statistics.n_used for r in results] == [20, 20]


@pytest.mark.slow
def test_a_laboratory_stands_in_a_short_name_only_where_two_stand_beside_each_other(
    tmp_path: Path,
) -> None:
    two = reconcile.run_period(two_apart(tmp_path / "w"), "all").reconciliation.results
    assert [r.stratum.label for r in two] == ["Cu · XRF A · soil", "Cu · XRF B · soil"]
    one = site(tmp_path / "v", assays("A", 1.0, truth(40), "A1"))
    (result,) = reconcile.run_period(one, "all").reconciliation.results
    assert result.stratum.label == "Cu · XRF · soil"


@pytest.mark.slow
@pytest.mark.whole_release
def test_the_laboratory_stands_in_every_file(tmp_path: Path) -> None:
    folder = reconcile.run_period(two_apart(tmp_path / "w"), "all").release_folder
    for name in ("statistics.csv", "verdicts.csv"):
        assert set(pd.read_csv(folder / name)["laboratory"]) == {"A", "B"}
    pairs = pd.read_csv(folder / "pairs.csv")
    assert pairs.groupby("laboratory")["stratum"].nunique().to_dict() == {"A": 1, "B": 1}
    strata = json.loads((folder / "statistics.json").read_text("utf-8"))["strata"]
    assert [s["stratum"]["determined_by"]["laboratory"] for s in strata] == ["A", "B"]
    book = openpyxl.load_workbook(folder / "workbook.xlsx", read_only=True)
    for sheet in ("strata", "pairs", "statistics"):
        texts = {
            str(c) for row in book[words.SHEETS[sheet]].iter_rows(values_only=True) for c in row
        }
        for laboratory in ("A", "B"):
            assert any(f"{laboratory} · ICP-OES" in text for text in texts), sheet
    page = (folder / "report.html").read_text("utf-8")
    assert "A · ICP-OES" in page
    assert "B · ICP-OES" in page


def test_check_tells_the_laboratories_and_asks_which_stands(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = check(umpire(tmp_path / "w"), "all")
    assert [(a.laboratory, a.samples, a.shared) for a in report.laboratories] == [
        ("A", 40, 12), ("B", 12, 12),
    ]  # fmt: skip
    (asked,) = [f for f in report.findings if f.code == "several laboratories"]
    assert 'stands = ["A", "B"]' in asked.advice
    checked.show_check(report)
    assert "Laboratories" in capsys.readouterr().out


def test_check_assays_of_a_second_laboratory_never_enter_the_reference(tmp_path: Path) -> None:
    alone = site(tmp_path / "v", assays("A", 1.0, truth(40), "A1"))
    (without,) = reconcile.run_period(alone, "all").reconciliation.results
    r = reconcile.run_period(umpire(tmp_path / "w", STANDS), "all").reconciliation
    (result,) = r.results
    assert result.stratum == without.stratum
    assert result.pairs["lab_mean"].tolist() == without.pairs["lab_mean"].tolist()
    assert not [f for f in r.findings if f.code == "several laboratories"]
    (step,) = [s for s in r.waterfall if s.unit == "results"]
    assert dict(step.lost) == {"check assay of another laboratory": 12}
    assert step.balance == 0


@pytest.mark.slow
@pytest.mark.parametrize("extra", ["", STANDS])
def test_the_same_samples_compare_laboratory_with_laboratory(tmp_path: Path, extra: str) -> None:
    outcome = reconcile.run_period(umpire(tmp_path / "w", extra), "all")
    (found,) = outcome.reconciliation.laboratories
    assert (found.element, found.n, found.limited, found.stands) == ("Cu", 12, 0, bool(extra))
    assert (found.first.laboratory, found.second.laboratory) == ("A", "B")
    assert found.ratio.low < 1.25 < found.ratio.high
    assert found.share.value < 0.2
    assert found.beyond
    (told,) = [f for f in outcome.reconciliation.findings if f.code == "laboratories differ"]
    assert "n 12" in told.text
    table = pd.read_csv(outcome.release_folder / "laboratories.csv")
    ratio = table.loc[table["figure"].eq("geometric_mean_ratio")].iloc[0]
    assert ratio["value"] == found.ratio.value


@pytest.mark.slow
def test_laboratories_that_agree_are_shown_to(tmp_path: Path) -> None:
    r = reconcile.run_period(umpire(tmp_path / "w", STANDS, 1.0), "all").reconciliation
    (found,) = r.laboratories
    assert found.within
    assert not found.beyond
    assert not [f for f in r.findings if f.code == "laboratories differ"]


@pytest.mark.slow
@pytest.mark.whole_release
def test_laboratories_are_shown_in_report_page_and_workbook(tmp_path: Path) -> None:
    folder = reconcile.run_period(umpire(tmp_path / "w", STANDS), "all").release_folder
    page = (folder / "report.html").read_text("utf-8")
    for text in (words.LABORATORIES_TITLE, "A · ICP-OES · M1 · four acids (stands)"):
        assert text in page
    book = openpyxl.load_workbook(folder / "workbook.xlsx", read_only=True)
    rows = list(book[words.SHEETS["laboratories"]].iter_rows(values_only=True))
    assert {row[0] for row in rows[1:]} == {"laboratories"}


@pytest.mark.slow
def test_names_that_differ_in_case_alone_are_one_laboratory(tmp_path: Path) -> None:
    known = truth(40)
    folder = site(
        tmp_path / "w", assays("Lab A", 1, known[::2], "A1") + assays("LAB A", 1, known[1::2], "A2")
    )
    assert len(reconcile.run_period(folder, "all").reconciliation.results) == 1


@pytest.mark.slow
def test_one_certificate_number_of_two_laboratories_is_two_certificates(tmp_path: Path) -> None:
    known = truth(40)
    folder = site(tmp_path / "w", assays("A", 1, known, "77"), extra='[lab]\nstands = ["A"]')
    (folder / "lab2.csv").write_text(
        "\n".join(
            ["Sample,Laboratory,Certificate,Issue,Reported,Cu"]
            + [f"{name},B,77,2,2026-10-09,{value:.2f}" for name, value in known[:5]]
        )
        + "\n",
        "utf-8",
    )
    (result,) = reconcile.run_period(folder, "all").reconciliation.results
    assert (result.stratum.laboratory, result.statistics.n_used) == ("A", 40)


@pytest.mark.slow
def test_certificates_of_one_laboratory_that_move_are_told_by_batch_and_by_date(
    tmp_path: Path,
) -> None:
    known = truth(40)
    days = ("2026-09-05", "2026-09-20", "2026-10-05", "2026-10-20")
    parts = [known[i::4] for i in range(4)]
    lines = [
        line
        for i, (part, day) in enumerate(zip(parts, days, strict=True))
        for line in assays("A", 1.2 if i == 3 else 1.0, part, f"C{i}", i, day)
    ]
    outcome = reconcile.run_period(site(tmp_path / "w", lines), "all")
    (shift,) = outcome.reconciliation.group_shifts
    assert shift.told
    far = max(shift.means, key=lambda m: abs(m.shift.value))
    assert (far.name, far.day, far.n) == ("C3", "2026-10-20", 10)
    assert far.shift.low < 0.2 < far.shift.high
    assert shift.by_date.low > 0
    (told,) = [f for f in outcome.reconciliation.findings if f.code == "certificates shift"]
    assert "C3" in told.text
    table = pd.read_csv(outcome.release_folder / "laboratories.csv")
    assert set(table["kind"]) == {"certificates"}


@pytest.mark.slow
def test_certificates_that_read_alike_are_not_told(tmp_path: Path) -> None:
    known = truth(40)
    lines = [
        line for i in range(4) for line in assays("A", 1.0, known[i::4], f"C{i}", i, "2026-10-05")
    ]
    (shift,) = reconcile.run_period(site(tmp_path / "w", lines), "all").reconciliation.group_shifts
    assert not shift.told


@pytest.mark.slow
def test_a_laboratory_that_only_some_rows_name_is_told(tmp_path: Path) -> None:
    known = truth(40)
    folder = site(tmp_path / "w", assays("A", 1, known[::2], "A1") + assays("", 1, known[1::2], ""))
    r = reconcile.run_period(folder, "all").reconciliation
    (told,) = [f for f in r.findings if f.code == "laboratory unnamed"]
    assert "20 samples" in told.text
    assert "laboratory = " in told.advice


@pytest.mark.slow
def test_the_best_value_rule_never_chooses_between_laboratories(tmp_path: Path) -> None:
    extra = '[lab]\nbest_value = ["M1"]'
    results = reconcile.run_period(umpire(tmp_path / "w", extra), "all").reconciliation.results
    assert [r.statistics.n_used for r in results] == [40, 12]
