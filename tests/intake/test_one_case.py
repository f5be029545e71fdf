"""Symbols in one case, methods that differ in case alone, and remarks above the headings."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd
import pytest

import reconcile
from reconcile.base.errors import ReconcileError
from tests.intake.conftest import Read

pytestmark = pytest.mark.usefixtures("data_alone_unless_whole")


def long(*symbols: str) -> str:
    return "Sample,Element,Value,Unit\n" + "".join(
        f"S{i},{symbol},{i},mg/kg\n" for i, symbol in enumerate(symbols, start=1)
    )


@pytest.mark.parametrize(
    ("symbols", "elements"),
    [
        (("se", "co", "cu", "k"), ["Se", "Co", "Cu", "K"]),
        (("CU", "CO", "SE"), ["Cu", "Co", "Se"]),
        (("cu", "fe2o3"), ["Cu", "Fe"]),
    ],
)
def test_symbols_of_a_long_table_may_be_written_in_one_case(
    read: Read, symbols: Sequence[str], elements: list[str]
) -> None:
    table = read(long(*symbols), "lab")
    assert [a.element for a in table.analytes] == elements
    assert table.quarantine.empty


@pytest.mark.parametrize("symbols", [("Cu", "CO"), ("cu", "no"), ("CU", "NO"), ("Cu", "HF")])
def test_compounds_of_their_own_stay_refused(read: Read, symbols: Sequence[str]) -> None:
    table = read(long(*symbols), "lab")
    assert [a.element for a in table.analytes] == ["Cu"]
    assert table.quarantine["row"].tolist() == [3]


@pytest.mark.parametrize(
    "remark", ["# source, from, somewhere", "# Cu, Zn, as reported", "// exported, by, station 2"]
)
def test_a_remark_above_the_headings_is_no_group_of_columns(read: Read, remark: str) -> None:
    table = read(f"{remark}\nSample,Cu (mg/kg),Zn (mg/kg)\nS1,1,2\n", "lab")
    assert [a.key for a in table.analytes] == ["Cu", "Zn"]
    assert table.facts.num_rows == 1


def test_a_heading_row_behind_a_number_sign_is_still_found(read: Read) -> None:
    table = read("#Sample,Cu (mg/kg),Zn (mg/kg)\nS1,1,2\n", "lab", columns={"#Sample": "sample_id"})
    assert [a.key for a in table.analytes] == ["Cu", "Zn"]


def test_two_columns_whose_methods_differ_in_case_alone_are_asked_about(read: Read) -> None:
    with pytest.raises(ReconcileError, match="both hold Cu"):
        read("Method,M1-icp,M1-ICP\nSample,Cu,Cu\nUnit,mg/kg,mg/kg\nS1,1,2\n", "lab")


def test_methods_of_a_long_table_that_differ_in_case_alone_are_one(read: Read) -> None:
    table = read(long("Cu by ICP-OES", "Cu by icp-oes"), "lab")
    assert len(table.analytes) == 1
    assert table.values.column(table.analytes[0].key).to_pylist() == [1, 2]


SETTINGS = """
[workspace]
assign_rows_by = "nothing"
[[table]]
kind = "field"
files = ["field.csv"]
unit = "mg/kg"
fixed = { technique = "XRF", matrix = "soil" }
[[table]]
kind = "lab"
files = ["lab*.csv"]
unit = "mg/kg"
"""


def run(folder: Path, *labs: str) -> reconcile.RunOutcome:
    (folder / "reconcile.toml").write_text(SETTINGS, encoding="utf-8")
    (folder / "field.csv").write_text("Sample,Cu,Zn\nS1,1,2\nS2,3,4\n", encoding="utf-8")
    for number, text in enumerate(labs):
        (folder / f"lab{number}.csv").write_text(text, encoding="utf-8")
    return reconcile.run_period(folder, "all")


def test_methods_in_rows_that_differ_in_case_alone_are_one_stratum_and_told(tmp_path: Path) -> None:
    outcome = run(
        tmp_path,
        "Sample,Method,Certificate,Cu\nS1,M1-icp,C1,1\n",
        "Sample,Method,Certificate,Cu\nS2,M1-ICP,C2,3\n",
    )
    (stratum,) = outcome.reconciliation.results
    assert stratum.statistics.n_pairs == 2
    assert any("differ in case or blanks alone" in f.text for f in outcome.reconciliation.findings)


@pytest.mark.slow
def test_methods_in_headings_of_two_files_that_differ_in_case_alone_are_one(tmp_path: Path) -> None:
    outcome = run(
        tmp_path,
        "Method,M1-icp,M1-icp\nSample,Cu,Zn\nS1,1,2\n",
        "Method,M1-ICP,M1-ICP\nSample,Cu,Zn\nS2,3,4\n",
    )
    assert [r.statistics.n_pairs for r in outcome.reconciliation.results] == [2, 2]
    pairs = pd.read_csv(outcome.release_folder / "pairs.csv")
    assert sorted(pairs["lab_mean_mg_kg"]) == [1, 2, 3, 4]
    assert set(pairs["lab_n"]) == {1}
